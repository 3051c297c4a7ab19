"""The scan clock against UTC, from the motion both logs saw: stated, compared, or found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..config import RigSection
from ..errors import MismatchError
from ..kernels import clocks, motion, odometry
from ..model import Doubt
from .logs import Logs
from .pieces import Piece

# Chance that the speeds' offset is not the true one: far less than a true probability would have to be, since the
# bound takes what the speeds do not share for stationary. Of 160 random lots none was told wrong.
MOST_CHANCE = 1e-8
WORST_SIGMA_S = 0.3  # an offset of the path alone: known no better, it is not used and doubts no stated one
SPEEDS_SIGMA_S = 3.0  # of the speeds' offset, generously; a path that knows no better adds nothing
LARGEST_STEP_S = 1.0
MOST_FIXES = 200_000  # compared at first
FINEST_WINDOW_S = 2.0  # of speeds


@dataclass(frozen=True)
class Clock:
    """Scan clock less UTC: as applied, and as the motion says."""

    offset_s: float
    sigma_s: float = float("nan")  # of the applied one, where it was found
    found_s: float = float("nan")
    found_sigma_s: float = float("inf")

    @property
    def is_near(self) -> bool:
        """Whether the logs' speeds alone told the offset, to some seconds: what the path adds makes it better."""
        return bool(np.isfinite(self.found_s))

    @property
    def is_known(self) -> bool:
        """Whether the motion tells the offset well enough to use it."""
        return self.found_sigma_s <= WORST_SIGMA_S

    @property
    def differs(self) -> bool:
        """Whether the path asks for another offset than the applied one."""
        return self.is_known and abs(self.found_s - self.offset_s) > max(4 * self.found_sigma_s, 0.2)


def first_clock(logs: Logs, rig: RigSection) -> Clock:
    """Compare the clocks to a second. `found_s` stays NaN where the motion was too steady, noisy or short.

    Raises
    ------
    MismatchError
        The logs share no time at the stated offset.
    """
    stated = 0.0 if rig.clock_offset_s == "auto" else float(rig.clock_offset_s)
    shared = min(logs.row_s[-1] - stated, logs.fix_s[-1]) - max(logs.row_s[0] - stated, logs.fix_s[0])
    if shared <= 0:
        raise MismatchError(_apart_message(logs, stated))
    step = max(1, len(logs.fix_s) // MOST_FIXES)
    found, chance = clocks.coarse_offset(
        logs.row_s,
        logs.wheel_m,
        logs.fix_s[::step],
        logs.flat_m[::step],
        around_s=stated,
        fine_window_s=_finest_window_s(logs),
    )
    if chance > MOST_CHANCE:
        return Clock(stated)
    return Clock(found if rig.clock_offset_s == "auto" else stated, found_s=found)


def _finest_window_s(logs: Logs) -> float:
    """Shortest window over which the fixes' noise leaves a third of the usual speed or less."""
    speed = np.ptp(logs.wheel_m) / max(float(np.ptp(logs.row_s)), 1.0)
    sigma = float(np.median(logs.sigma_m[:: max(1, len(logs.sigma_m) // 10_000)]))
    return max(FINEST_WINDOW_S, 3.0 * np.sqrt(2.0) * sigma / max(speed, 1e-3))


def shift(pieces: list[Piece], logs: Logs) -> tuple[float, float]:
    """Shift of the wheel's clock that all pieces ask for, and its sigma."""
    found = [motion.clock_shift(piece.line, piece.seen, piece.arms, piece.solved) for piece in pieces]
    pull, information = sum(item[0] for item in found), sum(item[1] for item in found)
    if information <= 0:
        return 0.0, float("inf")
    return pull / information, float(np.hypot(information**-0.5, _pause_sigma_s(logs)))


def is_at_rest(shift_s: float, sigma_s: float) -> bool:
    """Whether a shift still asked for is small against what the motion can tell."""
    return abs(shift_s) < max(0.5 * sigma_s, 1e-3)


def _pause_sigma_s(logs: Logs) -> float:
    """Sigma of the clock where rows pause at stops: starts and stops are known to a row, evenly spread.

    Not less with more stops: a steady paver and a steady logger may meet every one at the same phase.
    """
    step = np.diff(logs.row_s)
    pauses = (step > odometry.longest_step_s(logs.row_s)).any()
    return float(np.median(step)) / float(np.sqrt(12.0)) if pauses else 0.0


def clock_doubts(clock: Clock, first: Clock, auto: bool) -> tuple[Doubt, ...]:
    """Say what the motion says about the clocks, in one sentence."""
    if auto and np.isnan(clock.sigma_s):
        text = (
            "the motion does not tell the clocks, too steady or lost in the fixes' noise: offset "
            f"{clock.offset_s:.2f} s was applied unproved; state [rig] clock_offset, or let the lot hold a stop or two"
        )
        return (Doubt("s2", "clock_ambiguous", text, clock.offset_s, "s"),)
    if auto:
        name = clocks.name_offset(clock.offset_s)
        text = (
            f"the scan clock was found {clock.offset_s:+.2f} s against UTC (sigma {clock.sigma_s:.2f} s) "
            f"from the motion, and that was applied{': ' + name if name else ''}"
            f"{'' if clock.sigma_s <= WORST_SIGMA_S else '; state [rig] clock_offset if you know it better'}"
        )
        return (Doubt("s2", "clock_estimated", text, clock.offset_s, "s"),)
    far = abs(first.found_s - clock.offset_s) > 3.0
    if not far and not clock.differs:
        return ()
    truth = first.found_s if far else clock.found_s
    name = clocks.name_offset(truth - clock.offset_s) or clocks.name_offset(truth)
    text = (
        f"the motion says that the scan clock is {truth:+.2f} s against UTC, the lot states "
        f"{clock.offset_s:+.2f} s{': ' + name if name else ''}; check [rig] clock_offset"
    )
    return (Doubt("s2", "clock_differs", text, truth - clock.offset_s, "s"),)


def _apart_message(logs: Logs, stated_s: float) -> str:
    apart = logs.row_s[0] - stated_s - logs.fix_s[0]
    usual = clocks.name_offset(apart, 1800.0)
    return (
        f"scan and fixes share no time: the scan begins {apart:+.0f} s from the first fix"
        f"{' (' + usual + ')' if usual else ''}; logs of one shift are expected: "
        "check dates, time zones and clock_offset"
    )
