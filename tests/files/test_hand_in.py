"""hand-in: the agency's names and columns, raw logs held to the manifest, what is missing said, no names leaked."""

from __future__ import annotations

import csv
import hashlib
import io
import shutil
import subprocess
import zipfile
from pathlib import Path

import fiona
import numpy as np
import pandas as pd
import pyproj
import pytest

from conftest import PERSONS
from thermosaic.cli.entry import app
from thermosaic.config import HandIn
from thermosaic.errors import ConfigError, MismatchError
from thermosaic.files import catalogue, hand_in, persons
from thermosaic.results import hand_in_result, open_result, report_result, verify_result

BROWSER = any(map(shutil.which, ("chromium", "chromium-browser", "google-chrome")))
LIST = """id = "%s"
title = "An invented agency"
name = "{lane}"
pattern = ".*"
[parts.lane]
key = "lot.lane"
meaning = "Lane"
example = "1"
[hand_in]
units = "%s"
"""


def agency(folder: Path, rest: str, units: str = "us") -> Path:
    """Write an agency with a list of its own."""
    path = folder / "agency.toml"
    path.write_text(LIST % ("own", units) + rest)
    return path


def item(word: str, what: str, name: str, rest: str = "") -> str:
    """One thing of the list."""
    return f'[hand_in.files.{word}]\nwhat = "{what}"\nname = "{name}"\nmeaning = "m"\n{rest}\n'


ALL = "".join([
    item("page", "page", "{lot_id}/page.html"), item("card", "card", "card.png"), item("gpx", "waypoints", "w.gpx"),
    item("gpkg", "layers", "{lot_id}.gpkg"), item("kml", "kml", "{lot_id}.kml"), item("mat", "mat", "{file}"),
    item("fgb", "flatgeobuf", "fgb/{file}"), item("tiles", "mosaic", "gis/{file}"), item("spots", "spots", "s.parquet"),
    item("profiles", "table", "profiles.csv", 'layer = "profiles"'), item("lines", "lines", "lines.csv"),
    item("logs", "raw_logs", "logs/{file}"), item("quality", "quality", "q.json"), item("lot", "lot_file", "lot.toml"),
    item("manifest", "manifest", "m.json"),
])  # fmt: skip


def contents(path: Path) -> dict[str, bytes]:
    """Every file of a ZIP."""
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def table(data: bytes) -> pd.DataFrame:
    """Read a CSV as text cells."""
    return pd.read_csv(io.BytesIO(data), dtype=str, keep_default_na=False)


@pytest.fixture(scope="module")
def county(crew_result: Path, crew_lot: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the hand-in that the shipped list of the invented county asks for."""
    path = tmp_path_factory.mktemp("county") / "h.zip"
    hand_in_result(crew_result, "county-roads", path, lot=crew_lot)
    return path


@pytest.fixture(scope="module")
def whole(
    crew_result: Path, crew_lot: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, list[str]]:
    """Give the hand-in of everything that a list can ask for, unprinted, and what is missing from it."""
    folder = tmp_path_factory.mktemp("whole")
    return folder / "h.zip", hand_in_result(crew_result, agency(folder, ALL), folder / "h.zip", lot=crew_lot)


# --------------------------------------------------------------------------------------- what it holds


def test_files_have_the_agencys_names_and_coreutils_finds_them_whole(county: Path, tmp_path: Path) -> None:
    """`sha256sum -c`, which knows nothing of this program, passes every file but the cover and the sums."""
    names = set(contents(county))
    assert {
        "SYN-US-report.html",
        "SYN-US-profiles.csv",
        "SYN-US.gpkg",
        "SYN-US.kml",
        "logs/scan.csv",
    } <= names
    assert list(contents(county))[:2] == ["cover.txt", "checksums.sha256"]
    with zipfile.ZipFile(county) as archive:
        archive.extractall(tmp_path)
    done = subprocess.run(
        ["sha256sum", "-c", "checksums.sha256"], cwd=tmp_path, capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.count(": OK") == len(names) - 2


def test_a_table_has_the_agencys_columns_in_its_order(county: Path, crew_result: Path) -> None:
    """Heads are the agency's words; numbers are those of lot.gpkg as fiona reads them, in degF."""
    found = table(contents(county)["SYN-US-profiles.csv"])
    assert list(found)[:4] == ["Lot", "Profile", "Begin station", "End station"]
    with fiona.open(crew_result / "lot.gpkg", layer="profiles") as layer:
        meant = [row.properties for row in layer]
    assert found["Begin station"].tolist() == [row["station_from_label"] for row in meant]
    differences = [row["differential_delta_f"] for row in meant]
    np.testing.assert_allclose(found["Differential degF"].astype(float), differences, rtol=0, atol=0.005)


def test_tables_are_in_the_lists_units_whatever_the_lot_was_delivered_in(
    crew_result: Path, tmp_path: Path
) -> None:
    """A degF lot handed in for an SI list: difference / 1.8, (degF - 32) / 1.8, feet of the CRS (1200/3937 m)."""
    columns = "[hand_in.files.p.columns]\nd = 'differential_delta_c'\nlow = 'low_c'\nlength = 'length_m'\n"
    path = agency(tmp_path, item("p", "table", "p.csv", 'layer = "profiles"') + columns, "si")
    hand_in_result(crew_result, path, tmp_path / "h.zip")
    found = table(contents(tmp_path / "h.zip")["p.csv"]).astype(float)
    with fiona.open(crew_result / "lot.gpkg", layer="profiles") as layer:
        rows = [row.properties for row in layer]
    np.testing.assert_allclose(found["d"], [r["differential_delta_f"] / 1.8 for r in rows], atol=0.006)
    np.testing.assert_allclose(found["low"], [(r["low_f"] - 32) / 1.8 for r in rows], atol=0.006)
    np.testing.assert_allclose(found["length"], [r["length_ft"] * 1200 / 3937 for r in rows], atol=0.0006)


def test_lines_hold_position_and_readings_of_the_spots(county: Path, crew_result: Path) -> None:
    """A row a scan line: middle of its outer spots in map units and, by pyproj, in degrees; readings as logged."""
    found = table(contents(county)["SYN-US-readings.csv"])
    result = open_result(crew_result)
    spots = pd.DataFrame(result.spots().drop(columns="geometry"))
    assert found["line"].astype(int).tolist() == sorted(spots["line"].unique())
    row = found.iloc[100]
    own = spots[spots["line"] == int(row["line"])]
    foot = 1200 / 3937
    ends = own.iloc[[0, -1]]
    east, north = ends["easting_m"].mean() / foot, ends["northing_m"].mean() / foot
    assert float(row["map_easting"]) == pytest.approx(east, abs=1e-3)
    lon, lat = pyproj.Transformer.from_crs("EPSG:6551", "EPSG:6318", always_xy=True).transform(east, north)
    assert (float(row["lon_deg"]), float(row["lat_deg"])) == pytest.approx((lon, lat), abs=1e-7)
    assert float(row["station_ft"]) == pytest.approx(ends["station_m"].mean() / foot, abs=1e-3)
    for _, spot in own.iterrows():
        text = row[f"t_{spot['spot']:02d}_f"]
        assert float(text) == pytest.approx(spot["temp_c"] * 1.8 + 32, abs=0.006)
    missing = [name for name in found if name.startswith("t_") and int(name[2:4]) not in set(own["spot"])]
    assert all(row[name] == "" for name in missing)


def test_raw_logs_are_byte_for_byte(county: Path, crew_lot: Path, crew_result: Path) -> None:
    """Each log in the ZIP has the SHA-256 that the manifest states of the input."""
    inside = contents(county)
    inputs = open_result(crew_result).manifest["inputs"]
    assert inputs
    for entry in inputs:
        assert hashlib.sha256(inside[f"logs/{entry['path']}"]).hexdigest() == entry["sha256"]


def test_two_hand_ins_have_the_same_bytes(
    county: Path, crew_result: Path, crew_lot: Path, tmp_path: Path
) -> None:
    """Neither the clock nor a folder enters: not even by a PDF, which carries the date of its making."""
    again = tmp_path / "again.zip"
    hand_in_result(crew_result, "county-roads", again, lot=crew_lot)
    assert again.read_bytes() == county.read_bytes()


@pytest.mark.skipif(not BROWSER, reason="no Chromium is installed")
def test_the_page_is_printed_with_the_lots_own_date(county: Path) -> None:
    """The PDF is one, and its dates are those of the lot, 2026."""
    pdf = contents(county)["SYN-US-report.pdf"]
    assert pdf.startswith(b"%PDF-")
    assert b"/CreationDate (D:2026" in pdf


def test_everything_that_a_list_can_ask_for_is_there(
    whole: tuple[Path, list[str]], crew_result: Path
) -> None:
    """One list of all kinds: nothing is missing, and tiles keep their place beside the mosaic that names them."""
    out, missing = whole
    assert [text for text in missing if not text.startswith("lot.toml: lot.id")] == []
    names = set(contents(out))
    assert "SYN-US/page.html" in names
    assert "gis/mosaic.vrt" in names
    assert any(name.startswith("gis/tiles/") and name.endswith(".tif") for name in names)
    assert hand_in.check_hand_in(out) == []
    assert verify_result(crew_result) == []


# ------------------------------------------------------------------------------------- what is missing


def test_the_cover_says_what_is_missing(crew_result: Path, tmp_path: Path) -> None:
    """Without the lot folder the logs are named as missing, as is a key that the agency requires."""
    missing = hand_in_result(crew_result, "state-metric", tmp_path / "h.zip")
    cover = contents(tmp_path / "h.zip")["cover.txt"].decode()
    start, end = cover.index("MISSING FROM THE LIST"), cover.index("HERE")
    told = " ".join(cover[start:end].split())
    assert "lot.agency.contract" in told
    assert "give it with --lot" in told
    assert any("lot.agency.contract" in text for text in missing)
    assert "never walk on the mat" in cover
    assert max(map(len, cover.splitlines())) <= 130


def test_a_changed_log_stops_the_hand_in(crew_result: Path, crew_lot: Path, tmp_path: Path) -> None:
    """A log that is not the one of the result is no evidence for it; no ZIP appears."""
    lot = Path(shutil.copytree(crew_lot, tmp_path / "lot"))
    with (lot / "scan.csv").open("a") as file:
        file.write("\n")
    with pytest.raises(MismatchError, match=r"scan\.csv: is not the file that the result was made from"):
        hand_in_result(crew_result, agency(tmp_path, item("logs", "raw_logs", "logs/{file}")),
                       tmp_path / "h.zip", lot=lot)  # fmt: skip
    assert not (tmp_path / "h.zip").exists()


def test_a_result_without_a_report_gets_one(crew_result: Path, tmp_path: Path) -> None:
    """The page is made for the hand-in; the result stays as it was published."""
    bare = Path(shutil.copytree(crew_result, tmp_path / "bare"))
    for name in ("report.html", "card.png", "places.gpx"):
        (bare / name).unlink()
    shutil.rmtree(bare / "tables")
    before = sorted(path.relative_to(bare) for path in bare.rglob("*"))
    hand_in_result(bare, agency(tmp_path, item("page", "page", "p.html")), tmp_path / "h.zip")
    assert contents(tmp_path / "h.zip")["p.html"] == (crew_result / "report.html").read_bytes()
    assert sorted(path.relative_to(bare) for path in bare.rglob("*")) == before


def test_an_existing_zip_and_an_agency_without_a_list_are_refused(crew_result: Path, tmp_path: Path) -> None:
    """Nothing is replaced unasked; a naming pattern alone is no list."""
    (tmp_path / "h.zip").write_bytes(b"mine")
    path = agency(tmp_path, item("page", "page", "p.html"))
    with pytest.raises(ConfigError, match="--overwrite"):
        hand_in_result(crew_result, path, tmp_path / "h.zip")
    assert (tmp_path / "h.zip").read_bytes() == b"mine"
    path.write_text(path.read_text().split("[hand_in]")[0])
    with pytest.raises(ConfigError, match=r"no \[hand_in\]"):
        hand_in_result(crew_result, path, tmp_path / "other.zip")


WRONG = {
    item("a", "page", "../p.html"): "no path inside a folder",
    item("a", "page", "{owner}.html"): "no part of a name",
    item("a", "raw_logs", "logs.csv"): "{file} belongs",
    item("a", "table", "t.csv", 'layer = "zones"'): "no layer",
    item("a", "table", "t.csv", 'layer = "stops"\ncolumns = { A = "low_c" }'): "no column",
    item("a", "lines", "t.csv", 'readings = "T"'): "lacks {spot}",
}


@pytest.mark.parametrize("text", WRONG)
def test_a_wrong_list_is_refused_with_its_line(tmp_path: Path, text: str) -> None:
    """A name that leaves the folder, an unknown part, layer or column is refused before anything is made."""
    with pytest.raises(ConfigError, match=r"agency\.toml:1[0-9]") as caught:
        catalogue.load_agency_file(str(agency(tmp_path, text)))
    assert WRONG[text] in str(caught.value)


def test_shipped_lists_are_sound() -> None:
    """Both invented agencies have a list whose names, filled, differ from one another."""
    for name in ("county-roads", "state-metric"):
        plan = catalogue.load_agency(name).hand_in
        assert isinstance(plan, HandIn)
        assert len({entry.name for entry in plan.files.values()}) == len(plan.files)


# --------------------------------------------------------------------------------------- without names


def test_no_name_of_a_person_is_in_any_file(
    whole: tuple[Path, list[str]], crew_result: Path, crew_lot: Path, tmp_path: Path
) -> None:
    """Inspector, crew, note and site texts stand in the result; no byte of a hand-in without names has them."""
    without = tmp_path / "without.zip"
    missing = hand_in_result(crew_result, agency(tmp_path, ALL), without, lot=crew_lot, without_names=True)
    held = list(contents(whole[0]).values())
    for person in PERSONS:
        assert any(person.encode() in data for data in held), person
        for name, data in contents(without).items():
            assert person.encode() not in data, name
            assert person.split()[0].encode() not in data, name
    assert [text.split(":")[0] for text in missing if not text.startswith("lot.toml: lot.id")] == ["lot"]
    cover = contents(without)["cover.txt"].decode()
    assert "lot.agency.inspector, lot.agency.night_crew, lot.note, diary.entry_text" in cover
    assert "C-2026-03" in contents(without)["m.json"].decode()


def test_a_report_without_names_holds_none(crew_result: Path, tmp_path: Path) -> None:
    """The page, card, waypoints and tables of `report --without-names` have no byte of a name."""
    written = report_result(crew_result, tmp_path / "report", without_names=True)
    assert (tmp_path / "report" / "report.html") in written
    for path in written:
        assert not any(person.split()[0].encode() in path.read_bytes() for person in PERSONS), path.name


def test_a_copy_without_names_is_a_sound_result(crew_result: Path, tmp_path: Path) -> None:
    """The copy verifies like a published result, and the result itself is untouched."""
    copy = tmp_path / "copy"
    left_out, differences = persons.copy_without_names(crew_result, copy, ())
    assert differences == []
    assert left_out == [
        "lot.agency.inspector", "lot.agency.night_crew", "lot.note", "diary.entry_text", "control.entry_text",
    ]  # fmt: skip
    assert persons.check_without_names(copy, left_out) == []
    real = Path(shutil.copytree(copy, tmp_path / "real"))
    assert verify_result(real) == []
    assert verify_result(crew_result) == []
    assert persons.check_without_names(crew_result, left_out)


# --------------------------------------------------------------------------------------------- command


def test_the_command_prints_what_is_missing(crew_result: Path, tmp_path: Path) -> None:
    """`thermosaic hand-in` writes the ZIP, and one line for each thing missing."""
    from click.testing import CliRunner

    path = agency(tmp_path, item("page", "page", "p.html") + item("logs", "raw_logs", "logs/{file}"))
    arguments = ["hand-in", str(crew_result), "--agency", str(path), "-o", str(tmp_path / "h.zip")]
    done = CliRunner().invoke(app, arguments, catch_exceptions=False)
    assert done.exit_code == 0
    assert done.output.splitlines()[0].startswith("missing: logs: the lot folder was not named")
    assert (tmp_path / "h.zip").is_file()


def test_a_formula_in_a_text_is_not_run(crew_result: Path, tmp_path: Path) -> None:
    """Cells that begin like a formula get an apostrophe, in these tables too (OWASP, CSV injection)."""
    path = agency(tmp_path, item("p", "table", "p.csv", 'layer = "stops"'))
    hand_in_result(crew_result, path, tmp_path / "h.zip")
    cells = [
        cell
        for row in csv.reader(io.StringIO(contents(tmp_path / "h.zip")["p.csv"].decode()))
        for cell in row
    ]
    assert not [cell for cell in cells if cell.startswith(("=", "@", "+"))]
