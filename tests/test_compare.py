"""Two results are compared in space: whatever map, unit and travel they have, or they are refused."""

from __future__ import annotations

import csv
import json
import shutil
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely

import builders
from page_look import assert_no_fault
from thermosaic import synthetic
from thermosaic.beside import comparing
from thermosaic.cli.entry import main
from thermosaic.errors import ConfigError, MismatchError, ProductError
from thermosaic.files.csv_tables import FOLDER
from thermosaic.files.manifest import sha256_of
from thermosaic.files.sheets.lot_sheet import LotSheet, read_sheet
from thermosaic.files.sheets.onto import onto_map, shapes_on_map
from thermosaic.opening import load_config
from thermosaic.run import run_lot
from thermosaic.synthetic import LotPlan, Mat, PassPlan, Patch, SyntheticLot
from thermosaic.tables import COMPARED

ROAD = (synthetic.straight(30.0), *synthetic.bend(120.0, 20.0, lead_m=10.0), synthetic.straight(30.0))
PATCH = {"length_m": 4.0, "width_m": 1.2, "deficit_c": 25.0}


def _lower() -> SyntheticLot:
    """Make the lower lift upstation, in metres, with two patches."""
    patches = (Patch(at_m=30.0, right_m=0.6, **PATCH), Patch(at_m=62.0, right_m=-0.9, **PATCH))
    return synthetic.make_lot(LotPlan(lot_id="LOW", lift=1, road=ROAD, mat=Mat(patches=patches)))


def _upper() -> SyntheticLot:
    """Make the upper lift downstation, in US feet of another zone and colder: one patch a metre on, one elsewhere."""
    plan = LotPlan(
        lot_id="UP", lift=2, road=ROAD, map_crs="EPSG:6453", units="us", labels="100 ft", seed=11,
        passes=(PassPlan("downstation"),),
    )  # fmt: skip
    lower = _lower().truth
    here = _distance_of(plan, lower.zones[0].polygon.centroid) - 1.0
    patches = (Patch(at_m=here, right_m=-0.6, **PATCH), Patch(at_m=here - 14.0, right_m=0.2, **PATCH))
    return synthetic.make_lot(replace(plan, mat=Mat(base_c=130.0, patches=patches)))


def _distance_of(plan: LotPlan, place: shapely.Point) -> float:
    """Distance of C in the pass of a plan where it comes nearest to a place of the lower lift's map, metres."""
    truth = synthetic.make_lot(plan).truth
    to = pyproj.Transformer.from_crs("EPSG:6340", plan.map_crs, always_xy=True)
    foot_m = pyproj.CRS(plan.map_crs).axis_info[0].unit_conversion_factor
    east, north = (value * foot_m for value in to.transform(place.x, place.y))
    nearest = np.argmin(np.hypot(truth.easting_m - east, truth.northing_m - north))
    return float(truth.distance_m[nearest] - truth.distance_m[0])


@pytest.fixture(scope="module")
def lots() -> tuple[SyntheticLot, SyntheticLot]:
    """Give the two lifts with their truth."""
    return _lower(), _upper()


@pytest.fixture(scope="module")
def results(
    lots: tuple[SyntheticLot, SyntheticLot], tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, Path]:
    """Give both published results; read them, never write them."""
    folder = tmp_path_factory.mktemp("lifts")
    for lot in lots:
        config = load_config(builders.write_lot(folder / f"{lot.plan.lot_id}_lot", lot))
        run_lot(config, folder / lot.plan.lot_id, False, False)
    return folder / "LOW", folder / "UP"


@pytest.fixture(scope="module")
def compared(results: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the published comparison."""
    out = tmp_path_factory.mktemp("out") / "compared"
    comparing.compare(results, out)
    return out


def _layer(folder: Path, name: str) -> gpd.GeoDataFrame:
    return gpd.read_file(folder / "compare.gpkg", layer=name)


def _on_lower(polygon: shapely.Polygon) -> shapely.Polygon:
    """Bring an outline of the upper lift's truth to metres of the lower one's map, by pyproj alone."""
    foot_m = pyproj.CRS("EPSG:6453").axis_info[0].unit_conversion_factor
    to = pyproj.Transformer.from_crs("EPSG:6453", "EPSG:6340", always_xy=True)
    return shapely.transform(polygon, lambda at: np.column_stack(to.transform(*(at / foot_m).T)))


def test_planted_zones_coincide_as_planted(lots, compared) -> None:
    """Of two patches in each lift one pair overlaps; place and area are those of the outlines planted.

    Zones follow the rule's cells of 0.15 m, so their edges lie within a cell of the outline.
    """
    met = _layer(compared, "coincidences")
    assert met[["lot_id", "other_lot_id", "kind"]].values.tolist() == [["UP", "LOW", "zone"]]
    true = shapely.intersection(_on_lower(lots[1].truth.zones[0].polygon), lots[0].truth.zones[0].polygon)
    assert true.area > 1.5
    assert met.geometry[0].centroid.distance(true.centroid) < 0.2
    assert met["overlap_m2"][0] == pytest.approx(true.area, abs=0.16 * true.length)
    row = _layer(compared, "common_mat").iloc[0]
    assert (row["zone_count"], row["other_zone_count"], row["zones_on"]) == (2, 2, 1)
    assert 0 < row["zones_on_expected"] < 1
    assert row["lift"] == 2
    assert row["other_lift"] == 1


def test_mat_in_common_is_that_of_both(lots, results, compared) -> None:
    """The common mat is the overlap of both outlines published (within a cell along its edge)."""
    mats = [read_sheet(folder).frames["mat"].geometry.union_all() for folder in results]
    true = shapely.intersection(mats[0], _on_lower(mats[1]))
    mat = _layer(compared, "common_mat")
    assert shapely.area(shapely.symmetric_difference(mat.geometry[0], true)) < 0.31 * true.length
    scale = read_sheet(results[0]).quality["grid"]["point_scale"]
    assert mat["area_m2"][0] == pytest.approx(mat.geometry[0].area / scale**2, rel=1e-6)
    assert mat.crs == pyproj.CRS("EPSG:6340")


def test_deficits_and_not_temperatures_are_compared(lots, compared) -> None:
    """The lots differ by 15 degC, the raster by none: its median is 0, and only a lone patch reaches its depth."""
    with rasterio.open(compared / "difference_UP_LOW.tif") as file:
        values = file.read(1, masked=True)
        inside = {
            which: next(file.sample([(where.x, where.y)]))[0] for which, where in {
                "both": shapely.intersection(
                    _on_lower(lots[1].truth.zones[0].polygon), lots[0].truth.zones[0].polygon).centroid,
                "upper": _on_lower(lots[1].truth.zones[1].polygon).centroid,
                "lower": lots[0].truth.zones[1].polygon.centroid,
            }.items()
        }  # fmt: skip
        assert (file.units, file.nodata) == (("degC",), -9999.0)
    assert abs(np.ma.median(values)) < 0.5
    assert inside["both"] == pytest.approx(0.0, abs=3.0)
    assert inside["upper"] == pytest.approx(25.0, abs=3.0)
    assert inside["lower"] == pytest.approx(-25.0, abs=3.0)


def test_the_first_named_gives_map_and_units(results, compared, tmp_path) -> None:
    """Named first, the upper lift gives feet and degF; what coincides and how much stays the same."""
    comparing.compare(results[::-1], tmp_path / "us")
    us, si = (_layer(folder, "coincidences").iloc[0] for folder in (tmp_path / "us", compared))
    assert _layer(tmp_path / "us", "common_mat").crs == pyproj.CRS("EPSG:6453")
    foot_m = pyproj.CRS("EPSG:6453").axis_info[0].unit_conversion_factor
    assert us["overlap_ft2"] * foot_m**2 == pytest.approx(si["overlap_m2"], rel=0.01)
    assert us["deficit_max_delta_f"] / 1.8 == pytest.approx(si["deficit_max_delta_c"], rel=1e-6)
    assert (us["number"], us["other_number"]) == (si["number"], si["other_number"])
    one, other = (
        _layer(folder, "common_mat").iloc[0]["correlation"] for folder in (tmp_path / "us", compared)
    )
    assert one == pytest.approx(other, abs=0.1)  # other cells, the same mat


def test_columns_are_those_declared(compared) -> None:
    """Every layer and table has the columns of `tables`, in order; the dictionary explains each."""
    words = gpd.read_file(compared / "compare.gpkg", layer="data_dictionary")
    for table in COMPARED:
        names = [column.name for column in table.columns]
        assert [name for name in _layer(compared, table.name).columns if name != "geometry"] == names
        with (compared / FOLDER / f"{table.name}.csv").open(encoding="utf-8", newline="") as file:
            assert next(csv.reader(file)) == names
        assert set(words[words["table_name"] == table.name]["column_name"]) >= set(names)
    info = gpd.read_file(compared / "compare.gpkg", layer="lot_info")
    assert any("not a cause" in text for text in info["value"])
    assert info[info["key"] == "compared.1.operation"]["value"].item() != "none: both have the same map"


def test_manifest_names_what_was_compared(results, compared) -> None:
    """Every input read and every file written stands in the manifest with its digest."""
    listed = json.loads((compared / "manifest.json").read_text())
    of = {folder.name: folder for folder in results}
    assert {(item["lot_id"], item["path"]) for item in listed["inputs"]} >= {
        (lot, name) for lot in of for name in ("lot.gpkg", "spots.parquet", "manifest.json")
    }
    for item in listed["inputs"]:
        assert item["sha256"] == sha256_of(of[item["lot_id"]] / item["path"])
    files = {path.relative_to(compared).as_posix() for path in compared.rglob("*") if path.is_file()}
    assert {item["path"] for item in listed["products"]} | {"manifest.json"} == files
    for item in listed["products"]:
        assert item["sha256"] == sha256_of(compared / item["path"])


def test_same_results_same_bytes(results, compared, tmp_path) -> None:
    """Made again, every file of a comparison has the same bytes."""
    comparing.compare(results, tmp_path / "again")
    for path in sorted(compared.rglob("*")):
        if path.is_file():
            assert (tmp_path / "again" / path.relative_to(compared)).read_bytes() == path.read_bytes(), (
                path.name
            )


def test_page_says_what_the_layers_say(compared) -> None:
    """The page holds the drawing, the coincidence, the cautions, and asks for nothing from outside."""
    page = (compared / "compare.html").read_text()
    met = _layer(compared, "coincidences").iloc[0]
    assert f"zone {met['number']} over {met['other_number']}" in page
    assert "<svg" in page
    assert "not a cause" in page
    assert "shifts along station" in page
    assert "http-equiv" in page
    assert "<script" not in page


@pytest.mark.parametrize("look", [{}, {"color_scheme": "dark"}, {"viewport": {"width": 375, "height": 812}}])
def test_axe_finds_no_fault(compared, look) -> None:
    """axe-core (all its rules) finds nothing on the page in light, dark and on a phone, where nothing sticks out."""
    assert_no_fault(compared / "compare.html", **look)


def test_several_results_are_held_against_the_first(results, tmp_path) -> None:
    """The first is compared with each other one; the same lift laid twice is `at`, not `over`, and wholly alike."""
    twin = Path(shutil.copytree(results[0], tmp_path / "TWIN"))
    listed = json.loads((twin / "manifest.json").read_text())
    listed["configuration"]["lot"]["id"] = "TWIN"
    (twin / "manifest.json").write_text(json.dumps(listed))
    said = comparing.compare((*results, twin), tmp_path / "out")
    assert any("2 of 2 cold zones of LOW at one of the 2 of TWIN: " in text for text in said)
    rows = _layer(tmp_path / "out", "common_mat")
    assert rows[["lot_id", "other_lot_id"]].values.tolist() == [["UP", "LOW"], ["LOW", "TWIN"]]
    assert rows["correlation"][1] == pytest.approx(1.0)
    assert rows["overlap_frac"][1] == pytest.approx(1.0)
    met = _layer(tmp_path / "out", "coincidences")
    assert (met["other_lot_id"] == "TWIN").sum() == 2
    assert len(set(met["feature_uid"])) == len(met)
    assert (tmp_path / "out" / "difference_LOW_TWIN.tif").is_file()


def _moved(sheet: LotSheet, epoch: float) -> LotSheet:
    """The same lot on a map in ITRF2014 at an epoch, by pyproj alone: numbers about 1.5 m away."""
    itrf = pyproj.crs.ProjectedCRS(
        pyproj.crs.coordinate_operation.UTMConversion(11), "ITRF2014 / UTM zone 11N", geodetic_crs="EPSG:9000"
    )
    back = pyproj.Transformer.from_crs(sheet.crs, "EPSG:6318", always_xy=True)
    shift = pyproj.transformer.TransformerGroup("EPSG:6318", itrf, always_xy=True).transformers[0]

    def move(at: np.ndarray) -> np.ndarray:
        lon, lat = back.transform(*at.T)
        return np.column_stack(shift.transform(lon, lat, np.zeros(len(lon)), np.full(len(lon), epoch))[:2])

    frames = {
        name: frame.set_geometry(shapely.transform(np.asarray(frame.geometry), move))
        for name, frame in sheet.frames.items()
    }
    config = {**sheet.config, "crs": {**sheet.config["crs"], "epoch": epoch}}
    return replace(
        sheet, crs=pyproj.CRS(itrf), frames=frames, manifest={**sheet.manifest, "configuration": config}
    )


def test_a_shifted_frame_is_brought_back(results) -> None:
    """A map in ITRF2014 lies 1.5 m off; its state operation brings it back, and its accuracy is in the sigma."""
    sheet = read_sheet(results[0])
    moved = _moved(sheet, 2026.4)
    off = (
        moved.frames["mat"]
        .geometry.union_all()
        .centroid.distance(sheet.frames["mat"].geometry.union_all().centroid)
    )
    assert 1.0 < off < 2.0
    operation, sigma_m = onto_map(sheet, moved)
    assert "ballpark" not in operation.name.lower()
    assert sigma_m == operation.accuracy_m <= 0.1  # EPSG gives this one as exact: the frame is defined by it
    back = shapes_on_map(moved, "cold_zones", operation)
    apart = shapely.hausdorff_distance(back, np.asarray(sheet.frames["cold_zones"].geometry))
    assert apart.max() < 1e-3


def test_epochs_far_apart_are_refused(results) -> None:
    """Two maps in a frame that the ground moves in, laid five years apart, do not belong together (exit 4)."""
    sheet = read_sheet(results[0])
    late = _moved(sheet, 2026.4)
    with pytest.raises(MismatchError, match=r"epochs 2026\.40 and 2021\.40"):
        onto_map(_moved(sheet, 2021.4), late)
    assert onto_map(_moved(sheet, 2026.0), late)[1] == pytest.approx(0.04, abs=1e-6)


def test_frames_that_no_operation_joins_are_refused(results) -> None:
    """A map on a frame without a known operation to the other's is refused, not laid over by guess (exit 4)."""
    sheet = read_sheet(results[0])
    vague = replace(sheet, crs=pyproj.CRS("EPSG:32611"))  # plain WGS 84, a family of frames
    with pytest.raises(MismatchError, match="cannot be laid over"):
        onto_map(sheet, vague)


FAULTS: dict[str, tuple[Callable[[Path, Path], tuple[Path, ...]], type, str]] = {
    "one result": (lambda low, up: (low,), ConfigError, "two results or more"),
    "twice the same": (lambda low, up: (low, low), ConfigError, "named twice"),
    "no folder": (lambda low, up: (low, low.parent / "none"), ConfigError, "no folder"),
    "no result": (lambda low, up: (low, low.parent), ProductError, "no whole result"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_what_cannot_be_compared_is_said(fault, results, tmp_path) -> None:
    """Each is refused in plain words, and nothing is written."""
    choose, error, words = FAULTS[fault]
    with pytest.raises(error, match=words):
        comparing.compare(choose(*results), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_changed_result_is_refused(results, tmp_path) -> None:
    """A result whose readings are not those of its manifest any more is not compared."""
    spoilt = Path(shutil.copytree(results[0], tmp_path / "LOW"))
    listed = json.loads((spoilt / "manifest.json").read_text())
    for item in listed["products"]:
        if item["path"] == "spots.parquet":
            item["sha256"] = "0" * 64
    (spoilt / "manifest.json").write_text(json.dumps(listed))
    with pytest.raises(ProductError, match=r"spots\.parquet: is not what"):
        comparing.compare((spoilt, results[1]), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def _command(monkeypatch: pytest.MonkeyPatch, *words: object) -> int:
    monkeypatch.setattr(sys, "argv", ["thermosaic", *map(str, words)])
    try:
        main()
    except SystemExit as stopped:
        return int(stopped.code or 0)
    return 0


def test_lots_without_mat_in_common_exit_4(results, tmp_path, monkeypatch, capsys) -> None:
    """A lot 400 m up the road is refused with how far it lies away, exit code 4."""
    plan = LotPlan(lot_id="FAR", road=(synthetic.straight(60.0),), start_lon_deg=-116.19, lift=2)
    run_lot(
        load_config(builders.write_lot(tmp_path / "far_lot", synthetic.make_lot(plan))),
        tmp_path / "far",
        False,
        False,
    )
    assert _command(monkeypatch, "compare", results[0], tmp_path / "far", "-o", tmp_path / "out") == 4
    said = capsys.readouterr().err
    assert "no mat in common: their mats lie" in said
    assert not (tmp_path / "out").exists()


def test_command_prints_and_does_not_replace(results, tmp_path, monkeypatch, capsys) -> None:
    """The sentences go to stdout; an older comparison stays unless told otherwise (exit code 2)."""
    words = ("compare", *results, "-o", tmp_path / "out")
    assert _command(monkeypatch, *words) == 0
    assert "1 of 2 cold zones of UP over one of the 2 of LOW" in capsys.readouterr().out
    assert _command(monkeypatch, *words) == 2
    assert _command(monkeypatch, *words, "--overwrite") == 0
