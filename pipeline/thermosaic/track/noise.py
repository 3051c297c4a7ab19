"""How noisy the fixes are: as the log states it, split into what averages out and what drifts."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..config import AcceptSection
from ..errors import InputError
from ..kernels import sightings
from ..model import QUALITIES, Doubt, Fixes
from .logs import Logs
from .pieces import Piece, drift_of
from .rigs import Rigs

MEMORY_S = 60.0  # of the drift, until it is measured
LEAST_SIGMA_M = 0.002  # no receiver is better
ENOUGH_FIXES, RUN_OF_FIXES = 50_000, 1000  # to measure what changes from fix to fix, in whole runs
LEAST_DRIFT = 0.1  # share of the sigma that may always drift


@dataclass(frozen=True, eq=False)
class Noise:
    """Noise of each fix, one axis; squares of both parts add up to the stated sigma's."""

    white_m: np.ndarray  # (fix) changes from fix to fix
    drift_m: np.ndarray  # (fix) keeps for `memory_s`
    memory_s: np.ndarray  # (quality)


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
    by_quality = np.zeros(len(QUALITIES))
    for code in np.flatnonzero(np.bincount(logs.fixes.quality)):
        same = _some_runs(np.flatnonzero(logs.fixes.quality == code))
        east, north = logs.flat_m[same].T
        seen = sightings.white_sigma(east, north, logs.fix_s[same])
        by_quality[code] = seen if np.isfinite(seen) else 0.5 * float(np.median(logs.sigma_m[same]))
    white = np.minimum(by_quality[logs.fixes.quality], logs.sigma_m)
    drift = np.sqrt(np.maximum(logs.sigma_m**2 - white**2, (LEAST_DRIFT * logs.sigma_m) ** 2))
    return Noise(white, drift, np.full(len(QUALITIES), MEMORY_S))


def _some_runs(fixes: np.ndarray) -> np.ndarray:
    """About `ENOUGH_FIXES` of many fixes, in whole runs spread over all of them."""
    every = len(fixes) // ENOUGH_FIXES
    if every < 2:
        return fixes
    whole = len(fixes) // RUN_OF_FIXES * RUN_OF_FIXES
    return fixes[:whole].reshape(-1, RUN_OF_FIXES)[::every].ravel()


def measure_memory(pieces: list[Piece], noise: Noise) -> Noise:
    """Measure how long the drift of each fix quality lasts, from a first solution's residuals."""
    memory = noise.memory_s.copy()
    for code in range(1, len(QUALITIES)):
        found = []
        for piece in pieces:
            good = (piece.spots.quality == code) & (piece.solved.weight > 0.3)
            if good.sum() < 20:
                continue
            spots = piece.spots
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
