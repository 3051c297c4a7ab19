"""Not mat: people, tools and rollers in front of the scanner, the cold shoulder, a kerb.

The criterion, with its numbers (common practice, no source):

* core: colder than 60 degC (140 degF), where no mixture is laid, or hotter than the local mat by 45 degC;
* an object is a connected core of at most 5 m along travel and 10 m2, that leaves a third of the mat's
  width free in its widest line: a paver's own cooled strip is mat wide, a shoulder is long;
* a shoulder or kerb is a cold core of any length that begins at the outermost spot of the mat;
* both take along their blurred rim: readings within two lines and one spot of the core that are off the
  local mat by more than 15 degC.

A real cold zone is warmer than 60 degC and keeps all its readings but such a rim. What is colder, small and
sharp counts as an object even if it is mix.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ..kernels import blobs

NOT_MAT_BELOW_C = 60.0
HOT_BY_DELTA_C = 45.0
LONGEST_M = 5.0
LARGEST_M2 = 10.0
WIDEST_FRAC = 2 / 3
RIM = np.ones((5, 3), bool)
RIM_BY_DELTA_C = 15.0


@dataclass(frozen=True, eq=False, slots=True)
class NotMat:
    """What hides or borders the mat, bool (line, spot) each."""

    foreign: np.ndarray
    shoulder: np.ndarray
    count: int  # objects

    @property
    def either(self) -> np.ndarray:
        return self.foreign | self.shoulder


def find_not_mat(
    temp_c: np.ndarray, usable: np.ndarray, reference_c: np.ndarray, distance_m: np.ndarray, pitch_m: float
) -> NotMat:
    """Find objects and shoulders in the first looks of one pass.

    Parameters
    ----------
    temp_c : float32 (line, spot), spots in order across the mat
    usable : bool (line, spot); other readings are neither core nor rim
    reference_c : float64 (line), temperature of the local mat; NaN where there is none
    distance_m : float64 (line) along the path, ascending
    pitch_m : float
        Mean distance between spots.
    """
    cold = usable & (temp_c < NOT_MAT_BELOW_C)
    core = cold | (usable & (temp_c > (reference_c + HOT_BY_DELTA_C)[:, None]))
    foreign, shoulder = np.zeros(temp_c.shape, bool), np.zeros(temp_c.shape, bool)
    has_core = core.any(axis=1)
    if not has_core.any():
        return NotMat(foreign, shoulder, 0)
    # only lines within the rim's reach of a core are looked at: beyond them nothing can change
    near = np.flatnonzero(ndimage.maximum_filter1d(has_core, RIM.shape[0], mode="constant"))
    spread = ndimage.maximum_filter1d(core[near], 3, axis=1, mode="constant")
    labels, number = blobs.label(core[near] | (spread & ~usable[near]))  # a dead spot splits nobody
    labels *= core[near]
    is_object, at_edge = _judge(
        labels, number, cold[near], distance_m[near], step_of(distance_m)[near] * pitch_m
    )
    off = usable[near] & (np.abs(temp_c[near] - reference_c[near][:, None]) > RIM_BY_DELTA_C)
    for into, chosen in ((foreign, is_object[labels]), (shoulder, (at_edge & ~is_object)[labels])):
        into[near] = chosen | (off & ndimage.binary_dilation(chosen, RIM))
    return NotMat(foreign, shoulder, int(is_object.sum()))


def step_of(distance_m: np.ndarray) -> np.ndarray:
    """Length of mat that each line stands for."""
    return np.gradient(distance_m) if len(distance_m) > 1 else np.zeros(len(distance_m))


def _judge(
    labels: np.ndarray, number: int, cold: np.ndarray, distance_m: np.ndarray, area_of_line_m2: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Say of each label (index = label) whether it is an object, and whether it begins at the mat's edge."""
    line, spot = np.nonzero(labels)
    code = labels[line, spot]
    area_m2 = np.bincount(code, area_of_line_m2[line], minlength=number + 1)
    first, last = np.full(number + 1, len(distance_m) - 1), np.zeros(number + 1, int)
    np.minimum.at(first, code, line)
    np.maximum.at(last, code, line)
    length_m = distance_m[last] - distance_m[first]
    in_line, of_line = np.unique(code.astype(np.int64) * len(distance_m) + line, return_counts=True)
    widest = np.zeros(number + 1, int)
    np.maximum.at(widest, in_line // len(distance_m), of_line)
    small = (length_m <= LONGEST_M) & (area_m2 <= LARGEST_M2) & (widest <= WIDEST_FRAC * labels.shape[1])
    small[0] = False
    outermost = np.zeros(number + 1, bool)
    outermost[np.unique(labels[:, [0, -1]][cold[:, [0, -1]]])] = True
    wide = np.bincount(
        in_line // len(distance_m), of_line > WIDEST_FRAC * labels.shape[1], minlength=number + 1
    )
    outermost &= wide <= 0.5 * np.bincount(in_line // len(distance_m), minlength=number + 1)
    outermost[0] = False
    return small, outermost
