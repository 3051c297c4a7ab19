"""Findings: a verdict for every reading, and the layers. The table of contents; the rooms are in `findings`.

Zones, stops and speeds know nothing of the class; the class knows nothing of zones.
"""

from __future__ import annotations

import logging
from typing import Any

import numpy as np

from ..config import RigSection, RuleProfile
from ..findings import layers, patterns, profiles, speeds, stops, verdicts, zones
from ..findings.frames import layer
from ..findings.mat import pass_mats
from ..findings.readings import pass_readings, rows_of_lot
from ..model import Doubt, Findings, LotInputs, Rasters, Stations, Swath, Trajectory

log = logging.getLogger("thermosaic")


def detect_findings(
    swath: Swath,
    stations: Stations,
    trajectory: Trajectory,
    rasters: Rasters,
    inputs: LotInputs,
    rules: RuleProfile,
    rig: RigSection,
    *,
    laydown_target_c: float | None = None,
    tick_step_m: float = layers.TICK_STEP_M,
) -> Findings:
    """Judge every reading of a lot and find its stops, speeds, zones and profiles.

    Parameters
    ----------
    rasters : Rasters
        Not read: zones and profiles stand on the readings themselves, on the rule's own cells.
    rules : RuleProfile
        Every number that judges; `laydown_target_c` is the lot's, for rules that judge against it.
    tick_step_m : float
        Distance of station ticks.

    Returns
    -------
    Findings
        Geometry in metres of the map CRS, frames without a CRS; columns as `tables.LAYER` says.

    Raises
    ------
    ConfigError
        The rule needs what the lot does not state: an alignment, or a laydown target.
    """
    mats = pass_mats(swath, stations, trajectory, inputs)
    rows = rows_of_lot(swath, stations)
    readings = tuple(pass_readings(mat, rows, swath, stations, rules.zone.cell_m) for mat in mats)
    aged = verdicts.aged_lines(swath, rules.window.look_age_s)
    fields = tuple(zones.cold_field(block, swath, rules.zone, aged) for block in readings)
    found_stops, waiting_s = stops.find_stops(trajectory, mats, rules.stop)
    motions = speeds.pass_motions(trajectory, swath, mats, found_stops)
    excluded = verdicts.excluded_readings(rows, swath, stations, inputs.exclusions)
    foreign = np.zeros(rows.shape, bool)
    for field in fields:
        foreign[field.readings.place] = field.foreign
    reason = verdicts.judge_readings(rows, foreign, excluded, swath, mats, found_stops, inputs, rules, rig)
    log.info("readings judged", extra={"done": 1, "total": 3})
    sigma_m = np.sqrt(
        swath.sigma_along_m.astype(np.float64) ** 2 + swath.sigma_across_m.astype(np.float64) ** 2
    )
    line_sigma_m = _mean_of_line(sigma_m[:, swath.on_mat])
    clean = {field.readings.mat.code: field.clean for field in fields}
    by_code = {block.mat.code: block for block in readings}
    frames = {
        "mat": layers.mat_layer(readings, reason, swath),
        "paver_path": layers.path_layer(mats, swath),
        "stops": stops.stop_layer(found_stops, by_code, clean, swath, line_sigma_m),
        "speed_segments": speeds.speed_layer(motions, line_sigma_m),
        "dropped": layers.dropped_layer(readings, reason),
        "gaps": layers.gap_layer(readings, swath),
        "station_ticks": layers.tick_layer(mats, inputs.alignment, tick_step_m),
    }
    frames["cold_zones"], narrow = _zone_layer(fields, found_stops, swath, excluded, line_sigma_m, rules, rig)
    log.info("zones found", extra={"done": 2, "total": 3})
    by_motion = {motion.mat.code: motion for motion in motions}
    profile_rows: list[dict[str, Any]] = []
    for block in readings:
        verdict = reason[block.place]
        sample = profiles.pass_sample(block, verdict, rules, laydown_target_c)
        profile_rows += profiles.profile_rows(
            sample, block, verdict, by_motion.get(block.mat.code), inputs, stations, swath, trajectory, line_sigma_m
        )  # fmt: skip
    frames["profiles"] = profiles.number_profiles(profile_rows)
    frames["lot"] = layers.lot_layer(frames, readings, reason, motions, found_stops, sigma_m, rules)
    log.info("profiles classed", extra={"done": 3, "total": 3})
    counts = verdicts.balance(reason, rows, swath, stations, mats)
    counts |= {
        "foreign_objects": sum(field.not_mat.count for field in fields),
        "one_spot_strips": narrow,
        "waiting_at_ends_s": round(waiting_s, 3),
    }
    return Findings(reason, frames, counts, _doubts(frames, counts))


def _mean_of_line(values: np.ndarray) -> np.ndarray:
    """Mean across each line, NaN where it has no value at all."""
    known = np.isfinite(values)
    number = known.sum(axis=1)
    total = np.where(known, values, 0.0).sum(axis=1)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _zone_layer(
    fields: tuple[zones.ColdField, ...],
    found_stops: tuple[stops.Stop, ...],
    swath: Swath,
    excluded: np.ndarray,
    sigma_m: np.ndarray,
    rules: RuleProfile,
    rig: RigSection,
) -> tuple[Any, int]:
    rows, narrow = [], 0
    for field in fields:
        found, strips = zones.find_zones(field, swath, rules.zone)
        named = patterns.zone_patterns(found, found_stops, rules, rig)
        rows += patterns.zone_rows(found, named, swath, excluded, sigma_m)
        narrow += strips
    return layer("cold_zones", [{**row, "zone_id": number} for number, row in enumerate(rows, 1)]), narrow


def _doubts(frames: dict[str, Any], counts: dict[str, Any]) -> tuple[Doubt, ...]:
    """Say in plain sentences what a reader of the findings should know."""
    doubts = []
    gaps, found = frames["gaps"], frames["profiles"]
    for kind, group in gaps.groupby("kind", sort=True):
        length = float(group["length_m"].sum())
        what = {"no_fix": "positions", "no_scan": "scan lines", "not_paving": "warm mat"}[str(kind)]
        text = f"{len(group)} stretches, {length:.0f} m in all, are without {what}: their profiles may be insufficient."
        doubts.append(Doubt("s6", f"gap_{kind}", text, length, "m"))
    lacking = int((found["profile_class"] == "insufficient").sum())
    if lacking:
        text = f"{lacking} of {len(found)} profiles have too few readings to be classed: see their coverage_frac."
        doubts.append(Doubt("s6", "insufficient_profiles", text, float(lacking)))
    near = int(found["borderline"].sum())
    if near:
        text = f"{near} of {len(found)} profiles lie within the instrument's accuracy of a class limit."
        doubts.append(Doubt("s6", "borderline_profiles", text, float(near)))
    if counts["one_spot_strips"]:
        text = (
            f"{counts['one_spot_strips']} long cold strips are seen by one spot only and are no zones: "
            "check that spot against a thermometer."
        )
        doubts.append(Doubt("s6", "one_spot_strip", text, float(counts["one_spot_strips"])))
    return tuple(doubts)
