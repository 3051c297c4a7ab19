"""Knot columns of the trajectory from solved pieces: places on the map, sigmas, and how each was placed."""

from __future__ import annotations

import numpy as np

from ..config import RigSection
from ..kernels import motion
from .clock import Clock
from .pieces import Piece, lean_of, longest_seen_m
from .plane import Plane

KNOT_STEP_M = 0.005  # knots closer than this are one
OPEN_END_M = 0.5  # a path is carried no further past its last fix
BELIEVED = 0.1  # least weight of a group of fixes that counts as seen


def knot_columns(
    piece: Piece, from_m: float, number: int, plane: Plane, rig: RigSection, clock: Clock
) -> dict[str, np.ndarray]:
    """Columns `knot_*` of a piece whose distance begins at `from_m`; of knots at one place one stays."""
    line, seen = piece.line, piece.seen
    ground = motion.ground_distance(line, piece.solved)
    placed = motion.place(piece.arms, piece.solved)
    at = line.wheel_m[seen.knot]
    tilt = np.interp(line.wheel_m, at, piece.spots.antenna_m[:, 2] * piece.grade_sigma)
    across = np.hypot(placed.across_m, np.interp(line.wheel_m, at, lean_of(piece.spots)))
    late = np.interp(line.wheel_m, at, seen.speed_mps) * np.nan_to_num(clock.sigma_s)
    along = np.sqrt(placed.along_m**2 + tilt**2 + late**2)
    kind = _placed_kind(ground, _seen_at(piece, ground))
    kind[np.hypot(along, across) > rig.max_sigma_m] = 0
    easting, northing = plane.to_map(placed.east_m, placed.north_m)
    keep = np.unique(np.floor(ground / KNOT_STEP_M), return_index=True)[1]
    columns = {
        "knot_distance_m": from_m + ground,
        "knot_piece": np.full(len(ground), number, np.int16),
        "knot_easting_m": easting,
        "knot_northing_m": northing,
        "knot_heading_deg": np.degrees(placed.heading_rad) % 360.0,
        "knot_sigma_along_m": along,
        "knot_sigma_across_m": across,
        "knot_sigma_heading_deg": np.degrees(placed.turn_rad),
        "knot_placed": kind,
    }
    return {name: values[keep] for name, values in columns.items()}


def _seen_at(piece: Piece, ground: np.ndarray) -> np.ndarray:
    """Ground distances where fixes were believed; the outer groups reach to their outermost fixes."""
    believed = piece.solved.weight > BELIEVED
    at = ground[piece.seen.knot[believed]]
    first, last = np.interp(piece.spots.seen_m, piece.line.wheel_m, ground)
    before = [first] if len(at) and believed[0] else []
    after = [last] if len(at) and believed[-1] else []
    return np.concatenate([before, at, after])


def _placed_kind(ground_m: np.ndarray, seen_at_m: np.ndarray) -> np.ndarray:
    """How each knot is placed: 1 = by fixes, 2 = by wheel between two of them, 0 = at an open end.

    Parameters
    ----------
    ground_m : numpy.ndarray
        (knot) ground distance, not falling.
    seen_at_m : numpy.ndarray
        (group) the same where fixes were believed.
    """
    kind = np.zeros(len(ground_m), np.int8)
    if len(seen_at_m) < 2:
        return kind
    after = np.clip(np.searchsorted(seen_at_m, ground_m, side="left"), 1, len(seen_at_m) - 1)
    gap = seen_at_m[after] - seen_at_m[after - 1]
    inside = (ground_m >= seen_at_m[0]) & (ground_m <= seen_at_m[-1])
    kind[inside] = np.where(gap[inside] > longest_seen_m(seen_at_m), 2, 1)
    near = (ground_m >= seen_at_m[0] - OPEN_END_M) & (ground_m <= seen_at_m[-1] + OPEN_END_M)
    kind[near & ~inside] = 1
    kind[np.isin(ground_m, seen_at_m)] = 1
    return kind
