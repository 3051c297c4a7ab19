"""Propose how a log splits into passes; nothing splits silently."""

from __future__ import annotations

import itertools

import numpy as np

from ..config import LotConfig
from ..kernels.percentiles import percentile_of_rows
from ..model import Swath

TURN_ROUND_DEG = 120.0  # heading change that means another pass (common practice, no source)
COLD_STRETCH_M = 20.0  # length without warm mat that means another pass (common practice, no source)
PAUSE_S = 1800.0  # time without scan lines that means another pass (common practice, no source)
WARM_C = (
    90.0  # a spot, or the upper quartile of a line, above this sees fresh mat (common practice, no source)
)


def propose_passes(swath: Swath, config: LotConfig) -> str:
    """Propose a split into passes as text for lot.toml; empty where passes are stated or none is needed.

    A split lies at a turn-round, 20 m without warm mat, or 30 min without scan lines.
    """
    if config.passes:
        return ""
    starts = _pass_starts(swath)
    if len(starts) < 2:
        return ""
    bounds = [*swath.seen_utc[starts], swath.seen_utc[-1] + np.timedelta64(1, "s")]
    return "\n".join(
        f'[[pass]]\nid = "{number}"\nfrom = "{_stamp(begin)}"\nto = "{_stamp(end)}"\n'
        for number, (begin, end) in enumerate(itertools.pairwise(bounds), start=1)
    )


def _stamp(time_utc: np.datetime64) -> str:
    return f"{np.datetime_as_string(time_utc, unit='s')}Z"


def _pass_starts(swath: Swath) -> list[int]:
    """Return the first line of each pass that the logs suggest."""
    warm = percentile_of_rows(swath.temp_c[:, swath.used_spot], 75) > WARM_C
    lines = np.nonzero(warm & (swath.placed > 0))[0]
    if not len(lines):
        return []
    pause = np.diff(swath.seen_utc[lines]) / np.timedelta64(1, "s") > PAUSE_S
    cold = np.diff(swath.distance_m[lines]) > COLD_STRETCH_M
    behind = np.searchsorted(swath.distance_m[lines], swath.distance_m[lines] - COLD_STRETCH_M)
    turn = swath.heading_deg[lines] - swath.heading_deg[lines[np.clip(behind, 0, len(lines) - 1)]]
    turned = np.abs((turn + 180) % 360 - 180) > TURN_ROUND_DEG
    fresh_turn = turned[1:] & ~turned[:-1]
    return [int(lines[0]), *(int(lines[i + 1]) for i in np.nonzero(pause | cold | fresh_turn)[0])]
