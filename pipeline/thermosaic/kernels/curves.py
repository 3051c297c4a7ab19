"""A smooth line through the vertices of a sampled curve, sampled finely enough for offsets.

A road's line comes as chords of its curves. Stations of spots beside a chord jump at every vertex, so
each chord between gentle bends is replaced by a curve through the same vertices; straights stay straight
and true corners stay corners. Not done here: stations of points (polyline), reading files.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solveh_banded

SHARPEST = 0.8  # rad: a larger bend is a corner, whatever lies beside it
RELATED = 0.25  # a bend belongs to a curve if one beside it turns the same way by this share of it
STIFFNESS = 0.03  # small: equal leans make an arc of each chord, the rest goes to little bending


@dataclass(frozen=True, eq=False, slots=True)
class SmoothLine:
    """A fine polyline and what was done to the coarse one."""

    easting_m: np.ndarray  # (vertex)
    northing_m: np.ndarray  # (vertex)
    moved_m: float  # largest distance between a chord and its curve
    corner: np.ndarray  # int64: indices of vertices that stay corners, in the fine polyline
    corner_rad: np.ndarray  # their bends, + to the right


def smooth(vertex_m: tuple[np.ndarray, np.ndarray], kink_rad: float) -> SmoothLine:
    """Fit arcs through the gently bending vertices of a polyline and sample them.

    Tangents at the vertices are chosen so that each chord's curve leans equally at its two ends, as an
    arc does (least squares, weighted by chord length so that a long straight beside a curve stays
    straight); the curve is the cubic whose handles fit an arc.

    Parameters
    ----------
    vertex_m : two float64 arrays (vertex)
        Eastings and northings in metres; no two neighbours coincide.
    kink_rad : float
        Largest bend at a vertex of the result, corners aside.

    Returns
    -------
    SmoothLine
        Passes through all given vertices.
    """
    east, north = np.diff(vertex_m[0]), np.diff(vertex_m[1])
    length, bearing = np.hypot(east, north), np.arctan2(east, north)
    bend = (np.diff(bearing) + np.pi) % (2 * np.pi) - np.pi
    is_corner = _corners(bend, kink_rad)
    leave, arrive = _leans(length, bend, is_corner)
    count = np.maximum(np.ceil(1.2 * (np.abs(leave) + np.abs(arrive)) / kink_rad), 1).astype(int)
    easting, northing = _sample(vertex_m, length, bearing, leave, arrive, count)
    corner = np.flatnonzero(is_corner & (np.abs(bend) > kink_rad))
    starts = np.concatenate(([0], np.cumsum(count)))
    moved = float(np.max(length * np.maximum(np.abs(leave), np.abs(arrive)) / 4, initial=0.0))
    return SmoothLine(easting, northing, moved, starts[corner + 1], bend[corner])


def _corners(bend: np.ndarray, kink_rad: float) -> np.ndarray:
    """Whether each inner vertex is a corner: too sharp, or a bend without one of its kind beside it."""
    beside = np.zeros(len(bend), bool)
    same = bend[1:] * bend[:-1] > 0
    ratio = np.abs(bend[1:]), np.abs(bend[:-1])
    beside[1:] |= same & (ratio[1] >= RELATED * ratio[0])
    beside[:-1] |= same & (ratio[0] >= RELATED * ratio[1])
    return (np.abs(bend) > SHARPEST) | (~beside & (np.abs(bend) > kink_rad))


def _leans(length: np.ndarray, bend: np.ndarray, is_corner: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Angles in rad by which the curve leaves and arrives at each chord, + for a curve to the right.

    At a smooth vertex the lean arriving on its left chord and the one leaving on its right chord add up to
    the bend. A chord costs length ((leave - arrive)^2 + STIFFNESS (leave + arrive)^2). At a corner or an
    end a lean is free and follows the chord's other one, at half that cost: an even arc then costs nothing
    to keep up to its ends.
    """
    if not len(bend):
        return np.zeros(1), np.zeros(1)
    smooth_at = np.concatenate(([False], ~is_corner, [False]))  # (vertex), ends are free
    delta = np.concatenate(([0.0], np.where(is_corner, 0.0, bend), [0.0]))
    start, end = smooth_at[:-1], smooth_at[1:]  # (chord)
    alone, share = 2 * STIFFNESS / (1 + STIFFNESS), (1 - STIFFNESS) / (1 + STIFFNESS)
    own = length * np.where(start & end, 1 + STIFFNESS, alone)
    cross = length * np.where(start & end, 1 - STIFFNESS, 0.0)
    diagonal, right = np.zeros(len(delta)), np.zeros(len(delta))
    diagonal[:-1] += own
    diagonal[1:] += own
    right[:-1] += own * delta[:-1]
    right[1:] += cross * delta[:-1]
    diagonal, right = np.where(smooth_at, diagonal, 1.0), np.where(smooth_at, right, 0.0)
    arriving = solveh_banded(np.array([np.concatenate(([0.0], cross)), diagonal]), right)
    leave, arrive = (delta - arriving)[:-1], arriving[1:]
    free_leave, free_arrive = np.where(end, share * arrive, 0.0), np.where(start, share * leave, 0.0)
    return np.where(start, leave, free_leave), np.where(end, arrive, free_arrive)


def _sample(
    vertex_m: tuple[np.ndarray, np.ndarray],
    length: np.ndarray,
    bearing: np.ndarray,
    leave: np.ndarray,
    arrive: np.ndarray,
    count: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Points of each chord's cubic at equal steps of its parameter, the last vertex at the end."""
    chord = np.repeat(np.arange(len(count)), count)
    first = np.concatenate(([0], np.cumsum(count)[:-1]))
    part = (np.arange(len(chord)) - first[chord]) / count[chord]
    turn = np.maximum(np.abs(leave) + np.abs(arrive), 1e-9)
    handle = length / 3 * (2 * np.tan(turn / 4) / np.sin(turn / 2))  # of an arc: 4/3 tan(turn / 4) radius
    weights = 3 * part * (1 - part) ** 2, 3 * part**2 * (1 - part), part**3
    result = []
    for vertex, out in ((vertex_m[0], np.sin), (vertex_m[1], np.cos)):
        begin, end = vertex[:-1], vertex[1:]
        legs = handle * out(bearing - leave), end - begin - handle * out(bearing + arrive), end - begin
        along = sum(weight * leg[chord] for weight, leg in zip(weights, legs, strict=True))
        result.append(np.append(begin[chord] + along, vertex[-1]))
    return result[0], result[1]
