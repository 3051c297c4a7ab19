"""lot.qgz and sld/: QGIS opens them drawn, in order, by relative paths; spoilt ones are named."""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import pyproj
import pytest

import builders
from thermosaic.files import geopackage, layers, project
from thermosaic.files.looks import sld
from thermosaic.files.looks.ramp import ColourRamp
from thermosaic.model import LotRecord
from thermosaic.tables import LAYERS
from true_record import true_record

SYSTEM_PYTHON, SCRIPT = "/usr/bin/python3", Path(__file__).with_name("open_project_in_qgis.py")
SLD, OGC = f"{{{sld.SLD}}}", f"{{{sld.OGC}}}"


def has_qgis() -> bool:
    """Whether the system's Python has the QGIS bindings."""
    if not Path(SYSTEM_PYTHON).is_file():
        return False
    return not subprocess.run([SYSTEM_PYTHON, "-c", "import qgis.core"], capture_output=True).returncode


def open_in_qgis(result: Path, folder: Path) -> dict:
    """Open a result's project in QGIS and draw it; skip where QGIS is absent."""
    if not has_qgis():
        pytest.skip("QGIS for Python is not installed")
    surroundings = os.environ | {"QT_QPA_PLATFORM": "offscreen", "XDG_RUNTIME_DIR": str(folder)}
    command = [SYSTEM_PYTHON, str(SCRIPT), str(result), str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=surroundings)
    return json.loads(done.stdout)


@pytest.fixture(scope="module")
def opened(crew_result: Path, tmp_path_factory: pytest.TempPathFactory) -> dict:
    """Open a copy of a result, elsewhere than where it was made, and see that no byte of it changed."""
    folder = tmp_path_factory.mktemp("qgis")
    copy = Path(shutil.copytree(crew_result, folder / "moved" / "elsewhere"))
    before = {path: path.read_bytes() for path in copy.rglob("*") if path.is_file()}
    found = open_in_qgis(copy, folder)
    assert {path: path.read_bytes() for path in copy.rglob("*") if path.is_file()} == before
    return found | {"folder": str(copy)}


# --------------------------------------------------------------------------------------------- in QGIS


def test_qgis_opens_the_project_where_it_lies_now_without_a_word(opened: dict, crew_result: Path) -> None:
    """QGIS 3.22 reads it, in the map's CRS, finds every source in the folder, and logs no message."""
    assert (opened["read"], opened["crs_valid"], opened["crs"]) == (True, True, "EPSG:6551")
    assert opened["messages"] == []
    assert set(opened["valid"].values()) == {True}
    assert len(opened["valid"]) == len(LAYERS) + 3
    assert all(source.startswith(opened["folder"] + "/") for source in opened["sources"])
    assert set(opened["read_only"].values()) == {True}


def test_layers_lie_over_the_raster_in_groups(opened: dict) -> None:
    """Places first, the mat's temperature below all that is drawn; every layer shown has a map tip."""
    assert opened["order"][0] == "Stops"
    assert opened["order"][-3:] == ["Temperature at laydown", "Facts of the lot", "Columns and units"]
    assert set(opened["styled"].values()) == {True}


def test_every_group_draws_something_over_light_and_dark_ground(opened: dict) -> None:
    """The mat fills 1 % or more of the picture, each group at least 0.05 %; over dark no less than over white."""
    assert opened["groups"].keys() >= {"Places to look at", "Stations and path", "Profiles and speed", "Mat"}
    assert min(opened["groups"].values()) > 0.0005
    assert opened["groups"]["Mat"] > 0.01
    assert opened["whole"]["dark"] >= opened["whole"]["white"] > opened["groups"]["Mat"]


def test_no_label_overlaps_another(opened: dict) -> None:
    """Stations, profiles, speeds, stops and zones are labelled in one view and no two labels' boxes meet."""
    labels = opened["labels"]
    for name in ("Stations", "Thermal profiles", "Speed segments", "Stops", "Cold zones"):
        assert labels[name] > 0, name
    assert labels["overlaps"] == 0


def test_qgis_takes_every_style_for_servers(opened: dict) -> None:
    """Each SLD loads over its layer, keeps its rules, and draws where the layer has features."""
    for name, (is_loaded, words, _, symbol_layers) in opened["sld"].items():
        assert (is_loaded, words) == (True, ""), name
        assert min(symbol_layers) > 0, name
        assert opened["sld_drawn"][name] > 0 or name == "gaps", name
    assert opened["sld"]["profiles"][2] == 4
    assert opened["sld"]["dropped"][2] == 12


def test_a_custom_crs_without_a_code_is_the_projects(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """A low-distortion projection reaches QGIS by its WKT."""
    record = true_record(tmp_path_factory.mktemp("ldp"), builders.us_curve_lot())
    crs = pyproj.CRS(
        pyproj.CRS(
            "+proj=tmerc +lat_0=40.1 +lon_0=-83 +k=1.00003 +x_0=50000 +y_0=20000 +ellps=GRS80 +units=us-ft"
        ).to_wkt()
    )
    record = dataclasses.replace(record, swath=dataclasses.replace(record.swath, crs=crs))
    write(tmp_path, record)
    found = open_in_qgis(tmp_path, tmp_path)
    assert (found["read"], found["crs_valid"], found["messages"]) == (True, True, [])
    assert found["groups"]["Profiles and speed"] > 0.001


def write(folder: Path, record: LotRecord) -> geopackage.Package:
    """Write layers, styles and project of a record without rasters."""
    package = layers.lot_package(record)
    geopackage.write_geopackage(folder / "lot.gpkg", package)
    sld.write_styles(folder, package.looks, None)
    project.write_project(folder / "lot.qgz", layers.lot_project(record, package, None))
    return package


# ------------------------------------------------------------------------------------------ what is in it


def test_times_and_order_inside_are_fixed(crew_result: Path) -> None:
    """The archive holds one file with the lot's own time, and no path, name or clock of the machine."""
    with zipfile.ZipFile(crew_result / "lot.qgz") as archive:
        (entry,) = archive.infolist()
        text = archive.read(entry).decode()
    assert entry.filename == "lot.qgs"
    assert entry.date_time[0] == 2026
    assert str(crew_result) not in text
    assert "saveUser" not in text


# children of an element in their order; SLD 1.0.0 (OGC 02-070), its schema, from memory
ORDER = {
    "Rule": ["Name", "Title", "Filter", "ElseFilter", "MinScaleDenominator", "MaxScaleDenominator"],
    "Graphic": ["Mark", "Opacity", "Size", "Rotation"],
    "Mark": ["WellKnownName", "Fill", "Stroke"],
    "PolygonSymbolizer": ["Geometry", "Fill", "Stroke"],
    "TextSymbolizer": ["Geometry", "Label", "Font", "LabelPlacement", "Halo", "Fill"],
}
STANDARD_MARKS = {"square", "circle", "triangle", "star", "cross", "x"}  # OGC 02-070, 11.3.2


def test_styles_keep_to_the_standards_order_and_marks(crew_result: Path) -> None:
    """Elements stand in the order of the SLD 1.0.0 schema; marks are the six that every reader knows."""
    paths = sorted((crew_result / "sld").glob("*.sld"))
    assert [path.stem for path in paths] == sorted([*(table.name for table in LAYERS), "temperature"])
    for path in paths:
        root = ElementTree.parse(path).getroot()
        assert root.get("version") == "1.0.0"
        for name, order in ORDER.items():
            for element in root.iter(SLD + name):
                places = [order.index(tag) for child in element if (tag := child.tag.split("}")[1]) in order]
                assert places == sorted(places), (path.name, name)
        assert {mark.text for mark in root.iter(f"{SLD}WellKnownName")} <= STANDARD_MARKS


def test_classes_of_profiles_differ_in_more_than_colour_for_servers_too(crew_result: Path) -> None:
    """Marks, their spacing and the outline's weight tell the classes apart on a black and white print."""
    root = ElementTree.parse(crew_result / "sld" / "profiles.sld").getroot()
    looks = [
        tuple(
            e.text
            for e in rule.iter()
            if e.tag in (f"{SLD}WellKnownName", f"{SLD}Size", f"{SLD}CssParameter")
        )
        for rule in root.iter(f"{SLD}Rule")
        if rule.find(f"{OGC}Filter") is not None
    ]
    assert len(looks) == 4
    colourless = [tuple(text for text in look if not text.startswith("#")) for look in looks]
    assert len(set(colourless)) == 4


# -------------------------------------------------------------------------------------- what is spoilt


def rewrite(change: Callable[[str], str]) -> Callable[[Path], None]:
    """Make a fault that changes the project's text."""

    def spoil(folder: Path) -> None:
        with zipfile.ZipFile(folder / "lot.qgz") as archive:
            text = archive.read("lot.qgs").decode()
        with zipfile.ZipFile(folder / "lot.qgz", "w") as archive:
            archive.writestr("lot.qgs", change(text))

    return spoil


FAULTS = {
    "no archive": (lambda folder: (folder / "lot.qgz").write_bytes(b"PK"), "is no project"),
    "absolute path": (rewrite(lambda text: text.replace("<datasource>./lot.gpkg", "<datasource>/data/lot.gpkg", 1)),
                      "/data/lot.gpkg is no file beside it"),
    "layer lost": (rewrite(lambda text: text.replace("<id>layer_of_lot_gaps</id>", "<id>another</id>")), "layers are"),
    "data moved away": (lambda folder: (folder / "lot.gpkg").unlink(), "./lot.gpkg is no file beside it"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_spoilt_project_is_named(crew_result: Path, tmp_path: Path, fault: str) -> None:
    """The checker finds each planted fault, and nothing before it was planted."""
    folder = Path(shutil.copytree(crew_result, tmp_path / "result"))
    assert project.check_project(folder / "lot.qgz", True) == []
    spoil, words = FAULTS[fault]
    spoil(folder)
    assert any(words in text for text in project.check_project(folder / "lot.qgz", True))


def test_a_spoilt_style_is_named(crew_result: Path, tmp_path: Path) -> None:
    """A style that is no XML, names a column that there is not, or has another ramp, is found."""
    folder = Path(shutil.copytree(crew_result / "sld", tmp_path / "sld")).parent
    columns = {"profiles": {"class_rank", "profile_id"}, "stops": {"duration_s"}}
    assert sld.check_styles(folder, columns, None) == []
    text = (folder / "sld" / "profiles.sld").read_text()
    (folder / "sld" / "profiles.sld").write_text(text.replace("class_rank", "rank", 1))
    (folder / "sld" / "stops.sld").write_text("<sld")
    found = sld.check_styles(folder, columns, ColourRamp(0.0, 1.0, "degC"))
    assert "profiles.sld: names rank, which profiles has not" in found
    assert any(text.startswith("stops.sld: is no style") for text in found)
    assert "temperature.sld: the colours are not those of the ramp" in found
