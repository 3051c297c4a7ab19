"""Cold zones: cells of the mat colder than its surroundings, whatever the class of the profile.

The reference of a cell is the level of the mat along station: at each column of cells the median across,
then the running median of these over the rule's window. A drift of the plant moves both; a band as wide as
the mat, or a cold edge, moves neither. Used are first looks by working spots before any temperature cut,
without people, tools, shoulder and kerb (`objects`).

A rule may fix the reference at the laydown target instead: then a day that drifts makes zones by drift alone.

An aged look is cold because the paver stood before the line saw it. Columns of aged looks therefore take
no part in the running median, and are compared with their own median where that is lower: what is cold
within the strip still is a zone, the strip itself is not.

Neighbours count diagonally, so that an oblique streak of cells is one zone; where cells touch at a corner
only, its outline has several parts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from scipy import ndimage

from ..config import ZoneRule
from ..errors import ConfigError
from ..kernels import blobs, cells
from ..kernels.mesh import LONGEST_STEP_M
from ..model import Swath
from .mat import PassMat
from .objects import NOT_MAT_BELOW_C, NotMat, find_not_mat
from .readings import PassReadings

ONE_SPOT_LONGEST_M = 3.0  # a colder strip seen by one spot only is the spot's, not the mat's


@dataclass(frozen=True, eq=False, slots=True)
class ColdField:
    """Temperatures and reference of one pass on the cells of zones."""

    readings: PassReadings
    not_mat: NotMat  # (first-look line of the block, spot)
    fresh: np.ndarray  # int: lines of the block that are first looks
    clean: np.ndarray  # bool (line, spot): first looks at mat
    temp_c: np.ndarray  # float64 (row, col), holes between spots and lines bridged; NaN = empty
    reference_c: np.ndarray  # float64 (col), NaN where there is no mat

    @property
    def foreign(self) -> np.ndarray:
        """Readings of objects, bool (line, spot) of the block."""
        return self._spread(self.not_mat.foreign)

    def _spread(self, part: np.ndarray) -> np.ndarray:
        whole = np.zeros(self.readings.row.shape, bool)
        whole[self.fresh] = part
        return whole


@dataclass(frozen=True, eq=False, slots=True)
class Zone:
    """One cold zone; `cells` are places in the block of cells, `readings` in the block of readings."""

    field: ColdField
    geometry: shapely.Geometry
    area_m2: float
    rows: np.ndarray  # int (cell)
    cols: np.ndarray  # int (cell)
    line: np.ndarray  # int (reading) line of the block
    spot: np.ndarray  # int (reading) spot of the block
    from_m: float  # distance along the path
    to_m: float
    offset_from_m: float
    offset_to_m: float
    edges_m: np.ndarray  # (2,) offsets of the mat's edges beside it

    @property
    def mat(self) -> PassMat:
        return self.field.readings.mat

    @property
    def length_m(self) -> float:
        return self.to_m - self.from_m

    @property
    def width_m(self) -> float:
        return self.area_m2 / max(self.length_m, 1e-6)


def cold_field(
    readings: PassReadings, swath: Swath, rule: ZoneRule, aged: np.ndarray, target_c: float | None
) -> ColdField:
    """Make the field of one pass; `aged` marks the aged lines of the swath, `target_c` is the laydown target."""
    fresh = np.flatnonzero(swath.first_look[readings.line])
    fresh = fresh[np.argsort(swath.distance_m[readings.line[fresh]], kind="stable")]
    column = readings.column_of_line()
    line_aged = aged[readings.line]
    reach = _reach(readings, swath, fresh, rule.cell_m)
    first_c = _cell_means(readings, readings.usable, reach)
    aged_columns = _aged_columns(column, line_aged, first_c.shape[1])
    reference_c = _reference(first_c, aged_columns, rule)
    at_line = np.where(column >= 0, np.r_[reference_c, np.nan][column], np.nan)
    pitch_m = float(np.mean(pitches_m(swath)))
    block = readings.line[fresh]
    not_mat = find_not_mat(
        readings.temp_c[fresh], readings.usable[fresh], at_line[fresh], swath.distance_m[block], pitch_m
    )
    clean = readings.usable.copy()
    clean[fresh] &= ~not_mat.either
    temp_c = _cell_means(readings, clean, reach) if not_mat.either.any() else first_c
    if rule.reference == "laydown_target":
        reference_c = _fixed(reference_c, aged_columns, target_c)
    return ColdField(readings, not_mat, fresh, clean, temp_c, reference_c)


def _fixed(local_c: np.ndarray, aged: np.ndarray, target_c: float | None) -> np.ndarray:
    """Give the laydown target where there is mat; a strip of aged looks is not cold by its age here either."""
    if target_c is None:
        raise ConfigError(
            "lot.toml: [lot] laydown_target is missing, and the rule finds zones against it; state it, like "
            'laydown_target = "300 degF"'
        )
    return np.where(np.isfinite(local_c), np.where(aged, np.fmin(local_c, target_c), target_c), np.nan)


def _reach(readings: PassReadings, swath: Swath, fresh: np.ndarray, cell_m: float) -> int:
    """Cells over which a hole between readings is bridged: half the spacing of spots and of lines."""
    steps = np.diff(swath.distance_m[readings.line[fresh]])
    steps = steps[steps <= LONGEST_STEP_M]
    pitch_m = float(pitches_m(swath).max())
    spacing_m = max(pitch_m, float(np.percentile(steps, 90)) if len(steps) else 0.0)
    return int(np.ceil(spacing_m / cell_m / 2))


def pitches_m(swath: Swath) -> np.ndarray:
    """Widths of the pitches of the spots that lie on the mat in some layout, each as in its first."""
    width_m = np.full(len(swath.layouts[0].on_mat), np.nan)
    for item in reversed(swath.layouts):
        width_m[item.on_mat] = np.ptp(item.pitch_m[item.on_mat], axis=1)
    return width_m[np.isfinite(width_m)]


def _cell_means(readings: PassReadings, use: np.ndarray, reach: int) -> np.ndarray:
    means = cells.mean(readings.cells, np.where(use, readings.temp_c, np.float32(np.nan)))
    return blobs.bridge_empty(means, reach)


def _aged_columns(column: np.ndarray, aged: np.ndarray, number: int) -> np.ndarray:
    """Mark columns of cells that hold aged looks."""
    marked = np.zeros(number, bool)
    marked[column[aged & (column >= 0)]] = True
    return marked


def _level_across(temp_c: np.ndarray) -> np.ndarray:
    """Median of each column of cells (row, col), NaN where all are empty."""
    if temp_c.size == 0:
        return np.full(temp_c.shape[1], np.nan)
    ordered = np.sort(temp_c, axis=0)
    number = np.isfinite(ordered).sum(axis=0)
    col = np.arange(temp_c.shape[1])
    low, high = ordered[np.maximum(number - 1, 0) // 2, col], ordered[number // 2, col]
    return np.where(number > 0, (low + high) / 2, np.nan)


def _reference(temp_c: np.ndarray, aged: np.ndarray, rule: ZoneRule) -> np.ndarray:
    """Local reference of each column, NaN where the column is no mat (not paved, or cold through)."""
    level_c = _level_across(temp_c)
    with np.errstate(invalid="ignore"):
        no_mat = ndimage.maximum_filter1d(level_c < NOT_MAT_BELOW_C, 3, mode="constant")  # and its rim
    level_c[no_mat] = np.nan
    window = max(3, round(rule.window_m / rule.cell_m))
    steady = pd.Series(np.where(aged, np.nan, level_c))
    running = steady.rolling(window, center=True, min_periods=1).median().to_numpy()
    running = np.where(aged, np.fmin(running, level_c), running)
    return np.where(np.isfinite(level_c), running, np.nan)


def find_zones(field: ColdField, swath: Swath, rule: ZoneRule) -> tuple[tuple[Zone, ...], int]:
    """Find the zones of one pass, in order of travel, and count the strips seen by one spot only."""
    readings = field.readings
    if field.temp_c.size == 0:
        return (), 0
    deficit = field.reference_c - field.temp_c
    with np.errstate(invalid="ignore"):
        labels, number = blobs.hysteresis(deficit >= rule.drop_delta_c, deficit >= rule.release_delta_c)
    if number == 0:
        return (), 0
    outlines = readings.outlines(labels)
    of_reading = cells.at_readings(readings.cells, labels)
    held = np.flatnonzero((of_reading > 0) & field.clean.ravel())
    held = held[np.argsort(of_reading[held], kind="stable")]
    line, spot = np.divmod(held, readings.row.shape[1])
    ends = np.searchsorted(of_reading[held], np.arange(1, number + 2))
    boxes, zones, narrow = ndimage.find_objects(labels), [], 0
    for code in range(1, number + 1):
        mine = slice(ends[code - 1], ends[code])
        within = tuple(np.nonzero(labels[boxes[code - 1]] == code))
        rows, cols = (at + box.start for at, box in zip(within, boxes[code - 1], strict=True))
        zone = _zone(field, swath, (rows, cols), outlines[code], line[mine], spot[mine])
        lines = np.ptp(zone.line) + 1 if len(zone.line) else 0
        if zone.area_m2 < rule.minimum_area_m2 or lines < rule.minimum_lines:
            continue
        if len(np.unique(zone.spot)) == 1 and zone.length_m > ONE_SPOT_LONGEST_M:
            narrow += 1
            continue
        zones.append(zone)
    return tuple(sorted(zones, key=lambda zone: (zone.from_m, zone.offset_from_m))), narrow


def _zone(
    field: ColdField,
    swath: Swath,
    held: tuple[np.ndarray, np.ndarray],
    outline: shapely.Geometry,
    line: np.ndarray,
    spot: np.ndarray,
) -> Zone:
    """Make a zone of its cells `held` (rows, columns of the block) and its readings (line, spot of the block)."""
    readings, mat = field.readings, field.readings.mat
    (rows, cols), index = held, readings.cells
    frame = np.array([cols.min() + index.col0, cols.max() + 1 + index.col0]) * index.cell_m
    from_m, to_m = np.clip(np.sort(mat.distance_at(frame)), *mat.span_m)
    edges_m = mat.edges_at(np.array([frame.mean()]))[0]
    low, high = (np.array([rows.min(), rows.max() + 1]) + index.row0) * index.cell_m
    return Zone(
        field=field,
        geometry=outline,
        area_m2=mat.ground_area(outline),
        rows=rows,
        cols=cols,
        line=line,
        spot=spot,
        from_m=float(from_m),
        to_m=float(to_m),
        offset_from_m=float(max(low, edges_m[0])),
        offset_to_m=float(min(high, edges_m[1])),
        edges_m=edges_m,
    )
