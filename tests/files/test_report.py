"""What people look at: the page asks for nothing, says what the layers say, and holds what a reader needs."""

from __future__ import annotations

import csv
import dataclasses
import html.parser
import io
import json
import re
import shutil
import time
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
from PIL import Image

import builders
from thermosaic import synthetic
from thermosaic.errors import ConfigError, ProductError
from thermosaic.files import csv_tables, geopackage, manifest, pdf
from thermosaic.files.report import check_report, foreign_references, make_report
from thermosaic.files.sheets import measures, plan_map, words
from thermosaic.files.sheets.lot_sheet import read_sheet
from thermosaic.files.sheets.places import first_places
from thermosaic.files.sheets.spine import fit_spine
from thermosaic.opening import load_config
from thermosaic.results import hand_in_result, open_result, report_result
from thermosaic.run import run_lot
from thermosaic.synthetic import Gnss, LotPlan, Mat, PassPlan, Patch, Scanner, Stop

CHROMIUM = shutil.which("chromium") or shutil.which("google-chrome")
EVIL = "<img src=x onerror=alert(1)>\"'&=cmd|x"


@dataclass
class Element:
    tag: str
    fact: dict[str, str | None]
    text: str = ""


@dataclass
class Page(html.parser.HTMLParser):
    """All elements of a page with the text in them, read by the standard library."""

    source: str
    elements: list[Element] = field(default_factory=list)
    open_: list[Element] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()
        self.feed(self.source)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, dict(attrs))
        self.elements.append(element)
        if tag not in ("meta", "br", "img", "link", "input", "path", "rect", "circle", "use", "image"):
            self.open_.append(element)

    def handle_endtag(self, tag: str) -> None:
        while self.open_ and self.open_.pop().tag != tag:
            pass

    def handle_data(self, data: str) -> None:
        for element in self.open_:
            element.text += data

    def having(self, tag: str, **fact: str) -> list[Element]:
        return [e for e in self.elements if e.tag == tag and all(e.fact.get(k) == v for k, v in fact.items())]


@pytest.fixture(scope="module")
def result(tmp_path_factory) -> Path:
    """Give the result of a US lot paved downstation through a curve, with a stop, two zones and an hour lost."""
    lot = builders.us_curve_lot()
    folder = builders.write_lot(tmp_path_factory.mktemp("us"), lot)
    toml = folder / "lot.toml"
    text = toml.read_text()
    toml.write_text(re.sub(r'^route = ".*"$', f"route = {json.dumps(EVIL)}", text, flags=re.M))
    out = tmp_path_factory.mktemp("us_result") / "result"
    run_lot(load_config(folder), out)
    return out


@pytest.fixture(scope="module")
def page(result) -> Page:
    return Page((result / "report.html").read_text())


# ------------------------------------------------------------------------------------- one file, no request


def test_the_page_forbids_every_request_and_refers_to_nothing(page):
    """One policy, `default-src 'none'` (W3C CSP 3); no src, href, url() or @import leads outside the page."""
    policies = page.having("meta", **{"http-equiv": "Content-Security-Policy"})
    assert len(policies) == 1
    parts = [part.split() for part in policies[0].fact["content"].split(";")]
    assert parts[0] == ["default-src", "'none'"]
    sources = {part[0]: part[1:] for part in parts if part}
    assert all(source.startswith("'sha256-") for source in sources["script-src"])
    assert sources["img-src"] == ["data:"]
    assert not {"connect-src", "font-src", "frame-src", "media-src"} & set(sources)
    assert foreign_references(page.source) == []


@pytest.mark.parametrize(
    "text",
    [
        '<img src="https://example.org/a.png">',
        '<a href="other.html">x</a>',
        "<style>p{background:url(https://example.org/a.png)}</style>",
        "<style>@import 'a.css';</style>",
        '<p style="background:url(//example.org/a)">x</p>',
        '<svg><image xlink:href="a.png"/></svg>',
        '<a href="#nowhere">x</a>',
    ],
)
def test_the_checker_sees_each_way_out(text):
    """Every way in which a page can ask for another document, or point to no place, is named."""
    assert len(foreign_references(f"<html><body>{text}</body></html>")) == 1


def test_texts_of_the_lot_stay_texts(page, result):
    """A route written as markup reaches page, card, waypoints and tables as the text it is."""
    assert not [e for e in page.elements if e.fact.get("onerror") or e.fact.get("src") == "x"]
    assert any(EVIL in e.text for e in page.having("dd"))
    assert EVIL in open_result(result).layers["lot"]["route"].iloc[0]


def test_a_report_made_again_later_has_the_same_bytes(result, tmp_path):
    """The report of a published result is the one that was published, byte for byte; so is its digest."""
    for path in make_report(result, tmp_path / "again")[0]:
        name = path.relative_to(tmp_path / "again").as_posix()
        assert path.read_bytes() == (result / name).read_bytes(), name
    listed = {item["path"] for item in manifest.read_json(result / "manifest.json")["products"]}
    assert {"report.html", "card.png", "places.gpx", "tables/profiles.csv"} <= listed


def test_sections_stand_in_the_readers_order(page):
    """Title, look first, numbers, sheets, plan, tables, left out, how sure, worked, ..., cautions last."""
    heads = [e.text for e in page.having("h2")]
    assert heads == [
        "Look here first", "The lot in numbers", "Strip sheets", "Plan", "Profiles", "Stops and speed", "Places",
        "What was left out and why", "How sure", "One profile worked in full", "Definitions", "Signatures",
        "Provenance", "Cautions",
    ]  # fmt: skip


def test_every_feature_has_its_row(page, result):
    """Rows of profiles, zones and stops carry the layers' numbers as identifiers."""
    layers = open_result(result).layers
    ids = {e.fact["id"] for e in page.having("tr") if "id" in e.fact}
    assert {f"profile-{n}" for n in layers["profiles"]["profile_id"]} <= ids
    assert {f"zone-{n}" for n in layers["cold_zones"]["zone_id"]} <= ids
    assert {f"stop-{n}" for n in layers["stops"]["stop_id"]} <= ids
    assert check_report(read_sheet(result), result) == []


def test_quantities_carry_their_si_value(page):
    """Shown text = stated SI value in feet, degF, ft/min (1 ft = 1200/3937 m, the map's own survey foot)."""
    foot = 1200 / 3937
    factor = {"temp": (1.8, 32), "percentile": (1.8, 32), "delta": (1.8, 0), "deficit": (1.8, 0),
              "length": (1 / foot, 0), "distance": (1 / foot, 0), "sigma": (1 / foot, 0),
              "speed": (60 / foot, 0), "area": (foot**-2, 0)}  # fmt: skip
    quantities = page.having("span", **{"class": "q"})
    assert len(quantities) > 30
    for span in quantities:
        scale, shift = factor[span.fact["data-k"]]
        shown = float(re.match(r"[\u2212\d.,]+", span.text)[0].replace(",", "").replace("\u2212", "-"))
        decimals = len(span.text.split(".")[1].split("\u00a0")[0]) if "." in span.text.split("(")[0] else 0
        assert shown == pytest.approx(
            float(span.fact["data-v"]) * scale + shift, abs=0.51 * 10**-decimals + 1e-3
        )


# ------------------------------------------------------------------------------------------ worked profile


def test_the_worked_profile_from_the_pages_own_numbers(page, result):
    """numpy's percentiles (default = Hyndman and Fan's type 7) of the printed values give the printed steps."""
    table = _table(page, "worked-values")
    values = np.array([float(text) for row in table for text in row[1:] if text])
    low, high = np.percentile(values, (1.0, 98.5))
    printed = float(page.having("td", id="worked-differential")[0].text)
    assert printed == pytest.approx(high - low, abs=1e-3)
    profiles = open_result(result).layers["profiles"]
    worst = profiles.loc[profiles["differential_delta_f"].idxmax()]
    assert printed == pytest.approx(worst["differential_delta_f"], abs=0.02)
    assert len(values) <= 151 * 12


def _table(page: Page, name: str) -> list[list[str]]:
    """Cells of a table's body by row."""
    start = next(i for i, e in enumerate(page.elements) if e.fact.get("id") == name)
    rows: list[list[str]] = []
    for element in page.elements[start + 1 :]:
        if element.tag == "table" or element.tag == "section":
            break
        if element.tag == "tr":
            rows.append([])
        elif element.tag in ("td", "th") and rows:
            rows[-1].append(element.text)
    return rows[1:]


# ----------------------------------------------------------------------------------- tables, waypoints, card


def test_tables_hold_the_layers(result):
    """Each CSV, read by pandas, has the layer's columns in order and its numbers to the printed decimals."""
    for name in csv_tables.NAMES:
        layer = pyogrio.read_dataframe(result / "lot.gpkg", layer=name).drop(columns="geometry")
        table = pd.read_csv(result / "tables" / f"{name}.csv")
        assert list(table.columns) == list(layer.columns)
        assert len(table) == len(layer)
        for column in layer.select_dtypes("number"):
            np.testing.assert_allclose(
                table[column].to_numpy(float), layer[column].to_numpy(float), rtol=0, atol=0.0051
            )


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1+2", "@SUM(A1)", "\t=1", "\r=1", "  =HYPERLINK(1)"])
def test_no_cell_is_a_formula(tmp_path, text):
    """Texts that begin as a formula (OWASP, CSV injection) get an apostrophe; numbers below zero stay numbers."""
    written = csv_tables.cell(text, "reason")
    assert written == f"'{text}"
    assert csv_tables.cell(-1.5, "offset_m") == "-1.500"
    path = tmp_path / "one.csv"
    with path.open("w", newline="") as file:
        csv.writer(file).writerow([written])
    with path.open(newline="") as file:
        assert next(csv.reader(file)) == [f"'{text}"]


def test_a_formula_in_a_table_is_found(result, tmp_path):
    """The checker names a cell that a spreadsheet would run, and a cell that differs from its layer."""
    layers = read_sheet(result).layers
    csv_tables.write_tables(layers, tmp_path)
    path = tmp_path / "tables" / "stops.csv"
    path.write_text(path.read_text().replace("downstation", "=1+1"))
    found = csv_tables.check_tables(layers, tmp_path)
    assert [text.split(":")[1].strip().split(" ")[0] for text in found[:2]] == ["differs", "holds"]


def test_waypoints_are_where_the_layers_are(result):
    """GDAL's GPX reader finds one waypoint a zone and stop, inside its polygon brought to the same frame."""
    points = pyogrio.read_dataframe(result / "places.gpx", layer="waypoints")
    layers = open_result(result).layers
    frames = [layers[name].to_crs(layers[name].crs.geodetic_crs) for name in ("cold_zones", "stops")]
    shapes = [shape for frame in frames for shape in frame.geometry]
    assert len(points) == len(shapes) > 2
    assert all(
        shape.buffer(1e-9).contains(point) for shape, point in zip(shapes, points.geometry, strict=True)
    )
    assert all("one standard deviation" in text and "A phone is good" in text for text in points["desc"])
    root = ElementTree.parse(result / "places.gpx").getroot()
    assert root.get("version") == "1.1"
    assert not [e for e in root.iter() if e.tag.endswith("time")]


def test_the_card_fits_one_screen(result):
    """1080 x 1920 pixels, under 300 KB, without a date or program in its chunks."""
    path = result / "card.png"
    with Image.open(path) as image:
        assert image.size == (1080, 1920)
        assert image.info == {}
        assert len(image.convert("RGB").getcolors(2**16)) > 20
    assert path.stat().st_size < 300_000


def test_the_readmes_pictures_are_small_and_there():
    """Every picture that the README shows is a PNG under 120 KB with a text for those who cannot see it."""
    root = Path(__file__).parent.parent.parent
    readme = (root / "README.md").read_text(encoding="utf-8")
    shown = re.findall(r"!\[([^]]+)]\((\S+\.png)\)", readme)
    shown += [(alt, src) for src, alt in re.findall(r'<img src="(\S+)"[^>]* alt="([^"]+)"', readme)]
    assert {Path(path).stem for _, path in shown} >= {"strip", "plan", "qgis", "page", "phone", "card"}
    for words_, path in shown:
        assert len(words_) > 5
        assert (root / path).read_bytes()[:4] == b"\x89PNG"
        assert (root / path).stat().st_size < 120_000


# ------------------------------------------------------------------------------------------------ languages


def test_both_languages_say_the_same_things():
    """Every text exists in each language with the same places to fill in; Spanish has its own cautions."""
    english, spanish = words._texts()["en"], words._texts()["es"]
    assert set(english) == set(spanish) - {"caution_texts"}
    for key, text in english.items():
        assert set(re.findall(r"{(\w+)}", text)) == set(re.findall(r"{(\w+)}", spanish[key])), key
    assert len(spanish["caution_texts"]) == 4
    with pytest.raises(ConfigError, match="choose one of en, es"):
        words.Words("tlh")


def test_spanish_first_page_and_cautions(result, tmp_path):
    """With lang es the first page's heads and all cautions are Spanish; the English part says that it is."""
    report_result(result, tmp_path / "es", "es")
    page = Page((tmp_path / "es" / "report.html").read_text())
    assert page.having("html")[0].fact["lang"] == "es"
    heads = [e.text for e in page.having("h2")]
    assert heads[:2] == ["Mire aquí primero", "El lote en números"]
    assert heads[-1] == "Precauciones"
    assert page.having("div", lang="en")
    assert "densidad" in page.source


# ------------------------------------------------------------------------------------------- numbers, places


def test_decimals_follow_the_sigma():
    """A length gets no decimal that its sigma does not support: 0.05 m two, 0.3 m one, 2 m none."""
    of = {sigma: measures.Measures("si", sigma_m=sigma) for sigma in (0.05, 0.3, 2.0)}
    assert [of[sigma].text(12.3456, "length") for sigma in of] == ["12.35\u00a0m", "12.3\u00a0m", "12\u00a0m"]
    assert [of[sigma].station(1240.56) for sigma in of] == ["12+40.56", "12+40.56", "12+41"]
    feet = measures.Measures("us", sigma_m=0.01)
    assert feet.text(30.48, "length") == "100.0\u00a0ft"
    assert feet.text(8.361273, "area") == "90\u00a0ft²\u00a0(10.0\u00a0yd²)".replace("ft²\u00a0", "ft² ")
    assert measures.Measures("si").text(0.1, "speed") == "6.0\u00a0m/min"


def test_times_are_local_with_utc_beside():
    """07:00 in Boise in May is 13:00 UTC (tz database: UTC-6 in summer)."""
    boise = measures.Measures(zone="America/Boise")
    assert boise.clock(pd.Timestamp("2026-05-14T13:00:00.9Z")) == "07:00:00 (13:00:00\u00a0UTC)"


def test_the_spine_on_a_circle():
    """On a circle of 90 m the spine gives offsets within 1 cm and stations within 2 cm (closed form).

    A chord of 1.5 m turns by 0.95 degrees, which at 1.8 m off its middle is 1.5 cm either way; beyond the
    last knot the spine runs on straight, hence the last metre at both ends within 4 cm.
    """
    radius, rng = 90.0, np.random.default_rng(3)
    station = np.repeat(np.arange(0, 120, 0.1), 24)
    offset = np.tile(np.linspace(-1.75, 1.75, 24), 1200)
    angle = station / radius
    values = {
        "station_m": station, "offset_m": offset, "speed_mps": np.full(len(station), 0.1),
        "easting_m": radius - (radius - offset) * np.cos(angle), "northing_m": (radius - offset) * np.sin(angle),
    }  # fmt: skip
    spine = fit_spine(values, 3.5 / 23)
    assert spine.half_m == pytest.approx(1.75 + 3.5 / 46)
    s, o = rng.uniform(0, 119.9, 500), rng.uniform(-1.8, 1.8, 500)
    place = np.column_stack([radius - (radius - o) * np.cos(s / radius), (radius - o) * np.sin(s / radius)])
    found = spine.locate(place)
    np.testing.assert_allclose(found[1], o, atol=0.01)
    inner = (s > 1) & (s < 118.9)
    np.testing.assert_allclose(found[0][inner], s[inner], atol=0.02)
    np.testing.assert_allclose(found[0], s, atol=0.04)


def test_the_worst_comes_first(result):
    """The first place is the zone with the largest area x deficit; each place states which edge."""
    from thermosaic.files.sheets.places import first_places

    sheet = read_sheet(result)
    zones = sheet.frames["cold_zones"]
    worst = zones.loc[(zones["area_m2"] * zones["deficit_max_delta_c"]).idxmax()]
    first = first_places(sheet)
    assert len(first) == 3
    assert (first[0].kind, first[0].number) == ("zone", worst["zone_id"])


def test_values_of_the_map_are_those_of_the_raster(result):
    """The page's grid, unpacked, is mat.tif cell by cell to a twentieth of a degree."""
    sheet = read_sheet(result)
    packed = plan_map.map_data(sheet)["passes"][0]
    with rasterio.open(result / "mat.tif") as file:
        cells = file.read(1, masked=True).filled(np.nan)
    np.testing.assert_allclose(plan_map.unpack_values(packed["values"], packed["shape"]), cells, atol=0.0501)


# ------------------------------------------------------------------------------------- faults and odd lots


def test_faults_of_a_report_are_named(result, tmp_path):
    """A page without policy, with a request, or without a zone's row, and a lost waypoint, are found."""
    make_report(result, tmp_path)
    path = tmp_path / "report.html"
    text = path.read_text()
    path.write_text(
        text.replace("Content-Security-Policy", "x")
        .replace('id="stop-1"', "")
        .replace("</h1>", '</h1><img src="a.png">')
    )
    gpx = tmp_path / "places.gpx"
    gpx.write_text(gpx.read_text().replace("Stop 1", "Stop 9"))
    found = "; ".join(check_report(read_sheet(result), tmp_path))
    for words_ in ("Content-Security-Policy", "no row stop-1", "refers to a.png", "waypoints differ"):
        assert words_ in found


def test_the_result_itself_is_no_place_for_a_new_report(result):
    """A published result stays as published."""
    with pytest.raises(ConfigError, match="stays as published"):
        report_result(result, result)


def test_no_printer_is_a_plain_error(result, tmp_path, monkeypatch):
    """Without Chromium and WeasyPrint the advice is to install one; the page is written all the same."""
    monkeypatch.setattr(pdf.shutil, "which", lambda name: None)
    monkeypatch.setattr(pdf, "find_spec", lambda name: None)
    with pytest.raises(ProductError, match="install Chromium or WeasyPrint"):
        report_result(result, tmp_path / "r", pdf=True)
    assert (tmp_path / "r" / "report.html").is_file()


@pytest.fixture(scope="module")
def lanes(tmp_path_factory) -> Path:
    """Give the result of two lanes in opposite directions, metric, without fixes for a while."""
    gnss = Gnss(episodes=(synthetic.Episode("outage", 60.0, 150.0),))
    lot = builders.two_lane_southern(gnss=gnss)
    folder = builders.write_lot(tmp_path_factory.mktemp("lanes"), lot)
    out = tmp_path_factory.mktemp("lanes_result") / "result"
    run_lot(load_config(folder), out)
    return out


def test_two_lanes_have_sheets_of_their_own(lanes):
    """Each pass has its strip sheet and its row of numbers, in metres and degC, and no foot anywhere."""
    page = Page((lanes / "report.html").read_text())
    assert check_report(read_sheet(lanes), lanes) == []
    assert "Each pass" in [e.text for e in page.having("h2")]
    labels = [e.fact.get("aria-label") or "" for e in page.having("svg")]
    assert sum(text.startswith("Strip sheet") for text in labels) >= 2
    assert not [e for e in page.having("span", **{"class": "q"}) if e.text.endswith("ft")]


def test_each_place_of_two_lanes_says_its_lane(lanes):
    """Lanes lie side by side under the same stations: every place to look at, waypoint and row names its pass."""
    sheet, to = read_sheet(lanes), words.Words()
    found = [words.place_words(sheet, place, to) for place in first_places(sheet)]
    assert found
    assert all(re.match(r"Pass \w+, lane [12]: Sta ", place.where) for place in found)
    points = ElementTree.parse(lanes / "places.gpx").getroot().iter("{http://www.topografix.com/GPX/1/1}desc")
    assert all(re.match(r"Pass \w+, lane [12]\. Sta ", point.text) for point in list(points)[1:])
    page = Page((lanes / "report.html").read_text())
    assert [e.text for e in page.having("th")].count("Pass") >= 4
    assert "1 & 2" in [e.text for e in page.having("dd")]


def test_all_lanes_are_named_where_the_lot_is(lanes, tmp_path):
    """QGIS project, lot_info, the row of the whole lot and a hand-in's cover name both lanes, not the lot's own."""
    both = "lanes 1 & 2, lift"
    with zipfile.ZipFile(lanes / "lot.qgz") as packed:
        project = packed.read("lot.qgs").decode()
    assert both.replace("&", "&amp;") in project
    assert both in open_result(lanes).lot_info.set_index("key").loc["about.file", "value"]
    lots = geopackage.read_layer(lanes / "lot.gpkg", "lot")
    assert dict(zip(lots["pass_id"].fillna("whole"), lots["lane"], strict=True)) == {
        "1": "1", "2": "2", "whole": "1 & 2"
    }  # fmt: skip
    hand_in_result(lanes, "county-roads", tmp_path / "h.zip")
    with zipfile.ZipFile(tmp_path / "h.zip") as packed:
        assert both in packed.read("cover.txt").decode()


def test_a_single_pass_is_not_named(result):
    """A lot of one pass has no column for it, and its places begin with the station."""
    sheet = read_sheet(result)
    found = [words.place_words(sheet, place, words.Words()).where for place in first_places(sheet)]
    assert found
    assert all(where.startswith("Sta ") for where in found)
    assert "Pass" not in [e.text for e in Page((result / "report.html").read_text()).having("th")]


def test_sheets_follow_the_passes_in_time(lanes):
    """Passes come in the order of the layer `lot`, by time, though JSON keeps its keys in order of their letters."""
    sheet = read_sheet(lanes)
    lots = sheet.frames["lot"].assign(pass_id=["night", "morning", None])
    frames = {name: sheet.quality["mat_frames"] for name in ("morning", "night")}
    renamed = dataclasses.replace(
        sheet, frames={**sheet.frames, "lot": lots}, quality={**sheet.quality, "mat_frames": frames}
    )
    assert renamed.pass_ids == ["night", "morning"]


def test_the_mat_is_cold_where_its_zones_are(lanes):
    """On each lane's strip the cells inside a zone's bounds are colder than the lane by over 10 degC (planted: 22)."""
    sheet = read_sheet(lanes)
    assert sorted(mat.pass_id for mat in sheet.mats) == sorted(sheet.frames["cold_zones"]["pass_id"])
    for mat in sheet.mats:
        own = sheet.frames["cold_zones"]
        zone = own[own["pass_id"] == mat.pass_id].iloc[0]
        along = (np.array([zone["station_from_m"], zone["station_to_m"]]) - mat.station_from_m) / mat.cell_m
        across = (np.array([zone["offset_from_m"], zone["offset_to_m"]]) - mat.offset_from_m) / mat.cell_m
        rows, cols = (slice(int(np.ceil(pair[0])), int(pair[1])) for pair in (across, along))
        assert np.nanmean(mat.temp_c[rows, cols]) < np.nanmean(mat.temp_c) - 10


@pytest.mark.slow
def test_a_long_lot_stays_small_and_opens_at_once(browser, tmp_path):
    """10 km with a zone each 33 m: the page stays under 5 MB, and opens and draws in 2 s (best of three)."""
    end = Patch(22.0, 2.4, -0.5, 1.5, 20.0)
    plan = LotPlan(
        lot_id="SYN-LONG", units="us", labels="100 ft", road=(synthetic.straight(10_020.0),), alignment_step_m=5.0,
        passes=(PassPlan(speeds=((0.0, 0.3),), stops=tuple(Stop(at, 60.0) for at in range(500, 10_000, 900))),),
        mat=Mat(load_length_m=33.0, load_end=end), scanner=Scanner(rate_hz=1.0), gnss=Gnss(rate_hz=1.0),
    )  # fmt: skip
    folder = builders.write_lot(tmp_path / "lot", synthetic.make_lot(plan))
    run_lot(load_config(folder), tmp_path / "result")
    assert len(open_result(tmp_path / "result").layers["cold_zones"]) > 250
    page = tmp_path / "result" / "report.html"
    assert page.stat().st_size < 5_000_000
    assert (tmp_path / "result" / "card.png").stat().st_size < 300_000
    assert min(_seconds_to_see(browser, page) for _ in range(3)) < 2.0


def _seconds_to_see(browser: object, path: Path) -> float:
    """Time from asking for a page to its first screen drawn after everything has loaded."""
    context = browser.new_context(offline=True, viewport={"width": 1280, "height": 900})
    opened = context.new_page()
    started = time.perf_counter()
    opened.goto(path.resolve().as_uri())
    opened.screenshot()
    seconds = time.perf_counter() - started
    context.close()
    return seconds


def test_a_lot_without_any_position_still_has_a_page(result, tmp_path):
    """Without mat, zones, stops and readings the page says so and refers to nothing."""
    empty = tmp_path / "empty"
    shutil.copytree(result, empty)
    for name in ("mat.tif", "mat.qml", "spots.parquet"):
        (empty / name).unlink()
    shutil.rmtree(empty / "tiles")
    with geopackage.sqlite3.connect(empty / "lot.gpkg") as base:
        for layer in ("cold_zones", "stops", "profiles", "speed_segments"):
            for (trigger,) in base.execute(
                "select name from sqlite_master where type='trigger' and tbl_name=?", (layer,)
            ).fetchall():
                base.execute(f'drop trigger "{trigger}"')
            base.execute(f"delete from {layer}")
    base.close()
    make_report(empty, tmp_path / "out")
    page = Page((tmp_path / "out" / "report.html").read_text())
    assert "The paver did not stop." in page.source
    assert "No cold zone was found." in page.source
    assert foreign_references(page.source) == []


# ------------------------------------------------------------------------------------------------ a browser


@pytest.fixture(scope="module")
def browser() -> Iterator[object]:
    """Give headless Chromium driven by Playwright; skip where either is not installed."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if CHROMIUM is None:
        pytest.skip("no Chromium is installed")
    with playwright.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield chromium
        chromium.close()


@dataclass
class Visit:
    """One opened page and what it said and asked for."""

    page: object
    said: list[str]
    asked: list[str]


def visit(browser: object, path: Path, **context: object) -> Visit:
    opened = browser.new_context(offline=True, **context).new_page()
    seen = Visit(opened, [], [])
    opened.on("console", lambda message: seen.said.append(message.text))
    opened.on("pageerror", lambda error: seen.said.append(str(error)))
    opened.on("request", lambda request: seen.asked.append(request.url))
    opened.goto(path.resolve().as_uri())
    return seen


def quiet(seen: Visit) -> bool:
    """Nothing on the console, and no request but for the page itself and what stands in it."""
    return seen.said == [] and not [url for url in seen.asked[1:] if not url.startswith("data:")]


LOOKS = {
    "phone": {"viewport": {"width": 375, "height": 812}},
    "dark": {"color_scheme": "dark"},
}


@pytest.mark.parametrize("look", LOOKS)
def test_the_page_without_scripts(browser, result, look):
    """Without scripts nothing is said or asked for, every section is visible, and a phone scrolls down only."""
    seen = visit(browser, result / "report.html", java_script_enabled=False, **LOOKS[look])
    heads = seen.page.locator("h2")
    assert all(heads.nth(i).is_visible() for i in range(heads.count()))
    assert seen.page.locator("#plan svg").is_visible()
    assert not seen.page.locator("#map").is_visible()
    body = seen.page.locator("body").bounding_box()
    assert body["width"] <= (seen.page.viewport_size["width"])
    picture = seen.page.screenshot(full_page=True)
    assert len(picture) > 20_000
    assert quiet(seen)


def test_the_page_in_grey(browser, result):
    """Seen without colour (Chromium's achromatopsia) the strip sheets still hold many shades and their hatching."""
    seen = visit(browser, result / "report.html", java_script_enabled=False)
    session = seen.page.context.new_cdp_session(seen.page)
    session.send("Emulation.setEmulatedVisionDeficiency", {"type": "achromatopsia"})
    figure = seen.page.locator("section.sheets figure").nth(1)
    figure.scroll_into_view_if_needed()
    seen.page.wait_for_timeout(200)  # sections near it are laid out when they come into view
    picture = Image.open(io.BytesIO(figure.screenshot()))
    shades = np.asarray(picture.convert("RGB")).astype(int)
    assert np.ptp(shades, axis=2).max() <= 3
    assert len(np.unique(shades[..., 0])) > 60
    assert "url(#h" in figure.inner_html()
    assert quiet(seen)


def test_light_and_dark_keep_their_contrast(browser, result):
    """Text on paper has a contrast of 4.5 or more (WCAG 2.2, 1.4.3) in light and dark, soft text too."""
    for scheme in ("light", "dark"):
        page = visit(browser, result / "report.html", color_scheme=scheme).page
        colours = page.evaluate(
            "() => ['--paper', '--ink', '--soft', '--link'].map(name =>"
            " getComputedStyle(document.documentElement).getPropertyValue(name).trim())"
        )
        paper, *inks = (_luminance(colour) for colour in colours)
        for ink in inks:
            low, high = sorted((ink, paper))
            assert (high + 0.05) / (low + 0.05) >= 4.5


def _luminance(colour: str) -> float:
    """Relative luminance of #rgb or #rrggbb by the formula of WCAG 2.2."""
    digits = colour.lstrip("#")
    digits = digits if len(digits) == 6 else "".join(2 * c for c in digits)
    parts = np.array([int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("look", [{}, *LOOKS.values()], ids=["light", *LOOKS])
def test_axe_finds_no_fault(browser, result, look):
    """axe-core (all its rules, every part unfolded, the map drawn) finds nothing in light, dark and on a phone."""
    axe = pytest.importorskip("axe_playwright_python", reason="axe-playwright-python is not installed")
    page = browser.new_context(offline=True, bypass_csp=True, **look).new_page()
    page.goto((result / "report.html").resolve().as_uri())
    page.evaluate("() => document.querySelectorAll('details').forEach(part => { part.open = true; })")
    page.locator("#map").scroll_into_view_if_needed()
    page.wait_for_selector("#map[data-ready='1']")
    page.evaluate((Path(axe.__file__).parent / "axe.min.js").read_text(encoding="utf-8"))
    found = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
    assert found["testEngine"]["name"] == "axe-core"
    assert len(found["passes"]) > 20
    assert [(fault["id"], fault["nodes"][0]["html"]) for fault in found["violations"]] == []


def test_the_read_out_is_the_rasters_value(browser, result):
    """The pointer put on a place shows mat.tif's cell there, its station label and the distance from the edge."""
    seen = visit(browser, result / "report.html", viewport={"width": 1280, "height": 900})
    seen.page.locator("#map").scroll_into_view_if_needed()
    seen.page.wait_for_selector("#map[data-ready='1']")
    sheet = read_sheet(result)
    spots = pyogrio_spots(result)
    with rasterio.open(result / "mat.tif") as file:
        cells, tags = file.read(1), file.tags()
    start = {k: float(v) for k, v in (i.split("=") for i in tags["PASS_1"].split()) if k != "pass_id"}
    cell_m = float(tags["CELL_M"])
    seen.page.locator("#map").scroll_into_view_if_needed()
    for _, spot in spots.iterrows():
        point = seen.page.evaluate(
            "([e, n]) => { const m = window.thermosaicMap; m.view.setView([n - m.origin[1], e - m.origin[0]], 5,"
            " {animate: false}); const p = m.view.latLngToContainerPoint([n - m.origin[1], e - m.origin[0]]);"
            " const b = document.getElementById('map').getBoundingClientRect(); return [b.left + p.x, b.top + p.y]; }",
            [spot["easting_m"], spot["northing_m"]],
        )
        seen.page.mouse.move(*point)
        text = seen.page.locator("#readout").text_content()
        col = int((spot["station_m"] - start["zero_m"] - start["frame_from_m"]) // cell_m)
        row = int((spot["offset_m"] - start["offset_from_m"]) // cell_m)
        assert float(text.split("\u00a0")[0]) == pytest.approx(float(cells[row, col]), abs=0.051)
        label = re.search(r"Sta (\S+)", text)[1]
        assert sheet.measures.labels.parse(label) == pytest.approx(spot["station_m"], abs=0.1)
    assert quiet(seen)


def pyogrio_spots(result: Path) -> pd.DataFrame:
    """A few kept readings in the middle of their cells, away from other cells by 8 cm or more."""
    frame = open_result(result).spots(["station_m", "offset_m", "easting_m", "northing_m", "kept"])
    zero = manifest.read_json(result / "quality.json")["mat_frames"]["1"]["zero_m"]
    along = ((frame["station_m"] - zero) / 0.3048) % 1
    across = (frame["offset_m"] / 0.3048) % 1
    middle = along.between(0.3, 0.7) & across.between(0.3, 0.7) & frame["kept"]
    return pd.DataFrame(frame[middle]).sample(8, random_state=5)


def test_what_only_a_screen_has_is_not_printed(browser, result):
    """On paper the plan stands for the map, and the licence of the map's library leaves its page with it."""
    seen = visit(browser, result / "report.html", viewport={"width": 1280, "height": 900})
    assert seen.page.locator("details.screen").is_visible()
    seen.page.emulate_media(media="print")
    assert not seen.page.locator("details.screen").is_visible()
    assert not seen.page.locator("#map").is_visible()
    assert seen.page.locator("#plan").is_visible()


def test_sort_units_zoom_and_print(browser, result):
    """A table sorts by a head, quantities change unit by the button, a row shows its place, a PDF has pages."""
    seen = visit(browser, result / "report.html", viewport={"width": 1280, "height": 900})
    page = seen.page
    page.locator("#map").scroll_into_view_if_needed()
    page.wait_for_selector("#map[data-ready='1']")
    table = page.locator("table.sortable").first
    head = table.locator("thead th").nth(4)
    for direction in ("ascending", "descending"):
        head.locator("button").click()
        assert head.get_attribute("aria-sort") == direction
        cells = table.locator("tbody tr td:nth-child(5) .q").all()
        numbers = [float(cell.get_attribute("data-v")) for cell in cells]
        assert numbers == sorted(numbers, reverse=direction == "descending")
    before = cells[0].text_content()
    page.locator("#units").click()
    si = float(cells[0].get_attribute("data-v"))
    assert cells[0].text_content() == f"{si:.1f}" != before
    assert "°C" in head.text_content()
    row = page.locator("tr[id^=zone]").first
    row.locator("button.zoom").click()
    assert page.locator(".leaflet-popup-content b").text_content().startswith("Cold zone")
    page.locator(".leaflet-control-layers-selector").first.uncheck()
    assert page.locator("img.leaflet-image-layer").count() == 0
    assert page.pdf(prefer_css_page_size=True)[:5] == b"%PDF-"
    assert quiet(seen)


def test_pdf_by_a_browser(result, tmp_path):
    """`--pdf` prints the page with the browser that is installed; GDAL reads the pages back."""
    if CHROMIUM is None:
        pytest.skip("no Chromium is installed")
    made = report_result(result, tmp_path / "r", pdf=True)
    assert made[-1].name == "report.pdf"
    assert made[-1].read_bytes().count(b"/Type /Page\n") + made[-1].read_bytes().count(b"/Type /Page ") >= 3
