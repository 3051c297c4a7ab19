"""One pass of mat as the findings see it: its lines of new mat, its rails, its lattice on the ground.

The *rails* are the two edges of the mat, left and right in travel: their ground position and their
coordinates in the mat frame, at *knots*, which are placed lines about half a metre apart. Along one line,
and along one normal of an alignment, the ground is straight, so any (frame, offset) lies between the rails
by its offset.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from ..kernels.mesh import LONGEST_STEP_M
from ..model import LotInputs, Stations, Swath, Trajectory

KNOT_EVERY_M = 0.5  # 0.6 mm of sagitta on a 50 m radius


@dataclass(frozen=True, eq=False, slots=True)
class PassMat:
    """The lines of new mat of one pass inside the limits, in order of travel.

    `line` are indices into Swath. Arrays of (placed) hold only the lines with a position; `chain`
    numbers the stretches of them without a hole. Rails are (2, knot): left, right in travel.
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
    chain_m: np.ndarray  # (chain, 2) distance of its first and its last line
    knot_m: np.ndarray  # (knot) distance; both ends of every chain are knots
    frame_m: np.ndarray  # (knot) of C, monotone
    centre_m: np.ndarray  # (2, knot) easting, northing of C
    rail_along_m: np.ndarray  # (2, knot) frame, turned to rise with travel
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
        first = np.searchsorted(self.placed_m, from_m, side="left")
        return self.placed_line[first : np.searchsorted(self.placed_m, to_m, side="right")]

    def frame_at(self, distance_m: np.ndarray | float) -> np.ndarray:
        """Frame coordinate of C at distances along the path; straight on beyond the placed lines."""
        return _straight(distance_m, self.knot_m, self.frame_m, self.sign)

    def distance_at(self, frame_m: np.ndarray | float) -> np.ndarray:
        """Distance along the path at which C has a frame coordinate."""
        return _straight(self.sign * np.asarray(frame_m, float), self.sign * self.frame_m, self.knot_m, 1)

    def centre_at(self, distance_m: np.ndarray | float) -> np.ndarray:
        """Easting and northing of C at distances (n, 2), NaN in a gap."""
        asked = np.atleast_1d(np.asarray(distance_m, float))
        where = np.column_stack([np.interp(asked, self.knot_m, values) for values in self.centre_m])
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
        starts, ends = np.maximum(from_m, self.chain_m[:, 0]), np.minimum(to_m, self.chain_m[:, 1])
        some = ends > starts
        return list(zip(starts[some].tolist(), ends[some].tolist(), strict=True))

    def strip(self, from_m: float, to_m: float) -> shapely.Geometry:
        """Mat-wide polygon between two distances; of several parts across a gap, empty within one."""
        return union([self.quad(start, end) for start, end in self.chains(from_m, to_m)])

    def quad(self, from_m: float, to_m: float) -> shapely.Polygon:
        """Mat-wide polygon between two distances, straight across any gap between them."""
        inner = slice(np.searchsorted(self.knot_m, from_m, "right"), np.searchsorted(self.knot_m, to_m))
        at_m = np.concatenate(([from_m], self.knot_m[inner], [to_m]))
        east, north = (
            [np.interp(at_m, self.knot_m, rail) for rail in rails]
            for rails in (self.rail_easting_m, self.rail_northing_m)
        )
        ring = np.array([np.concatenate((left, right[::-1])) for left, right in (east, north)]).T
        return valid(shapely.polygons(ring))

    def to_ground(self, frame_m: np.ndarray, offset_m: np.ndarray) -> np.ndarray:
        """Bring places of the mat frame to the ground (n, 2), kept within the rails and the pass's ends."""
        offset, east, north = (
            self._on_rails(frame_m, rails)
            for rails in (self.rail_offset_m, self.rail_easting_m, self.rail_northing_m)
        )
        width = offset[1] - offset[0]
        share = np.clip((offset_m - offset[0]) / np.where(width == 0, 1, width), 0, 1)
        return np.column_stack([rail[0] + share * (rail[1] - rail[0]) for rail in (east, north)])

    def edges_at(self, frame_m: np.ndarray) -> np.ndarray:
        """Smaller and larger offset of the mat at frame coordinates (n, 2)."""
        return np.sort(np.column_stack(self._on_rails(frame_m, self.rail_offset_m)), axis=1)

    def _on_rails(self, frame_m: np.ndarray, rails: np.ndarray) -> list[np.ndarray]:
        """Interpolate values of both rails at frame coordinates, kept at the pass's ends."""
        asked = self.sign * frame_m
        return [np.interp(asked, along, rail) for along, rail in zip(self.rail_along_m, rails, strict=True)]

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


def _runs_of(code: np.ndarray) -> np.ndarray:
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
    inside = (stations.inside & swath.on_mat).any(axis=1)
    found = []
    for code in range(len(inputs.passes)):
        whole = np.flatnonzero(swath.first_look & (swath.pass_code == code))
        if np.any(np.diff(swath.distance_m[whole]) < 0):  # relaid mat was seen after mat further on
            whole = whole[np.argsort(swath.distance_m[whole], kind="stable")]
        within = np.flatnonzero(inside[whole])
        if len(within):
            whole = whole[within[0] : within[-1] + 1]
            ascending = np.r_[True, np.diff(np.maximum.accumulate(swath.distance_m[whole])) > 0]
            begins = not np.any(swath.first_look[: whole[0]] & (swath.pass_code[: whole[0]] == code))
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
    """Make the mat of one pass of its lines of new mat inside the limits; `begins`: they begin the whole pass."""
    stated, upstation = inputs.passes[code], bool(stations.upstation[code])
    on_line = (swath.placed[line] > 0) & np.isfinite(stations.line_frame_m[line])
    on_line &= np.isfinite(stations.frame_m[line[:, None], _outer_spots(swath, line)]).all(axis=1)
    placed, distance_m = line[on_line], swath.distance_m[line]
    placed_m = distance_m[on_line]
    broken = (np.diff(placed_m) > LONGEST_STEP_M) | (np.diff(np.flatnonzero(on_line)) > 1)
    chain = np.concatenate(([0], np.cumsum(broken)))[: len(placed)]
    knot = _knots(placed_m, chain, swath.layout[placed])
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
        placed_m=placed_m,
        chain=chain,
        chain_m=placed_m[_runs_of(chain) - [0, 1]],
        knot_m=placed_m[knot] if len(knot) else distance_m[:1],
        **_rails(swath, stations, placed[knot], 1 if upstation else -1),
        scale=trajectory.point_scale,
    )


def _knots(placed_m: np.ndarray, chain: np.ndarray, layout: np.ndarray) -> np.ndarray:
    """Choose the placed lines that are knots: both ends of each chain and layout, one in every half metre."""
    if len(placed_m) == 0:
        return np.empty(0, int)
    slot = np.floor(placed_m / KNOT_EVERY_M)
    begins = np.r_[True, (np.diff(chain) > 0) | (np.diff(layout) != 0)]
    return np.flatnonzero(begins | np.r_[begins[1:], True] | np.r_[True, np.diff(slot) > 0])


def _outer_spots(swath: Swath, line: np.ndarray) -> np.ndarray:
    """Columns of the leftmost and the rightmost spot on the mat, in travel: int (line, 2)."""
    outer = []
    for item in swath.layouts:
        on_mat = np.flatnonzero(item.on_mat)
        outer.append(on_mat[[np.argmin(item.spot_right_m[on_mat]), np.argmax(item.spot_right_m[on_mat])]])
    return np.array(outer)[swath.layout[line]]


def _rails(swath: Swath, stations: Stations, knot: np.ndarray, sign: int) -> dict[str, np.ndarray]:
    """Give frame and place of C, and the rails, extended from the outermost spots to the mat's edges.

    Without any knot places are NaN and the frame begins at 0.
    """
    if len(knot) == 0:
        names = ("centre_m", "rail_along_m", "rail_offset_m", "rail_easting_m", "rail_northing_m")
        return {"frame_m": np.zeros(1), **{name: np.full((2, 1), np.nan) for name in names}}
    outer = _outer_spots(swath, knot)
    layout = swath.layout[knot]
    right_m = np.stack([item.spot_right_m for item in swath.layouts])[layout[:, None], outer].T
    edges_m = np.stack([item.edges_m for item in swath.layouts])[layout].T
    width = np.where(right_m[1] > right_m[0], right_m[1] - right_m[0], np.inf)
    frames_m, offsets_m = (
        at_spots[0] + (at_spots[1] - at_spots[0]) / width * (edges_m - right_m[0])
        for at_spots in (
            field[knot[:, None], outer].T.astype(np.float64, order="C")  # rails lie in one piece each
            for field in (stations.frame_m, stations.offset_m)
        )
    )
    east, north = swath.edge_easting_m[knot].T.copy(), swath.edge_northing_m[knot].T.copy()
    middle = -edges_m[0] / (edges_m[1] - edges_m[0])
    return {
        "frame_m": sign * np.maximum.accumulate(sign * stations.line_frame_m[knot]),
        "centre_m": np.array([rail[0] + middle * (rail[1] - rail[0]) for rail in (east, north)]),
        "rail_along_m": np.maximum.accumulate(sign * frames_m, axis=1),
        "rail_offset_m": offsets_m,
        "rail_easting_m": east,
        "rail_northing_m": north,
    }
