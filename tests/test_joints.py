"""Two mats with a hot joint between them: an echelon pair as two lots, and two passes of one lot."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

import flow as flows
from thermosaic import synthetic
from thermosaic.stages.s5_rasterise import rasterise_mat
from thermosaic.synthetic import LotPlan, Mat, PassPlan, Patch, Scanner
from thermosaic.units import FOOT_M

HALF_M = 1.8  # of each mat; 24 pitches of 0.15 m fill it to its edges
SCANNER = Scanner(first_m=-2.025, last_m=2.025, count=28, rate_hz=3.0)
ROAD = (synthetic.straight(60.0), synthetic.arc(150.0, 20.0), synthetic.straight(40.0))
TRIM_M = 2 * FOOT_M  # of the rule along a free edge; none along a hot joint


def cold_edge(right_m: float, pass_: int = 0) -> Patch:
    """A strip 0.5 m wide and 8 m long along an edge."""
    return Patch(60.0, 8.0, right_m, 0.5, 24.0, pass_=pass_)


def lane(side: int, lot_id: str) -> synthetic.SyntheticLot:
    """One lot of the pair, left (-1) or right (+1) of the alignment, cold along its outer edge."""
    edges = {"right_edge": "hot joint"} if side < 0 else {"left_edge": "hot joint"}
    passes = (PassPlan(offset_m=side * HALF_M, speeds=((0.0, 0.15),), id="1", **edges),)
    mat = Mat(patches=(cold_edge(side * (HALF_M - 0.25)),))
    plan = LotPlan(road=ROAD, passes=passes, mat=mat, scanner=SCANNER, lot_id=lot_id, seed=3 + side)
    return synthetic.make_lot(plan)


@pytest.fixture(scope="module")
def pair(tmp_path_factory) -> tuple[flows.Flow, flows.Flow]:
    """Left and right lot of two pavers in echelon."""
    return tuple(
        flows.flow(lane(side, name), tmp_path_factory.mktemp(name))
        for side, name in ((-1, "LEFT"), (1, "RIGHT"))
    )


def test_zones_lie_at_the_free_edges_and_none_at_the_hot_joint(pair):
    """Each lot has its one zone along the outer, free edge; nothing along the joint."""
    for found, side in zip(pair, ("left", "right"), strict=True):
        zones = found.findings.frames["cold_zones"]
        assert zones["pattern"].tolist() == ["along_free_edge"]
        assert zones["edge_side"].tolist() == [side]
        assert np.abs(zones[["offset_from_m", "offset_to_m"]]).to_numpy().min() > 2.5


def test_the_trim_is_taken_at_the_free_edge_only(pair):
    """Readings within 2 ft of the outer edge leave the statistic, those beside the hot joint stay."""
    for found, side in zip(pair, (-1, 1), strict=True):
        reason, offset = found.findings.reason, side * found.stations.offset_m
        trimmed = reason == 10
        beside = (offset > 0) & (offset < TRIM_M) & (reason >= 0)
        assert trimmed.any()
        assert not trimmed[beside].any()
        assert (reason[beside] == 0).mean() > 0.9
        assert offset[trimmed].min() > 2 * HALF_M - TRIM_M - 0.05


def test_the_two_mats_meet_and_do_not_overlap(pair):
    """Their outlines share less than a spot's width along the joint, and so do their cells of the map."""
    mats = [found.findings.frames["mat"].geometry.iloc[0] for found in pair]
    both = float(shapely.area(shapely.intersection(*mats)))
    length_m = float(pair[0].findings.frames["paver_path"]["length_m"].sum())
    assert both < 0.03 * length_m
    assert float(shapely.distance(*mats)) < 0.01
    cells = [held(found) for found in pair]
    assert len(cells[0] & cells[1]) * 0.01 < 0.03 * length_m


def held(found: flows.Flow) -> set[tuple[int, int, int]]:
    """Cells of the map that hold mat, by tile and place."""
    tiles = rasterise_mat(found.swath, found.stations, found.config.grid).tiles
    return {(tile.row0, tile.col0, int(cell)) for tile in tiles for cell in tile.cell}


def test_two_passes_of_one_lot_meet_at_their_hot_joint(tmp_path):
    """Up one lane and back down the other: driver's right is the joint both times, whatever the direction."""
    passes = (
        PassPlan("upstation", offset_m=-HALF_M, speeds=((0.0, 0.15),), right_edge="hot joint"),
        PassPlan("downstation", offset_m=HALF_M, speeds=((0.0, 0.15),), right_edge="hot joint", wait_s=300.0),
    )
    mat = Mat(patches=(cold_edge(-HALF_M + 0.25, 0), cold_edge(-HALF_M + 0.25, 1)))
    lot = synthetic.make_lot(LotPlan(road=ROAD, passes=passes, mat=mat, scanner=SCANNER))
    found = flows.flow(lot, tmp_path)
    zones = found.findings.frames["cold_zones"]
    assert zones["pattern"].tolist() == ["along_free_edge"] * 2
    assert zones["edge_side"].tolist() == ["left", "right"]
    offset, trimmed = found.stations.offset_m, found.findings.reason == 10
    assert np.abs(offset[trimmed]).min() > 2 * HALF_M - TRIM_M - 0.05
    overlap_m2 = rasterise_mat(found.swath, found.stations, found.config.grid).overlap_m2
    length_m = float(found.findings.frames["paver_path"]["length_m"].sum()) / 2
    assert overlap_m2 < 0.03 * length_m
