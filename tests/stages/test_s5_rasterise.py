"""Rasters against the truth of synthetic lots: places coded as temperatures, polygons, closed forms."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
import shapely

import builders
from thermosaic import model, synthetic
from thermosaic.config import GridSection
from thermosaic.stages.s5_rasterise import rasterise_mat
from thermosaic.synthetic import LotPlan, PassPlan

GRID = GridSection()
SCANNER = synthetic.Scanner(first_m=-1.88, last_m=1.88, count=48, mat_left_m=-1.92, mat_right_m=1.92)
HAIRPIN = (
    synthetic.straight(40.0),
    *synthetic.bend(25.0, 120.0, lead_m=6.0),
    synthetic.straight(30.0),
)


def nouns(lot: synthetic.SyntheticLot, **changes) -> tuple[model.Swath, model.Stations]:
    """Swath and stations straight from a lot's truth, noise-free."""
    return replace(builders.true_swath(lot, noise_free=True), **changes), builders.true_stations(lot)


def make(plan: LotPlan) -> tuple[model.Swath, model.Stations]:
    return nouns(synthetic.make_lot(plan))


def coded(swath: model.Swath, value: np.ndarray) -> tuple[model.Swath, float]:
    """Give every reading a float64 value as its temperature, less a whole number that is returned."""
    base = float(np.floor(np.nanmin(value)))
    return replace(swath, temp_c=(value - base).astype(np.float32)), base


def cells_of(rasters: model.Rasters) -> dict[str, np.ndarray]:
    """All cells of the tiles that hold a reading: place of the centre, bands."""
    parts = {name: [] for name in ("easting_m", "northing_m", "temp_c", "laid_s", "sigma_m")}
    for tile in rasters.tiles:
        row, col = np.divmod(tile.cell, model.TILE_CELLS)
        parts["easting_m"].append((tile.col0 + col + 0.5) * tile.lattice.cell_m)
        parts["northing_m"].append((tile.row0 - row + 0.5) * tile.lattice.cell_m)
        for name, band in zip(("temp_c", "laid_s", "sigma_m"), tile.bands, strict=True):
            parts[name].append(band)
    return {name: np.concatenate(part) for name, part in parts.items()}


def lines_kept(noun, keep: np.ndarray, names: tuple[str, ...]):
    """Leave out lines of a Swath or Stations."""
    return replace(noun, **{name: getattr(noun, name)[keep] for name in names})


SWATH_LINES = tuple(
    item.name for item in fields(model.Swath) if item.name not in ("crs", "bad_spot", "layouts", "doubts")
)
STATION_LINES = ("frame_m", "offset_m", "line_frame_m", "line_offset_m", "inside")


@pytest.fixture(scope="module")
def hairpin() -> tuple[model.Swath, model.Stations]:
    """A bend of 25 m radius, 48 spots 0.08 m apart, entered with crab and weave."""
    return make(LotPlan(road=HAIRPIN, scanner=SCANNER, weave_m=0.03, crab_deg=0.5))


@pytest.mark.parametrize("axis", ["easting_m", "northing_m"])
def test_places_read_back_within_half_a_cell_everywhere(hairpin, axis):
    """A reading that holds its own place comes back at that place, in the bend and at the edges too."""
    swath, stations = hairpin
    swath, base = coded(swath, getattr(swath, axis))
    cells = cells_of(rasterise_mat(swath, stations, GRID))
    assert len(cells["temp_c"]) > 30_000
    assert np.abs(cells["temp_c"].astype(float) + base - cells[axis]).max() <= GRID.map_cell_m / 2


def test_stations_read_back_within_half_a_cell_everywhere(hairpin):
    """In the mat frame a reading that holds its own station comes back in its own column."""
    swath, stations = hairpin
    swath, base = coded(swath, stations.frame_m)
    raster = rasterise_mat(swath, stations, GRID).mat[0]
    centre = (raster.col0 + np.arange(raster.temp_c.shape[1]) + 0.5) * GRID.mat_cell_m
    assert np.nanmax(np.abs(raster.temp_c.astype(float) + base - centre)) <= GRID.mat_cell_m / 2


def test_offsets_read_back_from_the_smallest_in_row_0(hairpin):
    """Row 0 of the mat frame has the smallest offset; a reading that holds its offset comes back there."""
    swath, stations = hairpin
    swath, base = coded(swath, stations.offset_m.astype(float))
    raster = rasterise_mat(swath, stations, GRID).mat[0]
    centre = (raster.row0 + np.arange(len(raster.temp_c)) + 0.5) * GRID.mat_cell_m
    assert np.nanmax(np.abs(raster.temp_c + base - centre[:, None])) <= GRID.mat_cell_m / 2


def test_the_mat_is_covered_to_its_edges_and_nothing_else(hairpin):
    """Cells filled are those whose centres lie in the polygon between the mat's edges, drawn by shapely."""
    swath, stations = hairpin
    rasters = rasterise_mat(swath, stations, GRID)
    edge = np.stack([swath.edge_easting_m, swath.edge_northing_m], axis=-1)
    mat = shapely.Polygon(np.concatenate([edge[:, 0], edge[::-1, 1]]))
    filled = outside = inside = 0
    for tile in rasters.tiles:
        row, col = np.indices((512, 512))
        east, north = ((tile.col0 + col + 0.5) * 0.1, (tile.row0 - row + 0.5) * 0.1)
        within, has = shapely.contains_xy(mat, east, north), np.isfinite(tile.temp_c)
        inside, filled = inside + within.sum(), filled + (within & has).sum()
        outside += (has & ~within).sum()
    assert inside > 30_000
    assert inside - filled <= 1e-4 * inside
    assert outside <= 1e-4 * inside


def test_stops_and_back_ups_leave_only_first_looks():
    """A lot with a stop and a back-up is filled without a hole from lines that saw the place first."""
    passes = (PassPlan(stops=(synthetic.Stop(30.0, 60.0),), back_ups=(synthetic.BackUp(60.0, 1.5),)),)
    swath, stations = make(LotPlan(passes=passes, scanner=SCANNER))
    later = np.where(swath.first_look[:, None], swath.distance_m[:, None], 9999.0)
    swath = replace(swath, temp_c=np.broadcast_to(later, swath.temp_c.shape).astype(np.float32))
    cells = cells_of(rasterise_mat(swath, stations, GRID))
    assert cells["temp_c"].max() < 9000
    length_m = np.ptp(swath.distance_m)
    assert len(cells["temp_c"]) * 0.01 == pytest.approx(length_m * 3.84 * scale(swath) ** 2, rel=2e-3)


def scale(swath: model.Swath) -> float:
    """Map length / ground length by the width of the first line."""
    east, north = np.diff(swath.edge_easting_m[0])[0], np.diff(swath.edge_northing_m[0])[0]
    return float(np.hypot(east, north) / np.ptp(swath.edges_m[0]))


@pytest.mark.parametrize(("hole_m", "filled"), [(0.8, True), (1.5, False)])
def test_a_hole_in_the_scan_stays_empty_from_a_metre_on(hole_m, filled):
    """Lines missing over 0.8 m are bridged, over 1.5 m they leave the mat between them empty."""
    swath, stations = make(LotPlan(scanner=SCANNER))
    middle = swath.distance_m[0] + 40
    keep = (swath.distance_m <= middle) | (swath.distance_m >= middle + hole_m)
    swath = replace(
        lines_kept(swath, keep, SWATH_LINES), temp_c=swath.distance_m[keep, None].repeat(48, 1).astype("f4")
    )
    cells = cells_of(rasterise_mat(swath, lines_kept(stations, keep, STATION_LINES), GRID))
    within = (cells["temp_c"] > middle + 0.05) & (cells["temp_c"] < middle + hole_m - 0.05)
    assert within.any() == filled


def test_lines_without_position_leave_a_gap():
    """Between the last line placed and the next no cell is filled, however short the loss of position."""
    swath, stations = make(LotPlan(scanner=SCANNER))
    lost = (swath.distance_m > swath.distance_m[0] + 40) & (swath.distance_m < swath.distance_m[0] + 40.4)
    arrays = {
        name: np.where(lost[:, None], np.nan, getattr(swath, name))
        for name in ("easting_m", "northing_m", "edge_easting_m", "edge_northing_m")
    }
    temp_c = np.repeat(swath.distance_m[:, None], 48, axis=1).astype(np.float32)
    swath = replace(swath, placed=np.where(lost, 0, swath.placed).astype(np.int8), temp_c=temp_c, **arrays)
    cells = cells_of(rasterise_mat(swath, stations, GRID))
    ends = swath.distance_m[~lost]
    before = ends[ends < swath.distance_m[0] + 40.2].max()
    after = ends[ends > swath.distance_m[0] + 40.2].min()
    assert not ((cells["temp_c"] > before + 1e-3) & (cells["temp_c"] < after - 1e-3)).any()


def test_where_passes_overlap_the_later_laid_wins():
    """Two lanes that overlap by 0.44 m: each cell is of one pass, the overlap of the later."""
    passes = (PassPlan("upstation", offset_m=-1.7), PassPlan("downstation", offset_m=1.7, wait_s=600.0))
    swath, stations = make(LotPlan(passes=passes, scanner=SCANNER))
    temp_c = np.repeat(100.0 * (1 + swath.pass_code[:, None]), 48, axis=1).astype(np.float32)
    rasters = rasterise_mat(replace(swath, temp_c=temp_c), stations, GRID)
    cells = cells_of(rasters)
    assert set(cells["temp_c"]) == {100.0, 200.0}
    lengths = [np.ptp(swath.distance_m[swath.pass_code == code]) for code in (0, 1)]
    later = (cells["temp_c"] == 200).sum() * 0.01 / scale(swath) ** 2
    assert later == pytest.approx(lengths[1] * 3.84, rel=2e-3)
    assert rasters.overlap_m2 == pytest.approx(
        0.44 * min(lengths), rel=0.06
    )  # the passes' ends differ by metres
    assert [np.nanmax(raster.temp_c) for raster in rasters.mat] == [100.0, 200.0]


def test_the_later_pass_is_told_by_time_and_not_by_its_place_in_the_list():
    """Passes stated in any order give the same map."""
    passes = (PassPlan("upstation", offset_m=-1.7), PassPlan("downstation", offset_m=1.7, wait_s=600.0))
    swath, stations = make(LotPlan(passes=passes, scanner=SCANNER))
    swapped = replace(swath, pass_code=(1 - swath.pass_code).astype(np.int16), bad_spot=swath.bad_spot[::-1])
    turned = replace(
        stations, zero_m=stations.zero_m[::-1], upstation=stations.upstation[::-1],
        edges_offset_m=stations.edges_offset_m[::-1],
    )  # fmt: skip
    one, other = (cells_of(rasterise_mat(*pair, GRID)) for pair in ((swath, stations), (swapped, turned)))
    for name in one:
        np.testing.assert_array_equal(one[name], other[name])


def test_columns_in_descending_order_give_the_same_map(hairpin):
    """A logger that lists its spots from right to left gives the same cells and values."""
    swath, stations = hairpin
    spots = ("easting_m", "northing_m", "sigma_along_m", "sigma_across_m", "temp_c", "bad_spot")
    turned = replace(
        swath,
        layouts=(builders.mirrored(swath.layouts[0]),),
        **{name: getattr(swath, name)[:, ::-1] for name in spots},
    )  # fmt: skip
    there = replace(
        stations, **{name: getattr(stations, name)[:, ::-1] for name in ("frame_m", "offset_m", "inside")}
    )
    one, other = rasterise_mat(swath, stations, GRID), rasterise_mat(turned, there, GRID)
    for mine, its in zip(one.tiles, other.tiles, strict=True):
        np.testing.assert_array_equal(mine.cell, its.cell)
        np.testing.assert_allclose(mine.bands, its.bands, atol=1e-4)
    # between knots, one a cell, lines are straight in the mat frame: the knots are others
    np.testing.assert_allclose(one.mat[0].temp_c, other.mat[0].temp_c, atol=5e-3)


def test_bad_spots_and_missing_readings_leave_their_pitch_empty():
    """One bad spot of 48 takes one pitch of 0.08 m off the mat's width, one missing line its own length."""
    swath, stations = make(LotPlan(scanner=SCANNER))
    whole = len(cells_of(rasterise_mat(swath, stations, GRID))["temp_c"])
    bad = swath.bad_spot.copy()
    bad[0, 20] = True
    left = len(cells_of(rasterise_mat(replace(swath, bad_spot=bad), stations, GRID))["temp_c"])
    assert (whole - left) / whole == pytest.approx(1 / 48, rel=0.03)
    temp_c = swath.temp_c.copy()
    temp_c[:, 10] = np.nan
    left = len(cells_of(rasterise_mat(replace(swath, temp_c=temp_c), stations, GRID))["temp_c"])
    assert (whole - left) / whole == pytest.approx(1 / 48, rel=0.03)


def test_two_lots_cut_from_one_log_join_without_seam_or_overlap():
    """Limits that part a log at a station give lots whose cells are those of the whole, each once."""
    swath, stations = make(LotPlan(scanner=SCANNER))
    cut = np.nanmedian(stations.frame_m)
    whole = cells_of(rasterise_mat(swath, stations, GRID))
    parts = [
        cells_of(rasterise_mat(swath, replace(stations, inside=inside), GRID))
        for inside in (stations.frame_m < cut, stations.frame_m >= cut)
    ]
    places = [
        set(zip(part["easting_m"].tolist(), part["northing_m"].tolist(), strict=True))
        for part in (whole, *parts)
    ]
    assert not places[1] & places[2]
    assert places[1] | places[2] == places[0]


def test_readings_outside_the_limits_have_no_influence():
    """Changing temperatures outside the limits changes no cell."""
    swath, stations = make(LotPlan(scanner=SCANNER))
    stations = replace(stations, inside=stations.frame_m < np.nanmedian(stations.frame_m))
    other = replace(swath, temp_c=np.where(stations.inside, swath.temp_c, np.float32(500)))
    one, two = (cells_of(rasterise_mat(item, stations, GRID)) for item in (swath, other))
    np.testing.assert_array_equal(one["temp_c"], two["temp_c"])


def test_laid_time_and_sigma_come_with_the_temperature(hairpin):
    """Laid time counts from a whole second before the first mat laid; sigma is the root of both squares."""
    swath, stations = hairpin
    rasters = rasterise_mat(swath, stations, GRID)
    cells = cells_of(rasters)
    first = swath.laid_utc[~np.isnat(swath.laid_utc)].min()
    assert np.timedelta64(0, "s") <= first - rasters.origin_utc < np.timedelta64(1, "s")
    assert rasters.origin_utc == rasters.origin_utc.astype("datetime64[s]")
    np.testing.assert_allclose(cells["sigma_m"], np.hypot(0.01, 0.01), rtol=1e-5)
    nearest = np.argmin(
        np.hypot(
            swath.easting_m[:, 24] - cells["easting_m"][0], swath.northing_m[:, 24] - cells["northing_m"][0]
        )
    )
    seconds = (swath.laid_utc[nearest] - rasters.origin_utc) / np.timedelta64(1, "s")
    assert cells["laid_s"][0] == pytest.approx(seconds, abs=40)  # within the mat's half width at 0.1 m/s


def test_tiles_lie_on_the_lattice_of_the_map():
    """Each tile starts at a whole multiple of 512 cells from E = N = 0 and holds at least one cell."""
    swath, stations = nouns(builders.us_curve_lot())
    rasters = rasterise_mat(swath, stations, GRID)
    assert len(rasters.tiles) > 3
    for tile in rasters.tiles:
        assert tile.col0 % 512 == 0
        assert (tile.row0 + 1) % 512 == 0
        assert len(tile.cell)
        assert np.isfinite(tile.temp_c).sum() == len(tile.cell)
    places = [(-tile.row0, tile.col0) for tile in rasters.tiles]
    assert places == sorted(places)


def test_a_lot_without_mat_gives_empty_rasters():
    """Limits that leave no reading give no tile and a mat raster of 0 x 0 for the pass."""
    swath, stations = make(LotPlan(scanner=SCANNER))
    rasters = rasterise_mat(swath, replace(stations, inside=np.zeros_like(stations.inside)), GRID)
    assert rasters.tiles == ()
    assert [raster.temp_c.shape for raster in rasters.mat] == [(0, 0)]
    assert rasters.overlap_m2 == 0


def test_no_file_is_opened(hairpin, no_files):
    """The stage works on arrays alone."""
    assert rasterise_mat(*hairpin, GRID).tiles
