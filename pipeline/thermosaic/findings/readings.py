"""The readings of one pass that are rows of the product, and the cells of the rule's lattice they lie in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import rasterio.features
import shapely

from ..kernels import cells
from ..model import Stations, Swath
from .mat import PassMat, valid

FRAME_DECIMALS = 6  # station less zero, as published, rounds back to the same micrometre, hence the same cell

LONGEST_SIDE = 2.0  # cells between two vertices of an outline on the ground: it follows curves


@dataclass(frozen=True, eq=False, slots=True)
class PassReadings:
    """All rows of one pass, second looks included, as a block (line, spot on the mat).

    Spots run from left to right in travel, whatever the order of the scanner's columns.
    """

    mat: PassMat
    line: np.ndarray  # int (line): index into Swath
    spot: np.ndarray  # int (spot): index into Swath's columns
    place: tuple  # index of the block in arrays of Swath's (line, spot); slices where it can be
    row: np.ndarray  # bool (line, spot): is a row of the product
    usable: np.ndarray  # bool (line, spot): a row with a reading by a working spot, first look
    temp_c: np.ndarray  # float32 (line, spot)
    frame_m: np.ndarray  # (line, spot)
    offset_m: np.ndarray  # float32 (line, spot)
    cells: cells.CellIndex  # of all rows, on the rule's cell of zones

    def index(self, cell_m: float) -> cells.CellIndex:
        """Find the cells of all rows on another cell."""
        return row_cells(self.frame_m, self.offset_m, self.row, cell_m)

    def column_of_line(self) -> np.ndarray:
        """Column of cells of each line of the block, by the middle one of its rows; -1 where it has none."""
        code = self.cells.code.reshape(self.row.shape)
        middle = code[:, self.row.shape[1] // 2].copy()
        for line in np.flatnonzero(middle < 0):
            rows = np.flatnonzero(self.row[line])
            middle[line] = code[line, rows[len(rows) // 2]] if len(rows) else -1
        return np.where(middle >= 0, middle % max(self.cells.shape[1], 1), -1)

    def outlines(self, labels: np.ndarray) -> dict[int, shapely.Geometry]:
        """Bring the outlines of labelled cells (row, col; int32, 0 = none) to the ground."""
        found: dict[int, list[shapely.Geometry]] = {}
        some = (labels > 0).any(axis=0)
        some[1:] |= some[:-1]  # of empty columns one is kept beyond each stretch
        kept = np.flatnonzero(some)
        edge, few = np.append(kept, kept[-1:] + 1), np.ascontiguousarray(labels[:, kept])
        for shape, value in rasterio.features.shapes(few, mask=few > 0, connectivity=4):
            rings = [np.array(ring) for ring in shape["coordinates"]]
            for ring in rings:
                ring[:, 0] = edge[ring[:, 0].astype(int)]
            found.setdefault(int(value), []).append(shapely.Polygon(rings[0], rings[1:]))
        return {value: self._on_ground(parts) for value, parts in sorted(found.items())}

    def _on_ground(self, parts: list[shapely.Polygon]) -> shapely.Geometry:
        outline = parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)
        index = self.cells

        def place(col_row: np.ndarray) -> np.ndarray:
            frame_m = (col_row[:, 0] + index.col0) * index.cell_m
            return self.mat.to_ground(frame_m, (col_row[:, 1] + index.row0) * index.cell_m)

        return valid(shapely.transform(shapely.segmentize(outline, LONGEST_SIDE), place))


def rows_of_lot(swath: Swath, stations: Stations) -> np.ndarray:
    """Mark the readings that are rows: on the mat, in a pass, placed, on the alignment, inside the limits."""
    line = (swath.placed > 0) & (swath.pass_code >= 0)
    return line[:, None] & swath.on_mat & stations.inside & np.isfinite(stations.frame_m)


def row_cells(frame_m: np.ndarray, offset_m: np.ndarray, row: np.ndarray, cell_m: float) -> cells.CellIndex:
    """Find the cells of the rows of the product, from the frame to the micrometre."""
    return cells.index(np.round(frame_m, FRAME_DECIMALS), offset_m, cell_m, row)


def pass_readings(
    mat: PassMat, rows: np.ndarray, swath: Swath, stations: Stations, cell_m: float
) -> PassReadings:
    """Cut one pass out of the lot and find the cells of its rows."""
    line = np.flatnonzero((swath.pass_code == mat.code) & rows.any(axis=1))
    spot = np.flatnonzero(swath.used_spot)
    spot = spot[np.argsort(swath.layouts[0].spot_right_m[spot])]
    place = _index(line, spot)
    row, temp_c = rows[place], swath.temp_c[place]
    frame_m, offset_m = stations.frame_m[place], stations.offset_m[place]
    usable = row & np.isfinite(temp_c) & ~swath.bad_spot[mat.code, spot] & swath.first_look[line][:, None]
    index = row_cells(frame_m, offset_m, row, cell_m)
    return PassReadings(mat, line, spot, place, row, usable, temp_c, frame_m, offset_m, index)


def _index(line: np.ndarray, spot: np.ndarray) -> tuple:
    """Index a block by slices, which copy nothing, where lines and spots are neighbours."""
    step = int(spot[1] - spot[0]) if len(spot) > 1 else 1
    if len(line) == 0 or abs(step) != 1 or np.any(np.diff(spot) != step) or np.any(np.diff(line) != 1):
        return np.ix_(line, spot)
    stop = int(spot[-1]) + step
    return slice(int(line[0]), int(line[-1]) + 1), slice(int(spot[0]), stop if stop >= 0 else None, step)
