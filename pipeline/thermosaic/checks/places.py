"""Path, clock, wheel, stations and lane: what the solved lot says about how it was set up."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np

from ..config import LotConfig
from ..delivery import tell
from ..model import PLACED, QUALITIES, Doubt, LotInputs, Stations, Swath, Tally, Trajectory
from ..stationing.outline import lies_as_planned, name_edges
from ..units import FOOT_M
from .items import CheckItem, doubt_items, look, ok

WHEEL_FRAC = 0.01  # of length, that a wheel may be off (common practice, no source)
CLOCK_S = 2.0  # a logger set by hand in the morning (common practice, no source)
OVERLAP_M, GAP_M, CLOSE_M = 0.15, 0.3, 1.0  # of two passes side by side (common practice, no source)


def tally_item(tally: Tally) -> CheckItem:
    """Say how many rows of one input were used, and why others were not."""
    causes = ", ".join(
        f"{count} {cause.replace('_', ' ')} (first in line {tally.first_line.get(cause, '?')})"
        for cause, count in tally.rejected.items()
        if count
    )
    found = f"{tally.read:,} read, {tally.used:,} used" + (f"; rejected: {causes}" if causes else "")
    return CheckItem("look" if causes else "ok", tally.role, found)


def quality_item(inputs: LotInputs) -> CheckItem:
    """Shares of fix qualities."""
    shares = np.bincount(inputs.fixes.quality, minlength=len(QUALITIES)) / max(len(inputs.fixes.quality), 1)
    text = ", ".join(
        f"{100 * share:.0f} % {name}" for name, share in zip(QUALITIES, shares, strict=True) if share
    )
    if shares[QUALITIES.index("fixed")] > 0.9:
        return ok("fix quality", text)
    return look("fix quality", text, "positions are only as good as these fixes: look at the printed sigma")


def path_items(trajectory: Trajectory, config: LotConfig) -> list[CheckItem]:
    """Clock, wheel against GNSS, datum, and the doubts of the path."""
    operation = trajectory.operation
    datum = tell(
        "{name} (accuracy {accuracy_m:g})", name=operation["name"], accuracy_m=operation["accuracy_m"]
    )
    return [
        _clock(trajectory),
        _wheel_item(trajectory, config),
        ok("datum", datum),
        *doubt_items(trajectory.doubts),
    ]


def _clock(trajectory: Trajectory) -> CheckItem:
    offset, sigma = trajectory.clock_offset_s, trajectory.clock_offset_sigma_s
    found = f"scan clock less UTC: {offset:+.2f} s" + (f" +- {sigma:.2f} s" if np.isfinite(sigma) else "")
    estimated = [doubt for doubt in trajectory.doubts if doubt.kind == "clock_estimated"]
    if estimated and abs(offset) > CLOCK_S:
        return look(
            "clock", estimated[0].text, "set the logger's clock from the receiver before the next lot"
        )
    return ok("clock", found + (" from the motion, applied" if estimated else ""))


def _wheel_item(trajectory: Trajectory, config: LotConfig) -> CheckItem:
    """Compare wheel and GNSS length, with the constant that would agree."""
    scale = trajectory.wheel_scale
    text = f"true length is {scale:.4f} of the wheel's"
    if abs(scale - 1) <= WHEEL_FRAC:
        return ok("wheel", text)
    per_count = config.rig.wheel_per_count_m
    better = f" (wheel_per_count would be {per_count * scale * 1000:.4g} mm)" if per_count else ""
    advice = f"check tyre, contact and constant with `thermosaic rig wheel`{better}; GNSS length was used"
    return look("wheel", f"{text}: {100 * abs(scale - 1):.1f} % from the GNSS distance", advice)


def coverage_item(swath: Swath) -> CheckItem:
    """Shares of lines placed by fixes, by wheel, and not."""
    share = np.bincount(swath.placed, minlength=len(PLACED)) / len(swath.placed)
    none, fixes, wheel = 100 * share
    where = f"{fixes:.1f} % of lines by fixes, {wheel:.1f} % by wheel, {none:.1f} % without position"
    advice = "lines without a position are gaps: check the receiver's log at those times"
    return ok("placing", where) if share[0] < 0.02 else look("placing", where, advice)


# ---------------------------------------------------------------------------------------------- stations


def station_items(stations: Stations, swath: Swath, config: LotConfig) -> list[CheckItem]:
    """Where each pass runs, marks, limits, lane and passes side by side."""
    return [
        *_passes(stations, swath, config),
        *_marks(stations, config),
        *_limits(stations),
        *_lane_items(stations, config),
        *_side_by_side(stations, swath, config),
        *doubt_items(stations.doubts),
    ]


def _pass_id(config: LotConfig, code: int) -> str:
    """Name of a pass as products have it: that of its [[pass]], else 1."""
    return config.passes[code].id if config.passes else "1"


def _passes(stations: Stations, swath: Swath, config: LotConfig) -> Iterator[CheckItem]:
    for code, zero in enumerate(stations.zero_m):
        span = _span(stations, swath, code)
        if span is None:
            continue
        low, high = (config.labels.text(zero + end) for end in span)
        travel = stations.travel(code)
        across = ", mat " + name_edges(stations.edges_offset_m[code]) if stations.alignment else ""
        yield ok("stations", f"pass {_pass_id(config, code)}: {low} to {high}, travel {travel}" + across)


def _marks(stations: Stations, config: LotConfig) -> Iterator[CheckItem]:
    """Marks against the alignment, with what their misclosure looks like."""
    off_marks = [doubt for doubt in stations.doubts if doubt.kind == "mark_off_alignment"]
    for doubt in off_marks:
        yield look("marks", doubt.text, _mark_cause(doubt, config))
    if config.marks and stations.alignment and not off_marks:
        yield ok("marks", tell("agree with the alignment to {off_m:.2f}", off_m=abs(stations.misclosure_m)))


def _mark_cause(doubt: Doubt, config: LotConfig) -> str:
    off, forward = abs(doubt.amount or 0.0), config.rig.antenna_forward_m
    for name, length in (("100 ft", 100 * FOOT_M), ("100 m", 100.0)):
        count = round(off / length)
        if count and abs(off - count * length) < 1.5:
            return f"it is off by {count} x {name}: the label was misread, or the alignment's start is"
    if abs(off - 2 * abs(forward)) < 0.5:
        return tell(
            "that is twice the antenna's {arm_m:.2f}: ahead and behind look exchanged in [rig] antenna_forward",
            arm_m=abs(forward),
        )
    return "check the mark, its point and distance, the alignment's start and its frame"


def _limits(stations: Stations) -> Iterator[CheckItem]:
    if not stations.inside.any():
        advice = "check [lot] limits against the stations and times above"
        yield look("limits", "no reading lies inside the lot's limits", advice)


def _lane_items(stations: Stations, config: LotConfig) -> list[CheckItem]:
    """Hold the mat's offsets against those of the plans, pass by pass."""
    planned = config.stationing.mat_offsets_m
    if planned is None or stations.alignment is None:
        return []
    well = [
        ok(
            "lane",
            f"pass {_pass_id(config, code)}: the mat lies where the plans put it, " + name_edges(edges),
        )
        for code, edges in enumerate(stations.edges_offset_m)
        if np.isfinite(edges).all() and lies_as_planned(edges, planned)
    ]
    return [*well, *(look("lane", doubt.text) for doubt in stations.doubts if doubt.kind == "mat_off_plan")]


def _side_by_side(stations: Stations, swath: Swath, config: LotConfig) -> Iterator[CheckItem]:
    """Two passes beside each other overlap, or leave a gap, where something across is wrong."""
    if stations.alignment is None or len(stations.zero_m) < 2:
        return
    for one, other in combinations(range(len(stations.zero_m)), 2):
        edges = stations.edges_offset_m[[one, other]]
        spans = [_span(stations, swath, code) for code in (one, other)]
        if not (np.isfinite(edges).all() and all(spans)) or not _overlap(*spans):  # type: ignore[misc]
            continue
        gap = float(max(edges[0, 0], edges[1, 0]) - min(edges[0, 1], edges[1, 1]))
        width = float(np.diff(edges, axis=1).min())
        if -width / 2 < gap < -OVERLAP_M or GAP_M < gap < CLOSE_M:
            what = tell("overlap by {gap_m:.2f}" if gap < 0 else "lie {gap_m:.2f} apart", gap_m=abs(gap))
            advice = (
                "passes on both sides of a joint meet: check antenna_right (its sign turns over on the way "
                "back), mat_left and mat_right"
            )
            names = " and ".join(_pass_id(config, code) for code in (one, other))
            yield look("passes", f"passes {names} " + what, advice)


def _span(stations: Stations, swath: Swath, code: int) -> tuple[float, float] | None:
    """Ends of a pass in its frame, metres; None where no line of it has a station."""
    frame = stations.line_frame_m[(swath.pass_code == code) & np.isfinite(stations.line_frame_m)]
    return (float(frame.min()), float(frame.max())) if len(frame) else None


def _overlap(one: tuple[float, float], other: tuple[float, float]) -> bool:
    return min(one[1], other[1]) > max(one[0], other[0])
