"""One pass of mat as the findings see it: its lines of new mat, its rails, its lattice on the ground.

The *rails* are the two edges of the mat, left and right in travel: at every placed line their ground
position and their coordinates in the mat frame. Along one line, and along one normal of an alignment,
the ground is straight, so any (frame, offset) lies between the rails by its offset.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from ..model import LotInputs, Stations, Swath, Trajectory

LARGEST_STEP_M = 1.0  # between lines of one stretch; a wider hole is a gap (common practice, no source)
VERTEX_EVERY_M = 0.5  # of mat-wide outlines: 0.6 mm of sagitta on a 50 m radius


@dataclass(frozen=True, eq=False, slots=True)
class PassMat:
    """The lines of new mat of one pass inside the limits, in order of travel.

    `line` are indices into Swath. Arrays of (placed) hold only the lines with a position; `chain`
    numbers the stretches of them without a hole. Rails are (placed, 2): left, right in travel.
    """

    code: int
    id: str
    upstation: bool
    zero_m: float
    edge_kinds: tuple[str, str]  # left, right in travel
    begins: bool  # the first line is the first of the whole pass, not of the limits
    line: np.ndarray  # int (line)
    distance_m: np.ndarray  # (line) ascending
    placed_line: np.ndarray  # int (placed)
    placed_m: np.ndarray  # (placed) distance
    chain: np.ndarray  # int (placed)
    frame_m: np.ndarray  # (placed) of C, monotone
    centre_m: np.ndarray  # (placed, 2) easting, northing of C
    rail_frame_m: np.ndarray
    rail_offset_m: np.ndarray
    rail_easting_m: np.ndarray
    rail_northing_m: np.ndarray
    scale: float  # grid length / ground length

    @property
    def sign(self) -> int:
        """+1 where the frame runs with travel."""
        return 1 if self.upstation else -1

    @property
    def travel(self) -> str:
        return "upstation" if self.upstation else "downstation"

    @property
    def span_m(self) -> tuple[float, float]:
        """Distance of the first and the last line."""
        return float(self.distance_m[0]), float(self.distance_m[-1])

    def placed_between(self, from_m: float, to_m: float) -> np.ndarray:
        """Lines with a position between two distances, both included: int, index into Swath."""
        at_m = self.placed_m[: len(self.placed_line)]
        return self.placed_line[(at_m >= from_m) & (at_m <= to_m)]

    def frame_at(self, distance_m: np.ndarray | float) -> np.ndarray:
        """Frame coordinate of C at distances along the path; straight on beyond the placed lines."""
        return _straight(distance_m, self.placed_m, self.frame_m, self.sign)

    def distance_at(self, frame_m: np.ndarray | float) -> np.ndarray:
        """Distance along the path at which C has a frame coordinate."""
        return _straight(self.sign * np.asarray(frame_m, float), self.sign * self.frame_m, self.placed_m, 1)

    def centre_at(self, distance_m: np.ndarray | float) -> np.ndarray:
        """Easting and northing of C at distances (n, 2), NaN in a gap."""
        asked = np.atleast_1d(np.asarray(distance_m, float))
        where = np.column_stack([np.interp(asked, self.placed_m, self.centre_m[:, i]) for i in (0, 1)])
        where[~self._measured(asked)] = np.nan
        return where

    def _measured(self, distance_m: np.ndarray) -> np.ndarray:
        """Whether distances lie within a chain."""
        if len(self.placed_m) == 0:
            return np.zeros(len(distance_m), bool)
        after = np.clip(np.searchsorted(self.placed_m, distance_m - 1e-9), 0, len(self.placed_m) - 1)
        before = np.clip(np.searchsorted(self.placed_m, distance_m + 1e-9, side="right") - 1, 0, None)
        reached = (distance_m >= self.placed_m[0] - 1e-9) & (distance_m <= self.placed_m[-1] + 1e-9)
        return reached & (self.chain[after] == self.chain[before])

    def chains(self, from_m: float, to_m: float) -> list[tuple[float, float]]:
        """Measured stretches within two distances, as pairs of distances."""
        found = []
        for first, last in runs_of(self.chain):
            start, end = max(from_m, self.placed_m[first]), min(to_m, self.placed_m[last - 1])
            if end > start:
                found.append((float(start), float(end)))
        return found

    def strip(self, from_m: float, to_m: float) -> shapely.Geometry:
        """Mat-wide polygon between two distances; of several parts across a gap, empty within one."""
        return union([self.quad(start, end) for start, end in self.chains(from_m, to_m)])

    def quad(self, from_m: float, to_m: float) -> shapely.Polygon:
        """Mat-wide polygon between two distances, straight across any gap between them."""
        inner = np.searchsorted(self.placed_m, (from_m, to_m), side="right")
        between = self.placed_m[inner[0] : inner[1]]
        slot = np.floor(between / VERTEX_EVERY_M)
        at_m = np.r_[from_m, between[np.r_[False, np.diff(slot) > 0]] if len(between) else between, to_m]
        at_m = at_m[np.r_[True, np.diff(at_m) > 0]]
        east, north = (
            [np.interp(at_m, self.placed_m, rail[:, side]) for side in (0, 1)]
            for rail in (self.rail_easting_m, self.rail_northing_m)
        )
        ring = np.column_stack((np.r_[east[0], east[1][::-1]], np.r_[north[0], north[1][::-1]]))
        return valid(shapely.Polygon(ring))

    def to_ground(self, frame_m: np.ndarray, offset_m: np.ndarray) -> np.ndarray:
        """Bring places of the mat frame to the ground (n, 2), kept within the rails and the pass's ends."""
        offset, east, north = (
            [
                np.interp(self.sign * frame_m, self.sign * self.rail_frame_m[:, side], rail[:, side])
                for side in (0, 1)
            ]
            for rail in (self.rail_offset_m, self.rail_easting_m, self.rail_northing_m)
        )
        width = offset[1] - offset[0]
        share = np.clip((offset_m - offset[0]) / np.where(width == 0, 1, width), 0, 1)
        return np.column_stack(
            (east[0] + share * (east[1] - east[0]), north[0] + share * (north[1] - north[0]))
        )

    def edges_at(self, frame_m: np.ndarray) -> np.ndarray:
        """Smaller and larger offset of the mat at frame coordinates (n, 2)."""
        sides = [
            np.interp(
                self.sign * frame_m, self.sign * self.rail_frame_m[:, side], self.rail_offset_m[:, side]
            )
            for side in (0, 1)
        ]
        return np.sort(np.column_stack(sides), axis=1)

    def ground_area(self, geometry: shapely.Geometry) -> float:
        return float(shapely.area(geometry)) / self.scale**2

    def stations(self, frame_a_m: float, frame_b_m: float) -> dict[str, float]:
        """Smaller and larger station of two frame coordinates."""
        low, high = sorted((float(frame_a_m), float(frame_b_m)))
        return {"station_from_m": self.zero_m + low, "station_to_m": self.zero_m + high}

    def identity(self) -> dict[str, str]:
        return {"pass_id": self.id, "travel": self.travel}


def _straight(asked: np.ndarray | float, at: np.ndarray, value: np.ndarray, slope: float) -> np.ndarray:
    """Interpolate, going on with a slope beyond both ends."""
    asked = np.asarray(asked, float)
    beyond = np.minimum(asked - at[0], 0) + np.maximum(asked - at[-1], 0)
    return np.interp(asked, at, value) + slope * beyond


def runs_of(code: np.ndarray) -> np.ndarray:
    """Find stretches of equal values: int (run, 2), first index and one past the last."""
    if len(code) == 0:
        return np.empty((0, 2), int)
    cut = np.flatnonzero(np.diff(code)) + 1
    return np.column_stack((np.r_[0, cut], np.r_[cut, len(code)]))


def valid(geometry: shapely.Geometry) -> shapely.Geometry:
    """Mend an outline that crosses itself (a tight turn), keeping areas only."""
    return geometry if shapely.is_valid(geometry) else shapely.buffer(geometry, 0)


def union(parts: list[shapely.Geometry]) -> shapely.Geometry:
    if len(parts) == 1:
        return parts[0]
    return shapely.union_all(parts) if parts else shapely.Polygon()


def pass_mats(
    swath: Swath, stations: Stations, trajectory: Trajectory, inputs: LotInputs
) -> tuple[PassMat, ...]:
    """Make the view of every pass that has lines of new mat inside the limits."""
    inside = stations.inside[:, swath.on_mat].any(axis=1)
    found = []
    for code in range(len(inputs.passes)):
        whole = np.flatnonzero(swath.first_look & (swath.pass_code == code))
        within = whole[inside[whole]]
        if len(within):
            whole = whole[(whole >= within[0]) & (whole <= within[-1])]
            ascending = np.r_[True, np.diff(np.maximum.accumulate(swath.distance_m[whole])) > 0]
            begins = not np.any(swath.first_look[: within[0]] & (swath.pass_code[: within[0]] == code))
            found.append(_pass_mat(code, whole[ascending], begins, swath, stations, trajectory, inputs))
    return tuple(found)


def _pass_mat(
    code: int,
    line: np.ndarray,
    begins: bool,
    swath: Swath,
    stations: Stations,
    trajectory: Trajectory,
    inputs: LotInputs,
) -> PassMat:
    stated, upstation = inputs.passes[code], bool(stations.upstation[code])
    sign = 1 if upstation else -1
    on_line = (swath.placed[line] > 0) & np.isfinite(stations.line_frame_m[line])
    on_line &= np.isfinite(stations.frame_m[np.ix_(line, _outer_spots(swath))]).all(axis=1)
    placed, distance_m = line[on_line], swath.distance_m[line]
    frame_m, rail_frame_m, rail_offset_m = _rails(swath, stations, placed, sign)
    far = np.diff(distance_m[on_line]) > LARGEST_STEP_M
    hole = np.diff(np.flatnonzero(on_line)) > 1
    right_share = (0 - swath.edges_m[0]) / (swath.edges_m[1] - swath.edges_m[0])
    centre_m = np.column_stack(
        [
            rail[placed, 0] + right_share * (rail[placed, 1] - rail[placed, 0])
            for rail in (swath.edge_easting_m, swath.edge_northing_m)
        ]
    )
    return PassMat(
        code=code,
        id=stated.id,
        upstation=upstation,
        zero_m=float(stations.zero_m[code]),
        edge_kinds=(stated.left_edge, stated.right_edge),
        begins=begins,
        line=line,
        distance_m=distance_m,
        placed_line=placed,
        placed_m=distance_m[on_line] if len(placed) else distance_m[:1],
        chain=np.concatenate(([0], np.cumsum(far | hole)))[: len(placed)],
        frame_m=frame_m if len(placed) else np.zeros(1),
        centre_m=centre_m,
        rail_frame_m=_or_nothing(rail_frame_m),
        rail_offset_m=_or_nothing(rail_offset_m),
        rail_easting_m=_or_nothing(swath.edge_easting_m[placed]),
        rail_northing_m=_or_nothing(swath.edge_northing_m[placed]),
        scale=trajectory.point_scale,
    )


def _or_nothing(rail: np.ndarray) -> np.ndarray:
    """Stand in for the rail of a pass without any position, so that places on it are NaN."""
    return rail if len(rail) else np.full((1, 2), np.nan)


def _outer_spots(swath: Swath) -> np.ndarray:
    """Columns of the leftmost and the rightmost spot on the mat, in travel."""
    on_mat = np.flatnonzero(swath.on_mat)
    return on_mat[[np.argmin(swath.spot_right_m[on_mat]), np.argmax(swath.spot_right_m[on_mat])]]


def _rails(
    swath: Swath, stations: Stations, placed: np.ndarray, sign: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frame of C, and frame and offset of the mat's edges, extended from the outermost spots on the mat."""
    outer = _outer_spots(swath)
    right_m = swath.spot_right_m[outer]
    width = right_m[1] - right_m[0] or np.inf
    rails = []
    for field in (stations.frame_m, stations.offset_m):
        at_spots = field[np.ix_(placed, outer)].astype(np.float64)
        slope = (at_spots[:, 1] - at_spots[:, 0]) / width
        rails.append(at_spots + slope[:, None] * (swath.edges_m - right_m))
    frame_m = sign * np.maximum.accumulate(sign * stations.line_frame_m[placed])
    rail_frame_m = sign * np.maximum.accumulate(sign * rails[0], axis=0)
    return frame_m, rail_frame_m, rails[1]
