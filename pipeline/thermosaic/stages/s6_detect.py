"""Findings: a verdict for every reading, and the layers. The table of contents; the rooms are in `findings`.

Zones, stops and speeds know nothing of the class; the class knows nothing of zones.
"""

from __future__ import annotations

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
    profiles,
    speeds,
    stops,
    uniformity,
    verdicts,
    zones,
)
from ..findings.doubts import doubts_of
from ..findings.survey import Survey, survey_lot
from ..model import Findings, LotInputs, Rasters, Stations, Swath, Trajectory


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
    survey = survey_lot(swath, stations, trajectory, inputs, rules, laydown_target_c)
    reason = verdicts.judge_readings(
        survey.rows, survey.foreign, survey.excluded, swath, survey.mats, survey.stops, rules
    )
    verdict = tuple(reason[block.place] for block in survey.readings)
    loads_of = tuple(
        loads.pass_loads(mat, survey.motion_of(mat), inputs.tickets, load_length_m, swath)
        for mat in survey.mats
    )
    zone_layer, strips = _zones(survey, swath, rules, loads_of)
    samples = tuple(
        profiles.pass_sample(block, kinds, rules, laydown_target_c)
        for block, kinds in zip(survey.readings, verdict, strict=True)
    )
    noted = diary.place_entries(inputs.diary, survey.mats, survey.stops, swath)
    frames = {
        "mat": layers.mat_layer(survey.readings, verdict, swath),
        "paver_path": layers.path_layer(survey.mats, swath),
        "cold_zones": zone_layer,
        "stops": stops.stop_layer(
            survey.stops, survey.readings, _clean(survey), swath, survey.sigma_m, diary.stop_reasons(noted)
        ),
        "speed_segments": speeds.speed_layer(survey.motions, survey.sigma_m),
        "profiles": _profiles(survey, samples, verdict, inputs, stations, swath, trajectory),
        "profiles_by_load": loads.load_layer(samples, loads_of, spread_rate_kg_m2),
        "dropped": layers.dropped_layer(survey.readings, verdict),
        "gaps": layers.gap_layer(survey.readings, swath),
        "station_ticks": layers.tick_layer(survey.mats, inputs.alignment, tick_step_m),
        "diary": diary.diary_layer(noted),
        "control": control.control_layer(inputs.control, survey, swath, stations),
    }
    frames["lot"] = layers.lot_layer(
        frames, survey.readings, verdict, survey.motions, survey.stops, survey.sigma_m
    )
    counts = verdicts.balance(reason, swath, stations, survey.mats)
    counts |= {
        "foreign_objects": sum(field.not_mat.count for field in survey.fields),
        "one_spot_strips": strips,
        "waiting_at_ends_s": round(survey.waiting_s, 3),
        "uniformity": uniformity.uniformity(survey.fields, verdict, rules),
    }
    if spread_rate_kg_m2 is not None:
        counts["tonnage"] = uniformity.tonnage(frames["lot"], spread_rate_kg_m2)
    counts |= {
        "diary": diary.diary_counts(inputs.diary, noted),
        "control": control.control_counts(frames["control"]),
        "tickets": loads.ticket_counts(inputs.tickets, frames["profiles_by_load"], loads_of),
    }
    doubts = (
        *doubts_of(frames, counts),
        *diary.diary_doubts(inputs.diary, noted, swath),
        *control.control_doubts(frames["control"], swath, rules),
        *loads.ticket_doubts(counts["tickets"], spread_rate_kg_m2),
    )
    return Findings(reason, frames, counts, doubts)


def _clean(survey: Survey) -> tuple[np.ndarray, ...]:
    """First looks at mat, bool (line, spot) a block."""
    return tuple(field.clean for field in survey.fields)


def _zones(
    survey: Survey, swath: Swath, rules: RuleProfile, loads_of: tuple[tuple[loads.Load, ...], ...]
) -> tuple[gpd.GeoDataFrame, int]:
    """Layer of cold zones, and the number of strips that one spot alone saw."""
    rows: list[dict[str, Any]] = []
    strips = 0
    for field, mine in zip(survey.fields, loads_of, strict=True):
        found, narrow = zones.find_zones(field, swath, rules.zone)
        named = patterns.zone_patterns(found, survey.stops, rules, loads.load_ends_m(mine))
        rows += patterns.zone_rows(found, named, swath, survey.excluded, survey.sigma_m)
        strips += narrow
    return layers.numbered("cold_zones", "zone_id", rows), strips


def _profiles(
    survey: Survey,
    samples: tuple[profiles.PassSample, ...],
    verdict: tuple[np.ndarray, ...],
    inputs: LotInputs,
    stations: Stations,
    swath: Swath,
    trajectory: Trajectory,
) -> gpd.GeoDataFrame:
    """Layer of profiles."""
    rows: list[dict[str, Any]] = []
    with_alignment = stations.alignment is not None
    for block, sample, reason in zip(survey.readings, samples, verdict, strict=True):
        cuts = profiles.pass_cuts(block, sample.rules, inputs.exclusions, with_alignment)
        rows += profiles.profile_rows(
            sample, cuts, block, reason, survey.motion_of(block.mat), swath, trajectory, survey.sigma_m
        )
    return layers.numbered("profiles", "profile_id", rows)
