"""How noisy the fixes are: as the log states it, split into what averages out and what drifts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..config import AcceptSection
from ..errors import InputError
from ..kernels import motion, sightings
from ..model import QUALITIES, Doubt, Fixes
from .logs import Logs, Noise
from .pieces import Piece, drift_of
from .rigs import Rigs

MEMORY_S = 60.0  # of the drift, until it is measured
LEAST_SIGMA_M = 0.002  # no receiver is better
ENOUGH_FIXES, RUN_OF_FIXES = 50_000, 1000  # to measure what changes from fix to fix, in whole runs
UNTOLD_DRIFT = 0.2  # share of the sigma: what changes from fix to fix is known to 1 %, and tells no less
BORNE_OUT = (1.0, 0.7, 0.5, 0.35, 0.25, 0.12)  # of such a drift
AGAINST = 0.5  # log likelihood lost where the logs speak against a drift: one standard deviation
GAUSSIAN = 1e6  # degrees of freedom of Student's t
BELIEVED = 0.3  # least weight of a group that is asked


def fix_sigma(fixes: Fixes, rigs: Rigs) -> tuple[np.ndarray, tuple[Doubt, ...]]:
    """Sigma of each fix: as logged, else by quality, which is a doubt."""
    by_quality = np.array(
        [[np.nan, *(getattr(rig.fix_sigma, f"{word}_m") for word in QUALITIES[1:])] for rig in rigs.sections]
    )
    unstated = ~(fixes.sigma_m > 0)
    stand_in = by_quality[rigs.code_of(fixes.time_utc), fixes.quality]
    sigma = np.maximum(np.where(unstated, stand_in, fixes.sigma_m), LEAST_SIGMA_M)
    if not unstated.any():
        return sigma, ()
    share = float(unstated.mean())
    text = (
        f"{100 * share:.0f} % of the fixes state no accuracy of their own: the sigmas of [rig] fix_sigma by "
        "fix quality stand in for them; log GST or a sigma column to do better"
    )
    return sigma, (Doubt("s2", "sigma_by_quality", text, share, "share"),)


def judge_quality(fixes: Fixes, accept: AcceptSection) -> tuple[Doubt, ...]:
    """Stop on too many autonomous fixes; name fewer."""
    share = float((fixes.quality == QUALITIES.index("autonomous")).mean())
    if share > accept.autonomous_frac:
        raise InputError(
            f"fixes: {100 * share:.0f} % are autonomous (metres off), [accept] autonomous_frac allows "
            f"{100 * accept.autonomous_frac:.0f} %: check the correction link, or raise that limit knowingly"
        )
    if share == 0:
        return ()
    text = f"{100 * share:.1f} % of the fixes are autonomous: check the correction link at those times"
    return (Doubt("s2", "autonomous_fixes", text, share, "share"),)


def first_noise(logs: Logs) -> Noise:
    """Measure what changes from fix to fix; the rest of the stated sigma drifts."""
    by_quality, is_told = np.zeros(len(QUALITIES)), np.ones(len(QUALITIES), bool)
    for code, fixes in logs.of_quality.items():
        same = _some_runs(fixes)
        east, north = logs.flat_m[same].T
        seen = sightings.white_sigma(east, north, logs.fix_s[same])
        by_quality[code] = seen if np.isfinite(seen) else 0.5 * float(np.median(logs.sigma_m[same]))
        stated = float(np.median(logs.sigma_m[same]))
        is_told[code] = by_quality[code] < np.sqrt(1.0 - UNTOLD_DRIFT**2) * stated
    white = np.minimum(by_quality[logs.fixes.quality], logs.sigma_m)
    drift = np.sqrt(np.maximum(logs.sigma_m**2 - white**2, (UNTOLD_DRIFT * logs.sigma_m) ** 2))
    return Noise(white, drift, np.full(len(QUALITIES), MEMORY_S), is_told, np.ones(len(QUALITIES)))


def _some_runs(fixes: np.ndarray) -> np.ndarray:
    """About `ENOUGH_FIXES` of many fixes, in whole runs spread over all of them."""
    every = len(fixes) // ENOUGH_FIXES
    if every < 2:
        return fixes
    whole = len(fixes) // RUN_OF_FIXES * RUN_OF_FIXES
    return fixes[:whole].reshape(-1, RUN_OF_FIXES)[::every].ravel()


def measure_drift(pieces: list[Piece], noise: Noise) -> Noise:
    """Measure from a first solution how long the drift of each fix quality lasts, and whether there is any.

    Fixes that change from one to the next by as much as their whole stated sigma leave nothing for a drift
    but the error of that measure. The path is then asked: the largest share of it that its fit does not
    speak against.
    """
    measured = _measure_memory(pieces, noise)
    borne_out = noise.borne_out.copy()
    for code in range(1, len(QUALITIES)):
        mine = [piece for piece in pieces if (piece.spots.quality == code).any()]
        if mine and not noise.is_told[code]:
            borne_out[code] = _borne_out(mine, code, noise.borne_out[code])
    return replace(measured, borne_out=borne_out)


def _measure_memory(pieces: list[Piece], noise: Noise) -> Noise:
    """Measure how long the drift lasts, where there is one."""
    memory = noise.memory_s.copy()
    for code in np.flatnonzero(noise.is_told[1:]) + 1:
        found = []
        for piece in pieces:
            spots = piece.spots
            good = (spots.quality == code) & (piece.solved.weight > BELIEVED)
            if good.sum() < 20:
                continue
            value = sightings.memory_s(
                drift_of(piece)[good],
                spots.time_s[good],
                spots.lasting_s[good],
                spots.white_m[good],
                spots.drift_m[good],
            )
            if np.isfinite(value):
                found.append((np.log(value), int(good.sum())))
        if found:
            values, counts = zip(*found, strict=True)
            memory[code] = float(np.exp(np.average(values, weights=counts)))
    return replace(noise, memory_s=memory)


def _borne_out(pieces: list[Piece], code: int, taken: float) -> float:
    """Largest share of a drift that costs no more than `AGAINST` of the likelihood; the solution took `taken`."""
    habits = motion.Habits(tail=GAUSSIAN)
    likely = np.zeros(len(BORNE_OUT))
    for piece in pieces:
        line, spots = piece.line, piece.spots
        believed = np.where(piece.solved.weight > BELIEVED, piece.seen.white_m, np.inf)
        seen = replace(piece.seen, white_m=believed)
        mine = np.interp(line.wheel_m, spots.wheel_m, spots.quality == code) > 0.5
        for rung, share in enumerate(BORNE_OUT):
            tried = replace(line, drift_m=np.where(mine, share / taken, 1.0) * line.drift_m)
            start = piece.solved.state
            likely[rung] += motion.evidence(tried, seen, piece.arms, habits, start)
    return BORNE_OUT[int(np.flatnonzero(likely >= likely.max() - AGAINST)[0])]
