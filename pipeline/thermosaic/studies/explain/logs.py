"""The last step back: what the logs themselves say about readings, and the fixes before and after each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ...model import QUALITIES, Fixes
from .steps import SCANNER_CLOCK, Logged, Step, equal

MILLISECOND_S = 0.0015  # published times are whole milliseconds


@dataclass(frozen=True, eq=False, slots=True)
class Logs:
    """The logs of the lot, read again."""

    line: np.ndarray  # int64 (row): counted over all scan files
    time_utc: np.ndarray  # datetime64[ns] (row), on the scanner's clock
    temp_c: np.ndarray  # float32 (row, spot)
    fixes: Fixes
    clock_offset_s: float  # scan clock minus UTC, as applied
    digests: tuple[tuple[str, str, str], ...]  # path, sha256 now, sha256 when the result was made


def log_step(looked_at: tuple[Logged, ...], logs: Logs) -> Step:
    """Hold readings against their rows in the log, and list the fixes that stand around them.

    Raises
    ------
    ValueError
        A line is not in the log: it is another log.
    """
    facts = [equal(f"sha256_{path}", now, then, f"digest of {path}") for path, now, then in logs.digests]
    rows, worst_c, worst_s = [], 0.0, 0.0
    for item in looked_at:
        place = int(np.searchsorted(logs.line, item.line))
        if place == len(logs.line) or logs.line[place] != item.line or item.spot > logs.temp_c.shape[1]:
            raise ValueError(
                f"line {item.line}, spot {item.spot} is not in the scan log: this is another log"
            )
        logged_c = float(logs.temp_c[place, item.spot - 1])
        seen = pd.Timestamp(logs.time_utc[place]) - pd.Timedelta(logs.clock_offset_s, "s")
        worst_c = max(worst_c, abs(logged_c - item.temp_c))
        worst_s = max(worst_s, abs((seen - _naive(item.seen_utc)).total_seconds()))
        rows.append({
            "line": item.line, "spot": item.spot, SCANNER_CLOCK: pd.Timestamp(logs.time_utc[place]),
            "temp_c": logged_c,
            **_fixes_around(_naive(item.seen_utc), logs.fixes),
        })  # fmt: skip
    facts += [
        equal("temp_off_delta_c", worst_c, 0.0, "largest difference of a reading from its log"),
        equal(
            "late_s",
            worst_s if worst_s > MILLISECOND_S else 0.0,
            0.0,
            "largest difference of a time, clock offset applied",
        ),
    ]
    sentence = (
        f"The same readings in the scan log, on its own clock ({logs.clock_offset_s:+.3f} s against UTC), and the "
        "fixes before and after each, from which with all others the path was solved."
    )
    return Step("logs", sentence, tuple(facts), tuple(rows))


def _naive(time: pd.Timestamp) -> pd.Timestamp:
    return time.tz_convert(None) if time.tz is not None else time


def _fixes_around(seen: pd.Timestamp, fixes: Fixes) -> dict[str, object]:
    """Age, quality and stated sigma of the fix before and the fix after a moment."""
    after = int(np.searchsorted(fixes.time_utc, np.datetime64(seen)))
    found: dict[str, object] = {}
    for word, place in (("before", after - 1), ("after", after)):
        known = 0 <= place < len(fixes.time_utc)
        apart = (pd.Timestamp(fixes.time_utc[place]) - seen).total_seconds() if known else np.nan
        found |= {
            f"fix_{word}_s": apart,
            f"fix_{word}": QUALITIES[fixes.quality[place]] if known else "none",
            f"fix_{word}_sigma_m": float(fixes.sigma_m[place]) if known else np.nan,
        }
    return found
