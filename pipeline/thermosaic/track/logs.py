"""Wheel and fixes on one time axis, back-ups turned round, cut into pieces that can be solved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np

from ..config import AcceptSection
from ..delivery import tell
from ..errors import InputError, MismatchError
from ..kernels import odometry, sightings
from ..model import QUALITIES, Fixes, LotInputs, Pass
from ..units import FOOT_M
from .plane import EARTH_M
from .rigs import Rigs, seconds

LONGEST_PAUSE_S = 30.0  # a longer one of the wheel log may hide a move of the machine
LEAST_MOVE_M = 3.0
ANTENNA = ("antenna_forward_m", "antenna_right_m", "antenna_up_m")
WINDOW_S = 60.0  # over which wheel and fixes are compared


@dataclass(frozen=True, eq=False)
class Logs:
    """Seconds after `origin`: wheel rows on the scan clock, fixes in UTC."""

    origin: np.datetime64
    row_s: np.ndarray
    wheel_m: np.ndarray
    fixes: Fixes
    fix_s: np.ndarray
    flat_m: np.ndarray  # (fix, 2) rough local metres: to compare motion only
    sigma_m: np.ndarray  # (fix) one axis
    away: np.ndarray  # bool (fix): the receiver had jumped and came back

    @cached_property
    def of_quality(self) -> dict[int, np.ndarray]:
        """Index of the fixes of each quality that occurs."""
        found = {code: np.flatnonzero(self.fixes.quality == code) for code in range(len(QUALITIES))}
        return {code: fixes for code, fixes in found.items() if len(fixes)}


@dataclass(frozen=True, eq=False)
class Noise:
    """Noise of each fix, one axis; where a drift is told the squares of both parts add up to the sigma's."""

    white_m: np.ndarray  # (fix) changes from fix to fix
    drift_m: np.ndarray  # (fix) keeps for `memory_s`; where it is not told the most that there may be
    memory_s: np.ndarray  # (quality)
    is_told: np.ndarray  # bool (quality): fixes that change by less than their stated sigma tell of a drift
    borne_out: np.ndarray  # (quality) share of the drift that the path's fit bears out, 0..1


@dataclass(frozen=True)
class Cut:
    """Rows that are solved together, and their pass (-1 = none: not solved)."""

    rows: slice
    pass_code: int


def origin_of(inputs: LotInputs) -> np.datetime64:
    """First time of wheel and fixes."""
    if not len(inputs.wheel.time_utc):
        raise InputError("the wheel log holds no row: nothing can be placed")
    return min(inputs.wheel.time_utc[0], inputs.fixes.time_utc[0])


def align(inputs: LotInputs, sigma_m: np.ndarray, rigs: Rigs) -> Logs:
    """Bring both logs to seconds after their first time, and fixes to rough local metres."""
    fixes, wheel = inputs.fixes, inputs.wheel
    if len(wheel.time_utc) < 2:
        raise InputError("the wheel log holds fewer than two rows: nothing can be placed")
    origin = rigs.origin
    lat, lon = float(fixes.lat_deg[0]), float(fixes.lon_deg[0])
    turn = fixes.lon_deg - lon
    if np.abs(turn).max() > 180.0:
        turn = (turn + 180.0) % 360.0 - 180.0
    shrink = EARTH_M * np.radians(1.0)
    flat = np.stack([turn * (np.cos(np.radians(lat)) * shrink), (fixes.lat_deg - lat) * shrink]).T
    fix_s, row_s = seconds(fixes.time_utc, origin), seconds(wheel.time_utc, origin)
    flat = _joined(flat, fix_s, rigs.turns_s(*ANTENNA))
    return Logs(
        origin=origin,
        row_s=row_s,
        wheel_m=odometry.between_counts(row_s, wheel.wheel_m),
        fixes=fixes,
        fix_s=fix_s,
        flat_m=flat,
        sigma_m=sigma_m,
        away=sightings.excursions(flat[:, 0], flat[:, 1], fix_s),
    )


def _joined(flat_m: np.ndarray, fix_s: np.ndarray, turns_s: np.ndarray) -> np.ndarray:
    """Take the jump of an antenna that was moved out of the motion: the places after it follow on."""
    for place in np.searchsorted(fix_s, turns_s):
        if 0 < place < len(fix_s):
            flat_m[place:] += flat_m[place - 1] - flat_m[place]
    return flat_m


def scale_wheel(logs: Logs, offset_s: float, rigs: Rigs) -> Logs:
    """Give the wheel's rows after a change the constant that holds there."""
    turns_s = rigs.turns_s("wheel_per_count_m")
    if not len(turns_s):
        return logs
    ratio = rigs.value("wheel_per_count_m", logs.row_s[1:] - offset_s) / rigs.sections[0].wheel_per_count_m
    steps = np.diff(logs.wheel_m) * ratio
    return replace(logs, wheel_m=logs.wheel_m[0] + np.concatenate([[0.0], np.cumsum(steps)]))


def turn_back_ups(logs: Logs, offset_s: float) -> Logs:
    """Turn the counter round where it rose while the fixes went back."""
    sign = odometry.direction_of_runs(
        logs.row_s, logs.wheel_m, logs.fix_s + offset_s, logs.flat_m, logs.sigma_m
    )
    if (sign > 0).all():
        return logs
    steps = np.diff(logs.wheel_m) * sign
    return replace(logs, wheel_m=logs.wheel_m[0] + np.concatenate([[0.0], np.cumsum(steps)]))


def compare_distance(logs: Logs, offset_s: float, passes: tuple[Pass, ...], accept: AcceptSection) -> None:
    """Stop where wheel and fixes disagree grossly on how far the paver went, naming the usual cause.

    Raises
    ------
    MismatchError
        A stuck, reversed or mis-scaled wheel, or fixes that stand still.
    """
    sigma = float(np.median(logs.sigma_m[:: max(1, len(logs.sigma_m) // 10_000)]))
    moved, turned = _distances(logs, offset_s, passes, sigma)
    if max(moved, abs(turned)) < max(20.0, 40.0 * sigma):
        return
    template = ""
    if turned < -0.5 * moved:
        template = (
            "the wheel counts backwards ({turned_m:.0f}) while the fixes go on ({moved_m:.0f}): the "
            "counter's sign or the wheel's mounting is reversed"
        )
    elif turned < 0.05 * moved:
        template = (
            "the wheel stands still ({turned_m:.1f}) while the fixes move {moved_m:.0f}: check that it turns"
        )
    elif moved < 0.05 * turned:
        template = (
            "the fixes stand still ({moved_m:.1f}) while the wheel turns {turned_m:.0f}: check the receiver"
        )
    if template:
        raise MismatchError(tell(template, turned_m=turned, moved_m=moved))
    if not 0.7 < moved / turned < 1.4:
        raise MismatchError(scale_message(moved / turned, accept))


def _distances(logs: Logs, offset_s: float, passes: tuple[Pass, ...], sigma_m: float) -> tuple[float, float]:
    """Metres that the fixes moved and the wheel turned over windows within one pass and its running log.

    A window is a minute, or as much longer as makes usual travel stand out of the fixes' noise.
    """
    code = passes_of_rows(logs, offset_s, passes)
    row_utc_s = logs.row_s - offset_s
    pauses = np.concatenate([[0], np.cumsum(np.diff(logs.row_s) > LONGEST_PAUSE_S)])
    window = max(WINDOW_S, (logs.fix_s[-1] - logs.fix_s[0]) / 2000)
    while True:
        edges = np.arange(logs.fix_s[0], logs.fix_s[-1] + 1e-6, window)
        place = np.column_stack([np.interp(edges, logs.fix_s, axis) for axis in logs.flat_m.T])
        row = np.clip(np.searchsorted(row_utc_s, edges), 0, len(row_utc_s) - 1)
        inside = (np.abs(row_utc_s[row] - edges) < LONGEST_PAUSE_S) & (code[row] >= 0)
        whole = (
            inside[1:]
            & inside[:-1]
            & (code[row[1:]] == code[row[:-1]])
            & (pauses[row[1:]] == pauses[row[:-1]])
        )
        chord = np.hypot(*np.diff(place, axis=0).T)[whole]
        turned = np.diff(np.interp(edges, row_utc_s, logs.wheel_m))[whole]
        if len(chord) < 8 or np.percentile(np.maximum(chord, np.abs(turned)), 75) > 30.0 * sigma_m + 2.0:
            return float(chord[chord > 6.0 * sigma_m + 0.5].sum()), float(turned.sum())
        window *= 2.0


def scale_message(ratio: float, accept: AcceptSection) -> str:
    """Name a wrong scale between wheel and fixes."""
    usual = {
        10.0: "a factor of ten",
        0.1: "a factor of ten",
        FOOT_M: "feet were read as metres",
        1 / FOOT_M: "metres were read as feet",
    }
    near = [words for value, words in usual.items() if abs(ratio / value - 1.0) < 0.1]
    cause = f" ({near[0]}?)" if near else ""
    return (
        f"the fixes move {ratio:.4g} m for each metre of the wheel{cause}; [accept] wheel_gnss_frac allows "
        f"{accept.wheel_gnss_frac:g} off 1: check wheel_per_count, the tyre and the wheel's contact"
    )


def passes_of_rows(logs: Logs, offset_s: float, passes: tuple[Pass, ...]) -> np.ndarray:
    """Code of the pass of each row, int16, -1 = none."""
    utc_s = logs.row_s - offset_s
    code = np.full(len(utc_s), -1, np.int16)
    for index, item in enumerate(passes):
        ends = [
            None if end is None else float(seconds(np.datetime64(end, "ns"), logs.origin))
            for end in (item.from_utc, item.to_utc)
        ]
        inside = np.ones(len(utc_s), bool)
        if ends[0] is not None:
            inside &= utc_s >= ends[0]
        if ends[1] is not None:
            inside &= utc_s < ends[1]
        code[inside & (code < 0)] = index
    return code


def cut_pieces(logs: Logs, offset_s: float, passes: tuple[Pass, ...], turns_s: np.ndarray) -> tuple[Cut, ...]:
    """Cut the rows at the passes' ends, at turns, and where the machine moved while the logger was off.

    It did where over a pause of the log the fixes moved further than the wheel turned by 3 m and by six
    sigmas. A pause with the paver standing, a night for one, does not cut.
    """
    code = passes_of_rows(logs, offset_s, passes)
    utc_s = logs.row_s - offset_s
    cut = (np.diff(code) != 0) | (np.diff(np.searchsorted(turns_s, utc_s, side="right")) != 0)
    for row in np.flatnonzero(np.diff(logs.row_s) > LONGEST_PAUSE_S):
        before, after = np.searchsorted(logs.fix_s, (utc_s[row], utc_s[row + 1]))
        if before < 1 or after >= len(logs.fix_s):
            continue
        parts = (slice(max(before - 10, 0), before), slice(after, after + 10))
        ends = [np.median(logs.flat_m[part], axis=0) for part in parts]
        further = float(np.hypot(*(ends[1] - ends[0]))) - abs(logs.wheel_m[row + 1] - logs.wheel_m[row])
        sigma = float(max(logs.sigma_m[before - 1], logs.sigma_m[after]))
        cut[row] |= further > max(LEAST_MOVE_M, 6.0 * sigma)
    edges = np.concatenate([[0], np.flatnonzero(cut) + 1, [len(code)]])
    return tuple(Cut(slice(int(first), int(last)), int(code[first])) for first, last in pairwise(edges))
