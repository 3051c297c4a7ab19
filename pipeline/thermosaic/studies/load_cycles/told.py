"""What the study of a pass says, in sentences; a load's end is named only where tickets show it."""

from __future__ import annotations

import numpy as np

from ...delivery import Sentence, tell
from ...findings.patterns import after_load_ends
from .cycle import Interval, PassCycle


def sentences(cycle: PassCycle, load_kg: float | None, load_length_m: float | None) -> tuple[str, ...]:
    """Tell what comes back along a pass, what mass that is, and what tickets or a stated load say beside it."""
    if cycle.bands is None:
        return (_nothing(cycle),)
    found = [_period(cycle), _mass(cycle), *_by_tickets(cycle)]
    if load_kg is not None:
        length = cycle.load_length_m(load_kg)
        found.append(
            tell(
                "A load of {load_mass_t:.1f} covers {length_m:.1f} ({low_m:.1f} to {high_m:.1f}): {agrees}.",
                load_mass_t=load_kg / 1000, length_m=length.value, low_m=length.low, high_m=length.high,
                agrees=_agrees(cycle.period_m, length),
            )
        )  # fmt: skip
    elif load_length_m is not None:
        length = Interval(load_length_m, load_length_m, load_length_m)
        text = "The lot states loads of {length_m:.1f}: {agrees}."
        found.append(tell(text, length_m=load_length_m, agrees=_agrees(cycle.period_m, length)))
    return tuple(found)


def _agrees(period: Interval, length: Interval) -> str:
    if np.isnan(period.low):
        return f"the period is {period.value / length.value:.2f} of it, and how sure is not known"
    return f"{'within' if period.meets(length) else 'outside'} the interval of the period"


def _nothing(cycle: PassCycle) -> Sentence:
    if cycle.cycle is None:
        return tell("Pass {id}: nothing comes back, or the pass is too short to tell.", id=cycle.pass_id)
    return tell(
        "Pass {id}: no distance at which cold comes back. The strongest, {period_m:.1f}, chance reaches in "
        "{percent:.0f} of 100 cases.",
        id=cycle.pass_id, period_m=cycle.cycle.period_m, percent=100 * cycle.cycle.significance,
    )  # fmt: skip


def _period(cycle: PassCycle) -> Sentence:
    """Period with its interval, bands, and the run's own number beside it."""
    period, run_m = cycle.period_m, cycle.cycle.period_m
    turns = round(run_m / period.value)
    within = tell("({low_m:.1f} to {high_m:.1f} with 95 %)", low_m=period.low, high_m=period.high)
    run = tell("the run says {run_m:.1f}", run_m=run_m)
    if turns > 1:
        run = tell(
            "the run says {run_m:.1f}, {turns} of these: bands between are as deep", run_m=run_m, turns=turns
        )
    return tell(
        "Pass {id}: a cold band comes back every {period_m:.1f} {within}, {there} of {due} due are there; {run} by "
        "{by}, and chance does as much in {chance:.0f} of 100 cases. That explains {percent:.0f} % of the "
        "variance of the mat's cold line.",
        id=cycle.pass_id, period_m=period.value,
        by="the places of its cold zones" if cycle.cycle.by == "zones" else "its cold line",
        within="(too few bands to say how sure)" if np.isnan(period.low) else within,
        there=len(cycle.band_m), due=len(cycle.bands.present), run=run, chance=100 * cycle.cycle.significance,
        percent=100 * cycle.share_frac,
    )  # fmt: skip


def _mass(cycle: PassCycle) -> Sentence:
    mass = cycle.mass_t
    interval = tell("({low_mass_t:.1f} to {high_mass_t:.1f})", low_mass_t=mass.low, high_mass_t=mass.high)
    return tell(
        "One period of a mat {width_m:.2f} wide at {which} {rate_kg_m2:.0f} holds {mass_t:.1f} {interval}.",
        width_m=cycle.width_m, which="the stated" if cycle.is_rate_stated else "usual densities, no rate stated,",
        rate_kg_m2=cycle.rate_kg_m2.value, mass_t=mass.value,
        interval="" if np.isnan(mass.low) else interval,
    )  # fmt: skip


def _by_tickets(cycle: PassCycle) -> list[str]:
    """Masses of the tickets beside the period's, and whether bands follow the ends of loads."""
    tickets = cycle.tickets
    if not len(tickets.mass_t):
        return ["No tickets: whether that is the length of a load only they can show."]
    mean, mass = float(tickets.mass_t.mean()), cycle.mass_t
    beside = "how sure is not known" if np.isnan(mass.low) else (
        "within that interval" if mass.holds(mean) else "outside that interval"
    )  # fmt: skip
    found: list[str] = [
        tell(
            "{count} tickets: {mean_mass_t:.1f} on average, {low_mass_t:.1f} to {high_mass_t:.1f}: {beside}.",
            count=len(tickets.mass_t), mean_mass_t=mean, low_mass_t=float(tickets.mass_t.min()),
            high_mass_t=float(tickets.mass_t.max()), beside=beside,
        )
    ]  # fmt: skip
    sign = 1.0 if cycle.travel == "upstation" else -1.0
    shown = after_load_ends(
        np.sort(sign * cycle.band_m), np.sort(sign * tickets.ends_m), cycle.period_m.value, " bands"
    )
    return [*found, _stripped(shown) or "They do not show that bands lie one way past the ends of loads."]


def _stripped(text: str) -> str:
    """Take the blank off that joins the sentence to another."""
    if not isinstance(text, Sentence) or not text:
        return text
    first, *rest = text.parts
    return Sentence((first.lstrip(), *rest)) if isinstance(first, str) else text
