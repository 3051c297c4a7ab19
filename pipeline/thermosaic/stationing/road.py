"""Stations along an alignment: its own map lengths; marks are checks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..delivery import tell
from ..errors import MismatchError
from ..kernels import polyline
from ..model import Alignment, Doubt, LotInputs, Pass, Stations, Swath, Trajectory
from . import outline
from .lines import centre_of, inside_limits, median_edges
from .marks import PlacedMark

if TYPE_CHECKING:
    from ..config import StationPlan

END_TOLERANCE_M = 0.5  # a road's line often ends at the joint where paving ends
MARK_TOLERANCE_M = 0.3  # a foot: what a mark sprayed on the shoulder is good for (common practice, no source)
BREAK_M = 20.0  # a longer step between lines starts a new search along the alignment


def by_alignment(
    swath: Swath,
    inputs: LotInputs,
    trajectory: Trajectory,
    marks: tuple[PlacedMark, ...],
    plan: StationPlan,
) -> Stations:
    """Station all spots on the alignment; marks are checks."""
    road, point_scale = inputs.alignment, trajectory.point_scale
    assert road is not None
    vertex_m = road.easting_m, road.northing_m
    _require_near(swath, vertex_m, road.name, plan)
    points = tuple(
        np.concatenate((centre[:, None], edge, spot), axis=1)
        for centre, edge, spot in zip(
            centre_of(swath),
            (swath.edge_easting_m, swath.edge_northing_m),
            (swath.easting_m, swath.northing_m),
            strict=True,
        )
    )
    along, offset = polyline.locate(points, vertex_m, road.station_m, _restarts(swath), END_TOLERANCE_M)
    used = (swath.placed > 0) & (swath.pass_code >= 0)
    along[~used] = offset[~used] = np.nan
    _require_on_it(along[used, 0], road, plan)
    upstation = np.array(
        [_travel(code, along[:, 0], swath, inputs.passes, plan) for code in range(len(inputs.passes))]
    )
    line_frame = _through_gaps(along[:, 0], upstation, swath, point_scale, road)
    zero = np.zeros(len(inputs.passes))
    worst, doubts = _check_marks(marks, line_frame, swath, point_scale, upstation, plan)
    steps_utc = np.array([item.from_utc for item in trajectory.doubts if item.kind == "fixes_step"], "M8[ns]")
    edges = median_edges(offset[:, 1:3], swath, len(inputs.passes))
    doubts += [*outline.off_plan(edges, plan), *outline.moves_aside(swath, offset[:, 0], steps_utc)]
    return Stations(
        alignment=road.name,
        frame_m=along[:, 3:],
        offset_m=offset[:, 3:].astype(np.float32),
        line_frame_m=line_frame,
        line_offset_m=offset[:, 0],
        inside=inside_limits(along[:, 3:], line_frame, zero, swath, plan),
        zero_m=zero,
        upstation=upstation,
        edges_offset_m=edges,
        misclosure_m=worst,
        doubts=(*doubts, *_off_doubts(along[used, 0], road)),
    )


def _restarts(swath: Swath) -> np.ndarray:
    """Lines that do not follow on the line before: another pass, or a long step."""
    changed = np.diff(swath.pass_code) != 0
    far = ~(np.abs(np.diff(swath.distance_m)) <= BREAK_M)
    return np.concatenate(([True], changed | far))


def _require_near(
    swath: Swath, vertex_m: tuple[np.ndarray, np.ndarray], name: str, plan: StationPlan
) -> None:
    """Raise MismatchError where the lot lies far from the alignment."""
    rows = np.flatnonzero((swath.placed > 0) & (swath.pass_code >= 0))
    if not len(rows):
        return
    sample = rows[np.linspace(0, len(rows) - 1, min(len(rows), 101)).astype(int)]
    centre = centre_of(swath)
    distance_m = polyline.distance_to((centre[0][sample], centre[1][sample]), vertex_m)
    middle = float(np.median(distance_m))
    if not middle <= plan.alignment_distance_m:
        raise MismatchError(
            f'the mat lies {middle:.0f} m from alignment "{name}" (median); within '
            f"{plan.alignment_distance_m:g} m is expected: check that it is the right line, [crs] "
            "alignment, the order of its coordinates and their unit"
        )


def _require_on_it(along_m: np.ndarray, road: Alignment, plan: StationPlan) -> None:
    if len(along_m) and np.isnan(along_m).all():
        raise MismatchError(
            f'the whole lot lies beyond the ends of alignment "{road.name}", '
            f"{plan.labels.text(road.station_m[0])} to {plan.labels.text(road.station_m[-1])}: "
            "give a longer line"
        )


def _off_doubts(along_m: np.ndarray, road: Alignment) -> list[Doubt]:
    count = int(np.isnan(along_m).sum())
    if not count:
        return []
    text = (
        f'{count} of {len(along_m)} lines lie beyond the ends of alignment "{road.name}" and have no station'
    )
    return [Doubt("s4", "off_alignment", text + ": give a longer line to keep them", count, "")]


def _travel(
    code: int, along_m: np.ndarray, swath: Swath, passes: tuple[Pass, ...], plan: StationPlan
) -> bool:
    """Whether a pass runs upstation, as it travelled; the stated direction must agree."""
    known = along_m[(swath.pass_code == code) & swath.first_look & np.isfinite(along_m)]
    stated = passes[code].direction or plan.direction
    gained = float(known[-1] - known[0]) if len(known) > 1 else 0.0
    if abs(gained) < 1.0:
        return stated != "downstation"
    travelled = "upstation" if gained > 0 else "downstation"
    if stated not in (None, travelled):
        raise MismatchError(
            f"pass {passes[code].id} is stated {stated} but travelled {travelled}, from "
            f"{plan.labels.text(known[0])} to {plan.labels.text(known[-1])}: correct the direction, or turn "
            "the alignment (vertices run upstation)"
        )
    return gained > 0


def _through_gaps(
    along_m: np.ndarray, upstation: np.ndarray, swath: Swath, point_scale: float, road: Alignment
) -> np.ndarray:
    """Stations of C at all lines: those without a position follow from path distance within their pass."""
    frame = along_m.copy()
    for code in range(len(upstation)):
        rows = swath.pass_code == code
        known, missing = rows & np.isfinite(along_m), np.flatnonzero(rows & (swath.placed == 0))
        if known.any() and len(missing):
            rate = point_scale if upstation[code] else -point_scale
            frame[missing] = _over_distance(
                swath.distance_m[missing], swath.distance_m[known], along_m[known], rate
            )
    beyond = (frame < road.station_m[0] - END_TOLERANCE_M) | (frame > road.station_m[-1] + END_TOLERANCE_M)
    return np.where(beyond, np.nan, frame)


def _over_distance(
    wanted_m: np.ndarray, distance_m: np.ndarray, along_m: np.ndarray, rate: float
) -> np.ndarray:
    """Stations at path distances, between known ones or beyond them at `rate` metres a metre."""
    distance_m, first = np.unique(distance_m, return_index=True)
    along_m = along_m[first]
    beyond = wanted_m - np.clip(wanted_m, distance_m[0], distance_m[-1])
    return np.interp(wanted_m, distance_m, along_m) + rate * beyond


def _check_marks(
    marks: tuple[PlacedMark, ...],
    line_frame: np.ndarray,
    swath: Swath,
    point_scale: float,
    upstation: np.ndarray,
    plan: StationPlan,
) -> tuple[float, list[Doubt]]:
    """Worst difference of a mark from the alignment's station of its place, and doubts where too far."""
    worst, doubts = np.nan, []
    for item in marks:
        known = (swath.pass_code == item.pass_code) & np.isfinite(line_frame) & np.isfinite(swath.distance_m)
        if not known.any():
            continue
        rate = point_scale if upstation[item.pass_code] else -point_scale
        place = np.array([item.distance_m])
        found = float(_over_distance(place, swath.distance_m[known], line_frame[known], rate)[0])
        off = item.station_m - found
        worst = off if np.isnan(worst) or abs(off) > abs(worst) else worst
        if abs(off) > MARK_TOLERANCE_M:
            text = tell(
                "{mark} lies at {label} of the alignment, {off_m:.2f} away: check the mark, the alignment's start "
                "and its frame",
                mark=item.name, label=plan.labels.text(found), off_m=abs(off),
            )  # fmt: skip
            doubts.append(Doubt("s4", "mark_off_alignment", text, off, "m"))
    return worst, doubts
