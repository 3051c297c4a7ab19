"""Findings: a verdict for every reading, and the layers. The table of contents; the rooms are in `findings`.

Zones, stops and speeds know nothing of the class; the class knows nothing of zones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np

from ..config import RuleProfile
from ..findings import (
    control,
    diary,
    layers,
    loads,
    patterns,
    pay,
    profiles,
    speeds,
    stops,
    uniformity,
    verdicts,
    zones,
)
from ..findings.doubts import doubts_of
from ..findings.frames import numbered
from ..findings.relaid import Relaid, count_second_looks
from ..findings.survey import Survey, survey_lot
from ..model import Doubt, Findings, LotInputs, Rasters, Stations, Swath, Trajectory
from ..units import StationLabels


def detect_findings(
    swath: Swath,
    stations: Stations,
    trajectory: Trajectory,
    rasters: Rasters,
    inputs: LotInputs,
    rules: RuleProfile,
    *,
    laydown_target_c: float | None = None,
    tick_step_m: float = layers.TICK_STEP_M,
    spread_rate_kg_m2: float | None = None,
    load_length_m: float | None = None,
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
    spread_rate_kg_m2 : float, optional
        The lot's; gives the tonnage.
    load_length_m : float, optional
        Mat that one truck load covers, where there are no tickets.

    Returns
    -------
    Findings
        Geometry in metres of the map CRS, frames without a CRS; columns as `tables.LAYER` says.

    Raises
    ------
    ConfigError
        The rule needs what the lot does not state: an alignment, or a laydown target.
    """
    relaid = count_second_looks(swath, stations, trajectory, inputs)
    survey = survey_lot(relaid.swath, stations, trajectory, inputs, rules, laydown_target_c)
    judged = _judge(survey, relaid, inputs, rules, load_length_m)
    zone_layer, mat_counts = _zones(judged)
    frames = {
        **_ground_layers(judged, stations, tick_step_m),
        "cold_zones": diary.with_handwork(zone_layer, judged.noted),
        **_profiles(judged, stations, trajectory, laydown_target_c, spread_rate_kg_m2),
    }
    frames["lot"] = layers.lot_layer(
        frames, survey.readings, judged.verdict, survey.motions, survey.stops, survey.sigma_m
    )
    counts = {
        **verdicts.balance(judged.reason, judged.swath, stations, survey.mats),
        **mat_counts,
        **_stated_counts(judged, frames, spread_rate_kg_m2),
    }
    return Findings(judged.reason, frames, counts, _doubts(judged, frames, counts, spread_rate_kg_m2))


@dataclass(frozen=True, eq=False, slots=True)
class _Judged:
    """A lot with the verdict of every reading: what the layers are made of."""

    survey: Survey
    relaid: Relaid
    inputs: LotInputs
    rules: RuleProfile
    reason: np.ndarray  # (line, spot)
    loads: tuple[tuple[loads.Load, ...], ...]  # a tuple a pass
    noted: tuple[diary.Noted, ...]

    @property
    def swath(self) -> Swath:
        """The lines, relaid mat by its second look."""
        return self.relaid.swath

    @property
    def verdict(self) -> tuple[np.ndarray, ...]:
        """Reasons (line, spot), a block of readings each."""
        return tuple(self.reason[block.place] for block in self.survey.readings)


def _judge(
    survey: Survey, relaid: Relaid, inputs: LotInputs, rules: RuleProfile, load_length_m: float | None
) -> _Judged:
    swath = relaid.swath
    reason = verdicts.judge_readings(
        survey.rows, survey.foreign, survey.excluded, swath, survey.mats, survey.stops, rules, relaid.replaced
    )
    loads_of = tuple(
        loads.pass_loads(mat, survey.motion_of(mat), inputs.tickets, load_length_m, swath)
        for mat in survey.mats
    )
    noted = diary.place_entries(inputs.diary, survey.mats, survey.stops, swath)
    return _Judged(survey, relaid, inputs, rules, reason, loads_of, noted)


def _ground_layers(judged: _Judged, stations: Stations, tick_step_m: float) -> dict[str, gpd.GeoDataFrame]:
    """Layers that no statistic of a profile or zone enters."""
    survey, swath, inputs = judged.survey, judged.swath, judged.inputs
    clean = tuple(field.clean for field in survey.fields)
    return {
        "mat": layers.mat_layer(survey.readings, judged.verdict, swath),
        "paver_path": layers.path_layer(survey.mats, swath),
        "stops": stops.stop_layer(
            survey.stops, survey.readings, clean, swath, survey.sigma_m, diary.stop_reasons(judged.noted)
        ),
        "speed_segments": speeds.speed_layer(survey.motions, survey.sigma_m),
        "dropped": layers.dropped_layer(survey.readings, judged.verdict),
        "gaps": layers.gap_layer(survey.readings, swath),
        "station_ticks": layers.tick_layer(survey.mats, inputs.alignment, tick_step_m),
        "diary": diary.diary_layer(judged.noted),
        "control": control.control_layer(inputs.control, survey, swath, stations),
    }


def _stated_counts(
    judged: _Judged, frames: dict[str, gpd.GeoDataFrame], spread_rate_kg_m2: float | None
) -> dict[str, Any]:
    """Numbers that stand on what the site stated beside the logs."""
    inputs, rules = judged.inputs, judged.rules
    counts: dict[str, Any] = {}
    if rules.pay is not None:
        counts["pay"] = pay.pay(frames["profiles"], rules)
    if spread_rate_kg_m2 is not None:
        counts["tonnage"] = uniformity.tonnage(frames["lot"], spread_rate_kg_m2)
    return {
        **counts,
        "diary": diary.diary_counts(inputs.diary, judged.noted),
        "control": control.control_counts(frames["control"]),
        "tickets": loads.ticket_counts(inputs.tickets, frames["profiles_by_load"], judged.loads),
    }


def _doubts(
    judged: _Judged,
    frames: dict[str, gpd.GeoDataFrame],
    counts: dict[str, Any],
    spread_rate_kg_m2: float | None,
) -> tuple[Doubt, ...]:
    return (
        *doubts_of(frames, counts),
        *judged.relaid.doubts,
        *diary.diary_doubts(judged.inputs.diary, judged.noted, judged.swath),
        *control.control_doubts(frames["control"], judged.swath, judged.rules),
        *loads.ticket_doubts(counts["tickets"], spread_rate_kg_m2),
    )


def _zones(judged: _Judged) -> tuple[gpd.GeoDataFrame, dict[str, Any]]:
    """Layer of cold zones, and what the cells of zones say of the mat as a whole."""
    survey, rules, swath = judged.survey, judged.rules, judged.swath
    rows: list[dict[str, Any]] = []
    strips, cycles, images = 0, [], []
    for field, reason, mine in zip(survey.fields, judged.verdict, judged.loads, strict=True):
        found, narrow = zones.find_zones(field, swath, rules.zone)
        images.append(uniformity.image_in_scope(field, reason))
        level = uniformity.cold_period(images[-1], rules)
        named, cycle = patterns.zone_patterns(found, survey.stops, rules, loads.load_ends_m(mine), level)
        cycles.append(cycle)
        rows += patterns.zone_rows(found, named, swath, survey.excluded, survey.sigma_m)
        strips += narrow
    return numbered("cold_zones", "zone_id", rows), {
        "foreign_objects": sum(field.not_mat.count for field in survey.fields),
        "one_spot_strips": strips,
        "waiting_at_ends_s": round(survey.waiting_s, 3),
        "uniformity": uniformity.uniformity(survey.fields, tuple(images), tuple(cycles), rules),
    }


def _profiles(
    judged: _Judged,
    stations: Stations,
    trajectory: Trajectory,
    laydown_target_c: float | None,
    spread_rate_kg_m2: float | None,
) -> dict[str, gpd.GeoDataFrame]:
    """Layers of profiles and of loads; the sample of one pass at a time is held."""
    survey, inputs, rules = judged.survey, judged.inputs, judged.rules
    rows: list[dict[str, Any]] = []
    by_load: list[dict[str, Any]] = []
    road = inputs.alignment if stations.alignment is not None else None
    labels = None if road is None else StationLabels(equations=road.equations)
    for block, reason, mine in zip(survey.readings, judged.verdict, judged.loads, strict=True):
        sample = profiles.pass_sample(block, reason, rules, laydown_target_c)
        cuts = profiles.pass_cuts(block, rules, inputs.exclusions, labels)
        motion = survey.motion_of(block.mat)
        rows += profiles.profile_rows(
            sample, cuts, block, reason, motion, judged.swath, trajectory, survey.sigma_m
        )
        by_load += loads.load_rows(sample, mine, spread_rate_kg_m2)
    return {
        "profiles": numbered("profiles", "profile_id", rows),
        "profiles_by_load": numbered("profiles_by_load", "load_id", by_load),
    }
