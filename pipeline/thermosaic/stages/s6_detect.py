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
    pay,
    profiles,
    speeds,
    stops,
    uniformity,
    verdicts,
    zones,
)
from ..findings.cycles import Cycle
from ..findings.doubts import doubts_of
from ..findings.relaid import count_second_looks
from ..findings.survey import Survey, survey_lot
from ..model import Findings, LotInputs, Rasters, Stations, Swath, Trajectory
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
    swath = relaid.swath
    survey = survey_lot(swath, stations, trajectory, inputs, rules, laydown_target_c)
    reason = verdicts.judge_readings(
        survey.rows, survey.foreign, survey.excluded, swath, survey.mats, survey.stops, rules, relaid.replaced
    )
    verdict = tuple(reason[block.place] for block in survey.readings)
    loads_of = tuple(
        loads.pass_loads(mat, survey.motion_of(mat), inputs.tickets, load_length_m, swath)
        for mat in survey.mats
    )
    zone_layer, strips, cycles = _zones(survey, verdict, swath, rules, loads_of)
    noted = diary.place_entries(inputs.diary, survey.mats, survey.stops, swath)
    zone_layer = diary.with_handwork(zone_layer, noted)
    frames = {
        "mat": layers.mat_layer(survey.readings, verdict, swath),
        "paver_path": layers.path_layer(survey.mats, swath),
        "cold_zones": zone_layer,
        "stops": stops.stop_layer(
            survey.stops, survey.readings, _clean(survey), swath, survey.sigma_m, diary.stop_reasons(noted)
        ),
        "speed_segments": speeds.speed_layer(survey.motions, survey.sigma_m),
        **_profiles(
            survey,
            verdict,
            inputs,
            stations,
            swath,
            trajectory,
            rules,
            laydown_target_c,
            loads_of,
            spread_rate_kg_m2,
        ),
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
        "uniformity": uniformity.uniformity(survey.fields, verdict, cycles, rules),
    }
    if rules.pay is not None:
        counts["pay"] = pay.pay(frames["profiles"], rules)
    if spread_rate_kg_m2 is not None:
        counts["tonnage"] = uniformity.tonnage(frames["lot"], spread_rate_kg_m2)
    counts |= {
        "diary": diary.diary_counts(inputs.diary, noted),
        "control": control.control_counts(frames["control"]),
        "tickets": loads.ticket_counts(inputs.tickets, frames["profiles_by_load"], loads_of),
    }
    doubts = (
        *doubts_of(frames, counts),
        *relaid.doubts,
        *diary.diary_doubts(inputs.diary, noted, swath),
        *control.control_doubts(frames["control"], swath, rules),
        *loads.ticket_doubts(counts["tickets"], spread_rate_kg_m2),
    )
    return Findings(reason, frames, counts, doubts)


def _clean(survey: Survey) -> tuple[np.ndarray, ...]:
    """First looks at mat, bool (line, spot) a block."""
    return tuple(field.clean for field in survey.fields)


def _zones(
    survey: Survey,
    verdict: tuple[np.ndarray, ...],
    swath: Swath,
    rules: RuleProfile,
    loads_of: tuple[tuple[loads.Load, ...], ...],
) -> tuple[gpd.GeoDataFrame, int, tuple[Cycle | None, ...]]:
    """Layer of cold zones, the number of strips that one spot alone saw, and the cycle of each pass."""
    rows: list[dict[str, Any]] = []
    strips, cycles = 0, []
    for field, reason, mine in zip(survey.fields, verdict, loads_of, strict=True):
        found, narrow = zones.find_zones(field, swath, rules.zone)
        level = uniformity.cold_period(field, reason, rules)
        named, cycle = patterns.zone_patterns(found, survey.stops, rules, loads.load_ends_m(mine), level)
        cycles.append(cycle)
        rows += patterns.zone_rows(found, named, swath, survey.excluded, survey.sigma_m)
        strips += narrow
    return layers.numbered("cold_zones", "zone_id", rows), strips, tuple(cycles)


def _profiles(
    survey: Survey,
    verdict: tuple[np.ndarray, ...],
    inputs: LotInputs,
    stations: Stations,
    swath: Swath,
    trajectory: Trajectory,
    rules: RuleProfile,
    laydown_target_c: float | None,
    loads_of: tuple[tuple[loads.Load, ...], ...],
    spread_rate_kg_m2: float | None,
) -> dict[str, gpd.GeoDataFrame]:
    """Layers of profiles and of loads; the sample of one pass at a time is held."""
    rows: list[dict[str, Any]] = []
    by_load: list[dict[str, Any]] = []
    road = inputs.alignment if stations.alignment is not None else None
    labels = None if road is None else StationLabels(equations=road.equations)
    for block, reason, mine in zip(survey.readings, verdict, loads_of, strict=True):
        sample = profiles.pass_sample(block, reason, rules, laydown_target_c)
        cuts = profiles.pass_cuts(block, rules, inputs.exclusions, labels)
        rows += profiles.profile_rows(
            sample, cuts, block, reason, survey.motion_of(block.mat), swath, trajectory, survey.sigma_m
        )
        by_load += loads.load_rows(sample, mine, spread_rate_kg_m2)
    return {
        "profiles": layers.numbered("profiles", "profile_id", rows),
        "profiles_by_load": layers.numbered("profiles_by_load", "load_id", by_load),
    }
