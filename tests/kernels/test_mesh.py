"""The fill against a naive loop, polygons of shapely, and closed forms on meshes drawn by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import root

from thermosaic.kernels import mesh

CELL_M = 0.1


def make_mesh(centre, heading, right_m, ends_m, temp_c, *, every_node=False, **changes) -> mesh.Mesh:
    """Lines of spots at `right_m`, at right angles to `heading` (rad, from the rows), at `centre`."""
    node_m = np.concatenate([[ends_m[0]], right_m, [ends_m[1]]])
    knot = np.arange(len(node_m)) if every_node else np.array([0, len(node_m) - 1])
    lines, spots = len(centre), len(right_m)
    fields = {
        "along_m": centre[:, :1] + np.cos(heading)[:, None] * node_m[knot],
        "across_m": centre[:, 1:] - np.sin(heading)[:, None] * node_m[knot],
        "knot": knot,
        "spot": np.clip(np.arange(spots + 2) - 1, 0, spots - 1).astype(np.uint64),
        "right_m": node_m,
        "temp_c": np.asarray(temp_c, np.float32),
        "sigma_m": np.full((lines, spots), 0.02, np.float32),
        "laid_s": np.arange(lines, dtype=np.float32),
        "inside": np.ones((lines, spots), bool),
    }
    return mesh.Mesh(**{**fields, **changes})


def straight(lines=9, spots=6, step_m=0.13, pitch_m=0.17, heading=0.0, at=(3.0, 2.0), **changes) -> mesh.Mesh:
    """A straight mat, temperatures from 0 upwards by line and spot."""
    right_m = (np.arange(spots) - (spots - 1) / 2) * pitch_m
    run_m = np.arange(lines) * step_m
    centre = np.column_stack([at[0] + run_m * np.sin(heading), at[1] + run_m * np.cos(heading)])
    temp_c = changes.pop("temp_c", np.arange(lines * spots).reshape(lines, spots))
    ends_m = np.array([-1, 1]) * spots * pitch_m / 2
    return make_mesh(centre, np.full(lines, heading), right_m, ends_m, temp_c, **changes)


def bend(radius_m=25.0, lines=120, spots=9, step_m=0.11, temp_c=None, **changes) -> mesh.Mesh:
    """A bend to the right; random temperatures."""
    heading = 0.4 + np.arange(lines) * step_m / radius_m
    centre = np.array([10.0, 8.0]) + radius_m * np.column_stack([-np.cos(heading), np.sin(heading)])
    centre -= radius_m * np.array([-np.cos(0.4), np.sin(0.4)])
    right_m = (np.arange(spots) - (spots - 1) / 2) * 0.3
    if temp_c is None:
        temp_c = np.random.default_rng(4).normal(140, 10, (lines, spots))
    return make_mesh(centre, heading, right_m, np.array([-1, 1]) * spots * 0.15, temp_c, **changes)


def pairs(lines: int) -> np.ndarray:
    return np.column_stack([np.arange(lines - 1), np.arange(1, lines)])


def draw(lines: mesh.Mesh, strips=None, rank=None, size=(420, 420), at=(-60, -60)) -> tuple[np.ndarray, int]:
    """Fill a block of 42 m x 42 m; return temperatures (row, col), NaN = empty, and the cells taken over."""
    strips = pairs(len(lines.laid_s)) if strips is None else strips
    rank = np.ones(len(strips), np.int16) if rank is None else np.asarray(rank, np.int16)
    block = mesh.Block.empty(*size, *at)
    taken_over = mesh.fill(lines, strips, rank, block, CELL_M)
    cell, bands = mesh.harvest(block)
    drawn = np.full(size[0] * size[1], np.nan, np.float32)
    drawn[cell] = bands[0]
    return drawn.reshape(size), taken_over


def centres(size=(420, 420), at=(-60, -60)) -> tuple[np.ndarray, np.ndarray]:
    """Along and across coordinates of the cell centres, (row, col)."""
    rows, cols = np.indices(size)
    return (cols + at[1] + 0.5) * CELL_M, (rows + at[0] + 0.5) * CELL_M


def node_positions(lines: mesh.Mesh) -> np.ndarray:
    """Every node (line, node, 2), on the straight line between the ends."""
    share = (lines.right_m - lines.right_m[0]) / (lines.right_m[-1] - lines.right_m[0])
    ends = np.stack([lines.along_m[:, [0, -1]], lines.across_m[:, [0, -1]]], axis=-1)
    return ends[:, :1] + share[None, :, None] * (ends[:, 1:] - ends[:, :1])


def outline(lines: mesh.Mesh, strips=None) -> shapely.Geometry:
    """The mat as shapely sees it: the union of its strips' quadrilaterals."""
    ends = node_positions(lines)[:, [0, -1]]
    strips = pairs(len(ends)) if strips is None else strips
    rings = [[*ends[a], *ends[b][::-1]] for a, b in strips]
    return shapely.union_all([shapely.make_valid(shapely.Polygon(ring)) for ring in rings])


def off_by(lines: mesh.Mesh, drawn: np.ndarray, strips=None) -> tuple[int, int]:
    """Cells inside the outline left empty, and cells filled outside; within 1 um of it they do not count."""
    polygon = outline(lines, strips)
    along_m, across_m = centres()
    inside = shapely.contains_xy(polygon, along_m, across_m)
    points = shapely.points(along_m, across_m)
    near = np.zeros_like(inside)
    edge = inside != np.isfinite(drawn)
    near[edge] = shapely.distance(polygon.boundary, points[edge]) < 1e-6
    return int((inside & ~np.isfinite(drawn) & ~near).sum()), int(
        (~inside & np.isfinite(drawn) & ~near).sum()
    )


def naive(lines: mesh.Mesh, keep) -> np.ndarray:
    """Loop over quadrilaterals and cells; the bilinear map is inverted by scipy's root finder."""
    position, value = node_positions(lines), lines.temp_c[:, lines.spot].astype(float)
    along_m, across_m = centres()
    drawn = np.full(along_m.shape, np.nan)
    for i in range(len(position) - 1):
        for j in range(len(lines.spot) - 1):
            corner = np.array(
                [[position[i, j], position[i, j + 1]], [position[i + 1, j], position[i + 1, j + 1]]]
            )
            corner_value = value[i : i + 2, j : j + 2]
            low, high = corner.min(axis=(0, 1)), corner.max(axis=(0, 1))
            box = (along_m >= low[0]) & (along_m <= high[0]) & (across_m >= low[1]) & (across_m <= high[1])
            for row, col in np.argwhere(box & keep & np.isnan(drawn)):
                point = np.array([along_m[row, col], across_m[row, col]])

                def miss(uv, point=point, corner=corner):
                    return np.array([1 - uv[1], uv[1]]) @ (np.array([1 - uv[0], uv[0]]) @ corner) - point

                u, v = root(miss, (0.5, 0.5), tol=1e-13).x
                if 0 <= u <= 1 and 0 <= v <= 1:
                    drawn[row, col] = np.array([1 - v, v]) @ corner_value @ np.array([1 - u, u])
    return drawn


@pytest.mark.parametrize("every_node", [False, True])
def test_values_equal_a_naive_loop_over_quadrilaterals(every_node):
    """Every cell of a bend holds the bilinear value that a loop with scipy's root finder gives."""
    lines = bend(lines=25, spots=5, every_node=every_node)
    drawn, _ = draw(lines)
    expected = naive(lines, np.ones(drawn.shape, bool))
    assert np.isfinite(expected).sum() > 300
    np.testing.assert_allclose(drawn, expected, atol=2e-4)


@pytest.mark.parametrize("radius_m", [25.0, -25.0, 6.0, 1e6])
def test_a_mat_is_filled_to_its_edge_and_not_beyond(radius_m):
    """No cell inside the outline of shapely's union is empty and none outside is filled."""
    lines = bend(radius_m)
    drawn, _ = draw(lines)
    assert off_by(lines, drawn) == (0, 0)
    assert np.isfinite(drawn).sum() * CELL_M**2 == pytest.approx(outline(lines).area, rel=2e-3)


@given(st.integers(0, 2**32 - 1), st.floats(0, 2 * np.pi), st.booleans())
@settings(max_examples=25, deadline=None)
def test_wavering_lines_leave_no_hole(seed, heading, every_node):
    """However lines waver and cross, cells filled are those of shapely's union of the strips."""
    rng = np.random.default_rng(seed)
    run_m = np.arange(60) * 0.09
    centre = np.array([12.0, 11.0]) + run_m[:, None] * np.array([np.sin(heading), np.cos(heading)])
    wavering = heading + rng.normal(0, 0.05, 60)
    right_m = np.sort(rng.uniform(-1.5, 1.5, 7))
    ends_m = np.array([right_m[0] - 0.1, right_m[-1] + 0.1])
    lines = make_mesh(centre, wavering, right_m, ends_m, rng.normal(size=(60, 7)), every_node=every_node)
    drawn, _ = draw(lines)
    assert off_by(lines, drawn) == (0, 0)


@pytest.mark.parametrize("heading", [0.0, np.pi / 2, np.pi, 0.3])
def test_no_cell_is_claimed_by_two_strips(heading):
    """Strips of different rank never take a cell from each other where lines do not cross.

    Step and pitch are whole cells and lines pass through centres, the hardest case for a half-open rule.
    """
    lines = straight(step_m=0.1, pitch_m=0.2, heading=heading, at=(3.05, 2.05))
    drawn, taken_over = draw(lines, rank=np.arange(1, 9))
    assert taken_over == 0
    if heading != 0.3:
        assert np.isfinite(drawn).sum() == round(8 * 0.1 * 6 * 0.2 / CELL_M**2)


@pytest.mark.parametrize("coded", ["along", "across"])
def test_coordinate_coded_lines_read_back(coded):
    """Temperatures that hold their own place come back as the cell's centre; at the edge to half a pitch."""
    plain = bend(25.0, temp_c=np.zeros((120, 9)))
    place = node_positions(plain)[:, 1:-1, 0 if coded == "along" else 1]
    drawn, _ = draw(bend(25.0, temp_c=place))
    centre = centres()[0 if coded == "along" else 1]
    filled = np.isfinite(drawn)
    ends = node_positions(plain)[:, [1, -2]]
    ring = shapely.Polygon(np.concatenate([ends[:, 0], ends[::-1, 1]]))
    inner = shapely.contains_xy(ring, *centres()) & filled
    assert inner.sum() > 2500
    assert np.abs(drawn - centre)[inner].max() < 1e-3  # chords of 0.11 m on 25 m: sagitta 0.06 mm
    assert np.abs(drawn - centre)[filled].max() < 0.15 + 1e-3


def test_the_outer_half_of_the_outermost_pitch_holds_its_spots_value():
    """From the outermost spot to the end of the mat the value is that spot's, not an extrapolation."""
    lines = straight(lines=3, spots=4, step_m=0.5, pitch_m=0.4, temp_c=np.tile([10, 20, 30, 40], (3, 1)))
    drawn, _ = draw(lines)
    along_m, _ = centres()
    assert set(drawn[np.isfinite(drawn) & (along_m < 3.0 - 0.6)]) == {10.0}
    assert set(drawn[np.isfinite(drawn) & (along_m > 3.0 + 0.6)]) == {40.0}


def test_a_missing_reading_costs_its_own_pitch_and_nothing_else():
    """Cells nearer the missing spot and line than any other are empty; all other cells are filled."""
    temp_c = np.full((5, 5), 100.0)
    temp_c[2, 3] = np.nan
    drawn, _ = draw(straight(5, 5, step_m=0.4, pitch_m=0.6, temp_c=temp_c))
    whole, _ = draw(straight(5, 5, step_m=0.4, pitch_m=0.6, temp_c=np.zeros((5, 5))))
    along_m, across_m = centres()
    pitch = (np.abs(along_m - 3.6) < 0.3) & (np.abs(across_m - 2.8) < 0.2)
    assert np.array_equal(np.isfinite(whole) & ~np.isfinite(drawn), pitch)
    np.testing.assert_allclose(drawn[np.isfinite(drawn)], 100.0, atol=1e-4)


def test_a_cell_beside_a_missing_reading_takes_the_readings_there_are():
    """Weights of a missing corner go to the others: beside it stands its neighbour's value."""
    temp_c = np.tile([10.0, 20.0, np.nan, 40.0], (2, 1))
    drawn, _ = draw(straight(2, 4, step_m=0.5, pitch_m=1.0, temp_c=temp_c))
    along_m, _ = centres()
    beside = np.isfinite(drawn) & (along_m > 3 - 0.5) & (along_m < 3)
    assert beside.sum() == 25
    assert np.all(drawn[beside] == 20.0)


def test_two_lots_cut_from_one_log_share_out_the_cells():
    """Cells of the lot's readings and cells of the others are disjoint, and together all cells of the mat."""
    plain = bend()
    cut = np.random.default_rng(5).random(plain.temp_c.shape) < 0.5
    parts = []
    for mine in (cut, ~cut):
        lines = bend(temp_c=np.where(mine, plain.temp_c, np.nan), inside=mine)
        parts.append(np.isfinite(draw(lines)[0]))
    assert not (parts[0] & parts[1]).any()
    assert np.array_equal(parts[0] | parts[1], np.isfinite(draw(plain)[0]))


def test_a_missing_reading_hides_an_earlier_pass_but_one_outside_the_lot_does_not():
    """Mat laid later without a reading shows nothing; what is not of the lot changes nothing."""
    temp_c = np.concatenate([np.full((3, 5), 1.0), np.full((3, 5), np.nan)])
    lines = straight(6, 5, temp_c=temp_c)
    lines.along_m[3:], lines.across_m[3:] = lines.along_m[:3], lines.across_m[:3]
    strips, rank = np.array([[0, 1], [1, 2], [3, 4], [4, 5]]), [1, 1, 2, 2]
    hidden, taken_over = draw(lines, strips, rank)
    assert taken_over > 0
    assert not np.isfinite(hidden).any()
    lines.inside[3:] = False
    shown, taken_over = draw(lines, strips, rank)
    assert taken_over == 0
    assert np.isfinite(shown).sum() > 0


def test_the_first_look_wins_within_a_pass_and_the_later_pass_over_an_earlier():
    """Ground seen twice keeps its first value in one pass, else the later pass's, never a mixture."""
    lines = straight(6, 5, temp_c=np.repeat([[100.0], [200.0]], 3, axis=0) * np.ones(5))
    lines.along_m[3:], lines.across_m[3:] = lines.along_m[:3], lines.across_m[:3]
    strips = np.array([[0, 1], [1, 2], [3, 4], [4, 5]])
    first, taken_over = draw(lines, strips, [1, 1, 1, 1])
    later, taken = draw(lines, strips, [1, 1, 2, 2])
    assert (set(first[np.isfinite(first)]), taken_over) == ({100.0}, 0)
    assert (set(later[np.isfinite(later)]), taken) == ({200.0}, np.isfinite(later).sum())


def test_lines_that_cross_fill_both_triangles():
    """Where the second line lies partly behind the first, both lobes are filled, nothing else."""
    right_m = np.linspace(-2, 2, 9)
    centre, heading = np.array([[10.0, 10.0], [10.0, 10.1]]), np.array([0.0, 0.3])
    lines = make_mesh(centre, heading, right_m, np.array([-2.2, 2.2]), np.ones((2, 9)))
    drawn, _ = draw(lines)
    assert off_by(lines, drawn) == (0, 0)
    assert np.isfinite(drawn).sum() > 50


def test_a_quadrilateral_of_many_cells_is_filled_whole():
    """One strip of 20 m x 20 m, 40,000 cells, is filled by the same rule (work arrays grow)."""
    lines = straight(2, 4, step_m=20.0, pitch_m=5.0, at=(15.0, 2.0))
    assert np.isfinite(draw(lines)[0]).sum() == 40_000


def test_uneven_spots_take_their_own_places():
    """With spots at uneven distances a reading linear across the mat comes back linear (within float32)."""
    right_m = np.array([-2.0, -1.9, -1.2, 0.3, 0.35, 1.8])
    centre = np.column_stack([np.full(30, 12.0), 10 + np.arange(30) * 0.1])
    temp_c = np.tile(right_m, (30, 1))
    drawn, _ = draw(make_mesh(centre, np.zeros(30), right_m, np.array([-2.05, 2.5]), temp_c))
    along_m, _ = centres()
    inner = np.isfinite(drawn) & (along_m > 10.0) & (along_m < 13.8)
    np.testing.assert_allclose(drawn[inner], along_m[inner] - 12.0, atol=1e-5)


def test_spots_in_descending_order_give_the_same_cells():
    """Column order is the logger's: reversed columns fill the same cells with the same values."""
    right_m = np.array([-1.1, -0.3, 0.2, 1.0])
    centre = np.column_stack([np.full(20, 12.0), 10 + np.arange(20) * 0.13])
    heading, ends_m = np.linspace(0.2, 0.4, 20), np.array([-1.5, 1.2])
    temp_c = np.random.default_rng(6).normal(size=(20, 4))
    one, _ = draw(make_mesh(centre, heading, right_m, ends_m, temp_c))
    other, _ = draw(make_mesh(centre, heading, right_m[::-1], ends_m[::-1], temp_c[:, ::-1]))
    np.testing.assert_allclose(one, other, atol=1e-5)


def test_lines_without_position_fill_nothing():
    """A corner that is not a number leaves its quadrilaterals empty and harms no other."""
    lines = straight(lines=6)
    lines.along_m[3] = np.nan
    drawn, _ = draw(lines)
    kept, _ = draw(straight(lines=6), strips=np.array([[0, 1], [1, 2], [4, 5]]))
    np.testing.assert_array_equal(drawn, kept)


def test_bands_share_one_index():
    """Laid time is linear between two lines and sigma bilinear between spots, in the same cells."""
    lines = straight(2, 3, step_m=0.8, pitch_m=0.5)
    lines.sigma_m[:] = [0.01, 0.02, 0.04]
    block = mesh.Block.empty(420, 420, -60, -60)
    mesh.fill(lines, pairs(2), np.ones(1, np.int16), block, CELL_M)
    cell, bands = mesh.harvest(block)
    along_m, across_m = (at_m.ravel()[cell] for at_m in centres())
    np.testing.assert_allclose(bands[1], (across_m - 2.0) / 0.8, atol=1e-6)
    np.testing.assert_allclose(bands[2], np.interp(along_m, [2.5, 3.0, 3.5], [0.01, 0.02, 0.04]), atol=1e-7)


def test_a_harvested_block_is_free_again():
    """After a harvest nothing is left in the block, so one block serves every tile."""
    block = mesh.Block.empty(420, 420, -60, -60)
    lines = straight()
    mesh.fill(lines, pairs(9), np.ones(8, np.int16), block, CELL_M)
    assert len(mesh.harvest(block)[0]) > 0
    assert len(mesh.harvest(block)[0]) == 0
