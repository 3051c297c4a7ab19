"""Draw the mat as rasters: first looks of working spots, in the map frame and in the mat frame.

A raster holds what the spots saw when they first saw it; no later verdict changes one. Cells are filled only
between two neighbouring first-look lines of one pass, out to the ends of the outermost pitches on the mat;
holes in the log stay empty. Where passes overlap the map shows the later laid.

Where the mat's width or the set-up changes, lines fall into runs of one layout, each drawn as a mesh of its
own: a strip between two runs is drawn by both, by each as far as its own line reaches. So a lot with a
change draws the same cells as two lots cut there.
Not done here: means of readings in a rule's own cells, which the findings take from `kernels.cells`.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import reduce

import numpy as np

from ..config import GridSection
from ..kernels import mesh
from ..model import TILE_CELLS, Lattice, Layout, Raster, Rasters, Stations, Swath, Tile

SECOND = np.timedelta64(1, "s")
STRAIGHT_M = 1e-5  # nobody sees a cell of a picture move by less

_Part = tuple[mesh.Mesh, np.ndarray, np.ndarray]  # lines, strips of them, and the strips' ranks


@dataclass(frozen=True, eq=False, slots=True)
class _Readings:
    """What the cells are made of, the same in both frames."""

    temp_c: np.ndarray  # float32 (line, spot), NaN = no reading, or a bad spot
    sigma_m: np.ndarray  # float32 (line, spot)
    laid_s: np.ndarray  # float32 (line)
    inside: np.ndarray  # bool (line, spot)

    def of_run(self, mine: np.ndarray) -> _Readings:
        """Leave out the lines of other runs."""
        inside = self.inside & mine[:, None]
        return _Readings(np.where(inside, self.temp_c, np.float32(np.nan)), self.sigma_m, self.laid_s, inside)


@dataclass(frozen=True, eq=False, slots=True)
class _Run:
    """Strips that are drawn under one layout, in order of laying."""

    readings: _Readings
    layout: Layout
    strip: np.ndarray  # int64 (strip, 2)
    rank: np.ndarray  # int16 (strip)

    @property
    def order(self) -> slice:
        """Order of the mat's two ends, stored left then right, along the columns of spots."""
        rising = self.layout.spot_right_m[-1] >= self.layout.spot_right_m[0]
        return slice(None) if rising else slice(None, None, -1)

    @property
    def ends_m(self) -> np.ndarray:
        """Ends of the mat from C, right positive, in column order: (2)."""
        return self.layout.edges_m[self.order]

    @property
    def spot(self) -> np.ndarray:
        """Column that each node's value comes from: (node)."""
        on_mat = np.flatnonzero(self.layout.on_mat)
        return np.concatenate([on_mat[:1], on_mat, on_mat[-1:]])

    @property
    def right_m(self) -> np.ndarray:
        """Ends of the mat and the spots between them, in column order: (node)."""
        spots_m = self.layout.spot_right_m[self.layout.on_mat]
        return np.concatenate([self.ends_m[:1], spots_m, self.ends_m[1:]])

    def mesh(self, along_m: np.ndarray, across_m: np.ndarray, knot: np.ndarray) -> mesh.Mesh:
        """Join them with the coordinates of one frame."""
        along_m, across_m = np.ascontiguousarray(along_m), np.ascontiguousarray(across_m)
        read = self.readings
        bands = (read.temp_c, read.sigma_m, read.laid_s, read.inside)
        return mesh.Mesh(along_m, across_m, knot, self.spot.astype(np.uint64), self.right_m, *bands)


def rasterise_mat(swath: Swath, stations: Stations, grid: GridSection) -> Rasters:
    """Draw every pass in its mat frame, and all of them on tiles of the map.

    Parameters
    ----------
    swath : Swath
        Placed scan lines, metres of the map CRS.
    stations : Stations
        Mat frame of every spot, and which lie inside the lot's limits.
    grid : GridSection
        Cell of the map tiles and of the mat frame, metres.

    Returns
    -------
    Rasters
        `mat` has one raster a pass, in the order of `stations.zero_m`; cells without mat are NaN.
    """
    strips = [_strips(swath, stations, code) for code in range(len(stations.zero_m))]
    origin_utc = _origin(swath, np.concatenate([np.empty((0, 2), np.int64), *strips]).ravel())
    runs = _runs(swath, _readings(swath, stations, origin_utc), strips)
    tiles, taken_over = _map_tiles(swath, runs, grid.map_cell_m)
    nodes = [_mat_nodes(swath, stations, run, grid.mat_cell_m) for run in runs]
    return Rasters(
        origin_utc=origin_utc,
        mat=tuple(
            _mat_raster(swath, list(zip(runs, nodes, strict=True)), code, grid.mat_cell_m)
            for code in range(len(strips))
        ),
        tiles=tiles,
        overlap_m2=taken_over * (grid.map_cell_m / _scale(swath)) ** 2,
    )


def _strips(swath: Swath, stations: Stations, code: int) -> np.ndarray:
    """Pairs of neighbouring first-look lines of one pass with mat between them, int64 (strip, 2)."""
    mine = swath.pass_code == code
    line = np.flatnonzero(mine & swath.first_look)
    start, end = line[:-1], line[1:]
    unplaced = np.cumsum(mine & (swath.placed == 0))
    joined = (swath.placed[start] > 0) & (unplaced[start] == unplaced[end])
    middle_m = (swath.edge_easting_m.mean(axis=1), swath.edge_northing_m.mean(axis=1))
    for coordinate in middle_m:
        joined &= np.abs(coordinate[end] - coordinate[start]) <= mesh.LONGEST_STEP_M
    joined &= np.abs(swath.distance_m[end] - swath.distance_m[start]) <= mesh.LONGEST_STEP_M
    within = (stations.inside & swath.on_mat).any(axis=1)
    joined &= within[start] | within[end]
    return np.column_stack([start[joined], end[joined]])


def _origin(swath: Swath, line: np.ndarray) -> np.datetime64:
    """Find the whole second at or before the first mat laid (seen, where that is unknown)."""
    for time_utc in (swath.laid_utc[line], swath.seen_utc[line], swath.seen_utc):
        known = time_utc[~np.isnat(time_utc)]
        if len(known):
            return known.min().astype("datetime64[s]").astype("datetime64[ns]")
    return np.datetime64(0, "ns")


def _readings(swath: Swath, stations: Stations, origin_utc: np.datetime64) -> _Readings:
    inside = stations.inside & np.isfinite(stations.frame_m)
    missing = ~inside | swath.bad_spot[swath.pass_code]
    return _Readings(
        temp_c=np.where(missing, np.float32(np.nan), swath.temp_c),
        sigma_m=np.sqrt(swath.sigma_along_m**2 + swath.sigma_across_m**2),  # three times as fast as hypot
        laid_s=((swath.laid_utc - origin_utc) / SECOND).astype(np.float32),
        inside=inside,
    )


def _runs(swath: Swath, readings: _Readings, strips: list[np.ndarray]) -> list[_Run]:
    """Cut the strips of all passes into runs of one layout; a strip between two runs belongs to both."""
    laid = sorted((strip for strip in strips if len(strip)), key=lambda strip: strip[0, 0])
    if not laid:
        return []
    strip = np.concatenate(laid)
    rank = np.repeat(np.arange(1, len(laid) + 1, dtype=np.int16), [len(part) for part in laid])
    if len(swath.layouts) == 1:
        return [_Run(readings, swath.layouts[0], strip, rank)]
    turns = (np.diff(swath.layout) != 0) | (np.diff(swath.pass_code) != 0)
    number = np.concatenate([[0], np.cumsum(turns)])
    runs = []
    for one in dict.fromkeys(number[strip].ravel().tolist()):
        chosen = (number[strip] == one).any(axis=1)
        mine = number == one
        layout = swath.layouts[int(swath.layout[np.argmax(mine)])]
        runs.append(_Run(readings.of_run(mine), layout, strip[chosen], rank[chosen]))
    return runs


def _scale(swath: Swath) -> float:
    """Map length / ground length, from the width of the mat on the map and from C (median of the lines)."""
    width_m = np.hypot(np.diff(swath.edge_easting_m), np.diff(swath.edge_northing_m))
    placed = np.isfinite(width_m)
    return float(np.median(width_m[placed] / np.diff(swath.edges_m)[placed])) if placed.any() else 1.0


# ------------------------------------------------------------------------------------------ the map frame


def _map_tiles(swath: Swath, runs: list[_Run], cell_m: float) -> tuple[tuple[Tile, ...], int]:
    """Fill the tiles that the mat touches, two at a time; count the cells that a pass takes from an earlier.

    Rows of the mesh run along the negative northing, from north to south, as those of a tile do.
    """
    parts: dict[tuple[int, int], list[_Part]] = {}
    for run in runs:
        lines = _map_mesh(swath, run)
        for row, col, chosen in _touched(lines, run.strip, TILE_CELLS * cell_m):
            parts.setdefault((row, col), []).append((lines, run.strip[chosen], run.rank[chosen]))
    places = sorted(parts)
    half = len(places) // 2

    def draw(chosen: list[tuple[int, int]]) -> list[tuple[Tile, int]]:
        pen = mesh.Block.empty(TILE_CELLS, TILE_CELLS)
        return [_map_tile(pen, place, parts[place], cell_m) for place in chosen]

    with ThreadPoolExecutor(2) as pool:
        drawn = [item for share in pool.map(draw, (places[:half], places[half:])) for item in share]
    return tuple(tile for tile, _ in drawn if len(tile.cell)), sum(taken for _, taken in drawn)


def _map_tile(pen: mesh.Block, place: tuple[int, int], parts: list[_Part], cell_m: float) -> tuple[Tile, int]:
    """Fill one tile from its strips; count the cells that a pass takes from an earlier one."""
    block = pen.at(*(at * TILE_CELLS for at in place))
    taken_over = sum(mesh.fill(*part, block, cell_m) for part in parts)
    return Tile(Lattice("map", cell_m), -1 - block.row0, block.col0, *mesh.harvest(block)), taken_over


def _map_mesh(swath: Swath, run: _Run) -> mesh.Mesh:
    """Place the two ends of a run's mat at every line, at lines of other runs too, on the map."""
    ends = np.array([0, len(run.spot) - 1])
    places = []
    for at_m in (swath.edge_easting_m, swath.edge_northing_m):
        if len(swath.layouts) > 1:
            edges_m = swath.edges_m
            share = (run.layout.edges_m - edges_m[:, :1]) / np.diff(edges_m)
            exact = (run.layout.edges_m == edges_m).all(axis=1)
            at_m = np.where(exact[:, None], at_m, at_m[:, :1] + share * np.diff(at_m))
        places.append(at_m[:, run.order])
    return run.mesh(places[0], -places[1], ends)


def _touched(lines: mesh.Mesh, strip: np.ndarray, tile_m: float) -> list[tuple[int, int, np.ndarray]]:
    """Tiles that the strips may touch, row by row: tile row, tile column, the strips' numbers in order."""
    corners = [at_m[strip].reshape(-1, 4).T for at_m in (lines.across_m, lines.along_m)]
    box = [
        np.floor(reduce(bound, at_m) / tile_m).astype(np.int64)
        for at_m in corners
        for bound in (np.minimum, np.maximum)
    ]
    first_row, rows, first_col, cols = box[0], box[1] - box[0] + 1, box[2], box[3] - box[2] + 1
    first = np.cumsum(rows * cols) - rows * cols
    number = np.repeat(np.arange(len(strip)), rows * cols)
    nth, wide = np.arange(len(number)) - first[number], cols[number]
    row, col = first_row[number] + nth // wide, first_col[number] + nth % wide
    if not len(number):
        return []
    order = np.argsort((row - row.min()) * (col.max() - col.min() + 1) + col, kind="stable")
    row, col, number = row[order], col[order], number[order]
    cut = np.flatnonzero((np.diff(row) != 0) | (np.diff(col) != 0)) + 1
    heads = np.r_[0, cut]
    return list(zip(row[heads].tolist(), col[heads].tolist(), np.split(number, cut), strict=True))


# ------------------------------------------------------------------------------------------ the mat frame


def _mat_raster(swath: Swath, runs: list[tuple[_Run, mesh.Mesh]], code: int, cell_m: float) -> Raster:
    """Fill one pass in its mat frame: columns upstation, row 0 the smallest offset."""
    lattice = Lattice(f"mat:{code}", cell_m)
    parts = [
        (nodes, _short(nodes, run.strip[swath.pass_code[run.strip[:, 0]] == code])) for run, nodes in runs
    ]
    parts = [(nodes, strip) for nodes, strip in parts if np.isfinite(nodes.along_m[strip]).any()]
    if not parts:
        return Raster(lattice, 0, 0, *(np.empty((0, 0), np.float32) for _ in range(3)))
    low, high = (
        np.array([[bound(nodes.across_m[strip]), bound(nodes.along_m[strip])] for nodes, strip in parts])
        for bound in (np.nanmin, np.nanmax)
    )
    row0, col0 = (math.floor(at_m / cell_m) for at_m in low.min(axis=0))
    rows, cols = (math.floor(at_m / cell_m) + 1 for at_m in high.max(axis=0))
    block = mesh.Block.empty(rows - row0, cols - col0, row0, col0)
    for nodes, strip in parts:
        mesh.fill(nodes, strip, np.ones(len(strip), np.int16), block, cell_m)
    cell, values = mesh.harvest(block)
    bands = np.full((3, (rows - row0) * (cols - col0)), np.nan, np.float32)
    bands[:, cell] = values
    return Raster(lattice, row0, col0, *bands.reshape(3, rows - row0, cols - col0))


def _short(nodes: mesh.Mesh, strip: np.ndarray) -> np.ndarray:
    """Strips that are no hole in the mat frame."""
    step_m = np.abs(nodes.along_m[strip[:, 1]] - nodes.along_m[strip[:, 0]])
    return strip[~(step_m > 2 * mesh.LONGEST_STEP_M).any(axis=1)]


def _mat_nodes(swath: Swath, stations: Stations, run: _Run, cell_m: float) -> mesh.Mesh:
    """Place nodes in the mat frame, about one a cell; the mat's ends lie straight on from the outer spots.

    Without an alignment, lines are straight in this frame, and their two ends say as much as all nodes.
    """
    spot, right_m = run.spot, run.right_m
    width_m = np.abs(right_m - right_m[0])
    knot = np.unique(np.searchsorted(width_m, np.r_[np.arange(0, width_m[-1], cell_m), width_m[-1]]))
    along_m = stations.frame_m[:, spot[knot]]
    across_m = stations.offset_m[:, spot[knot]].astype(np.float64)
    for end, first, second in ((0, 1, 2), (-1, -2, -3)):
        if len(spot) > 3:
            share = (right_m[end] - right_m[first]) / (right_m[second] - right_m[first])
            for at_m, spot_m in ((along_m, stations.frame_m), (across_m, stations.offset_m)):
                at_m[:, end] += share * (spot_m[:, spot[second]] - spot_m[:, spot[first]])
        else:  # a single spot shows no direction: straight across
            sign = np.where(stations.upstation, 1, -1)[swath.pass_code]
            across_m[:, end] += sign * (right_m[end] - right_m[first])
    if _straight(along_m, width_m[knot]) and _straight(across_m, width_m[knot]):
        knot, along_m, across_m = knot[[0, -1]], along_m[:, [0, -1]], across_m[:, [0, -1]]
    return run.mesh(along_m, across_m, knot)


def _straight(at_m: np.ndarray, width_m: np.ndarray) -> bool:
    """Tell whether the knots of every line stand where the straight line between its ends has them."""
    share = (width_m / width_m[-1]).astype(at_m.dtype)
    off_m = at_m - at_m[:, :1] - share * (at_m[:, -1:] - at_m[:, :1])
    return not (np.abs(off_m, out=off_m) > STRAIGHT_M).any()
