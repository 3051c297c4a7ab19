"""lot.gpkg: other readers, OGC rules by other programs, hand-calculated US numbers, planted faults."""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely

import builders
from thermosaic.errors import ProductError
from thermosaic.files import dressing, geopackage
from thermosaic.files.layers import lot_package
from thermosaic.model import LotRecord
from thermosaic.tables import LAYERS
from true_record import true_record, without_findings

NAMES = [table.name for table in LAYERS]
SYSTEM_PYTHON = "/usr/bin/python3"
VALIDATOR = Path("/usr/lib/python3/dist-packages/osgeo_utils/samples/validate_gpkg.py")
DRAW = Path(__file__).with_name("draw_in_qgis.py")


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> LotRecord:
    """Give a lot in US units and US survey feet."""
    return true_record(tmp_path_factory.mktemp("us"), builders.us_curve_lot())


@pytest.fixture(scope="module")
def metric(tmp_path_factory: pytest.TempPathFactory) -> LotRecord:
    """Give a metric lot of two lanes in the southern hemisphere."""
    return true_record(tmp_path_factory.mktemp("south"), builders.two_lane_southern())


@pytest.fixture(scope="module")
def package(record: LotRecord) -> geopackage.Package:
    """Give the content of its lot.gpkg."""
    return lot_package(record)


@pytest.fixture(scope="module")
def path(package: geopackage.Package, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give its lot.gpkg; read it, never write it."""
    return write(tmp_path_factory.mktemp("gpkg"), package)


def write(folder: Path, package: geopackage.Package) -> Path:
    """Write a package and return its path."""
    geopackage.write_geopackage(folder / "lot.gpkg", package)
    return folder / "lot.gpkg"


def ask(path: Path, query: str) -> list[tuple]:
    """Ask plain SQLite."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)) as base:
        return base.execute(query).fetchall()


# ------------------------------------------------------------------------------------- other programs


@pytest.mark.skipif(not VALIDATOR.is_file(), reason="GDAL's validate_gpkg.py is not installed")
def test_gdals_validator_finds_nothing(path: Path, metric: LotRecord, tmp_path: Path) -> None:
    """GDAL 3.6's validate_gpkg.py (OGC requirements, extra checks, warnings as errors) passes both lots."""
    for each in (path, write(tmp_path, lot_package(metric))):
        command = [SYSTEM_PYTHON, str(VALIDATOR), "--extra", "--warning-as-error", str(each)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert (done.returncode, done.stdout + done.stderr) == (0, "")


@pytest.mark.skipif(shutil.which("ogrinfo") is None, reason="ogrinfo (gdal-bin) is not installed")
def test_an_older_gdal_opens_every_layer_without_a_warning(path: Path) -> None:
    """The system's GDAL reads all layers and all tables and says nothing on stderr."""
    done = subprocess.run(["ogrinfo", "-ro", "-al", str(path)], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert [name for name in NAMES if f"Layer name: {name}\n" not in done.stdout] == []


@pytest.fixture(scope="module")
def drawn(path: Path, tmp_path_factory: pytest.TempPathFactory) -> dict:
    """Open and draw every layer in QGIS without a screen."""
    found = subprocess.run([SYSTEM_PYTHON, "-c", "import qgis.core"], capture_output=True, check=False)
    if found.returncode:
        pytest.skip("QGIS for Python is not installed")
    folder = tmp_path_factory.mktemp("drawn")
    quiet = os.environ | {"QT_QPA_PLATFORM": "offscreen", "XDG_RUNTIME_DIR": str(folder)}
    copy = shutil.copy(path, folder / "lot.gpkg")
    done = subprocess.run(
        [SYSTEM_PYTHON, str(DRAW), str(copy), str(folder), json.dumps(NAMES)],
        capture_output=True,
        text=True,
        check=True,
        env=quiet,
    )
    assert Path(copy).read_bytes() == path.read_bytes()
    return json.loads(done.stdout)


def test_qgis_draws_every_layer_by_its_default_style_without_a_word(drawn: dict) -> None:
    """QGIS 3.22 takes each layer's style from the file, draws something with it, and logs no message."""
    assert drawn["messages"] == []
    for name, layer in drawn["layers"].items():
        assert (layer["valid"], layer["crs"], layer["default_style"]) == (True, True, True), name
        assert layer["renderer"] != "singleSymbol" or name in (
            "lot",
            "mat",
            "paver_path",
            "station_ticks",
            "profiles_by_load",
            "control",
        )
        assert min(layer["drawn"], layer["close"]) > 10, name


def test_qgis_shows_aliases_domains_labels_and_map_tips(drawn: dict, package: geopackage.Package) -> None:
    """Each alias is a meaning with its unit; words and ranges become pick lists; ticks are labelled."""
    for table in package.tables:
        layer = drawn["layers"][table.name]
        meant = [f"{c.meaning} [{c.unit}]" if c.unit else c.meaning for c in table.columns]
        assert layer["aliases"][1:] == meant
        widgets = dict(zip([c.name for c in table.columns], layer["widgets"][1:], strict=True))
        assert all(widgets[c.name] == "ValueMap" for c in table.columns if c.values)
        assert layer["map_tip"].startswith("<b>")
    assert drawn["layers"]["station_ticks"]["labels"]
    assert drawn["layers"]["profiles"]["widgets"].count("Range") >= 4


# ----------------------------------------------------------------------------------------- what is in it


def test_a_layer_of_another_version_is_asked_for_in_words(path: Path) -> None:
    """A layer that is not in the file is a product error that says what to do, not a bug."""
    with pytest.raises(ProductError, match=r"lot.gpkg: has no layer joints, .* run the lot again"):
        geopackage.read_layer(path, "joints")


def test_fiona_reads_what_was_meant_row_by_row(path: Path, package: geopackage.Package) -> None:
    """fiona, which did not write the file, gives the same layers, types and values as the frames."""
    assert fiona.listlayers(path)[: len(NAMES)] == NAMES
    for table in package.tables:
        frame = package.frames[table.name]
        with fiona.open(path, layer=table.name) as layer:
            assert layer.schema["geometry"] == table.geometry
            rows = list(layer)
        assert len(rows) == len(frame)
        for column in table.columns:
            if column.dtype == "datetime":
                read = pd.to_datetime(
                    [row.properties[column.name] for row in rows], utc=True, format="ISO8601"
                )
                meant_utc = pd.DatetimeIndex(frame[column.name])
                assert ((read == meant_utc) | (read.isna() & meant_utc.isna())).all()
            elif column.dtype == "text":
                meant = frame[column.name].astype(object).where(frame[column.name].notna(), None).tolist()
                assert [row.properties[column.name] for row in rows] == meant
        shapes = [None if row.geometry is None else shapely.geometry.shape(row.geometry) for row in rows]
        assert all(
            (a is None and b is None) or a.equals(b) for a, b in zip(shapes, frame.geometry, strict=True)
        )


def test_the_file_is_geopackage_1_3_in_delete_mode_with_a_spatial_index(path: Path) -> None:
    """application_id GPKG, user_version 10300 (OGC 12-128r17, req. 2), no WAL, an R-tree for each layer."""
    header = path.read_bytes()[:100]
    assert header[68:72] == b"GPKG"
    assert int.from_bytes(header[60:64], "big") == 10300
    assert header[18:20] == b"\x01\x01"
    indexed = ask(path, "SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_rtree_index'")
    assert {name for (name,) in indexed} == set(NAMES)


def test_empty_layers_keep_their_type_and_style(record: LotRecord, tmp_path: Path) -> None:
    """A lot without zones, stops or gaps has these layers all the same, typed, styled, with every column."""
    package = lot_package(without_findings(record))
    path = write(tmp_path, package)
    assert geopackage.check_geopackage(path, package.tables, record.swath.crs, package.frames) == []
    types = dict(ask(path, "SELECT table_name, geometry_type_name FROM gpkg_geometry_columns"))
    assert types == {table.name: str(table.geometry).upper() for table in LAYERS}


def test_two_writings_give_the_same_bytes(package: geopackage.Package, path: Path, tmp_path: Path) -> None:
    """Nothing of clock or path enters the file; its dates are the lot's own."""
    again = write(tmp_path, package)
    assert again.read_bytes() == path.read_bytes()
    assert {when for (when,) in ask(path, "SELECT last_change FROM gpkg_contents")} == {package.stamp}


def test_a_custom_crs_survives(record: LotRecord, tmp_path: Path) -> None:
    """A low-distortion projection without a code is stored as its own WKT and read back as the same CRS."""
    wkt = pyproj.CRS(
        "+proj=tmerc +lat_0=40.1 +lon_0=-83 +k=1.00003 +x_0=50000 +y_0=20000 +ellps=GRS80 +units=us-ft"
    ).to_wkt()
    crs = pyproj.CRS(wkt)
    swath = dataclasses.replace(record.swath, crs=crs)
    package = lot_package(dataclasses.replace(record, swath=swath))
    path = write(tmp_path, package)
    assert geopackage.check_geopackage(path, package.tables, crs, package.frames) == []
    assert gpd.read_file(path, layer="mat").crs.equals(crs, ignore_axis_order=True)


def test_all_tables_are_registered(path: Path) -> None:
    """Every table that is not the format's own stands in gpkg_contents, so that no client loses it."""
    tables = {name for (name,) in ask(path, "SELECT name FROM sqlite_master WHERE type = 'table'")}
    own = {name for name in tables if not name.startswith(("gpkg_", "rtree_", "sqlite_"))}
    assert own == {name for (name,) in ask(path, "SELECT table_name FROM gpkg_contents")}
    assert own == {*NAMES, "lot_info", "data_dictionary", "layer_styles"}


def test_domains_hold_the_words_of_tables_and_rule(path: Path, record: LotRecord) -> None:
    """Classes and speed bands are domains of this lot's own rule, patterns those of the tables."""
    words: dict[str, set[str]] = {}
    for name, word in ask(
        path, "SELECT constraint_name, value FROM gpkg_data_column_constraints WHERE constraint_type = 'enum'"
    ):
        words.setdefault(name, set()).add(word)
    assert words["profiles_profile_class"] == {"none", "moderate", "severe", "insufficient"}
    assert words["speed_segments_speed_band"] == {
        "under 5 ft/min",
        "5-10 ft/min",
        "10-20 ft/min",
        "20-33 ft/min",
        "over 33 ft/min",
    }
    assert "streak" in words["cold_zones_pattern"]
    assert not any(
        "cv_frac" in name
        for (name,) in ask(
            path, "SELECT constraint_name FROM gpkg_data_columns WHERE constraint_name IS NOT NULL"
        )
    )


def test_styles_are_xml_whose_classes_name_existing_columns(path: Path, package: geopackage.Package) -> None:
    """Each QML parses, is the default, and classifies by a column that its layer has."""
    columns = {table.name: {c.name for c in table.columns} for table in package.tables}
    for name, text, default in ask(path, "SELECT f_table_name, styleQML, useAsDefault FROM layer_styles"):
        root = ElementTree.fromstring(text)
        renderer = root.find("renderer-v2")
        assert default == 1
        assert renderer.get("attr") is None or renderer.get("attr") in columns[name]
        assert [alias.get("field") for alias in root.find("aliases")] == [
            c.name for c in package.tables[NAMES.index(name)].columns
        ]


def test_no_profile_is_filled_so_that_the_mat_is_seen_through_it(path: Path) -> None:
    """Profiles lie over the mat's temperature: no symbol of theirs has a brush (common practice, no source)."""
    text = ask(path, "SELECT styleQML FROM layer_styles WHERE f_table_name = 'profiles'")[0][0]
    fills = ElementTree.fromstring(text).findall(".//layer[@class='SimpleFill']/prop[@k='style']")
    assert len(fills) >= 2
    assert {prop.get("v") for prop in fills} == {"no"}


def test_classes_differ_in_more_than_colour(path: Path) -> None:
    """Each class of profiles has a pattern of its own, so that a black and white print tells them apart."""
    text = ask(path, "SELECT styleQML FROM layer_styles WHERE f_table_name = 'profiles'")[0][0]
    looks = []
    for symbol in ElementTree.fromstring(text).find("renderer-v2/symbols"):
        patterns = [layer for layer in symbol.findall("layer") if layer.get("class") != "SimpleFill"]
        looks.append(
            tuple(
                (
                    p.get("class"),
                    p.find("prop[@k='distance']") is not None and p.find("prop[@k='distance']").get("v"),
                )
                for p in patterns
            )
        )
    assert len(looks) == 4
    assert len(set(looks)) == 4


# --------------------------------------------------------------------------------------- US deliveries


def test_us_numbers_by_hand(record: LotRecord) -> None:
    """A deficit of 15 degC is 27 degF, a temperature of 1.5 degC is 34.7 degF (x 1.8; + 32 for the latter).

    The lot's foot is the US survey foot, 1200/3937 m (NIST SP 811, B.6).
    """
    frames = dressing.dress_layers(record)
    zones, segments = frames["cold_zones"], frames["speed_segments"]
    assert zones["deficit_max_delta_f"].iloc[0] == pytest.approx(27.0)
    assert zones["temp_min_f"].iloc[0] == pytest.approx(34.7)
    assert zones["area_ft2"].iloc[0] == pytest.approx(1.5 * (3937 / 1200) ** 2, rel=1e-12)
    assert segments["speed_mean_ftpmin"].iloc[2] == pytest.approx(0.1 * 60 * 3937 / 1200)
    found = record.findings.frames["stops"]["station_m"].iloc[0]
    assert frames["stops"]["station_ft"].iloc[0] == pytest.approx(found * 3937 / 1200)
    assert frames["stops"]["duration_s"].iloc[0] == 30.0


def test_geometries_are_in_feet_of_the_map(record: LotRecord, path: Path) -> None:
    """A mat outline found in metres lies in US survey feet: its area is (3937/1200)^2 times as large."""
    found = record.findings.frames["mat"].geometry.iloc[0]
    written = gpd.read_file(path, layer="mat").geometry.iloc[0]
    assert written.area == pytest.approx(found.area * (3937 / 1200) ** 2, rel=1e-9)
    assert written.centroid.x == pytest.approx(found.centroid.x * 3937 / 1200, rel=1e-12)


def test_a_metric_delivery_changes_nothing(metric: LotRecord) -> None:
    """In an si delivery every found column keeps name and value."""
    frames = dressing.dress_layers(metric)
    for table in LAYERS:
        assert list(frames[table.name].columns) == [*(c.name for c in table.columns), "geometry"]
        for column in table.found():
            if column.dtype == "float64":
                np.testing.assert_array_equal(
                    frames[table.name][column.name], metric.findings.frames[table.name][column.name]
                )


def test_speed_bands_are_named_by_their_numbers_lower_edge_included() -> None:
    """Edges 6 and 10 m/min: 6.0 and 9.99 are `6-10 m/min`, 10.0 is over; 20 ft/min is `20-33 ft/min`."""
    edges, names = dressing.speed_bands((0.05, 0.1, 10 / 60), "si", 0.3048)
    assert names == ["under 3 m/min", "3-6 m/min", "6-10 m/min", "over 10 m/min"]
    assert [names[i] for i in np.searchsorted(edges, [6.0, 9.99, 10.0, 2.9], side="right")] == [
        names[2],
        names[2],
        names[3],
        names[0],
    ]
    edges, names = dressing.speed_bands((0.05, 0.1, 10 / 60), "us", 0.3048)
    assert names == ["under 10 ft/min", "10-20 ft/min", "20-33 ft/min", "over 33 ft/min"]
    assert [names[i] for i in np.searchsorted(edges, [19.8, 20.0], side="right")] == [
        "10-20 ft/min",
        "20-33 ft/min",
    ]


def test_local_times_carry_the_offset_of_the_season() -> None:
    """13:20 UTC on 14 May is 09:20-04:00 in New York (daylight saving time; IANA time zone database)."""
    times = np.array(["2026-05-14T13:20:00.250", "2026-12-14T13:20", "NaT"], dtype="datetime64[ms]")
    assert dressing.local_text(times, "America/New_York").tolist() == [
        "2026-05-14T09:20:00.250-04:00",
        "2026-12-14T08:20:00.000-05:00",
        None,
    ]


def test_a_night_shift_is_paved_on_the_day_it_began(metric: LotRecord) -> None:
    """Lines from 22:10 UTC on 3 March are a shift of 4 March in Sydney, for every pass and layer."""
    frames = dressing.dress_layers(metric)
    assert {value for frame in frames.values() for value in frame["paved_on"]} == {"2026-03-04"}


def test_identity_is_unique_and_names_the_feature(package: geopackage.Package) -> None:
    """feature_uid is lot:layer:number with the layer's own number where it has one."""
    uids = [uid for frame in package.frames.values() for uid in frame["feature_uid"]]
    assert len(set(uids)) == len(uids)
    assert package.frames["profiles"]["feature_uid"].iloc[2] == "SYN-US:profiles:3"
    assert package.frames["profiles"]["profile_id"].iloc[2] == 3


def test_lot_info_tells_the_rule_its_sources_the_foot_and_the_cautions(path: Path) -> None:
    """Numbers of the rule with source and standing, foot, operation, frame zero, doubts and all cautions."""
    info = gpd.read_file(path, layer="lot_info").set_index("key")
    assert (info.loc["rule.profile.length_ft", ["value", "unit"]] == ["150", "ft"]).all()
    assert "standing: confirmed in a fetched text" in info.loc["rule.profile.length_ft", "meaning"]
    assert (info.loc["rule.zone.drop_delta_f", ["value", "unit"]] == ["25", "degF of difference"]).all()
    assert info.loc["delivery.foot", "value"] == "0.3048006096"
    assert "own foot" in info.loc["delivery.foot", "meaning"]
    assert {
        "crs.operation.name",
        "pass.1.frame_zero_ft",
        "rig.antenna_forward_ft",
        "position.sigma_p95_ft",
        "doubt.1",
    } <= set(info.index)
    assert "not proof of a defect" in info.loc["caution.2", "value"]
    assert sum(key.startswith("caution.") for key in info.index) == 4


# ------------------------------------------------------------------------------------------ the checker


def sql(*statements: str) -> Callable[[Path], None]:
    """Make a fault by SQL."""

    def spoil(path: Path) -> None:
        with closing(sqlite3.connect(path)) as base:
            for (trigger,) in base.execute(
                "SELECT name FROM sqlite_master WHERE type = 'trigger'"
            ).fetchall():
                base.execute(f'DROP TRIGGER "{trigger}"')
            for statement in statements:
                base.execute(statement)
            base.commit()

    return spoil


FAULTS: dict[str, tuple[Callable[[Path], object], str]] = {
    "row lost": (sql("DELETE FROM stops WHERE stop_id = 2"), "stops: 3 rows, expected 4"),
    "number changed": (
        sql("UPDATE profiles SET low_f = low_f + 0.1 WHERE profile_id = 3"),
        "column low_f reads back differently",
    ),
    "text changed": (sql("UPDATE lot SET route = 'elsewhere'"), "column route reads back differently"),
    "time changed": (
        sql("UPDATE stops SET start_utc = '2026-01-01T00:00:00.000Z'"),
        "column start_utc reads back differently",
    ),
    "geometry moved": (
        sql("UPDATE mat SET geom = (SELECT geom FROM profiles)"),
        "mat: geometries read back differently",
    ),
    "style lost": (sql("DELETE FROM layer_styles WHERE f_table_name = 'gaps'"), "gaps has no default style"),
    "description lost": (
        sql("DELETE FROM gpkg_data_columns WHERE column_name = 'area_ft2' AND table_name = 'mat'"),
        "column area_ft2 of mat is not described",
    ),
    "table hidden": (
        sql("DELETE FROM gpkg_contents WHERE table_name = 'lot_info'"),
        "tables registered differ: ['lot_info']",
    ),
    "wal": (sql("PRAGMA journal_mode = WAL"), "WAL"),
    "identity twice": (sql("UPDATE stops SET feature_uid = 'same'"), "feature_uid is used twice"),
    "column renamed": (sql("ALTER TABLE mat RENAME COLUMN area_ft2 TO area_ft"), "has other columns"),
    "cut": (lambda path: os.truncate(path, path.stat().st_size // 2), "lot.gpkg"),
    "no database": (lambda path: path.write_text("nothing"), "cannot be read"),
    "open elsewhere": (lambda path: path.with_name("lot.gpkg-wal").touch(), "open in another program"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_the_checker_names_each_fault(
    path: Path, package: geopackage.Package, record: LotRecord, tmp_path: Path, fault: str
) -> None:
    """Each planted fault is found and named."""
    spoil, text = FAULTS[fault]
    copy = Path(shutil.copy(path, tmp_path / "lot.gpkg"))
    spoil(copy)
    found = geopackage.check_geopackage(copy, package.tables, record.swath.crs, package.frames)
    assert any(text in line for line in found), found


def test_the_checker_accepts_the_file_and_refuses_another_crs(
    path: Path, package: geopackage.Package, record: LotRecord
) -> None:
    """No difference as written; another CRS is named for every layer."""
    assert geopackage.check_geopackage(path, package.tables, record.swath.crs, package.frames) == []
    assert len(geopackage.check_geopackage(path, package.tables, pyproj.CRS(26917))) == len(NAMES)


def test_an_invalid_geometry_is_named_with_its_row(record: LotRecord, tmp_path: Path) -> None:
    """A bow tie is refused by GEOS' own reason."""
    package = lot_package(record)
    bow = shapely.MultiPolygon([shapely.Polygon([(0, 0), (9, 9), (9, 0), (0, 9)])])
    package.frames["stops"].loc[1, "geometry"] = bow
    found = geopackage.check_geopackage(
        write(tmp_path, package), package.tables, record.swath.crs, package.frames
    )
    assert any("stops: row 2: Self-intersection" in line for line in found)
