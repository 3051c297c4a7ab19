"""A cold zone, step by step: its cells, the mat it is compared with, the deficit, and the rule's limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ...findings.zones import ColdField
from ...kernels import blobs, cells
from ...published import Published
from .readings import left_out, logged, reading_rows
from .steps import Fact, Step, equal, taken

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
    made = published.field_again(zone["pass_id"], spots)
    field, line, spot = made.field, made.line, made.spot
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
