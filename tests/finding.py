"""Findings of a synthetic lot whose earlier nouns come straight from its truth."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import shapely

import builders
from thermosaic import model
from thermosaic.config import RuleProfile
from thermosaic.files.catalogue import load_rules
from thermosaic.stages.s6_detect import detect_findings
from thermosaic.synthetic import SyntheticLot

NO_RASTERS = model.Rasters(np.datetime64("2026-01-01", "ns"), (), (), 0.0)


def rules(name: str = "differential-150ft", **changes: dict[str, Any]) -> RuleProfile:
    """Return a shipped rule profile with sections changed: `zone={"drop_delta_c": 7.0}`."""
    profile = load_rules(name)
    sections = {key: getattr(profile, key).model_copy(update=values) for key, values in changes.items()}
    return profile.model_copy(update=sections)


def find(
    lot: SyntheticLot,
    rule: RuleProfile | None = None,
    *,
    swath: dict[str, Any] | None = None,
    stations: dict[str, Any] | None = None,
    trajectory: dict[str, Any] | None = None,
    inputs: dict[str, Any] | None = None,
    **keywords: Any,
) -> model.Findings:
    """Run the stage on the truth of a lot, with fields of its nouns replaced."""
    return detect_findings(
        replace(builders.true_swath(lot), **(swath or {})),
        replace(builders.true_stations(lot), **(stations or {})),
        replace(builders.true_trajectory(lot), **(trajectory or {})),
        NO_RASTERS,
        replace(builders.true_inputs(lot), **(inputs or {})),
        rule or rules(),
        **keywords,
    )


def spots(lot: SyntheticLot, found: model.Findings, stations: model.Stations | None = None) -> pd.DataFrame:
    """Return the rows of the product of readings, as a consumer would see them."""
    swath = builders.true_swath(lot)
    stations = stations or builders.true_stations(lot)
    line, spot = np.nonzero(found.reason != model.NOT_A_ROW)
    code = swath.pass_code[line]
    return pd.DataFrame({
        "line": line,
        "spot": spot,
        "pass_code": code,
        "station_m": stations.zero_m[code] + stations.frame_m[line, spot],
        "offset_m": stations.offset_m[line, spot].astype(np.float64),
        "temp_c": swath.temp_c[line, spot].astype(np.float64),
        "reason": np.array(model.REASONS)[found.reason[line, spot]],
    })  # fmt: skip


def overlap(one: shapely.Geometry, other: shapely.Geometry) -> float:
    """Return intersection over union."""
    return float(one.intersection(other).area / one.union(other).area)


def best_overlap(geometry: shapely.Geometry, others: Any) -> float:
    """Return the largest intersection over union with any of the others, 0 without any."""
    return max((overlap(geometry, other) for other in others), default=0.0)
