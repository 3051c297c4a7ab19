"""A result laid over as-built records says what the mat was there: held against the truth of a synthetic lot.

The lot lies in a curve, is paved downstation, its map is in US survey feet; its mat has no texture, so every
temperature is known in closed form.
"""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import click.testing
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely

import builders
from thermosaic import beside, synthetic
from thermosaic.cli.entry import app
from thermosaic.errors import ConfigError, InputError, ProductError
from thermosaic.files.manifest import sha256_of
from thermosaic.model import Core
from thermosaic.opening import load_config
from thermosaic.results import published_result
from thermosaic.run import run_lot
from thermosaic.studies.overlay_asbuilt import cores_frame

FT = 1200 / 3937
SIGMA_M = 0.1
CLOSE_M = 0.05  # clean RTK: the path's own error
PATCHES = (synthetic.Patch(40.0, 2.5, 0.0, 2.0, 24.0), synthetic.Patch(130.0, 3.0, -0.6, 1.2, 20.0))


@pytest.fixture(scope="module")
def lot() -> synthetic.SyntheticLot:
    """Give a lot without noise or texture in a curve."""
    mat = synthetic.Mat(patches=PATCHES, texture_c=0.0)
    return builders.us_curve_lot(mat=mat, scanner=synthetic.Scanner(noise_c=0.0))


@pytest.fixture(scope="module")
def result(lot: synthetic.SyntheticLot, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give its published result; read it, never write it."""
    folder = builders.write_lot(tmp_path_factory.mktemp("lot"), lot)
    out = tmp_path_factory.mktemp("out") / "result"
    run_lot(load_config(folder), out, report=False)
    return out


@pytest.fixture(scope="module")
def places(lot: synthetic.SyntheticLot) -> pd.DataFrame:
    """Give true places of spots: on the tangents, in the bend, in the middle of the first patch."""
    truth, right_m = lot.truth, lot.plan.scanner.spot_right_m
    along = truth.distance_m - truth.distance_m[0]
    wanted = [(20.0, -1.2), (40.0, 0.0), (75.0, 1.05), (85.0, -1.5), (110.0, 0.3), (150.0, 1.2)]
    rows = []
    for distance_m, aside_m in wanted:
        line = int(np.argmin(np.abs(along - distance_m)))
        spot = int(np.argmin(np.abs(right_m - aside_m)))
        rows.append({
            "line": line, "spot": spot, "station_m": truth.station_m[line],
            "offset_m": truth.offset_m[line] - right_m[spot],  # downstation: right in travel is offset left
            "easting_m": truth.spot_easting_m[line, spot], "northing_m": truth.spot_northing_m[line, spot],
            "temp_c": truth.temp_c[line, spot],
        })  # fmt: skip
    return pd.DataFrame(rows)


def degrees_of(places: pd.DataFrame, frame: str, epoch: float | None = None) -> np.ndarray:
    """Bring places to longitude and latitude of a frame with pyproj alone, (place, 2)."""
    own = pyproj.Transformer.from_crs("EPSG:6551", "EPSG:6318", always_xy=True)
    lon, lat = own.transform(places["easting_m"].to_numpy() / FT, places["northing_m"].to_numpy() / FT)
    if frame == "EPSG:6318":
        return np.column_stack((lon, lat))
    shift = pyproj.Transformer.from_crs("EPSG:6318", frame, always_xy=True)
    far = shift.transform(lon, lat, np.zeros(len(lon)), np.full(len(lon), epoch))
    return np.column_stack(far[:2])


def write_cores(path: Path, points: np.ndarray, head: str = "lon_deg,lat_deg", tail: str = "") -> Path:
    """Write a table of cores, one a point."""
    names = tail.partition("\n")[0]
    rows = [
        f"C{i},{first:.10f},{second:.10f}{tail.partition(chr(10))[2]}"
        for i, (first, second) in enumerate(points, 1)
    ]
    path.write_text("\n".join([f"core_id,{head}{names}", *rows, ""]))
    return path


def laid_over(result: Path, out: Path, *files: Path, **stated: object) -> pd.DataFrame:
    """Run the overlay and return its cores, back in SI where a number is compared."""
    beside.overlay(result, files, out, **{"sigma_m": SIGMA_M, "frame": "EPSG:6318", **stated})
    return pd.read_csv(out / "tables" / "cores.csv")


def test_cores_lie_where_the_truth_has_them(result, places, tmp_path):
    """Longitude and latitude become the true station and offset, on tangents and in the bend."""
    cores = laid_over(
        result, tmp_path / "o", write_cores(tmp_path / "c.csv", degrees_of(places, "EPSG:6318"))
    )
    assert cores["station_ft"].to_numpy() * FT == pytest.approx(places["station_m"].to_numpy(), abs=CLOSE_M)
    assert cores["offset_ft"].to_numpy() * FT == pytest.approx(places["offset_m"].to_numpy(), abs=CLOSE_M)
    inside = 1.8 - np.abs(places["offset_m"] + 1.83)  # mat of 3.6 m about the machine's axis at -1.83 m
    assert cores["edge_from_ft"].to_numpy() * FT == pytest.approx(inside.to_numpy(), abs=CLOSE_M)


def test_temperatures_are_those_of_the_mat(result, lot, places, tmp_path):
    """Away from a patch's outline the mean is the noise-free mat, its sd none, and the deficit the patch's own."""
    cores = laid_over(
        result, tmp_path / "o", write_cores(tmp_path / "c.csv", degrees_of(places, "EPSG:6318"))
    )
    mean_c = (cores["temp_mean_f"] - 32) / 1.8
    assert mean_c.to_numpy() == pytest.approx(places["temp_c"].to_numpy(), abs=0.25)
    age_s = lot.plan.rig.screed_forward_m / 0.14  # speed before 120 m
    deficit_c = PATCHES[0].deficit_c * np.exp(-age_s / lot.plan.mat.cooling_s)
    wanted = np.where(np.arange(len(places)) == 1, deficit_c, 0.0)
    assert (cores["deficit_delta_f"] / 1.8).to_numpy() == pytest.approx(wanted, abs=0.4)
    assert cores["in_zone"].tolist() == [i == 1 for i in range(len(places))]
    assert cores["in_zone_frac"].round(2).tolist() == [float(i == 1) for i in range(len(places))]
    assert (cores["reading_count"] > 4).all()


def test_a_reading_is_held_against_its_own_cell(result):
    """In a curve a scan line crosses cells of several columns: each reading has the reference of its own."""
    published = published_result(result)[1]
    spots = published.of_pass("1")
    made = published.field_again("1", spots)
    index = made.field.readings.cells
    frame_m = (spots["station_m"] - published.zero_m("1")).round(6)
    column = np.floor(frame_m / index.cell_m).astype(int) - index.col0
    np.testing.assert_array_equal(made.reference_c, made.field.reference_c[column])
    assert (column.groupby(spots["line"]).nunique() > 1).mean() > 0.1


def test_station_and_offset_lead_to_the_same_place(result, places, tmp_path):
    """A core by station and offset, in a bend too, lies within the path's error of its true map position."""
    labels = published_result(result)[0].measures.labels
    rows = [
        f"C{i},{labels.text(p.station_m)},{p.offset_m / FT:.2f}" for i, p in enumerate(places.itertuples())
    ]
    path = tmp_path / "c.csv"
    path.write_text("\n".join(["core_id,station,offset_ft", *rows, ""]))
    cores = laid_over(result, tmp_path / "o", path, cores_format="cores-us-csv", frame=None)
    wanted = degrees_of(places, "EPSG:6318")
    _, _, away = pyproj.Geod(ellps="GRS80").inv(*wanted.T, cores["lon_deg"], cores["lat_deg"])
    assert away.max() < CLOSE_M + 0.05 * FT  # labels are written to the tenth of a foot
    assert set(cores["placed_by"]) == {"station"}


def test_a_table_in_other_columns_is_told_the_format_that_fits(result, tmp_path):
    """Columns in feet do not fit the format in metres: the refusal names the one that has them."""
    path = tmp_path / "c.csv"
    path.write_text("core_id,station,offset_ft\nC1,100+10.0,1.0\n")
    with pytest.raises(InputError, match=r"offset_ft.*--format cores-us-csv fits it"):
        laid_over(result, tmp_path / "o", path, frame=None)
    path.write_text("core_id,station,distance\nC1,100+10.0,1.0\n")
    with pytest.raises(InputError) as none_fits:
        laid_over(result, tmp_path / "o", path, frame=None)
    assert "--format" not in str(none_fits.value)


def test_another_frame_is_brought_by_its_own_operation(result, places, tmp_path):
    """ITRF2014 positions, over a metre off as numbers, come to the true station; its accuracy is in the sigma."""
    far = degrees_of(places, "EPSG:9000", 2026.4)
    _, _, shift = pyproj.Geod(ellps="GRS80").inv(*degrees_of(places, "EPSG:6318").T, *far.T)
    assert shift.min() > 0.9
    cores = laid_over(result, tmp_path / "o", write_cores(tmp_path / "c.csv", far), frame="EPSG:9000")
    assert cores["station_ft"].to_numpy() * FT == pytest.approx(places["station_m"].to_numpy(), abs=CLOSE_M)
    assert cores["offset_ft"].to_numpy() * FT == pytest.approx(places["offset_m"].to_numpy(), abs=CLOSE_M)
    operation = json.loads((tmp_path / "o" / "manifest.json").read_text())["operations"][0]
    own = np.hypot(SIGMA_M, operation["accuracy_m"]) / FT
    assert (cores["sigma_along_ft"] >= own - 1e-3).all()
    assert cores["frame_accuracy_ft"].to_numpy() * FT == pytest.approx(operation["accuracy_m"], abs=1e-3)


def test_map_feet_are_survey_feet(result, places, tmp_path):
    """Eastings and northings in the map's feet need no frame; taken as international feet they lie elsewhere."""
    feet = places[["easting_m", "northing_m"]].to_numpy() / FT
    path = write_cores(tmp_path / "c.csv", feet, "easting_ft,northing_ft")
    cores = laid_over(result, tmp_path / "o", path, cores_format="cores-us-csv", frame=None)
    assert cores["station_ft"].to_numpy() * FT == pytest.approx(places["station_m"].to_numpy(), abs=CLOSE_M)


# ------------------------------------------------------------------------------------ polygons and lines


def write_shapes(path: Path, shapes: dict[str, shapely.Geometry]) -> Path:
    """Write geometries in metres of the map as GeoJSON in NAD 83(2011) degrees."""
    own = pyproj.Transformer.from_crs("EPSG:6551", "EPSG:6318", always_xy=True)
    features = [
        {
            "type": "Feature",
            "properties": {"name": name},
            "geometry": shapely.geometry.mapping(
                shapely.transform(shape, lambda m: np.column_stack(own.transform(*(m / FT).T)))
            ),
        }
        for name, shape in shapes.items()
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


def test_polygons_tell_the_mat_within(result, places, tmp_path):
    """A square of 0.6 m has its ground area and the mat's temperature; a zone's outline touches all of the zone."""
    published = published_result(result)[1]
    zone = published.frames["cold_zones"].iloc[0]
    at = places.iloc[0]
    square = shapely.box(at.easting_m - 0.3, at.northing_m - 0.3, at.easting_m + 0.3, at.northing_m + 0.3)
    away = shapely.box(at.easting_m + 500, at.northing_m, at.easting_m + 510, at.northing_m + 10)
    path = write_shapes(tmp_path / "a.geojson", {"square": square, "zone": zone.geometry, "away": away})
    beside.overlay(result, (path,), tmp_path / "o", frame="EPSG:6318")
    areas = pd.read_csv(tmp_path / "o" / "tables" / "asbuilt_areas.csv").set_index("name")
    scale = published.quality["grid"]["point_scale"]
    assert areas.loc["square", "area_ft2"] * FT**2 == pytest.approx(0.36 / scale**2, rel=2e-3)
    assert areas.loc["square", "on_mat_ft2"] == pytest.approx(areas.loc["square", "area_ft2"], rel=1e-3)
    assert (areas.loc["square", "temp_mean_f"] - 32) / 1.8 == pytest.approx(at.temp_c, abs=0.2)
    touches = pd.read_csv(tmp_path / "o" / "tables" / "touches.csv")
    own = touches[(touches["name"] == "zone") & (touches["layer"] == "cold_zones")]
    assert own["number"].tolist() == [zone["zone_id"]]
    assert own["of_feature_frac"].tolist() == pytest.approx([1.0], abs=1e-3)
    assert own["area_ft2"].item() * FT**2 == pytest.approx(zone["area_m2"], rel=2e-3)
    assert areas.loc["away", "reading_count"] == 0


def test_lines_are_held_against_the_edge(result, lot, tmp_path):
    """A line 0.5 m outside the mat's left edge in travel lies 0.5 m to the right of the right edge upstation."""
    truth = lot.truth
    some = np.arange(40, len(truth.easting_m) - 40, 40)
    heading = np.radians(truth.heading_deg[some])
    aside = -1.8 - 0.5
    line = shapely.LineString(np.column_stack((
        truth.easting_m[some] + aside * np.cos(heading), truth.northing_m[some] - aside * np.sin(heading),
    )))  # fmt: skip
    beside.overlay(
        result, (write_shapes(tmp_path / "l.geojson", {"kerb": line}),), tmp_path / "o", frame="EPSG:6318"
    )
    row = pd.read_csv(tmp_path / "o" / "tables" / "asbuilt_lines.csv").iloc[0]
    assert row["edge_side"] == "right"
    assert row["off_edge_mean_ft"] * FT == pytest.approx(0.5, abs=0.03)
    assert row["off_edge_max_ft"] * FT == pytest.approx(0.5, abs=0.08)
    offsets = pd.read_csv(tmp_path / "o" / "tables" / "line_offsets.csv")
    assert len(offsets) == row["point_count"] > 30
    assert np.abs(np.diff(offsets["station_ft"])).max() * FT == pytest.approx(3.0, abs=0.15)


# --------------------------------------------------------------------------------- densities and refusals


def test_densities_are_read_in_each_unit(result, places, tmp_path):
    """By hand: 93 % of Gmm 2.5 is 2318.3 kg/m3 (water 997.1 kg/m3 at 25 degC), 145 lb/ft3 (pcf) is 2322.7 kg/m3."""
    points = degrees_of(places, "EPSG:6318")
    rows = [("93", "%", "2.5"), ("145", "pcf", ""), ("2.35", "g/cm3", "2.5"), ("2350", "kg/m3", "")]
    lines = [
        f"C{i},{p[0]:.10f},{p[1]:.10f},{','.join(row)}"
        for i, (p, row) in enumerate(zip(points, rows, strict=False))
    ]
    (tmp_path / "c.csv").write_text("\n".join(["core_id,lon_deg,lat_deg,density,unit,gmm", *lines, ""]))
    cores = laid_over(result, tmp_path / "o", tmp_path / "c.csv")
    wanted = np.array([2318.26, 2322.68, 2350.0, 2350.0]) / 16.01846  # kg/m3 in a lb/ft3
    assert cores["density_lb_ft3"].to_numpy() == pytest.approx(wanted, abs=0.02)
    assert cores["of_gmm_frac"].to_numpy()[[0, 2]] == pytest.approx([0.93, 2.35 / (2.5 * 0.9971)], abs=1e-3)
    assert cores["of_gmm_frac"].isna().tolist() == [False, True, False, True]
    assert "4 cores with density: too few" in (tmp_path / "o" / "overlay.txt").read_text()


@pytest.mark.parametrize(
    ("text", "stated", "words"),
    [
        ("core_id,lon_deg,lat_deg\nA,-83,40.1\n", {"sigma_m": None}, "--sigma"),
        ("core_id,lon_deg,lat_deg\nA,-83,40.1\n", {"frame": None}, "--crs EPSG:6318"),
        ("core_id,lon_deg,lat_deg\nA,-83,40.1\n", {"frame": "EPSG:4326"}, "family of frames"),
        ("core_id,lon_deg,lat_deg\nA,-83,40.1\n", {"cores_format": "control-csv"}, "is a format of control"),
        ("core_id,lon_deg\nA,-83\n", {}, "has no position"),
        ("core_id,station,offset_m,density,unit\nA,100+20.0,1,93,psf\n", {}, '"psf" is no unit of a density'),
        ("core_id,station,offset_m,density,unit\nA,100+20.0,1,93,kg/m3\n", {}, "is no density of asphalt"),
        ("core_id,lon_deg,lat_deg\n", {}, "holds no core"),
    ],
)  # fmt: skip
def test_what_must_be_stated_is_asked_for(result, tmp_path, text, stated, words):
    """A core without sigma, frame, place or a unit is refused by what to do, and nothing is written."""
    (tmp_path / "c.csv").write_text(text)
    with pytest.raises((ConfigError, InputError), match=words):
        laid_over(result, tmp_path / "o", tmp_path / "c.csv", **stated)
    assert not (tmp_path / "o").exists()


def test_a_core_elsewhere_is_named(result, tmp_path):
    """A core at another place keeps its row, is counted as not placed, and its note speaks the lot's feet."""
    (tmp_path / "c.csv").write_text("core_id,station,offset_m\nA,101+00.0,-1.5\nB,190+00.0,1\n")
    cores = laid_over(result, tmp_path / "o", tmp_path / "c.csv")
    assert cores["pass_id"].isna().tolist() == [False, True]
    assert cores["note"][1] == "no reading of this lot lies within 10 ft of it"
    assert "placed at this lot's mat: 1 of 2 cores" in (tmp_path / "o" / "overlay.txt").read_text()


@pytest.fixture(scope="module")
def two_lanes(tmp_path_factory: pytest.TempPathFactory) -> tuple[synthetic.SyntheticLot, Path]:
    """Give a metric lot of two lanes laid in opposite directions, and its result."""
    lot = builders.two_lane_southern()
    folder = builders.write_lot(tmp_path_factory.mktemp("lanes"), lot)
    out = tmp_path_factory.mktemp("out") / "result"
    run_lot(load_config(folder), out, report=False)
    return lot, out


def test_cores_go_to_the_pass_they_lie_in(two_lanes, tmp_path):
    """In a lot of two lanes each core has the pass that laid its place; columns are metres and degC."""
    lot, result = two_lanes
    truth, rows = lot.truth, ["core_id,easting_m,northing_m,sigma_m"]
    lines = [int(np.flatnonzero(truth.pass_code == code)[n]) for code in (0, 1) for n in (1200, 2200)]
    for line in lines:
        east, north = truth.spot_easting_m[line, 14], truth.spot_northing_m[line, 14]
        rows.append(f"L{line},{east:.3f},{north:.3f},0.05")
    (tmp_path / "c.csv").write_text("\n".join([*rows, ""]))
    cores = laid_over(result, tmp_path / "o", tmp_path / "c.csv", sigma_m=None, frame=None)
    assert cores["pass_id"].tolist() == [1, 1, 2, 2]
    assert cores["station_m"].to_numpy() == pytest.approx(truth.station_m[lines], abs=CLOSE_M)
    assert cores["temp_mean_c"].to_numpy() == pytest.approx(truth.temp_c[lines, 14], abs=1.5)


def test_stations_of_own_paths_are_not_guessed(two_lanes):
    """Where stations run along each pass's own path, a station that two passes have places no core."""
    published = published_result(two_lanes[1])[1]
    passes = beside.records._first_looks(published)
    middle = np.median(next(iter(passes.values())).line_m[:, 0])
    core = Core("A", "core", "c.csv", 0.1, station_m=float(middle), offset_m=0.0)
    assert (
        cores_frame(published, passes, (core,))["pass_id"].notna().all()
    )  # along the alignment it is one place
    own = replace(published, quality=published.quality | {"stations": {"line": None}})
    row = cores_frame(own, passes, (core,)).iloc[0]
    assert row["pass_id"] is None
    assert "give a map position" in row["note"]


# --------------------------------------------------------------------------------------------- the folder


def test_the_folder_is_whole_and_the_same_twice(result, places, tmp_path):
    """All products are listed with their digests, the inputs too; a second run gives the same bytes."""
    path = write_cores(tmp_path / "c.csv", degrees_of(places, "EPSG:6318"))
    words = ["overlay", str(result), str(path), "--sigma", "0.5 ft", "--crs", "EPSG:6318", "-o"]
    for name in ("one", "two"):
        done = click.testing.CliRunner().invoke(app, [*words, str(tmp_path / name)], catch_exceptions=False)
        assert done.exit_code == 0
        assert "temperature at laydown is not density" in done.output
    listed = json.loads((tmp_path / "one" / "manifest.json").read_text())
    names = {item["path"] for item in listed["products"]}
    assert names == {p.relative_to(tmp_path / "one").as_posix() for p in (tmp_path / "one").rglob("*")
                     if p.is_file()} - {"manifest.json"}  # fmt: skip
    for item in listed["products"]:
        assert sha256_of(tmp_path / "one" / item["path"]) == item["sha256"]
        assert (tmp_path / "two" / item["path"]).read_bytes() == (
            tmp_path / "one" / item["path"]
        ).read_bytes()
    assert [item["sha256"] for item in listed["inputs"] if item["role"] == "cores"] == [sha256_of(path)]
    with (tmp_path / "one" / "tables" / "cores.csv").open(newline="") as file:
        assert len(list(csv.reader(file))) == len(places) + 1
    with pytest.raises(ConfigError, match="exists already"):
        laid_over(result, tmp_path / "one", path)
    (tmp_path / "one" / "mine.txt").write_text("x")
    with pytest.raises(ProductError, match="did not write: mine"):
        laid_over(result, tmp_path / "one", path, overwrite=True)
