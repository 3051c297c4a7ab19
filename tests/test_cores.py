"""A core plan of a published result: held against the truth of synthetic lots, read back, and blind to temperature."""

from __future__ import annotations

import csv
import json
import shutil
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
from command_line import thermosaic
from page_look import assert_no_fault
from thermosaic import beside, synthetic
from thermosaic.errors import ConfigError, InputError, ProductError
from thermosaic.files.csv_tables import DECIMALS
from thermosaic.files.manifest import sha256_of
from thermosaic.opening import load_config
from thermosaic.results import published_result
from thermosaic.run import run_lot
from thermosaic.studies.plan_cores import EDGE_KINDS, PlanRule
from thermosaic.tables import PLANNED

FT = 1200 / 3937
CLOSE_M = 0.06  # clean RTK: the path's own error
EXCLUDED = (60.0, 95.0)  # of the southern lot, from the alignment's first vertex
OUTAGE = (110.0, 135.0)
LIMITS_M = {"free": 0.5, "cold joint": 0.3, "hot joint": 0.1, "kerb": 0.3}
RULE = PlanRule(sublot_m=50.0, per_sublot=6, limits_m=LIMITS_M)
BLIND = ("random_cores", "random_numbers", "sublots")


def southern(**changes: object) -> synthetic.SyntheticLot:
    """Make two lanes laid in opposite directions around a bend, with an exclusion and a stretch without positions."""
    gnss = synthetic.Gnss(episodes=(synthetic.Episode("outage", *OUTAGE),))
    return builders.two_lane_southern(**{"exclude": (synthetic.Exclude(*EXCLUDED),), "gnss": gnss, **changes})


def run(lot: synthetic.SyntheticLot, folder: Path, more: str = "") -> Path:
    """Publish a lot; `more` stands at the top of [rig]."""
    builders.write_lot(folder / "lot", lot)
    text = (folder / "lot" / "lot.toml").read_text()
    (folder / "lot" / "lot.toml").write_text(text.replace("[rig]", f"[rig]\n{more}", 1))
    run_lot(load_config(folder / "lot"), folder / "result", report=False)
    return folder / "result"


@pytest.fixture(scope="module")
def lot() -> synthetic.SyntheticLot:
    return southern()


@pytest.fixture(scope="module")
def result(lot, tmp_path_factory) -> Path:
    """Give its published result: what the wheel bridges is no position here; read it, never write it."""
    return run(lot, tmp_path_factory.mktemp("southern"), 'max_sigma = "0.05 m"')


@pytest.fixture(scope="module")
def plan(result, tmp_path_factory) -> Path:
    """Give a plan of it."""
    out = tmp_path_factory.mktemp("plan") / "cores"
    beside.plan_cores(result, out, RULE, seed="S-1")
    return out


@pytest.fixture(scope="module")
def us_lot() -> synthetic.SyntheticLot:
    """Give a lot in US survey feet around a bend, paved downstation, its mat without texture."""
    patches = (
        synthetic.Patch(40.0, 2.5, 0.0, 2.0, 24.0),
        synthetic.Patch(95.0, 3.0, -0.6, 1.2, 20.0),
    )
    mat = synthetic.Mat(patches=patches, texture_c=0.0)
    return builders.us_curve_lot(mat=mat, scanner=synthetic.Scanner(noise_c=0.0))


@pytest.fixture(scope="module")
def us_result(us_lot, tmp_path_factory) -> Path:
    return run(us_lot, tmp_path_factory.mktemp("us"))


@pytest.fixture(scope="module")
def us_plan(us_result, tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("us_plan") / "cores"
    beside.plan_cores(us_result, out, PlanRule(sublot_m=100 * FT, per_sublot=2), seed="S-1")
    return out


RELAID = (1015.0, 1032.0)
BRIDGE = (40.0, 120.0)  # half the width of the mat, from its first line


def half_the_mat(lot: synthetic.SyntheticLot) -> shapely.Polygon:
    """Give a polygon over the right half of the mat along BRIDGE, from the true places of spots."""
    truth, spots = lot.truth, lot.plan.scanner.count
    along = truth.distance_m - truth.distance_m[0]
    lines = np.flatnonzero((along > BRIDGE[0]) & (along < BRIDGE[1]))[::10]
    places = np.stack((truth.spot_easting_m[lines], truth.spot_northing_m[lines]), axis=-1)
    return shapely.Polygon(np.vstack((places[:, spots // 2], places[::-1, spots - 1])))


@pytest.fixture(scope="module")
def bend_plan(tmp_path_factory) -> tuple[Path, shapely.Polygon]:
    """Give a plan of many sites on an even mat, with a stretch laid again and a polygon excluded; and that polygon."""
    made = builders.one_bend_lot(mat=synthetic.Mat(texture_c=0.0))
    folder = builders.write_lot(tmp_path_factory.mktemp("bend") / "lot", made)
    shape = half_the_mat(made)
    frame = gpd.GeoDataFrame({"reason": ["bridge"]}, geometry=[shape], crs=made.plan.map_crs)
    frame.to_file(folder / "out.gpkg")
    labels = "10+15,10+32"
    (folder / "diary.csv").write_text(f"from_station,to_station,kind,text\n{labels},relaid,pulled up\n")
    text = (folder / "lot.toml").read_text()
    added = '[files]\nexclusions = "out.gpkg"\ndiary = "diary.csv"'
    (folder / "lot.toml").write_text(text.replace("[files]", added, 1))
    run_lot(load_config(folder), folder.parent / "result", report=False)
    rule = PlanRule(sublot_m=150.0, per_sublot=40)
    beside.plan_cores(folder.parent / "result", folder.parent / "plan", rule, seed="x")
    return folder.parent / "plan", shape


def table(plan: Path, name: str) -> pd.DataFrame:
    return pd.read_csv(plan / "tables" / f"{name}.csv", dtype={"pass_id": str, "core_id": str})


# ---------------------------------------------------------------------------------------------- the sites


def true_places(
    lot: synthetic.SyntheticLot, pass_code: int, at_m: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Station and offset of map places by the truth: those of the nearest true spot, and the way from it turned."""
    truth, stations = lot.truth, builders.true_stations(lot)
    mine = truth.pass_code == pass_code
    east, north = truth.spot_easting_m[mine].ravel(), truth.spot_northing_m[mine].ravel()
    frame, offset = stations.frame_m[mine].ravel(), stations.offset_m[mine].ravel()
    grid = np.radians(np.repeat(truth.heading_deg[mine], truth.spot_easting_m.shape[1]))
    sign = 1 if stations.upstation[pass_code] else -1
    found = []
    for place in at_m:
        near = np.argmin(np.hypot(east - place[0], north - place[1]))
        away = place - (east[near], north[near])
        ahead = away @ (np.sin(grid[near]), np.cos(grid[near])) * sign
        right = away @ (np.cos(grid[near]), -np.sin(grid[near])) * sign
        found.append((frame[near] + ahead, offset[near] + right))
    return tuple(np.array(found).T)


def test_sites_lie_where_the_truth_has_their_station_and_offset(plan, lot):
    """The map position of each site, in the bend and in both directions, is that of its station and offset."""
    cores = table(plan, "random_cores")
    assert set(cores["pass_id"]) == {"1", "2"}
    for code, own in enumerate(cores[cores["pass_id"] == name] for name in ("1", "2")):
        station, offset = true_places(lot, code, own[["map_easting", "map_northing"]].to_numpy())
        assert station == pytest.approx(own["station_m"].to_numpy(), abs=CLOSE_M)
        assert offset == pytest.approx(own["offset_m"].to_numpy(), abs=CLOSE_M)


def test_a_foot_map_and_downstation_travel_lead_there_too(us_plan, us_lot):
    """In US survey feet and downstation: map feet, longitude and latitude (pyproj) are those of station and offset."""
    cores = table(us_plan, "random_cores")
    at_m = cores[["map_easting", "map_northing"]].to_numpy() * FT
    station, offset = true_places(us_lot, 0, at_m)
    assert station == pytest.approx(cores["station_ft"].to_numpy() * FT, abs=CLOSE_M)
    assert offset == pytest.approx(cores["offset_ft"].to_numpy() * FT, abs=CLOSE_M)
    back = pyproj.Transformer.from_crs("EPSG:6551", "EPSG:6318", always_xy=True)
    lon, lat = back.transform(cores["map_easting"].to_numpy(), cores["map_northing"].to_numpy())
    assert lon == pytest.approx(cores["lon_deg"].to_numpy(), abs=1e-7)
    assert lat == pytest.approx(cores["lat_deg"].to_numpy(), abs=1e-7)


def test_each_sublot_has_its_sites_within_it(plan):
    """Every sublot has as many sites as asked, each on one of its parts; weights are shares and sum to one."""
    cores, sublots = table(plan, "random_cores"), table(plan, "sublots")
    assert (cores.groupby("sublot_id").size() == RULE.per_sublot).all()
    for core in cores.itertuples():
        parts = sublots[(sublots["sublot_id"] == core.sublot_id) & (sublots["pass_id"] == core.pass_id)]
        ends = np.sort(parts[["begin_m", "end_m"]].to_numpy(), axis=1)
        assert ((ends[:, 0] - 0.006 <= core.station_m) & (core.station_m <= ends[:, 1] + 0.006)).any()
    assert sublots.groupby("sublot_id")["weight_frac"].first().sum() == pytest.approx(1.0, abs=1e-3)
    assert sublots["ground_m"].iloc[0] == pytest.approx(50.0, abs=0.02)


def test_limits_follow_the_edges_as_the_lot_states_them(plan):
    """The hot joint right of a paver that travels downstation is the left edge looking upstation; sites keep limits."""
    cores = table(plan, "random_cores")
    for pass_id, limits in (("1", (0.5, 0.5)), ("2", (0.1, 0.5))):
        own = cores[cores["pass_id"] == pass_id]
        assert set(zip(own["left_limit_m"], own["right_limit_m"], strict=True)) == {limits}
        assert (own["offset_m"] - own["left_edge_m"] >= limits[0] - 1e-6).all()
        assert (own["right_edge_m"] - own["offset_m"] >= limits[1] - 1e-6).all()


def test_no_site_lies_in_an_exclusion_a_gap_or_the_start_up(plan, result, lot):
    """Places drawn there are refused, listed with their reason and numbers, and drawn again."""
    cores, numbers = table(plan, "random_cores"), table(plan, "random_numbers")
    first = lot.plan.first_station_m
    excluded = numbers["station_m"].between(first + EXCLUDED[0], first + EXCLUDED[1])
    assert excluded.sum() > 3
    assert set(numbers.loc[excluded, "reason"].fillna("")) <= {
        "in an exclusion",
        "where no line has a position",
    }
    assert not cores["station_m"].between(first + EXCLUDED[0], first + EXCLUDED[1]).any()
    gaps = gpd.read_file(result / "lot.gpkg", layer="gaps")
    gaps = gaps[gaps["kind"] == "no_fix"]
    assert len(gaps) > 0
    for gap in gaps.itertuples():
        inner = gap.station_from_m + 1.5, gap.station_to_m - 1.5
        assert not (cores["station_m"].between(*inner) & (cores["pass_id"] == gap.pass_id)).any()
    assert {"in an exclusion", "where no line has a position"} <= set(numbers["reason"].dropna())
    dropped = pd.read_parquet(result / "spots.parquet", columns=["pass_id", "station_m", "dropped_reason"])
    starts = dropped[dropped["dropped_reason"].astype(str) == "start_up"]
    for pass_id, own in starts.groupby(starts["pass_id"].astype(str)):
        near = cores["station_m"].between(own["station_m"].min(), own["station_m"].max())
        assert not (near & (cores["pass_id"] == pass_id)).any()
    used = numbers[numbers["used"]]
    assert used["core_id"].tolist() == cores["core_id"].tolist()
    assert numbers["draw_number"].tolist() == list(range(1, len(numbers) + 1))


def test_relaid_mat_is_drawn_again(bend_plan):
    """A stretch that the diary says was laid again holds no site, and nothing else is refused for it."""
    numbers = table(bend_plan[0], "random_numbers")
    again = numbers["station_m"].between(*RELAID)
    assert again.sum() > 2
    assert set(numbers.loc[again, "reason"]) == {"on mat that was laid again"}
    assert not numbers.loc[~again, "reason"].eq("on mat that was laid again").any()


def test_a_polygon_closes_only_what_lies_in_it(bend_plan):
    """Sites fall beside an exclusion polygon over half the width and none within it (shapely)."""
    plan, shape = bend_plan
    cores = gpd.read_file(plan / "cores.gpkg", layer="random_cores")
    assert not shapely.contains(shape.buffer(-0.15), cores.geometry.to_numpy()).any()
    numbers = table(plan, "random_numbers")
    refused = numbers.loc[numbers["reason"] == "in an exclusion", "station_m"]
    assert len(refused) > 8
    assert cores["station_m"].between(refused.min(), refused.max()).sum() > 8


def test_a_lot_without_cold_zones_has_no_places(bend_plan):
    """Nothing cold, nothing to look at: layers and tables are there and empty, and the page says so."""
    for name in ("places_to_look", "density_profiles", "density_readings"):
        assert table(bend_plan[0], name).empty
    assert "has no cold zone outside exclusions" in (bend_plan[0] / "cores.html").read_text()


def test_the_plan_is_blind_to_temperature(lot, plan, tmp_path):
    """Another mat altogether (colder, other zones, people on it, a dead spot) gives the same random tables."""
    mat = synthetic.Mat(
        base_c=118.0, texture_c=3.0, people=(synthetic.Person(40.0),), faults=(synthetic.SpotFault(9, "dead"),),
        patches=(synthetic.Patch(20.0, 6.0, 0.0, 3.0, 30.0), synthetic.Patch(70.0, 5.0, 0.5, 2.0, 40.0, pass_=1)),
    )  # fmt: skip
    other = run(southern(mat=mat), tmp_path, 'max_sigma = "0.05 m"')
    beside.plan_cores(other, tmp_path / "p", RULE, seed="S-1")
    for name in BLIND:
        mine, others = ((folder / "tables" / f"{name}.csv").read_bytes() for folder in (plan, tmp_path / "p"))
        assert mine == others, name
    assert (plan / "tables" / "places_to_look.csv").read_bytes() != (
        tmp_path / "p" / "tables" / "places_to_look.csv"
    ).read_bytes()


def test_the_random_sheet_shows_no_temperature(plan, us_plan):
    """No temperature, class or zone stands in the random tables or on the page before the places to look at."""
    for folder in (plan, us_plan):
        random, _, places = (folder / "cores.html").read_text().partition('<section class="apart">')
        body = random.partition("<h2>Cautions")[0]
        assert not any(word in body for word in ("°C", "°F", "degC", "degF", "zone", "differential"))
        assert "not random, never to be mixed" in places
        for name in BLIND:
            assert not [
                c for c in table(folder, name) if c.endswith(("_c", "_f")) or "class" in c or "zone" in c
            ]


def test_the_same_seed_gives_the_same_bytes(result, plan, tmp_path):
    """Twice the same plan is the same folder; another seed gives other sites."""
    beside.plan_cores(result, tmp_path / "again", RULE, seed=" S-1 ")
    beside.plan_cores(result, tmp_path / "other", RULE, seed="S-2")
    for path in sorted(path for path in plan.rglob("*") if path.is_file()):
        assert (tmp_path / "again" / path.relative_to(plan)).read_bytes() == path.read_bytes(), path.name
    mine, others = (
        table(folder, "random_cores")["station_m"].tolist() for folder in (plan, tmp_path / "other")
    )
    assert mine != others


def test_an_agency_s_own_numbers_are_used_in_order(us_result, tmp_path):
    """Numbers from a file stand in the table as listed, two a site; their digest is in the manifest."""
    path = tmp_path / "agency.csv"
    path.write_text("row,number\n1,0.5000\n2,0.2500\n3,0.1234\n4,0.9876\n5,.5\n")
    beside.plan_cores(us_result, tmp_path / "p", PlanRule(sublot_m=1e4, per_sublot=2), numbers=path)
    numbers = table(tmp_path / "p", "random_numbers")
    assert numbers[["random_length", "random_width"]].to_numpy().tolist() == [[0.5, 0.25], [0.1234, 0.9876]]
    listed = json.loads((tmp_path / "p" / "manifest.json").read_text())
    assert listed["inputs"][-1] == {"path": "agency.csv", "role": "random numbers", "sha256": sha256_of(path)}


@pytest.mark.parametrize(
    ("text", "said"),
    [("number\n0.5\n", "holds 1 random numbers and more are needed"), ("n\n0.5\n", 'has no column "number"'),
     ("number\n0.5\n4823\n", 'csv:3: "4823" is no random number'), ("number\n0.5\nnan\n", 'csv:3: "nan"'),
     ("number\n0.5\n1.0\n", 'csv:3: "1.0"'), ("", "is empty")],
)  # fmt: skip
def test_numbers_that_cannot_be_used_are_named(us_result, tmp_path, text, said):
    """A list that is too short or holds something else stops with file and line, and nothing is written."""
    path = tmp_path / "n.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=said):
        beside.plan_cores(us_result, tmp_path / "p", PlanRule(sublot_m=50.0), numbers=path)
    assert not (tmp_path / "p").exists()


# ---------------------------------------------------------------------------------------- what goes back in


@pytest.mark.parametrize(("which", "kind"), [("plan", "core"), ("us_plan", "core"), ("us_plan", "gauge")])
def test_the_list_to_fill_in_is_read_back_by_overlay(which, kind, request, tmp_path):
    """With densities in it the list is a cores file of `overlay`, and each core lies at its planned place."""
    made = request.getfixturevalue(which.replace("plan", "result"))
    planned = request.getfixturevalue(which)
    name = {"core": "cores_to_fill.csv", "gauge": "gauge_readings_to_fill.csv"}[kind]
    rows = list(csv.DictReader((planned / name).read_text().splitlines()))
    with (tmp_path / "filled.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(row | {"density": "93.1", "unit": "%", "gmm": "2.51"} for row in rows)
    chosen = "cores-us-csv" if which == "us_plan" else "cores-csv"
    beside.overlay(made, (tmp_path / "filled.csv",), tmp_path / "o", sigma_m=0.1, cores_format=chosen)
    placed = table(tmp_path / "o", "cores")
    wanted = table(planned, "random_cores" if kind == "core" else "density_readings")
    assert placed["core_id"].tolist() == wanted["core_id"].tolist()
    assert set(placed["kind"]) == {kind}
    assert (placed["of_gmm_frac"] == 0.931).all()
    degrees = ("lon_deg", "lat_deg")
    _, _, away = pyproj.Geod(ellps="GRS80").inv(*(frame[n] for frame in (wanted, placed) for n in degrees))
    assert away.max() < 0.05 * FT + 0.02  # labels are rounded; the plane around a place


def test_without_an_alignment_the_list_gives_map_positions(tmp_path):
    """Where several passes have the same stations a place is told by easting and northing, and overlay finds it."""
    made = run(builders.two_lane_southern(alignment=False), tmp_path)
    beside.plan_cores(made, tmp_path / "p", PlanRule(sublot_m=60.0, per_sublot=2), seed="x")
    rows = list(csv.DictReader((tmp_path / "p" / "cores_to_fill.csv").read_text().splitlines()))
    assert set(rows[0]) >= {"easting_m", "northing_m"}
    beside.overlay(made, (tmp_path / "p" / "cores_to_fill.csv",), tmp_path / "o", sigma_m=0.1)
    placed, wanted = table(tmp_path / "o", "cores"), table(tmp_path / "p", "random_cores")
    assert placed["pass_id"].tolist() == wanted["pass_id"].tolist()
    assert placed["station_m"].to_numpy() == pytest.approx(wanted["station_m"].to_numpy(), abs=0.02)


# ------------------------------------------------------------------------------------- places to look at


def test_a_density_profile_runs_through_the_cold_mat(us_plan, us_lot):
    """Each line is 50 ft on the ground with a reading each 5 ft (pyproj.Geod) and passes through its cold patch."""
    readings, profiles = table(us_plan, "density_readings"), table(us_plan, "density_profiles")
    assert len(profiles) == 2
    truth = us_lot.truth
    for profile in profiles.itertuples():
        own = readings[readings["place_number"] == profile.place_number]
        assert len(own) == 11
        lon, lat = own["lon_deg"].to_numpy(), own["lat_deg"].to_numpy()
        _, _, steps = pyproj.Geod(ellps="GRS80").inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
        assert steps == pytest.approx([5 * 0.3048] * 10, abs=0.06)  # stations are rounded to 0.1 ft
        assert steps.sum() == pytest.approx(50 * 0.3048, abs=0.06)
        assert profile.length_ft == pytest.approx(50 * 0.3048 / FT, abs=0.01)
        away = pyproj.Transformer.from_crs("EPSG:6318", "EPSG:6551", always_xy=True).transform(lon, lat)
        line = shapely.LineString(np.column_stack(away) * FT)
        cold = [zone for zone in truth.zones if shapely.intersects(zone.polygon, line)]
        assert len(cold) == 1


def test_places_are_the_zones_with_the_most_heat_missing(us_plan, us_result):
    """Places are numbered by area x deficit of the result's own zones, and carry nothing of a random site."""
    places = table(us_plan, "places_to_look")
    zones = gpd.read_file(us_result / "lot.gpkg", layer="cold_zones")
    missing = (zones["area_ft2"] * zones["deficit_max_delta_f"]).to_numpy()
    assert places["zone_id"].tolist() == zones["zone_id"].to_numpy()[np.argsort(-missing)].tolist()
    assert not {"random_length", "sublot_id", "draw_number"} & set(places)


# ------------------------------------------------------------------------------------------------ products


@pytest.mark.parametrize("which", ["plan", "us_plan"])
def test_layers_are_drawn_and_described(which, request):
    """fiona reads every layer in the map CRS with its rows, each has a style, and random and targeted are never one."""
    folder = request.getfixturevalue(which)
    path = folder / "cores.gpkg"
    wanted = pyproj.CRS("EPSG:6551" if which == "us_plan" else "EPSG:7856")
    assert {item.name for item in PLANNED} <= set(fiona.listlayers(path))
    for item in PLANNED:
        with fiona.open(path, layer=item.name) as layer:
            assert len(layer) == len(table(folder, item.name))
            assert pyproj.CRS(layer.crs.to_wkt()) == wanted
            assert layer.schema["geometry"] == item.geometry
    styles = gpd.read_file(path, layer="layer_styles")
    assert set(styles["f_table_name"]) == {item.name for item in PLANNED}


def test_sublots_cover_the_mat_once(plan, result):
    """The sublots together are the mat from its first to its last line, without overlap within a pass (shapely)."""
    sublots = gpd.read_file(plan / "cores.gpkg", layer="sublots")
    mats = gpd.read_file(result / "lot.gpkg", layer="mat")
    for pass_id, own in sublots.groupby("pass_id"):
        whole = shapely.union_all(own.geometry.to_numpy())
        assert whole.area == pytest.approx(own.geometry.area.sum(), rel=1e-4)
        mat = mats[mats["pass_id"] == pass_id].geometry.iloc[0]
        assert shapely.difference(mat, whole.buffer(0.1)).area < 0.01 * mat.area


def test_gpx_keeps_random_and_targeted_apart(us_plan):
    """Waypoints of the random sites and of the gauge readings stand in two files, at the tables' degrees."""
    for name, of in (("random_cores.gpx", "random_cores"), ("density_readings.gpx", "density_readings")):
        points = ElementTree.parse(us_plan / name).getroot().findall("{*}wpt")
        wanted = table(us_plan, of)
        assert [point.findtext("{*}name") for point in points] == wanted["core_id"].tolist()
        assert [float(point.get("lat")) for point in points] == wanted["lat_deg"].round(
            DECIMALS["deg"]
        ).tolist()


def test_the_page_stands_alone(plan, us_plan):
    """One file without scripts that refers to nothing, with every random number and every caution on it."""
    for folder in (plan, us_plan):
        text = (folder / "cores.html").read_text()
        assert "<script" not in text
        assert "http" not in text.replace("http-equiv", "").replace("http://www.w3.org/", "")
        for row in table(folder, "random_numbers").itertuples():
            assert f"{row.random_length:.4f}" in text
            assert f"{row.random_width:.4f}" in text
        for words in ("never walk on the mat", "a licensed engineer decides", "no conformity with any standard",
                      "The plan is a proposal", "S-1 SYN-"):  # fmt: skip
            assert words in " ".join(text.split())


@pytest.mark.parametrize("look", [{}, {"color_scheme": "dark"}, {"viewport": {"width": 375, "height": 812}}])
def test_axe_finds_no_fault(us_plan, look):
    """axe-core (all its rules) finds nothing on the page in light, dark and on a phone, where nothing sticks out."""
    assert_no_fault(us_plan / "cores.html", **look)


def test_the_manifest_lists_what_was_read_and_written(us_plan, us_result):
    """Every file stands in the manifest with its digest, as do the result's files that were read."""
    listed = json.loads((us_plan / "manifest.json").read_text())
    files = {path.relative_to(us_plan).as_posix() for path in us_plan.rglob("*") if path.is_file()}
    assert {item["path"] for item in listed["products"]} == files - {"manifest.json"}
    assert all(item["sha256"] == sha256_of(us_plan / item["path"]) for item in listed["products"])
    read = {item["path"]: item["sha256"] for item in listed["inputs"]}
    assert read["spots.parquet"] == sha256_of(us_result / "spots.parquet")
    assert listed["stated"]["seed"] == "S-1"


def test_a_result_that_was_changed_is_refused(us_result, tmp_path):
    """A layer file that is not what its manifest says stops the plan; nothing is written."""
    spoiled = Path(shutil.copytree(us_result, tmp_path / "result"))
    quality = spoiled / "quality.json"
    quality.write_text(quality.read_text() + "\n")
    with pytest.raises(ProductError, match="is not what the result's manifest says"):
        beside.plan_cores(spoiled, tmp_path / "p", PlanRule(sublot_m=50.0), seed="x")
    assert not (tmp_path / "p").exists()


def test_positions_of_sites_carry_the_readings_sigma(plan, result):
    """Sigma and laid time of a site are those of the reading nearest to it (scipy's tree)."""
    from scipy.spatial import cKDTree

    columns = ["easting_m", "northing_m", "position_sigma_m", "laid_utc", "pass_id", "dropped_reason"]
    spots = pd.read_parquet(result / "spots.parquet", columns=columns)
    spots = spots[spots["dropped_reason"].astype(str) != "second_look"]
    cores = table(plan, "random_cores")
    for pass_id, own in cores.groupby("pass_id"):
        mine = spots[spots["pass_id"].astype(str) == pass_id]
        _, row = cKDTree(mine[["easting_m", "northing_m"]]).query(own[["map_easting", "map_northing"]])
        near = mine.iloc[row]
        assert own["position_sigma_m"].to_numpy() == pytest.approx(
            near["position_sigma_m"].to_numpy(), abs=6e-4
        )
        laid = pd.to_datetime(own["laid_utc"]).dt.tz_localize(None)
        away_s = np.abs(
            (laid.to_numpy() - near["laid_utc"].dt.tz_localize(None).to_numpy()) / np.timedelta64(1, "s")
        )
        assert away_s.max() < 1.5  # two readings may be as near as each other


# ------------------------------------------------------------------------------------------------- command


def test_the_command_prints_the_rule_and_the_folder(us_result, tmp_path):
    """Rule and seed are printed in the delivery's units; a second time needs --overwrite."""
    words = ["cores", us_result, "--sublot", "100 tons", "--per-sublot", "2", "--seed", "K7", "--edge", "free=2 ft",
             "--edge", "joint=0.5 ft", "--move", "-o", tmp_path / "p"]  # fmt: skip
    done = thermosaic(*words)
    assert done.returncode == 0, done.stderr
    for said in ("100 short tons", "free 2.0 ft, cold joint 0.5 ft, hot joint 0.5 ft, kerb 1.0 ft", '"K7 SYN-US k"',
                 "110 lb/yd2 per inch", "is moved to the limit"):  # fmt: skip
        assert said in done.stdout
    assert done.stdout.splitlines()[-1] == str(tmp_path / "p")
    assert thermosaic(*words).returncode == 2
    assert thermosaic(*words, "--overwrite").returncode == 0
    cores = table(tmp_path / "p", "random_cores")
    assert cores["edge_from_ft"].min() >= 2.0 - 0.06
    assert published_result(us_result)[1].config["passes"] is not None


@pytest.mark.parametrize(
    ("words", "said"),
    [(["--sublot", "500", "--seed", "x"], "--sublot"), (["--sublot", "5 s", "--seed", "x"], "or a mass like '600 t'"),
     (["--sublot", "0 ft", "--seed", "x"], "above 0"), (["--sublot", "500 ft"], "either a seed or a file"),
     (["--sublot", "500 ft", "--seed", "x", "--numbers", "n.csv"], "either a seed or a file"),
     (["--sublot", "500 ft", "--seed", " "], "printable characters"),
     (["--sublot", "500 ft", "--seed", "x", "--edge", "shoulder=1 ft"], "none of free, joint"),
     (["--sublot", "500 ft", "--seed", "x", "--edge", "free=1"], "length with a unit"),
     (["--sublot", "500 ft", "--seed", "x", "--edge", "free=30 ft"], "leave nothing of it")],
)  # fmt: skip
def test_what_cannot_be_done_is_said(us_result, tmp_path, words, said):
    """Each wrong option ends with advice, exit code 2 or 3, and no folder."""
    done = thermosaic("cores", us_result, *words, "-o", tmp_path / "p")
    assert done.returncode in (2, 3)
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "p").exists()


def test_the_library_says_what_is_missing(us_result, tmp_path):
    """Neither seed nor numbers is a ConfigError of the library too."""
    with pytest.raises(ConfigError, match="either a seed"):
        beside.plan_cores(us_result, tmp_path / "p", PlanRule(sublot_m=50.0))
    assert len(EDGE_KINDS) == 4
