"""The sentences of a plan: by which rule it was made, what came of it, and the cautions."""

from __future__ import annotations

from collections import Counter

import geopandas as gpd
import numpy as np

from ...delivery import Sentence, tell, together
from ...published import Published
from ...units import UNITS
from .paved import OWN_FROM, SMALLEST
from .places import MOST_PLACES, STEP_M, STEPS
from .rule import EDGE_KINDS, PlanRule
from .sites import Plan
from .stream import DIGITS

CAUTIONS = (
    "The plan is a proposal: how many cores, where, and by which rule is the agency's. Agree on the seed before the "
    "lot is laid, so that nobody can look for one that suits.",
    "Look for utilities, joints, drains and structures before anybody drills: a site that cannot be drilled is drawn "
    "again by the agency's rule, not moved by eye.",
    "ASTM D3665 was read in its abstract only, AASHTO R 67 not at all: no conformity with any standard is claimed.",
)


def plan_notes(published: Published, plan: Plan, rule: PlanRule, numbers: str) -> tuple[str, ...]:
    """Tell the rule of the random sites, and what came of it.

    Parameters
    ----------
    numbers : str
        Where the random numbers come from, in words.
    """
    lot = published.config["lot"]
    sublots = plan.sublots["sublot_id"].nunique()
    return (
        f"Lot {lot['id']}, revision {lot['revision']}: {len(plan.cores)} random sites in {sublots} sublots, "
        f"{rule.per_sublot} in each",
        _size(plan, rule),
        _rest(plan),
        *_unequal(plan),
        _drawn(published),
        _edges(rule),
        f"random numbers of {DIGITS} digits, two a draw: {numbers}",
        _again(plan),
        *_gaps(published),
        *_equations(published),
        "neither temperature nor appearance has a part in it (UFC 3-250-03: surface appearance must not affect the "
        "selection)",
        "uniform by station and across the mat, as the trade draws; on a bend that is not quite uniform by ground "
        "area: 1 % at 3 m (10 ft) off the line and a radius of 300 m (1000 ft)",
    )


def _size(plan: Plan, rule: PlanRule) -> str:
    counted = "counted through the passes in order of time"
    if rule.sublot_m is not None:
        return tell("sublots of {size_m:.2f} ground length of paved mat along its middle, " + counted,
                    size_m=rule.sublot_m)  # fmt: skip
    tonnes, tons = (rule.sublot_kg / UNITS["mass"][unit] for unit in ("t", "ton"))
    yards = plan.rate_kg_m2 / UNITS["area_mass"]["lb/yd2"]
    return (
        f"sublots of {tonnes:g} t of 1000 kg ({tons:g} short tons), {counted}; mass = ground area of mat x "
        f"{plan.rate_kg_m2:.1f} kg/m2 ({yards:.1f} lb/yd2), {plan.rate_words}"
    )


def _rest(plan: Plan) -> str:
    """Tell what became of the rest after whole sublots."""
    whole, rest = divmod(plan.whole + SMALLEST, 1.0)
    if whole < 1:
        return f"the lot is shorter than a sublot ({100 * rest:.1f} % of one): it is one sublot"
    if rest <= 2 * SMALLEST:
        return "the lot is whole sublots, nothing remained"
    where = "is a sublot of its own" if rest >= OWN_FROM else "belongs to the last sublot"
    return (
        f"after {whole:.0f} whole sublots {100 * rest:.1f} % of one remained and {where} (from half a sublot on what "
        "remains is one of its own)"
    )


def _unequal(plan: Plan) -> list[str]:
    weights = plan.sublots.groupby("sublot_id")["weight_frac"].first()
    if np.ptp(weights) < 1e-4:
        return []
    return [
        "the sublots are unequal: weight their samples by weight_frac when a mean of the lot is made "
        f"({100 * weights.min():.1f} to {100 * weights.max():.1f} %)"
    ]


def _drawn(published: Published) -> Sentence:
    labels = published.labels
    unit = f"0.{'0' * (labels.decimals - 1)}1 {'ft' if labels.unit == '100 ft' else 'm'}"
    return tell(
        "station = where the sublot begins in paving + random number x its length by stations, counted in the "
        "direction of paving; offset = left end of the usable width (looking upstation) + random number x that width; "
        "lengths, stations and offsets are rounded to {unit}, and what is printed is what was used", unit=unit,
    )  # fmt: skip


def _edges(rule: PlanRule) -> str:
    limits = [tell("{kind} {limit_m:.2f}", kind=kind, limit_m=rule.limits_m[kind]) for kind in EDGE_KINDS]
    how = (
        "a site that falls nearer is moved to the limit"
        if rule.move
        else "sites are drawn from between the limits only"
    )
    return together([together(["nearest to an edge of the mat:", limits[0]]), *limits[1:], how], ", ")


def _again(plan: Plan) -> str:
    left = Counter(plan.numbers.loc[~plan.numbers["used"].astype(bool), "reason"])
    if not left:
        return "no place had to be drawn again"
    listed = ", ".join(f"{count} {why}" for why, count in sorted(left.items()))
    return f"drawn again with the next two numbers: {sum(left.values())} places ({listed})"


def _gaps(published: Published) -> list[str]:
    """What a reader of the lengths should know where positions or readings are missing."""
    gaps = published.frames["gaps"]
    count = int((gaps["kind"] != "not_paving").sum())
    told = (
        f"without positions or scan lines: {count} stretches; within a pass they count straight between their ends, at "
        "the end of a pass they lie in no sublot"
    )
    return [told] if count else []


def _equations(published: Published) -> list[str]:
    found = published.labels.describe_equations()
    return [f"lengths count on across station equations: {'; '.join(found)}"] if found else []


def place_notes(published: Published, places: gpd.GeoDataFrame) -> tuple[str, ...]:
    """Tell what the places to look at are, and what they are not."""
    zones = published.frames["cold_zones"]
    scope = int(zones["in_scope"].fillna(True).astype(bool).sum())
    chosen = f"the {len(places)} of {scope}" if scope > MOST_PLACES else f"all {scope}"
    return (
        "NOT RANDOM, and no sample of the lot: never mix these readings with the random cores, never use them for "
        "acceptance",
        f"cold zones outside exclusions: {chosen}, those with the largest area x deficit first",
        tell("for each a line of {length_m:.2f} along the mat through its coldest place (15 m or 50 ft: Willoughby et "
             "al. 2002), a gauge reading every {step_m:.3f} (from memory, to be checked)",
             length_m=STEP_M * STEPS, step_m=STEP_M),
        tell("these authors hold a range of densities over {range_kg_m3:.0f}, or a mean less lowest over "
             "{drop_kg_m3:.0f}, for too much; which limits hold, if any, the agency says",
             range_kg_m3=96.1, drop_kg_m3=48.05),
        "a cold zone is a place to look, not proof of a defect; never walk on hot mat to confirm one",
    )  # fmt: skip
