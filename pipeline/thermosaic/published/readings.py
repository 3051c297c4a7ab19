"""First looks of one pass, found by place: on the map or by station and offset, and the way between the two.

A result does not carry its alignment; it carries every reading with both its map position and its station and
offset. A plane fitted to the readings around a place leads from one to the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import shapely

from ..kernels.local_planes import follow_plane
from .nouns import Published

PLANE_M = 1.5  # readings this far around carry the plane
EDGE_M = 1.0  # lines this far along tell the mat's edge
FEWEST = 6


@dataclass(frozen=True, eq=False, slots=True)
class Place:
    """One place beside or on the mat of a pass, metres; all NaN where no reading is near."""

    easting_m: float
    northing_m: float
    station_m: float
    offset_m: float
    upstation: np.ndarray  # (2,) unit vector on the map along rising stations
    edges_m: tuple[float, float]  # offsets of the mat's left and right edge there, looking upstation
    nearest: int  # row of the nearest reading
    away_m: float  # its distance

    @property
    def edge_from_m(self) -> float:
        """Distance from the nearer mat edge, negative outside the mat."""
        return min(self.offset_m - self.edges_m[0], self.edges_m[1] - self.offset_m)

    @property
    def edge_side(self) -> str:
        return "left" if self.offset_m - self.edges_m[0] <= self.edges_m[1] - self.offset_m else "right"


@dataclass(frozen=True, eq=False)
class Readings:
    """First looks of one pass in the order of line and spot, with the reference of zones beside each."""

    pass_id: str
    travel: str
    frame: pd.DataFrame  # SPOT_COLUMNS, `reference_c`, `on_mat` (first look at mat, before temperature cuts)
    start: np.ndarray  # int (line): its first row
    map_m: np.ndarray  # (reading, 2) easting, northing
    line_m: np.ndarray  # (reading, 2) station, offset
    pitch_m: float  # between neighbouring spots
    step_m: float  # between neighbouring lines

    def near(self, at_m: np.ndarray, reach_m: float, by_station: bool = False) -> np.ndarray:
        """Rows within a distance of a place, given on the map or by station and offset."""
        of_m, (low, high) = (self.line_m, self._line_box) if by_station else (self.map_m, self._map_box)
        lines = np.flatnonzero(((low - reach_m <= at_m) & (high + reach_m >= at_m)).all(axis=1))
        if len(lines) == 0:
            return np.empty(0, int)
        end = np.append(self.start[1:], len(of_m))
        rows = np.concatenate([np.arange(self.start[line], end[line]) for line in lines])
        return rows[np.hypot(*(of_m[rows] - at_m).T) <= reach_m]

    @cached_property
    def _map_box(self) -> tuple[np.ndarray, np.ndarray]:
        return self._box(self.map_m)

    @cached_property
    def _line_box(self) -> tuple[np.ndarray, np.ndarray]:
        return self._box(self.line_m)

    def _box(self, of_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Smallest and largest coordinates of each line, (line, 2)."""
        return np.minimum.reduceat(of_m, self.start), np.maximum.reduceat(of_m, self.start)

    def inside(self, geometry: shapely.Geometry) -> np.ndarray:
        """Rows whose map position lies in a polygon."""
        low, high = self._map_box
        west, south, east, north = geometry.bounds
        lines = np.flatnonzero(((low <= (east, north)) & (high >= (west, south))).all(axis=1))
        if len(lines) == 0:
            return np.empty(0, int)
        end = np.append(self.start[1:], len(self.map_m))
        rows = np.concatenate([np.arange(self.start[line], end[line]) for line in lines])
        return rows[shapely.contains_xy(geometry, *self.map_m[rows].T)]

    def place(self, at_m: np.ndarray, reach_m: float, by_station: bool = False) -> Place | None:
        """Place a point on both frames; None where no reading lies within `reach_m`, or too few around."""
        at_m = np.asarray(at_m, float)
        of_m, to_m = (self.line_m, self.map_m) if by_station else (self.map_m, self.line_m)
        rows = self.near(at_m, reach_m, by_station)
        if len(rows) == 0:
            return None
        away = np.hypot(*(of_m[rows] - at_m).T)
        nearest = int(rows[np.argmin(away)])
        around = self.near(of_m[nearest], PLANE_M, by_station)
        if len(around) < FEWEST:
            return None
        found, slope = follow_plane(of_m[around], to_m[around], at_m)
        along = slope[:, 0] if by_station else np.linalg.inv(slope)[:, 0]
        east_north, along_across = (found, at_m) if by_station else (at_m, found)
        edges = self.edges(float(along_across[0]))
        unit = along / np.hypot(*along)
        return Place(*map(float, (*east_north, *along_across)), unit, edges, nearest, float(away.min()))

    def edges(self, station_m: float) -> tuple[float, float]:
        """Offsets of the mat's edges around a station: half a pitch beyond the outermost readings of its lines."""
        at = self.line_m[self.start, 0]
        lines = np.flatnonzero(np.abs(at - station_m) <= max(EDGE_M, 2 * self.step_m))
        if len(lines) == 0:
            lines = np.array([np.argmin(np.abs(at - station_m))])
        end = np.append(self.start[1:], len(self.line_m)) - 1
        ends = np.sort(
            np.column_stack((self.line_m[self.start[lines], 1], self.line_m[end[lines], 1])), axis=1
        )
        left, right = np.median(ends, axis=0)
        return float(left) - self.pitch_m / 2, float(right) + self.pitch_m / 2


def readings_of(published: Published, pass_id: str) -> Readings | None:
    """First looks of a pass; None where it has fewer than two lines."""
    spots = published.of_pass(pass_id)
    if spots["line"].nunique() < 2:
        return None
    made = published.field_again(pass_id, spots)
    spots = spots.assign(reference_c=made.reference_c, on_mat=made.clean)
    spots = spots[spots["dropped_reason"].astype(object) != "second_look"].reset_index(drop=True)
    line = spots["line"].to_numpy()
    start = np.flatnonzero(np.r_[True, np.diff(line) != 0])
    map_m = spots[["easting_m", "northing_m"]].to_numpy(float)
    line_m = spots[["station_m", "offset_m"]].to_numpy(float)
    beside = np.flatnonzero((np.diff(line) == 0) & (np.diff(spots["spot"].to_numpy()) == 1))
    pitches = np.abs(np.diff(line_m[:, 1]))[beside]
    steps = np.abs(np.diff(line_m[start, 0]))
    return Readings(
        pass_id=pass_id,
        travel=str(published.quality["mat_frames"][pass_id]["travel"]),
        frame=spots,
        start=start,
        map_m=map_m,
        line_m=line_m,
        pitch_m=float(np.median(pitches)) if len(pitches) else 0.0,
        step_m=float(np.median(steps)) if len(steps) else 0.0,
    )
