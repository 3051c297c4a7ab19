"""Draw the mat as rasters: first looks of working spots, in the map frame and in the mat frame.

A raster holds what the spots saw when they first saw it; no later verdict changes one. Cells are filled only
between two neighbouring first-look lines of one pass, out to the ends of the outermost pitches on the mat;
holes in the log stay empty. Where passes overlap the map shows the later laid.
Not done here: means of readings in a rule's own cells, which the findings take from `kernels.cells`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import reduce

import numpy as np

from ..config import GridSection
from ..kernels import mesh
from ..model import TILE_CELLS, Lattice, Raster, Rasters, Stations, Swath, Tile

SECOND = np.timedelta64(1, "s")


@dataclass(frozen=True, eq=False, slots=True)
class _Readings:
    """What the cells are made of, the same in both frames."""

    temp_c: np.ndarray  # float32 (line, spot), NaN = no reading, or a bad spot
    sigma_m: np.ndarray  # float32 (line, spot)
    laid_s: np.ndarray  # float32 (line)
    inside: np.ndarray  # bool (line, spot)
    spot: np.ndarray  # (node): the column each node's value comes from
    right_m: np.ndarray  # (node): ends of the mat and the spots between them, in column order

    def mesh(self, along_m: np.ndarray, across_m: np.ndarray, knot: np.ndarray) -> mesh.Mesh:
        """Join them with the coordinates of one frame."""
        along_m, across_m = np.ascontiguousarray(along_m), np.ascontiguousarray(across_m)
        bands = (self.temp_c, self.sigma_m, self.laid_s, self.inside)
        return mesh.Mesh(along_m, across_m, knot, self.spot, self.right_m, *bands)


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
    readings = _readings(swath, stations, origin_utc)
    tiles, taken_over = _map_tiles(swath, readings, strips, grid.map_cell_m)
    nodes = _mat_nodes(swath, stations, readings, grid.mat_cell_m)
    return Rasters(
        origin_utc=origin_utc,
        mat=tuple(_mat_raster(nodes, code, strip, grid.mat_cell_m) for code, strip in enumerate(strips)),
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
    on_mat = np.flatnonzero(swath.on_mat)
    ends_m = swath.edges_m[_end_order(swath)]
    return _Readings(
        temp_c=np.where(missing, np.float32(np.nan), swath.temp_c),
        sigma_m=np.hypot(swath.sigma_along_m, swath.sigma_across_m),
        laid_s=((swath.laid_utc - origin_utc) / SECOND).astype(np.float32),
        inside=inside,
        spot=np.concatenate([on_mat[:1], on_mat, on_mat[-1:]]).astype(np.uint64),
        right_m=np.concatenate([ends_m[:1], swath.spot_right_m[on_mat], ends_m[1:]]),
    )


def _end_order(swath: Swath) -> slice:
    """Order of the mat's two ends, stored left then right, along the columns of spots."""
    return slice(None) if swath.spot_right_m[-1] >= swath.spot_right_m[0] else slice(None, None, -1)


def _scale(swath: Swath) -> float:
    """Map length / ground length, from the width of the mat on the map and from C (median of the lines)."""
    width_m = np.hypot(np.diff(swath.edge_easting_m), np.diff(swath.edge_northing_m))
    placed = np.isfinite(width_m)
    return float(np.median(width_m[placed]) / np.ptp(swath.edges_m)) if placed.any() else 1.0


# ------------------------------------------------------------------------------------------ the map frame


def _map_tiles(
    swath: Swath, readings: _Readings, strips: list[np.ndarray], cell_m: float
) -> tuple[tuple[Tile, ...], int]:
    """Fill the tiles that the mat touches, one at a time; count the cells that a pass takes from an earlier.

    Rows of the mesh run along the negative northing, from north to south, as those of a tile do.
    """
    laid = sorted((strip for strip in strips if len(strip)), key=lambda strip: strip[0, 0])
    if not laid:
        return (), 0
    strip = np.concatenate(laid)
    rank = np.repeat(np.arange(1, len(laid) + 1, dtype=np.int16), [len(part) for part in laid])
    order, ends = _end_order(swath), np.array([0, len(readings.spot) - 1])
    lines = readings.mesh(swath.edge_easting_m[:, order], -swath.edge_northing_m[:, order], ends)
    pen, lattice = mesh.Block.empty(TILE_CELLS, TILE_CELLS), Lattice("map", cell_m)
    tiles, taken_over = [], 0
    for tile_row, tile_col, chosen in _touched(lines, strip, TILE_CELLS * cell_m):
        block = pen.at(tile_row * TILE_CELLS, tile_col * TILE_CELLS)
        taken_over += mesh.fill(lines, strip[chosen], rank[chosen], block, cell_m)
        cell, bands = mesh.harvest(block)
        if len(cell):
            tiles.append(Tile(lattice, -1 - block.row0, block.col0, cell, bands))
    return tuple(tiles), taken_over


def _touched(lines: mesh.Mesh, strip: np.ndarray, tile_m: float) -> list[tuple[int, int, np.ndarray]]:
    """Tiles that the strips may touch, row by row: tile row, tile column, the strips' numbers in order."""
    corners = [at_m[strip].reshape(-1, 4).T for at_m in (lines.across_m, lines.along_m)]
    box = [
        np.floor(reduce(bound, at_m) / tile_m).astype(np.int64)
        for at_m in corners
        for bound in (np.minimum, np.maximum)
    ]
    first_row, rows, first_col, cols = box[0], box[1] - box[0] + 1, box[2], box[3] - box[2] + 1
    number = np.repeat(np.arange(len(strip)), rows * cols)
    nth = np.arange(len(number)) - np.repeat(np.cumsum(rows * cols) - rows * cols, rows * cols)
    tile = np.column_stack([first_row[number] + nth // cols[number], first_col[number] + nth % cols[number]])
    order = np.lexsort((number, tile[:, 1], tile[:, 0]))
    tile, number = tile[order], number[order]
    cut = np.flatnonzero((np.diff(tile, axis=0) != 0).any(axis=1)) + 1
    heads = tile[np.r_[0, cut]].tolist()
    return [(row, col, chosen) for (row, col), chosen in zip(heads, np.split(number, cut), strict=True)]


# ------------------------------------------------------------------------------------------ the mat frame


def _mat_raster(nodes: mesh.Mesh, code: int, strip: np.ndarray, cell_m: float) -> Raster:
    """Fill one pass in its mat frame: columns upstation, row 0 the smallest offset."""
    lattice = Lattice(f"mat:{code}", cell_m)
    step_m = np.abs(nodes.along_m[strip[:, 1]] - nodes.along_m[strip[:, 0]])
    strip = strip[~(step_m > 2 * mesh.LONGEST_STEP_M).any(axis=1)]
    along_m, across_m = nodes.along_m[strip], nodes.across_m[strip]
    if not np.isfinite(along_m).any():
        return Raster(lattice, 0, 0, *(np.empty((0, 0), np.float32) for _ in range(3)))
    row0, col0 = (math.floor(np.nanmin(at_m) / cell_m) for at_m in (across_m, along_m))
    rows, cols = (math.floor(np.nanmax(at_m) / cell_m) + 1 for at_m in (across_m, along_m))
    block = mesh.Block.empty(rows - row0, cols - col0, row0, col0)
    mesh.fill(nodes, strip, np.ones(len(strip), np.int16), block, cell_m)
    cell, values = mesh.harvest(block)
    bands = np.full((3, (rows - row0) * (cols - col0)), np.nan, np.float32)
    bands[:, cell] = values
    return Raster(lattice, row0, col0, *bands.reshape(3, rows - row0, cols - col0))


def _mat_nodes(swath: Swath, stations: Stations, readings: _Readings, cell_m: float) -> mesh.Mesh:
    """Place nodes in the mat frame, about one a cell; the mat's ends lie straight on from the outer spots."""
    spot, right_m = readings.spot.astype(np.int64), readings.right_m
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
    return readings.mesh(along_m, across_m, knot)
