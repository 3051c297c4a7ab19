"""Moves of the antenna that the paver cannot have made: a bracket knocked, a base station changed, a wheel lifted.

A step is sought where the solved path is stretched most, and believed when a path torn there is far more
likely. It is told to the reader; the path itself stays whole.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..kernels import motion
from .pieces import Piece

USUAL_STEP_M = 1.0  # standard deviation of a step, before anything is known of it
LEAST_STEP_M = 0.1  # smaller ones do not matter to a mat
STEPS_A_PIECE = 1.0  # odds of a step before the logs are asked, spread over all places of a piece
WORTH_TRYING = 4.0  # of the largest gain above what chance gives: chi-square of 2, one in e^2 pieces
BESIDE = 5  # groups of fixes on either side
MOST_STEPS = 5
NEAR = 3  # steps between knots around the most stretched one where the tear is tried
BACK_GAIN = 9.2  # chi-square of 2 exceeded once in a hundred
BACK_SHARE, BACK_M = 0.5, 30.0  # a step and its opposite so near are a receiver that jumped and came back


@dataclass(frozen=True)
class Step:
    """One sudden move of the fixes against the machine."""

    time_s: float  # after the logs' origin, UTC
    wheel_m: float
    right_m: float
    ahead_m: float
    sigma_m: float  # of its size
    gain: float  # natural log of how much likelier the torn path is
    quality: tuple[int, int]  # of the fixes before and after

    @property
    def size_m(self) -> float:
        return float(np.hypot(self.right_m, self.ahead_m))


def find_steps(piece: Piece) -> tuple[Step, ...]:
    """Find steps of a piece, likeliest first torn, in order of time; those that came back are left out."""
    found: list[Step] = []
    line, solved = piece.line, piece.solved
    while len(found) < MOST_STEPS:
        tried = _tear(piece, line, solved)
        if tried is None:
            break
        line, solved, step = tried
        found.append(step)
    return _lasting(sorted(found, key=lambda item: item.time_s))


def _tear(
    piece: Piece, line: motion.Line, solved: motion.Motion
) -> tuple[motion.Line, motion.Motion, Step] | None:
    """Tear the path where it is stretched most; None where that does not make it much likelier."""
    right, ahead, gain = motion.breaks(line, piece.arms, solved)
    gain = np.where(_judged(piece, line), gain, 0.0)
    enough = np.log(len(gain) / STEPS_A_PIECE)
    most = int(np.argmax(gain))
    if gain[most] < 2.0 * np.log(len(gain)) + WORTH_TRYING:
        return None
    if _comes_back(line, right, ahead, gain, most):
        return None
    near = [at for at in range(most - NEAR, most + NEAR + 1) if 0 <= at < len(gain) and gain[at] > 0]
    moved = right[most], ahead[most]
    try:
        tears = [(at, *_solve_torn(piece, line, solved, at, moved)) for at in near]
        at, line, after = max(tears, key=lambda item: item[2].evidence)
    except np.linalg.LinAlgError:  # a torn path that leads nowhere is no likelier
        return None
    step = _step(piece, line, after, at, after.evidence - solved.evidence)
    if step.gain < enough or step.size_m < max(LEAST_STEP_M, 4.0 * step.sigma_m):
        return None
    return line, after, _with_drift(piece, step)


def _with_drift(piece: Piece, step: Step) -> Step:
    """State the step's sigma with the drift of both sides: what moved the fixes gave them another one."""
    after = int(np.clip(np.searchsorted(piece.spots.time_s, step.time_s), 1, len(piece.spots.time_s) - 1))
    drift = np.hypot(*piece.spots.drift_m[after - 1 : after + 1])
    return replace(step, sigma_m=float(np.hypot(step.sigma_m, drift)))


def _comes_back(
    line: motion.Line, right_m: np.ndarray, ahead_m: np.ndarray, gain: np.ndarray, at: int
) -> bool:
    """Whether a move as large the other way is likely nearby: a receiver that jumped and came back."""
    place = 0.5 * (line.wheel_m[1:] + line.wheel_m[:-1])
    beside = (
        (np.abs(place - place[at]) < BACK_M) & (np.abs(np.arange(len(gain)) - at) > 1) & (gain > BACK_GAIN)
    )
    along = (right_m * right_m[at] + ahead_m * ahead_m[at]) / (right_m[at] ** 2 + ahead_m[at] ** 2)
    return bool((beside & (along < -BACK_SHARE)).any())


def _solve_torn(
    piece: Piece, line: motion.Line, solved: motion.Motion, at: int, moved_m: tuple[float, float]
) -> tuple[motion.Line, motion.Motion]:
    """Solve with a tear after knot `at`, from a path moved there to the right and ahead."""
    torn = np.broadcast_to(np.asarray(line.torn_m, float), len(line.memory)).copy()
    torn[at] = USUAL_STEP_M
    line, (right, ahead) = replace(line, torn_m=torn), moved_m
    course, start = solved.state[motion.COURSE, at], solved.state.copy()
    start[motion.EAST, at + 1 :] += right * np.cos(course) + ahead * np.sin(course)
    start[motion.NORTH, at + 1 :] += ahead * np.cos(course) - right * np.sin(course)
    return line, motion.solve_motion(line, piece.seen, piece.arms, solved.habits, start)


def _judged(piece: Piece, line: motion.Line) -> np.ndarray:
    """Steps between knots with enough believed fixes before and after, not torn already nearby."""
    knot = piece.seen.knot
    inside = np.zeros(len(line.wheel_m) - 1, bool)
    if len(knot) > 2 * BESIDE:
        inside[knot[BESIDE - 1] : knot[-BESIDE]] = True
    torn = np.flatnonzero(np.broadcast_to(np.asarray(line.torn_m, float), inside.shape) > 0)
    for at in torn:
        inside[max(at - 2, 0) : at + 3] = False
    return inside


def _step(piece: Piece, line: motion.Line, solved: motion.Motion, at: int, gain: float) -> Step:
    """What the torn path says about the step at a tear."""
    right, ahead, across_m, along_m = motion.tear_of(line, piece.arms, solved, at)
    before = max(int(np.searchsorted(piece.seen.knot, at, side="right")) - 1, 0)
    times, quality = piece.spots.time_s[before : before + 2], piece.spots.quality[before : before + 2]
    size = max(np.hypot(right, ahead), 1e-9)
    return Step(
        time_s=float(times.mean()),
        wheel_m=float(line.wheel_m[at : at + 2].mean()),
        right_m=right,
        ahead_m=ahead,
        sigma_m=float(np.hypot(right * across_m, ahead * along_m) / size),
        gain=float(gain),
        quality=(int(quality[0]), int(quality[-1])),
    )


def _lasting(steps: list[Step]) -> tuple[Step, ...]:
    """Steps without those that the next one takes back."""
    kept: list[Step] = []
    for step in steps:
        last = kept[-1] if kept else None
        if last and step.wheel_m - last.wheel_m < BACK_M:
            left = np.hypot(step.right_m + last.right_m, step.ahead_m + last.ahead_m)
            if left < BACK_SHARE * max(step.size_m, last.size_m):
                kept.pop()
                continue
        kept.append(step)
    return tuple(kept)
