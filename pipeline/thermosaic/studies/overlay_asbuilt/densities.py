"""Density beside temperature deficit: bands of the zone rule, and a rank correlation where there are enough.

Cores and gauge readings are never put together: a gauge has a bias of its own. What comes out describes these
cores; it is no test of acceptance, no limit and no pay number.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from ...delivery import tell
from ...kernels.ranks import bootstrap_interval, rank_correlation
from ...published import Published
from ...tables import DENSITIES

FEWEST = 10  # pairs for a rank correlation: with fewer its interval says nothing (common practice, no source)
PLURAL = {"core": "cores", "gauge": "gauge readings"}
SINGLE = {"core": "core", "gauge": "gauge reading"}


@dataclass(frozen=True, slots=True)
class Correlation:
    """Rank correlation of density with temperature deficit over one kind of reading."""

    kind: str
    count: int
    rho: float  # NaN where it is not given
    low: float
    high: float
    text: str


def densities_frame(published: Published, cores: pd.DataFrame) -> pd.DataFrame:
    """Count and mean density by bands of deficit: below the zone rule's release, up to its drop, from there on."""
    rule = published.rules["zone"]
    limits = [-np.inf, float(rule["release_delta_c"]), float(rule["drop_delta_c"]), np.inf]
    rows = []
    for kind in PLURAL:
        own = _measured(cores, kind)
        for low, high in pairwise(limits) if len(own) else ():
            part = own[(own["deficit_delta_c"] >= low) & (own["deficit_delta_c"] < high)]
            rows.append((
                kind, low if np.isfinite(low) else np.nan, high if np.isfinite(high) else np.nan, len(part),
                part["density_kg_m3"].mean(), part["density_kg_m3"].std(ddof=1),
                part["of_gmm_frac"].mean(), part["of_gmm_frac"].min(),
            ))  # fmt: skip
    return pd.DataFrame(rows, columns=[column.name for column in DENSITIES.columns])


def correlations(cores: pd.DataFrame) -> tuple[Correlation, ...]:
    """Correlate density with deficit, one finding a kind that has densities; by share of Gmm where all have it."""
    return tuple(_correlation(own, kind) for kind in PLURAL if len(own := _measured(cores, kind)))


def _measured(cores: pd.DataFrame, kind: str) -> pd.DataFrame:
    """Rows of a kind with a density and a deficit."""
    has = np.isfinite(cores["density_kg_m3"].astype(float)) | np.isfinite(cores["of_gmm_frac"].astype(float))
    return cores[(cores["kind"] == kind) & has & np.isfinite(cores["deficit_delta_c"].astype(float))]


def _correlation(own: pd.DataFrame, kind: str) -> Correlation:
    of_gmm = own["of_gmm_frac"].notna().all()
    column = "of_gmm_frac" if of_gmm else "density_kg_m3"
    pairs = own[own[column].notna()]
    measure = "density as a share of Gmm" if of_gmm else "density"
    deficit, density = pairs["deficit_delta_c"].to_numpy(float), pairs[column].to_numpy(float)
    unknown = (np.nan, np.nan, np.nan)
    if len(pairs) < FEWEST:
        text = tell(
            "{count} {kind} with {measure}: too few for a rank correlation, which needs {fewest}",
            count=len(pairs), kind=(SINGLE if len(pairs) == 1 else PLURAL)[kind], measure=measure, fewest=FEWEST,
        )  # fmt: skip
        return Correlation(kind, len(pairs), *unknown, text)
    rho = rank_correlation(deficit, density)
    if not np.isfinite(rho):
        text = f"{len(pairs)} {PLURAL[kind]}: {measure} or deficit is the same for all, which correlates with nothing"
        return Correlation(kind, len(pairs), *unknown, text)
    low, high = bootstrap_interval(deficit, density)
    verdict = "zero lies inside it: these do not tell whether they go together" if low <= 0 <= high else (
        "zero lies outside it")  # fmt: skip
    text = tell(
        "{count} {kind}: rank correlation of {measure} with temperature deficit {rho:+.2f}, 95 % bootstrap interval "
        "{low:+.2f} to {high:+.2f}; {verdict}. Deficits are known to {sd_delta_c:.1f} (median, by the places' sigmas), "
        "which draws a correlation toward zero",
        count=len(pairs), kind=PLURAL[kind], measure=measure, rho=rho, low=low, high=high, verdict=verdict,
        sd_delta_c=float(pairs["temp_sd_delta_c"].median()),
    )  # fmt: skip
    return Correlation(kind, len(pairs), rho, low, high, text)
