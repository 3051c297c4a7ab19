"""What a plan is made by: how the lot is cut, how many sites, and how near to an edge none may lie."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ...kernels.yields import spread_rate_kg_m2
from ...published import Published

FOOT_M = 0.3048
EDGE_KINDS = ("free", "cold joint", "hot joint", "kerb")
LIMIT_M = FOOT_M  # SD 315: a site within 1 ft of the edge is moved to it (confirmed in a fetched text)
MIX_KG_M3 = 2349.0  # 110 lb/yd2 per inch of compacted thickness (trade rule, confirmed in fetched texts)


@dataclass(frozen=True, slots=True)
class PlanRule:
    """How sites are drawn; exactly one of `sublot_m` and `sublot_kg` is given.

    `limits_m` by kind of edge (`EDGE_KINDS`); `move` takes sites from the whole width and moves one that lies
    nearer to an edge than its limit to the limit, else they are drawn from between the limits.
    """

    sublot_m: float | None = None
    sublot_kg: float | None = None
    per_sublot: int = 1
    limits_m: Mapping[str, float] = field(default_factory=lambda: dict.fromkeys(EDGE_KINDS, LIMIT_M))
    move: bool = False

    def __post_init__(self) -> None:
        size = self.sublot_m if self.sublot_kg is None else self.sublot_kg
        if (self.sublot_m is None) == (self.sublot_kg is None) or size is None or not size > 0:
            raise ValueError("a sublot has a length or a mass above 0")
        if self.per_sublot < 1:
            raise ValueError("at least one site a sublot is drawn")
        if any(not limit >= 0 for limit in self.limits_m.values()):
            raise ValueError("a distance from an edge is 0 or more")


def printed_unit_m(published: Published) -> float:
    """Last decimal of station labels, a tenth of a foot or a hundredth of a metre: plans are rounded to it."""
    return published.labels.length_m * 10.0**-published.labels.decimals


def spread_rate(published: Published) -> tuple[float, str]:
    """Mass by area of the mat [kg/m2] that turns a mass into a length, and in words where it comes from."""
    lot = published.config["lot"]
    if lot.get("spread_rate_kg_m2"):
        return float(lot["spread_rate_kg_m2"]), "the lot's spread rate"
    rate = float(spread_rate_kg_m2(lot["thickness_m"], MIX_KG_M3))
    return rate, "the lot's thickness at 110 lb/yd2 per inch (2349 kg/m3): it states no spread rate"
