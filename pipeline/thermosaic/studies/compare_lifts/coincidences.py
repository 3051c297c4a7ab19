"""Places of one lot over places of the other, and how many of them chance would give.

All is judged in the straightened frame of a line, station by offset, so that a shift along station is a
translation. Two places coincide where their edges lie no farther apart than twice their combined position sigma.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

REACH_SIGMAS = 2.0  # about 95 % of a normal error


@dataclass(frozen=True, eq=False, slots=True)
class Places:
    """Polygons of one kind and lot that lie on the common stretch of a line, in its frame."""

    row: np.ndarray  # int (place): row of its layer
    shape: np.ndarray  # object (place): polygons of station and offset, metres
    sigma_m: np.ndarray  # (place)


@dataclass(frozen=True, eq=False, slots=True)
class Pairs:
    """Which places coincide: numbers of both, distance, reach, and area of the overlap, in the frame."""

    one: np.ndarray  # int (pair)
    other: np.ndarray  # int (pair)
    distance_m: np.ndarray
    reach_m: np.ndarray
    overlap_m2: np.ndarray

    def count(self) -> int:
        """Places of the first kind that coincide with any."""
        return len(np.unique(self.one))


def reach_m(one: np.ndarray, other: np.ndarray, frame_sigma_m: float) -> np.ndarray:
    """Twice the combined sigma of two places and of the operation between their maps."""
    return REACH_SIGMAS * np.sqrt(one**2 + other**2 + frame_sigma_m**2)


def pairs(one: Places, other: Places, frame_sigma_m: float) -> Pairs:
    """Find every pair that coincides."""
    if not len(one.row) or not len(other.row):
        empty = np.empty(0)
        return Pairs(empty.astype(int), empty.astype(int), empty, empty, empty)
    tree = shapely.STRtree(one.shape)
    widest = float(reach_m(one.sigma_m.max(), other.sigma_m.max(), frame_sigma_m))
    theirs, mine = tree.query(other.shape, predicate="dwithin", distance=widest)
    distance = shapely.distance(one.shape[mine], other.shape[theirs])
    reach = reach_m(one.sigma_m[mine], other.sigma_m[theirs], frame_sigma_m)
    near = distance <= reach
    mine, theirs, distance, reach = mine[near], theirs[near], distance[near], reach[near]
    overlap = shapely.area(shapely.intersection(one.shape[mine], other.shape[theirs]))
    order = np.lexsort((theirs, mine))
    return Pairs(mine[order], theirs[order], distance[order], reach[order], overlap[order])


def covered_m2(one: Places, other: Places, found: Pairs) -> float:
    """Area of the first kind of places that lies over any of the other, each square metre once."""
    return float(sum(
        shapely.area(shapely.intersection(one.shape[i], shapely.union_all(other.shape[found.other[found.one == i]])))
        for i in np.unique(found.one[found.overlap_m2 > 0])
    ))  # fmt: skip


def shifted(other: Places, by_m: float, stretch_m: tuple[float, float]) -> Places:
    """The other places moved along station; what leaves the stretch at one end comes back at the other."""
    low, length = stretch_m[0], stretch_m[1] - stretch_m[0]
    if not len(other.row):
        return other
    middle = shapely.bounds(other.shape)[:, [0, 2]].mean(axis=1)
    moved = low + np.mod(middle + by_m - low, length) - middle
    copies = np.concatenate([moved, moved - length, moved + length])
    shapes = np.tile(other.shape, 3)
    point, of = shapely.get_coordinates(shapes, return_index=True)
    point[:, 0] += copies[of]
    shapes = shapely.set_coordinates(shapes.copy(), point)
    bounds = shapely.bounds(shapes)
    held = (bounds[:, 2] > low) & (bounds[:, 0] < low + length)
    return Places(np.tile(other.row, 3)[held], shapes[held], np.tile(other.sigma_m, 3)[held])


def nearest(one: Places, other: Places) -> tuple[np.ndarray, np.ndarray]:
    """The nearest of the other places to each, and how far its edge is; -1 and NaN where there is none."""
    if not len(one.row) or not len(other.row):
        return np.full(len(one.row), -1), np.full(len(one.row), np.nan)
    apart = shapely.distance(one.shape[:, None], other.shape[None, :])
    best = apart.argmin(axis=1)
    return best, apart[np.arange(len(best)), best]
