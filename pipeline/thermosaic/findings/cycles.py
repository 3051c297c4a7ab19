"""One period of a pass, with one significance: that of its zones' places or of the mat's cold level.

Zones tell a period sharply where there are enough of them; the cold level tells it also where load ends are
too warm to be zones. The less likely by chance of the two counts, zones where both are equal. Two looks were
taken, so the share of chance is doubled (Bonferroni).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..kernels.periods import Period

if TYPE_CHECKING:
    from .patterns import Recurrence

SIGNIFICANCE = 0.05


@dataclass(frozen=True, slots=True)
class Cycle:
    """What comes back along a pass; `by` is `zones` or `level`."""

    period_m: float
    significance: float  # share of chance that comes back as strongly, doubled for the two looks
    by: str
    strength: float | None = None  # autocorrelation of the level there; None by zones

    @property
    def is_significant(self) -> bool:
        return self.significance <= SIGNIFICANCE


def one_cycle(zones: Recurrence | None, level: Period | None) -> Cycle | None:
    """Choose between the period of zones and that of the cold level; None where neither has one."""
    if zones is not None and (level is None or zones.significance <= level.significance):
        return Cycle(zones.period_m, min(2 * zones.significance, 1.0), "zones")
    if level is None:
        return None
    return Cycle(level.period_m, min(2 * level.significance, 1.0), "level", level.strength)
