"""A cold zone, step by step: its cells, the mat it is compared with, the deficit, and the rule's limits."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from ...config import ZoneRule
from ...findings.readings import PassReadings, row_cells
from ...findings.zones import ColdField, cold_field
from ...kernels import blobs, cells
from .readings import left_out, logged, reading_rows
from .steps import Fact, Published, Step, equal, taken

SHOWN = 6  # coldest readings


@dataclass(frozen=True, eq=False, slots=True)
class _Found:
    """The field of a pass as published, and the cells of one zone in it."""

    field: ColdField
    spots: pd.DataFrame  # rows of the pass
    inside: np.ndarray  # bool (row of spots): first looks at mat in the zone's cells
    rows: np.ndarray
    cols: np.ndarray

    @property
    def cell_c(self) -> np.ndarray:
        return self.field.temp_c[self.rows, self.cols]

    @property
    def reference_c(self) -> np.ndarray:
        return self.field.reference_c[self.cols]


def zone_steps(published: Published, zone: pd.Series) -> tuple[Step, ...]:
    """All steps of one row of the layer of cold zones."""
    found = _find(published, zone)
    if found is None:
        return (_outline_step(published, zone), _pattern_step(zone))
    return (
        _outline_step(published, zone),
        _reading_step(published, found),
        _cell_step(published, found, zone),
        _reference_step(published, found, zone),
        _deficit_step(published, found, zone),
        _pattern_step(zone),
    )


def _outline_step(published: Published, zone: pd.Series) -> Step:
    """Where the zone lies, as the layer says."""
    rule = published.rules["zone"]
    facts = (
        Fact("zone_id", int(zone["zone_id"]), "zone"),
        taken("pass_id", zone["pass_id"], "paver pass"),
        taken("station_from_label", published.labels.text(zone["station_from_m"]), "from station"),
        taken("station_to_label", published.labels.text(zone["station_to_m"]), "to station"),
        taken(
            "offset_from_m", float(zone["offset_from_m"]), "smaller offset, right positive looking upstation"
        ),
        taken("offset_to_m", float(zone["offset_to_m"]), "larger offset"),
        taken("area_m2", float(zone["area_m2"]), "ground area of its outline"),
        Fact("minimum_area_m2", rule["minimum_area_m2"], "smallest area that the rule takes"),
        taken("position_sigma_m", float(zone["position_sigma_m"]), "position sigma"),
    )
    return Step("outline", "Where the zone lies; its outline follows the cells of the mat.", facts)


def _find(published: Published, zone: pd.Series) -> _Found | None:
    """Rebuild the field of the zone's pass and take the group of cold cells that lies where the zone does."""
    spots = published.of_pass(zone["pass_id"])
    field, line, spot = _field(published, spots, zone["pass_id"])
    rule = published.rules["zone"]
    with np.errstate(invalid="ignore"):
        deficit = field.reference_c - field.temp_c
        labels, _ = blobs.hysteresis(deficit >= rule["drop_delta_c"], deficit >= rule["release_delta_c"])
    index, zero_m = field.readings.cells, published.zero_m(zone["pass_id"])
    station_m = zero_m + (np.arange(index.shape[1]) + index.col0 + 0.5) * index.cell_m
    offset_m = (np.arange(index.shape[0]) + index.row0 + 0.5) * index.cell_m
    along = (station_m > zone["station_from_m"] - 1e-6) & (station_m < zone["station_to_m"] + 1e-6)
    across = (offset_m > zone["offset_from_m"] - index.cell_m) & (
        offset_m < zone["offset_to_m"] + index.cell_m
    )
    here = labels[np.ix_(across, along)]
    if not (here > 0).any():
        return None
    code = int(np.bincount(here[here > 0]).argmax())
    rows, cols = np.nonzero(labels == code)
    of_reading = cells.at_readings(index, labels).reshape(field.readings.row.shape)
    inside = ((of_reading == code) & field.clean)[line, spot]
    return _Found(field, spots, inside, rows, cols)


def _field(
    published: Published, spots: pd.DataFrame, pass_id: str
) -> tuple[ColdField, np.ndarray, np.ndarray]:
    """Field of a pass from its published readings; line and spot of each reading in the field's block."""
    lines, line = np.unique(spots["line"].to_numpy(), return_inverse=True)
    columns, spot = _across(spots, published.quality["mat_frames"][pass_id]["travel"])
    shape = (len(lines), len(columns))
    reason = spots["dropped_reason"].astype(object).fillna("").to_numpy()

    def block(values: np.ndarray, empty: Any) -> np.ndarray:
        filled = np.full(shape, empty, values.dtype)
        filled[line, spot] = values
        return filled

    row = block(np.ones(len(spots), bool), False)
    frame_m = block(spots["station_m"].to_numpy(float) - published.zero_m(pass_id), np.nan)
    offset_m = block(spots["offset_m"].to_numpy(np.float32), np.nan)
    temp_c = block(spots["temp_c"].to_numpy(np.float32), np.nan)
    usable = block(~np.isin(reason, ("no_reading", "bad_spot", "second_look")), False)
    first_look = block(reason != "second_look", False).any(axis=1)
    rule = ZoneRule.model_construct(**published.rules["zone"])
    everything = (slice(None), slice(None))
    index = row_cells(frame_m, offset_m, row, rule.cell_m)
    readings = PassReadings(
        mat=None, line=np.arange(shape[0]), spot=np.arange(shape[1]), place=everything, row=row,
        usable=usable & np.isfinite(temp_c), temp_c=temp_c, frame_m=frame_m, offset_m=offset_m, cells=index,
    )  # type: ignore[arg-type]  # fmt: skip
    age = block(spots["look_age_s"].to_numpy(float), np.nan)
    with np.errstate(invalid="ignore"):
        aged = (age > published.rules["window"]["look_age_s"]).any(axis=1)
    travelled = np.abs(np.nanmedian(frame_m, axis=1) - np.nanmedian(frame_m[0]))
    layout = SimpleNamespace(pitch_m=_pitches(offset_m), on_mat=np.ones(shape[1], bool))
    swath = SimpleNamespace(
        first_look=first_look, distance_m=np.maximum.accumulate(travelled), layouts=(layout,)
    )
    target_c = published.config["lot"]["laydown_target_c"]
    return cold_field(readings, swath, rule, aged, target_c), line, spot  # type: ignore[arg-type]


def _across(spots: pd.DataFrame, travel: str) -> tuple[np.ndarray, np.ndarray]:
    """Spot numbers from left to right in travel, and the place of each reading among them."""
    numbers, spot = np.unique(spots["spot"].to_numpy(), return_inverse=True)
    offset_m = np.bincount(spot, spots["offset_m"].to_numpy(float)) / np.bincount(spot)
    order = np.argsort(offset_m if travel == "upstation" else -offset_m)
    return numbers[order], np.argsort(order)[spot]


def _pitches(offset_m: np.ndarray) -> np.ndarray:
    """Ends of each spot's pitch (spot, 2): half way to its neighbours."""
    middle = np.nanmedian(offset_m, axis=0)
    step = np.abs(np.gradient(middle)) if len(middle) > 1 else np.ones(1)
    return np.column_stack((middle - step / 2, middle + step / 2))


def _reading_step(published: Published, found: _Found) -> Step:
    readings = found.spots[found.inside]
    facts = (
        Fact("reading_count", len(readings), "first looks at mat in its cells, before any temperature cut"),
        Fact("kept_count", int(readings["kept"].sum()), "of these kept in the profiles' statistics"),
        left_out(readings, "left out there"),
        *logged(published, readings),
    )
    coldest = readings.nsmallest(SHOWN, "temp_c", keep="first")
    return Step(
        "readings",
        "The readings that it stands on, the coldest shown.",
        facts,
        reading_rows(published, coldest),
    )


def _cell_step(published: Published, found: _Found, zone: pd.Series) -> Step:
    facts = (
        Fact("cell_m", published.rules["zone"]["cell_m"], "cell of zones"),
        Fact("cell_count", len(found.rows), "cells"),
        equal("temp_min_c", found.cell_c.min(), zone["temp_min_c"], "coldest cell"),
        equal("temp_mean_c", found.cell_c.mean(), zone["temp_mean_c"], "mean of its cells"),
    )
    return Step("cells", "Means of the readings in each cell; holes between spots are bridged.", facts)


def _reference_step(published: Published, found: _Found, zone: pd.Series) -> Step:
    rule = published.rules["zone"]
    facts = (
        Fact("reference", rule["reference"], "compared with"),
        Fact("window_m", rule["window_m"], "length of the running median"),
        equal("reference_c", found.reference_c.mean(), zone["reference_c"], "reference, mean over its cells"),
    )
    sentence = (
        "The mat it is compared with: the median across the mat at each column of cells, then the running median "
        "of these along station, so that a slow drift of the plant moves cell and reference alike."
        if rule["reference"] == "local"
        else "The lot's laydown target, as the rule fixes it; a slow drift of the plant moves the cell alone."
    )
    return Step("reference", sentence, facts)


def _deficit_step(published: Published, found: _Found, zone: pd.Series) -> Step:
    """Reference less cell, largest and smallest, against the rule."""
    rule, deficit = published.rules["zone"], found.reference_c - found.cell_c
    worst = int(np.argmax(deficit))
    index, zero_m = found.field.readings.cells, published.zero_m(zone["pass_id"])
    station_m = zero_m + (found.cols[worst] + index.col0 + 0.5) * index.cell_m
    facts = (
        Fact("station_label", published.labels.text(station_m), "station of the worst cell"),
        Fact("offset_m", (found.rows[worst] + index.row0 + 0.5) * index.cell_m, "its offset"),
        Fact("cell_c", found.cell_c[worst], "its temperature"),
        Fact("cell_reference_c", found.reference_c[worst], "its reference"),
        equal("deficit_max_delta_c", deficit[worst], zone["deficit_max_delta_c"], "largest deficit"),
        Fact("drop_delta_c", rule["drop_delta_c"], "deficit that starts a zone"),
        Fact("release_delta_c", rule["release_delta_c"], "deficit down to which it grows"),
        Fact("deficit_min_delta_c", deficit.min(), "smallest deficit in it"),
        Fact(
            "above_drop_count",
            int((deficit >= rule["drop_delta_c"]).sum()),
            "cells with the deficit that starts a zone",
        ),
    )
    return Step("deficit", "Reference less cell, against the rule.", facts)


def _pattern_step(zone: pd.Series) -> Step:
    facts = (
        taken("pattern", zone["pattern"], "pattern: where and when, not why and not whose"),
        taken("pattern_2", zone["pattern_2"], "second pattern"),
        taken("evidence", zone["evidence"], "evidence"),
        taken("stop_id", None if pd.isna(zone["stop_id"]) else int(zone["stop_id"]), "stop it lies at"),
    )
    return Step("pattern", "What the layer says about its pattern.", facts)
