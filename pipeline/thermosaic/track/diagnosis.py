"""What the solved path says about the rig: numbers for quality.json, sentences for the report."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..config import RigSection
from ..delivery import tell
from ..kernels import motion, sightings
from ..model import QUALITIES, Doubt
from ..values import duration
from .clock import Clock
from .columns import BELIEVED
from .logs import Logs, Noise
from .pieces import Piece, drift_of, lean_of
from .plane import Plane
from .steps import Step

LARGEST_BIAS_DEG = 1.0  # heading sensor against path
LARGEST_STEP_M = 0.06  # of the fixes at a change of the antenna: two inches, a tape's care
BESIDE = 4  # groups of fixes on either side of a change
FEWEST_GROUPS = 30  # to judge their scatter
LARGEST_SCALE = 0.005  # of the wheel, mean over the lot: half a calibration's usual tolerance of 1 %
STEEPEST_CHANGE = 0.02  # wheel scale along the lot
WORST_SCATTER = 2.0  # residuals over the stated sigma


def mean_scale(pieces: list[Piece]) -> float:
    """Ground length over wheel length, all pieces."""
    turned = sum(np.ptp(piece.line.wheel_m) for piece in pieces)
    ground = sum(motion.ground_distance(piece.line, piece.solved)[-1] for piece in pieces)
    return float(ground / turned) if turned > 0 else 1.0


def nothing_placed(pieces: list[Piece], rig: RigSection) -> str:
    """Say why no knot got a position."""
    if not pieces:
        return (
            "nothing can be placed: no stretch has four groups of fixes and 2 m of motion; check the "
            "fixes' times against the scan, and the times of the passes"
        )
    codes = np.concatenate([piece.spots.quality for piece in pieces])
    shares = [f"{100 * float((codes == code).mean()):.0f} % {QUALITIES[code]}" for code in np.unique(codes)]
    return (
        f"no stretch is placed better than [rig] max_sigma {rig.max_sigma_m:g} m: the fixes are "
        f"{', '.join(shares)}; check the correction link, or state a larger max_sigma knowingly"
    )


def diagnose(
    pieces: list[Piece], noise: Noise, clock: Clock, logs: Logs, steps: tuple[Step, ...]
) -> dict[str, Any]:
    """Numbers to check the rig by, rounded."""
    scales = np.concatenate([1.0 + piece.solved.state[motion.SLIP] for piece in pieces])
    found: dict[str, Any] = {
        "fix_count": len(logs.fix_s),
        "fix_group_count": sum(len(piece.spots.time_s) for piece in pieces),
        "piece_count": len(pieces),
        "by_quality": _by_quality(pieces, noise, logs),
        "wheel_scale_lowest": round(float(scales.min()), 5),
        "wheel_scale_highest": round(float(scales.max()), 5),
        "clock_offset_by_motion_s": _rounded(clock.found_s, 3) if clock.is_known else None,
        "clock_offset_by_motion_sigma_s": _rounded(clock.found_sigma_s, 3),
        "gnss_per_wheel": round(mean_scale(pieces), 6),
        "steps": _step_rows(steps, logs),
        "steering": [piece.solved.habits.steering for piece in pieces],
        "wheel_slip": [piece.solved.habits.slip for piece in pieces],
    }
    bias = _heading_bias_deg(pieces)
    return found if bias is None else found | {"heading_sensor_less_path_deg": round(bias, 3)}


def _heading_bias_deg(pieces: list[Piece]) -> float | None:
    """Median of the sensor's heading less the path's course at the non-slip point; None without a sensor."""
    off = []
    for piece in pieces:
        course = piece.solved.state[motion.COURSE, piece.seen.knot]
        turn = np.degrees(piece.spots.heading_rad - course)
        off.append(((turn + 180.0) % 360.0 - 180.0)[np.isfinite(turn)])
    every = np.concatenate(off) if off else np.zeros(0)
    return float(np.median(every)) if len(every) else None


def path_doubts(
    pieces: list[Piece],
    knots: dict[str, np.ndarray],
    plane: Plane,
    noise: Noise,
    logs: Logs,
    up_m: float,
) -> tuple[Doubt, ...]:
    """Doubts about the path as a whole."""
    doubts = [
        *_frame_doubt(plane),
        *_heading_doubt(pieces),
        *_change_doubts(pieces),
        *_wheel_doubts(pieces),
        *_scatter_doubts(pieces, noise, logs),
        *_jump_doubt(pieces),
        *_grade_doubt(pieces, up_m),
        *_lean_doubt(pieces),
    ]
    kinds = (
        (0, "no_position", "has no position (an open end, or a sigma above [rig] max_sigma)"),
        (2, "placed_by_wheel", "is placed by wheel between fixes"),
    )
    for kind, name, words in kinds:
        length = _length_of(knots, kind)
        if length > 0.5:
            text = tell("{length_m:.1f} of the path {words}", length_m=length, words=words)
            doubts.append(Doubt("s2", name, text, length, "m"))
    return tuple(doubts)


def _by_quality(pieces: list[Piece], noise: Noise, logs: Logs) -> dict[str, dict[str, Any]]:
    """Share, residuals and noise by fix quality."""
    result = {}
    for code, fixes in logs.of_quality.items():
        few = fixes[:: max(1, len(fixes) // 1000)]
        off = np.hypot(*np.concatenate([drift_of(piece)[piece.spots.quality == code] for piece in pieces]).T)
        lost = np.concatenate(
            [(piece.solved.weight < BELIEVED)[piece.spots.quality == code] for piece in pieces]
        )
        result[QUALITIES[code]] = {
            "share_frac": round(len(fixes) / len(logs.fix_s), 5),
            "residual_p50_m": _rounded(np.percentile(off, 50), 4) if len(off) else None,
            "residual_p95_m": _rounded(np.percentile(off, 95), 4) if len(off) else None,
            "disbelieved_frac": _rounded(lost.mean(), 5) if len(off) else None,
            "white_sigma_m": round(float(np.median(noise.white_m[few])), 4),
            "drift_sigma_m": round(float(noise.borne_out[code] * np.median(noise.drift_m[few])), 4),
            "drift_memory_s": round(float(noise.memory_s[code]), 1),
        }
    return result


def _frame_doubt(plane: Plane) -> list[Doubt]:
    caution = plane.operation.caution
    return [Doubt("s2", "frame_taken_as_equal", caution, plane.operation.accuracy_m, "m")] if caution else []


def _heading_doubt(pieces: list[Piece]) -> list[Doubt]:
    bias = _heading_bias_deg(pieces)
    if bias is None or abs(bias) <= LARGEST_BIAS_DEG:
        return []
    text = (
        f"the heading sensor points {bias:+.1f} deg from the path: check [rig] heading_offset, and that the "
        "two antennas are not exchanged; the sensor was believed"
    )
    return [Doubt("s2", "heading_bias", text, bias, "deg")]


def step_doubts(steps: tuple[Step, ...], logs: Logs) -> tuple[Doubt, ...]:
    """Say when the fixes moved against the machine, how far, and what to check."""
    doubts = []
    for step in steps:
        moment = logs.origin + duration(step.time_s)
        text = tell(
            "the fixes move by about {size_m:.1f} ({right_m:.2f} to the {side}, {ahead_m:.2f} {way}) at {time} UTC, "
            "faster than a paver can: {question}? If the antenna was moved, state a [[change]]",
            size_m=step.size_m, right_m=abs(step.right_m), side="right" if step.right_m > 0 else "left",
            ahead_m=abs(step.ahead_m), way="ahead" if step.ahead_m > 0 else "back",
            time=np.datetime_as_string(moment, unit="s")[11:], question=_question(step),
        )  # fmt: skip
        doubts.append(Doubt("s2", "fixes_step", text, step.size_m, "m", moment, moment))
    return tuple(doubts)


def _step_rows(steps: tuple[Step, ...], logs: Logs) -> list[dict[str, Any]]:
    """Steps as numbers, rounded."""
    return [
        {
            "at_utc": np.datetime_as_string(logs.origin + duration(round(step.time_s)), unit="s") + "Z",
            "right_m": round(step.right_m, 3),
            "ahead_m": round(step.ahead_m, 3),
            "sigma_m": round(step.sigma_m, 3),
            "log_likelihood_gain": round(step.gain, 1),
            "quality_before": QUALITIES[step.quality[0]],
            "quality_after": QUALITIES[step.quality[1]],
        }
        for step in steps
    ]


def _question(step: Step) -> str:
    """The usual cause of a step, as a question."""
    before, after = (QUALITIES[code] for code in step.quality)
    if before != after:
        return f"the fixes change there from {before} to {after}: was one of the two wrongly solved"
    if abs(step.ahead_m) > 3.0 * abs(step.right_m):
        return "did the wheel slip or lift off, was the antenna moved, or the base station changed"
    return "was the antenna moved, or the base station changed"


def _wheel_doubts(pieces: list[Piece]) -> list[Doubt]:
    """Say that the fixes ask for another wheel constant, or that it changes along the lot."""
    scale = mean_scale(pieces)
    turned = sum(float(np.ptp(piece.line.wheel_m)) for piece in pieces)
    doubts = []
    if abs(scale - 1.0) > LARGEST_SCALE:
        text = tell(
            "over {turned_m:.0f} of wheel the fixes go {far_m:.1f} {way}: the wheel's constant is {share:.1f} % off, "
            "which was corrected; check wheel_per_count, the tyre and its load",
            turned_m=turned, far_m=abs(scale - 1.0) * turned, way="further" if scale > 1 else "less far",
            share=100 * abs(scale - 1.0),
        )  # fmt: skip
        doubts.append(Doubt("s2", "wheel_constant", text, scale - 1.0, "share"))
    every = np.concatenate([piece.solved.state[motion.SLIP, piece.seen.knot] for piece in pieces])
    low, high = np.percentile(every, (2.0, 98.0))
    if high - low > STEEPEST_CHANGE:
        text = (
            f"the wheel's scale changes by {100 * (high - low):.1f} % along the lot: check that it does not slip, "
            "bounce or gather mix"
        )
        doubts.append(Doubt("s2", "wheel_slips", text, float(high - low), "share"))
    return doubts


def _scatter_doubts(pieces: list[Piece], noise: Noise, logs: Logs) -> list[Doubt]:
    """Say where fixes of one quality scatter by far more than they state."""
    doubts = []
    for code in range(1, len(QUALITIES)):
        off = np.concatenate([drift_of(piece)[piece.spots.quality == code] for piece in pieces])
        if len(off) < FEWEST_GROUPS:
            continue
        few = logs.of_quality[code]
        few = few[:: max(1, len(few) // 1000)]
        ratio = sightings.spread(off.ravel()) / float(
            np.median(np.hypot(noise.white_m[few], noise.drift_m[few]))
        )
        if ratio > WORST_SCATTER:
            text = (
                f"{QUALITIES[code]} fixes scatter {ratio:.1f} times as far about the path as they state: the stated "
                "sigmas of places are too small by about as much; check the antenna's mounting and the sky view, or "
                "state [rig] fix_sigma"
            )
            doubts.append(Doubt("s2", "fixes_scatter", text, ratio, "times"))
    return doubts


def _jump_doubt(pieces: list[Piece]) -> list[Doubt]:
    jumps = np.concatenate([piece.solved.weight < BELIEVED for piece in pieces])
    if not jumps.any():
        return []
    text = (
        f"{int(jumps.sum())} of {len(jumps)} groups of fixes lie off the path by far more than their sigma "
        "and were not followed: check the correction link and the sky view at those times"
    )
    return [Doubt("s2", "fixes_disbelieved", text, float(jumps.mean()), "share")]


def _change_doubts(pieces: list[Piece]) -> list[Doubt]:
    """Where an antenna was moved: the fixes after it against those before, each with its stated arm."""
    doubts = []
    for piece in pieces:
        off_m = drift_of(piece)
        for group in np.flatnonzero((np.diff(piece.spots.antenna_m, axis=0) != 0).any(axis=1)) + 1:
            beside = off_m[max(group - BESIDE, 0) : group], off_m[group : group + BESIDE]
            step_m = np.median(beside[1], axis=0) - np.median(beside[0], axis=0)
            sigma = float(np.hypot(piece.spots.white_m[group], piece.spots.drift_m[group]))
            if np.abs(step_m).max() <= max(LARGEST_STEP_M, 3.0 * sigma):
                continue
            text = tell(
                "where the antenna was moved the fixes lie {ahead_m:+.2f} ahead and {right_m:+.2f} right of where the "
                "[[change]] puts them: check its antenna_forward, antenna_right and its time",
                ahead_m=float(step_m[0]), right_m=float(step_m[1]),
            )  # fmt: skip
            doubts.append(Doubt("s2", "change_bends_path", text, float(np.hypot(*step_m)), "m"))
    return doubts


def _grade_doubt(pieces: list[Piece], up_m: float) -> list[Doubt]:
    sigma = up_m * float(np.median(np.concatenate([piece.grade_sigma for piece in pieces])))
    if sigma < 0.05:
        return []
    text = tell(
        "the heights do not show the grade: an antenna {up_m:.1f} up may sit {sigma_m:.2f} ahead of or behind "
        "its place on the level; that is counted in the sigmas",
        up_m=up_m, sigma_m=sigma,
    )  # fmt: skip
    return [Doubt("s2", "grade_unknown", text, sigma, "m")]


def _lean_doubt(pieces: list[Piece]) -> list[Doubt]:
    sigma = float(max(lean_of(piece.spots).max() for piece in pieces))
    if sigma < 0.02:
        return []
    text = tell(
        "the cross slope is not stated: on a usual crown of 2 % the antenna leans {sigma_m:.2f} downhill, which "
        "is counted in the sigmas; state [rig] cross_slope, like \"2 % down to the right\"",
        sigma_m=sigma,
    )  # fmt: skip
    return [Doubt("s2", "cross_slope_unknown", text, sigma, "m")]


def _length_of(knots: dict[str, np.ndarray], kind: int) -> float:
    """Path length between knots of which one has this kind."""
    step = np.diff(knots["knot_distance_m"])
    same = np.diff(knots["knot_piece"]) == 0
    placed = knots["knot_placed"]
    return float(step[same & ((placed[1:] == kind) | (placed[:-1] == kind))].sum())


def _rounded(value: float, digits: int) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None
