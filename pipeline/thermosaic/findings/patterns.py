"""Where and when a cold zone lies: its pattern and the numbers behind it; never why, never whose.

The criteria in their order; the first that holds is the pattern, the next one `pattern_2`. Numbers without
another source are common practice, no source.

* `at_stop`: half of the zone or more lies between 2 ft behind the scan line and 8 ft ahead of the screed
  of a stop (the rule's own stop stretch, whatever its reference);
* `pass_start`: half or more lies within the rule's start-up length, at least 5 m, of where the pass begins;
* `cyclic`: the pass has a significant period (`cycles`), and another zone lies one period from this one;
* `along_joint`, `along_free_edge`: it comes within 0.3 m of the mat's edge, stays within 0.9 m of it and is
  at least 1.5 m and three times as long as wide;
* `streak`: at least 3 m and four times as long as wide;
* `single`: none of these.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..config import RuleProfile
from ..delivery import Sentence, tell, together
from ..kernels.periods import Period
from ..model import Swath
from .cycles import DRAWS, FEWEST_EVENTS, MEMBER_FRAC, PART_FRAC, Cycle, members, one_cycle, recurrence
from .frames import edge_range, laid_between
from .stops import Stop
from .zones import Zone

START_LEAST_M = 5.0
EDGE_REACH_M = 0.3
EDGE_BAND_M = 0.9
EDGE_LEAST_M = 1.5
EDGE_RATIO = 3.0
STREAK_LEAST_M = 3.0
STREAK_RATIO = 4.0
HALF = 0.5


@dataclass(frozen=True, slots=True)
class Pattern:
    word: str
    evidence: Sentence
    stop_id: int | None = None


def zone_patterns(
    zones: tuple[Zone, ...],
    stops: tuple[Stop, ...],
    rules: RuleProfile,
    load_ends_m: np.ndarray,
    level: Period | None,
) -> tuple[list[list[Pattern]], Cycle | None]:
    """Name the patterns of the zones of one pass, the first two that hold; `single` where none does.

    Parameters
    ----------
    load_ends_m : float64 (load)
        Distances at which loads end by their tickets: only they make `cyclic` a load's end.
    level : Period, optional
        Of the pass's cold level.

    Returns
    -------
    list, Cycle or None
        Patterns of each zone, and the one cycle of the pass.
    """
    bound = [_bound_to_place(zone, stops, rules) for zone in zones]
    cyclic, cycle = _cyclic(zones, np.array([not patterns for patterns in bound], bool), load_ends_m, level)
    found = []
    for i, zone in enumerate(zones):
        patterns = [*bound[i], *cyclic.get(i, ()), *_by_shape(zone)]
        found.append(patterns[:2] or [_single(zone)])
    return found, cycle


def _bound_to_place(zone: Zone, stops: tuple[Stop, ...], rules: RuleProfile) -> list[Pattern]:
    """Patterns that a stop or the beginning of the pass gives."""
    found = []
    for stop in stops:
        behind, ahead = rules.stop.behind_m, stop.screed_forward_m + rules.stop.ahead_m
        share = _share_within(zone, stop.distance_m - behind, stop.distance_m + ahead)
        if stop.mat is zone.mat and share >= HALF:
            text = tell(
                "{percent:.0f} % of its length lies between {behind_m:.1f} behind and {ahead_m:.1f} ahead of "
                "the scan line at stop {stop}, which lasted {duration_s:.0f}.",
                percent=100 * share, behind_m=behind, ahead_m=ahead, stop=stop.id, duration_s=stop.duration_s,
            )  # fmt: skip
            found.append(Pattern("at_stop", text, stop.id))
            break
    start_m, reach_m = zone.mat.span_m[0], max(rules.profile.start_up_m, START_LEAST_M)
    share = _share_within(zone, start_m, start_m + reach_m)
    if zone.mat.begins and share >= HALF:
        text = tell(
            "{percent:.0f} % of its length lies in the first {reach_m:.1f} of the pass; it begins {after_m:.1f} "
            "after its first line.",
            percent=100 * share, reach_m=reach_m, after_m=zone.from_m - start_m,
        )  # fmt: skip
        found.append(Pattern("pass_start", text))
    return found


def _share_within(zone: Zone, from_m: float, to_m: float) -> float:
    inside = min(zone.to_m, to_m) - max(zone.from_m, from_m)
    return max(inside, 0.0) / max(zone.length_m, 1e-6)


def _cyclic(
    zones: tuple[Zone, ...], counts: np.ndarray, load_ends_m: np.ndarray, level: Period | None
) -> tuple[dict[int, tuple[Pattern]], Cycle | None]:
    """Pattern of the zones that lie in the pass's cycle, by their place among the zones, and the cycle."""
    if not zones:
        return {}, one_cycle(None, level)
    from_m, to_m = (np.array([getattr(zone, name) for zone in zones]) for name in ("from_m", "to_m"))
    cycle = one_cycle(recurrence(from_m, to_m, counts, zones[0].mat.span_m), level)
    held = members(from_m, to_m, counts, cycle.period_m) if cycle and cycle.is_significant else ()
    if not cycle or not held:
        return {}, cycle
    text = tell(
        "{what} every {period_m:.1f} along the pass, {count} zones lie so (significance {significance:.3f} against "
        "{draws} {chance}).{at_ends}",
        what="Zones recur" if cycle.by == "zones" else "The cold level of the mat comes back",
        period_m=cycle.period_m, count=len(held), significance=cycle.significance, draws=DRAWS,
        chance="random placings" if cycle.by == "zones" else "shufflings of it",
        at_ends=after_load_ends((from_m + to_m)[list(held)] / 2, load_ends_m, cycle.period_m),
    )  # fmt: skip
    return {member: (Pattern("cyclic", text),) for member in held}, cycle


def after_load_ends(middle_m: np.ndarray, load_ends_m: np.ndarray, period_m: float, what: str = "") -> str:
    """Say that zones, or `what`, lie one way past the ends of loads, where the tickets show it; else nothing.

    They do where at least 0.7 of them, and four, lie within 15 % of the period of one lag past the load end before
    them, and that lag is shorter than half a period.
    """
    before = np.searchsorted(load_ends_m, middle_m, side="right") - 1
    lag_m = (middle_m - np.r_[load_ends_m, np.nan][before])[before >= 0]
    if len(lag_m) < FEWEST_EVENTS:
        return ""
    usual_m = float(np.median(lag_m))
    near = np.abs(lag_m - usual_m) <= MEMBER_FRAC * period_m
    if near.sum() < max(FEWEST_EVENTS, PART_FRAC * len(middle_m)) or usual_m > HALF * period_m:
        return ""
    return tell(
        " By the tickets {count} of {total}{what} lie {lag_m:.1f} past the end of a truck load, give or take "
        "{off_m:.1f}.",
        count=int(near.sum()), total=len(middle_m), what=what, lag_m=usual_m,
        off_m=float(np.abs(lag_m[near] - usual_m).max()),
    )  # fmt: skip


def _by_shape(zone: Zone) -> list[Pattern]:
    """Patterns that length, width and the nearer edge give."""
    found = []
    size = tell(
        "{length_m:.1f} long and {width_m:.2f} wide on average", length_m=zone.length_m, width_m=zone.width_m
    )
    to_edges = (zone.offset_from_m - zone.edges_m[0], zone.edges_m[1] - zone.offset_to_m)
    far = (zone.offset_to_m - zone.edges_m[0], zone.edges_m[1] - zone.offset_from_m)
    side = int(to_edges[1] < to_edges[0])
    kinds = zone.mat.edge_kinds if zone.mat.upstation else zone.mat.edge_kinds[::-1]
    word = {"free": "along_free_edge", "cold joint": "along_joint", "hot joint": "along_joint"}.get(
        kinds[side]
    )
    lengthy = zone.length_m >= max(EDGE_LEAST_M, EDGE_RATIO * zone.width_m)
    at_edge = to_edges[side] <= EDGE_REACH_M and far[side] <= EDGE_BAND_M
    if word and lengthy and at_edge:
        name = ("left", "right")[side]
        text = tell(
            "It is {size} and stays within {far_m:.2f} of the {name} edge ({kind}), looking upstation.",
            size=size, far_m=far[side], name=name, kind=kinds[side],
        )  # fmt: skip
        found.append(Pattern(word, text))
    if zone.length_m >= max(STREAK_LEAST_M, STREAK_RATIO * zone.width_m):
        text = tell("It is {size}, {count} spots across.", size=size, count=len(np.unique(zone.spot)))
        found.append(Pattern("streak", text))
    return found


def _single(zone: Zone) -> Pattern:
    text = tell(
        "It is {length_m:.1f} long and {area_m2:.2f} large, at no stop, edge or pass start, and at no distance "
        "that recurs.",
        length_m=zone.length_m, area_m2=zone.area_m2,
    )  # fmt: skip
    return Pattern("single", text)


def zone_rows(
    zones: tuple[Zone, ...],
    patterns: list[list[Pattern]],
    swath: Swath,
    excluded: np.ndarray,
    sigma_m: np.ndarray,
) -> list[dict[str, Any]]:
    """Rows of the layer of cold zones, without their number.

    `excluded` marks readings in exclusions, bool (line, spot) of the swath; `sigma_m` is the position sigma
    of each line of the swath.
    """
    rows = []
    for zone, found in zip(zones, patterns, strict=True):
        field, mat = zone.field, zone.mat
        line, spot = field.readings.line[zone.line], field.readings.spot[zone.spot]
        cell_c, reference_c = field.temp_c[zone.rows, zone.cols], field.reference_c[zone.cols]
        rows.append({
            **mat.identity(),
            **mat.stations(*mat.frame_at(np.array([zone.from_m, zone.to_m]))),
            "area_m2": zone.area_m2,
            "offset_from_m": zone.offset_from_m, "offset_to_m": zone.offset_to_m,
            **edge_range(zone.offset_from_m, zone.offset_to_m, zone.edges_m, field.readings.cells.cell_m / 2),
            "temp_min_c": float(cell_c.min()), "temp_mean_c": float(cell_c.mean()),
            "reference_c": float(reference_c.mean()),
            "deficit_max_delta_c": float((reference_c - cell_c).max()),
            **laid_between(swath.laid_utc[line]),
            "pattern": found[0].word, "pattern_2": found[1].word if len(found) > 1 else None,
            "evidence": together([pattern.evidence for pattern in found]),
            "stop_id": next((pattern.stop_id for pattern in found if pattern.stop_id), None),
            "in_scope": not bool(excluded[line, spot].any()),
            "position_sigma_m": float(np.sqrt(np.mean(sigma_m[np.unique(line)] ** 2))),
            "geometry": zone.geometry,
        })  # fmt: skip
    return rows
