"""Mat by truck load: where each load ends, the rule's statistic over its stretch, and what its mass says.

With tickets a load ends where the screed stood when its discharge ended; what the hopper still held reaches the
mat some way further on. Without tickets, loads are stretches of a stated length from the pass's start. A load is no
profile: the rule classes its own length only, so loads have the statistic and no class.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import geopandas as gpd
import numpy as np

from ..delivery import tell
from ..model import Doubt, Swath, Ticket
from .cuts import Cut, cut_between
from .mat import PassMat
from .profiles import PassSample
from .speeds import Motion
from .stops import screed_forward_m

SHORTEST_M = 1.0  # a shorter load is counted with the next: its ticket came late
RATE_APART_FRAC = 0.1  # of the stated spread rate: worth a look (common practice, no source)


@dataclass(frozen=True, eq=False, slots=True)
class Load:
    """One load's stretch of C's path; tickets are empty where the load is by length, or not ticketed."""

    from_m: float
    to_m: float
    cut_by: str
    tickets: tuple[Ticket, ...] = ()
    whole: bool = False  # between the ends of two loads: its mass is on its own area

    @property
    def mass_t(self) -> float:
        return sum(ticket.mass_t for ticket in self.tickets) if self.tickets else np.nan


def pass_loads(
    mat: PassMat,
    motion: Motion | None,
    tickets: tuple[Ticket, ...],
    load_length_m: float | None,
    swath: Swath,
) -> tuple[Load, ...]:
    """Cut one pass into loads, in order of travel; none where neither tickets nor a length are given."""
    mine = () if motion is None else _tickets_of(motion, tickets)
    if motion is not None and mine:
        return _ticketed(mat, mine, _screed_at(motion, mine, swath))
    if tickets or load_length_m is None:
        return ()
    cuts = np.r_[np.arange(mat.span_m[0], mat.span_m[1], load_length_m), mat.span_m[1]]
    return tuple(Load(float(a), float(b), "load_length") for a, b in pairwise(cuts))


def _tickets_of(motion: Motion, tickets: tuple[Ticket, ...]) -> tuple[Ticket, ...]:
    times = (motion.start_s, motion.end_s)
    return tuple(item for item in tickets if times[0] < motion.seconds(item.time_utc) <= times[1])


def _screed_at(motion: Motion, tickets: tuple[Ticket, ...], swath: Swath) -> np.ndarray:
    """Distance along the path at which the screed stood at the time of each ticket."""
    times_utc = [ticket.time_utc for ticket in tickets]
    seconds = [motion.seconds(time_utc) for time_utc in times_utc]
    ahead_m = screed_forward_m(swath, np.array(times_utc, "M8[ns]"))
    return np.interp(seconds, motion.time_s, motion.distance_m) + ahead_m


def _ticketed(mat: PassMat, tickets: tuple[Ticket, ...], ends_m: np.ndarray) -> tuple[Load, ...]:
    loads, start, held = [], mat.span_m[0], []
    for ticket, end in zip(tickets, np.minimum(ends_m, mat.span_m[1]).tolist(), strict=True):
        held.append(ticket)
        if end - start >= SHORTEST_M:
            whole = bool(loads) and end < mat.span_m[1]
            loads.append(Load(start, end, "tickets", tuple(held), whole))
            start, held = end, []
    if mat.span_m[1] - start >= SHORTEST_M:
        loads.append(Load(start, mat.span_m[1], "tickets", tuple(held)))
    return tuple(loads)


def load_ends_m(loads: tuple[Load, ...]) -> np.ndarray:
    """Distances at which ticketed loads end, ascending."""
    return np.array([load.to_m for load in loads if load.tickets])


def load_rows(
    sample: PassSample, loads: tuple[Load, ...], spread_rate_kg_m2: float | None
) -> list[dict[str, Any]]:
    """Rows of the layer of loads of one pass, without their number."""
    return [_row(load, sample, spread_rate_kg_m2) for load in loads]


def _row(load: Load, sample: PassSample, spread_rate_kg_m2: float | None) -> dict[str, Any]:
    """One row of the layer of loads: the statistic over its stretch, and what its mass says."""
    mat = sample.mat
    cut: Cut = cut_between(mat, load.from_m, load.to_m)
    values, running_c, coverage = sample.stretch(cut.frame_from_m, cut.frame_to_m)
    found = sample.judge(values, running_c)
    geometry = mat.strip(load.from_m, load.to_m)
    area_m2 = mat.ground_area(geometry)
    spread = load.mass_t * 1000 / area_m2 if load.whole and area_m2 > 0 else np.nan
    ends = {"end_utc": load.tickets[-1].time_utc} if load.tickets else {}
    return {
        **mat.identity(),
        **mat.stations(cut.frame_from_m, cut.frame_to_m),
        **ends,
        "ticket_id": ", ".join(ticket.ticket_id for ticket in load.tickets if ticket.ticket_id) or None,
        "cut_by": load.cut_by,
        "length_m": cut.length_m, "area_m2": area_m2,
        "coverage_frac": coverage,
        "low_c": found.low_c, "high_c": found.high_c,
        "differential_delta_c": found.differential_delta_c,
        "mean_c": float(values.mean()) if len(values) else np.nan,
        "sd_delta_c": float(values.std(ddof=1)) if len(values) > 1 else np.nan,
        "mass_t": load.mass_t,
        "spread_kg_m2": spread,
        "spread_off_kg_m2": np.nan if spread_rate_kg_m2 is None else spread - spread_rate_kg_m2,
        "geometry": geometry,
    }  # fmt: skip


def ticket_counts(
    tickets: tuple[Ticket, ...], frame: gpd.GeoDataFrame, loads: tuple[tuple[Load, ...], ...]
) -> dict[str, Any]:
    """Mass by tickets, and what it is on the area of whole loads; tickets = on_mat + elsewhere.

    A pass's first load began before it and its last may end after it: they are not weighed against their area.
    """
    used = sum(len(load.tickets) for mine in loads for load in mine)
    weighed = frame[frame["spread_kg_m2"].notna()]
    area_m2, mass_t = float(weighed["area_m2"].sum()), float(weighed["mass_t"].sum())
    return {
        "tickets": len(tickets),
        "on_mat": used,
        "elsewhere": len(tickets) - used,
        "mass_t": float(frame["mass_t"].sum()),
        "weighed_loads": len(weighed),
        "weighed_t": mass_t,
        "weighed_m2": area_m2,
        "spread_kg_m2": mass_t * 1000 / area_m2 if area_m2 > 0 else np.nan,
    }


def ticket_doubts(counts: dict[str, Any], spread_rate_kg_m2: float | None) -> tuple[Doubt, ...]:
    """Say where the tickets belong to another lot, or weigh another mat than the stated one."""
    if counts["tickets"] and not counts["on_mat"]:
        text = (
            f"none of {counts['tickets']} tickets was discharged on this lot: check their date and time zone"
        )
        return (Doubt("s6", "tickets_elsewhere", text, float(counts["tickets"])),)
    if spread_rate_kg_m2 is None or not np.isfinite(counts["spread_kg_m2"]):
        return ()
    off = counts["spread_kg_m2"] / spread_rate_kg_m2 - 1
    if abs(off) <= RATE_APART_FRAC:
        return ()
    text = tell(
        "whole loads of {mass:.1f} t by ticket on {area_m2:.0f} are {percent:+.0f} % against the stated spread "
        "rate: check tickets, thickness and paved width",
        mass=counts["weighed_t"], area_m2=counts["weighed_m2"], percent=100 * off,
    )  # fmt: skip
    return (Doubt("s6", "tickets_against_rate", text, float(off), "share"),)
