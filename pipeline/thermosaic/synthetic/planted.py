"""The truth about a lot's features as places and times: zones, stops, speeds, gaps, people, stations."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import shapely

from .motion import Body, Motion, utc
from .plan import LotPlan, Patch
from .truth import TrueGap, TrueSpeed, TrueStop, TrueZone


def outline(motion: Motion, from_m: float, to_m: float, left_m: float, right_m: float) -> shapely.Polygon:
    """Return the mat between two distances of C in its pass and two offsets from C, in map metres."""
    body = motion.body(np.linspace(from_m, to_m, max(2, math.ceil((to_m - from_m) / 0.25) + 1)))
    left = np.column_stack(motion.site.map_m(*body.point(0.0, left_m)))
    right = np.column_stack(motion.site.map_m(*body.point(0.0, right_m)))
    return shapely.Polygon(np.concatenate([left, right[::-1]]))


def _patch_outline(plan: LotPlan, motion: Motion, patch: Patch) -> shapely.Polygon:
    """Return a patch at half depth, cut at the mat's edges."""
    edges = (plan.scanner.mat_left_m, plan.scanner.mat_right_m)
    if not patch.ellipse:
        sides = np.clip([patch.right_m - patch.width_m / 2, patch.right_m + patch.width_m / 2], *edges)
        return outline(motion, patch.at_m - patch.length_m / 2, patch.at_m + patch.length_m / 2, *sides)
    angle = np.linspace(0, 2 * np.pi, 73)[:-1]
    body = motion.body(patch.at_m + patch.length_m / 2 * np.cos(angle))
    right = np.clip(patch.right_m + patch.width_m / 2 * np.sin(angle), *edges)
    east, north = body.east_m + right * np.cos(body.heading), body.north_m - right * np.sin(body.heading)
    return shapely.Polygon(np.column_stack(motion.site.map_m(east, north)))


def true_zones(
    plan: LotPlan, motions: tuple[Motion, ...], patches: tuple[Patch, ...]
) -> tuple[TrueZone, ...]:
    """Return every planted patch with its outline."""
    zones = []
    for patch in patches:
        motion = motions[patch.pass_]
        middle_m, half_m = motion.base_m + patch.at_m, patch.length_m / 2
        shape = _patch_outline(plan, motion, patch)
        zones.append(
            TrueZone(patch.kind, shape, patch.deficit_c, motion.code, middle_m - half_m, middle_m + half_m)
        )
    return tuple(zones)


def true_stops(plan: LotPlan, motions: tuple[Motion, ...]) -> tuple[TrueStop, ...]:
    """Return every standstill, pauses of back-ups included."""
    stops = []
    for motion in motions:
        for i in np.flatnonzero(np.diff(motion.knot_m) == 0):
            place_m = motion.knot_m[i]
            station_m, _ = line_stations(plan, motion, np.array([place_m]))
            start, end = utc(plan, motion.knot_s[i : i + 2])
            stops.append(TrueStop(start, end, motion.base_m + place_m, float(station_m[0]), motion.code))
    return tuple(stops)


def true_speeds(plan: LotPlan, motions: tuple[Motion, ...]) -> tuple[TrueSpeed, ...]:
    """Return every stretch of one speed, forward."""
    speeds = []
    for motion in motions:
        for (start_s, from_m), (end_s, to_m) in pairwise(zip(motion.knot_s, motion.knot_m, strict=True)):
            if to_m > from_m:
                times = utc(plan, np.array([start_s, end_s]))
                places, speed = (
                    (motion.base_m + from_m, motion.base_m + to_m),
                    (to_m - from_m) / (end_s - start_s),
                )
                speeds.append(TrueSpeed(*times, *places, float(speed), motion.code))
    return tuple(speeds)


def true_gaps(plan: LotPlan, motions: tuple[Motion, ...]) -> tuple[TrueGap, ...]:
    """Return every stretch without a position from the receiver."""
    gaps = []
    for episode in plan.gnss.episodes:
        if episode.kind in ("outage", "none"):
            motion = motions[episode.pass_]
            times = utc(plan, motion.first_time(np.array([episode.from_m, episode.to_m])))
            gaps.append(
                TrueGap(*times, motion.base_m + episode.from_m, motion.base_m + episode.to_m, motion.code)
            )
    return tuple(gaps)


def people_outlines(plan: LotPlan, motions: tuple[Motion, ...]) -> tuple[shapely.Polygon, ...]:
    """Return the mat-wide stretches over which people crossed."""
    edges = (plan.scanner.mat_left_m, plan.scanner.mat_right_m)
    outlines = []
    for person in plan.mat.people:
        motion = motions[person.pass_]
        start_s = motion.first_time(np.array([person.at_m]))[0]
        end_m = motion.distance(np.array([start_s + (edges[1] - edges[0]) / person.speed_mps]))[0]
        outlines.append(outline(motion, person.at_m - 0.1, end_m + 0.1, *edges))
    return tuple(outlines)


def line_stations(plan: LotPlan, motion: Motion, place_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return station and offset of C: along the alignment, or along C's own path from the mark."""
    if not plan.alignment:
        return plan.first_station_m + motion.sign * place_m, np.zeros(len(place_m))
    station_m, offset_m = spot_stations(plan, motion, motion.body(place_m), np.zeros(1))
    return station_m[:, 0], offset_m[:, 0]


def spot_stations(
    plan: LotPlan, motion: Motion, body: Body, right_m: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return station and offset (line, spot) along the alignment, map metres, by the road's closed form."""
    east, north = body.point(0.0, right_m)
    guess = body.along_m - motion.sign * plan.rig.non_slip_forward_m
    along, offset = motion.site.road.foot(east, north, np.broadcast_to(guess[:, None], east.shape))
    return plan.first_station_m + motion.site.grid_scale * along, motion.site.grid_scale * offset
