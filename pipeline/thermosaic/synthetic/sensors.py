"""The distance wheel and the GNSS receiver: true motion in, readings with their faults out."""

from __future__ import annotations

import math

import numpy as np
from scipy.signal import lfilter

from .changes import value_at
from .motion import Motion, pass_at, ticks
from .plan import Gnss, LotPlan, generator

QUALITIES = ("none", "autonomous", "differential", "fixed", "float")  # same codes as the noun Fixes
NO_FIX_SIGMA_M = 10.0  # of the place a receiver repeats without a fix


def _wheel_lengths(plan: LotPlan, motion: Motion) -> tuple[np.ndarray, np.ndarray]:
    """Return distances of C and the wheel's reading there on one forward run, without noise."""
    place = np.linspace(0, motion.length_m, math.ceil(motion.length_m / 0.1) + 1)
    middle = (place[1:] + place[:-1]) / 2
    rate = np.full(len(middle), 1 / plan.wheel.scale)
    phases = generator(plan, 3, motion.code).uniform(0, 2 * math.pi, 3)
    for length_m, phase in zip((45.0, 110.0, 260.0), phases, strict=True):
        wave = np.sin(2 * math.pi * middle / length_m + phase)
        rate *= 1 + plan.wheel.wander_frac * math.sqrt(2 / 3) * wave
    for code, from_m, to_m, lost in plan.wheel.slips:
        if code == motion.code:
            rate *= 1 - lost * ((middle >= from_m) & (middle < to_m))
    return place, np.concatenate([[0.0], np.cumsum(rate * np.diff(place))])


def wheel_log(plan: LotPlan, motions: tuple[Motion, ...], time_s: np.ndarray) -> np.ndarray:
    """Return the wheel's reading in metres at times."""
    code, reading, total = pass_at(motions, time_s), np.empty(time_s.shape), 0.0
    count = (lambda moved: moved) if plan.wheel.counter_falls else np.abs
    for motion in motions:
        place, length = _wheel_lengths(plan, motion)
        at_knots = np.interp(motion.knot_m, place, length)
        run = np.concatenate([[0.0], np.cumsum(count(np.diff(at_knots)))])
        mine = code == motion.code
        part = motion.interval(time_s[mine])
        moved = np.interp(motion.distance(time_s[mine]), place, length) - at_knots[part]
        reading[mine] = total + run[part] + count(moved)
        total += run[-1]
    reading += plan.wheel.noise_m * generator(plan, 4).standard_normal(reading.shape)
    return np.round(reading / plan.wheel.quantum_m) * plan.wheel.quantum_m


def _correlated(
    rng: np.random.Generator, count: int, step_s: float, time_s: float, white_frac: float
) -> np.ndarray:
    """Return noise of unit variance (2, count): first-order Gauss-Markov plus a white share."""
    white, drive = rng.standard_normal((2, 2, count))
    if time_s <= 0:
        return white
    keep = math.exp(-step_s / time_s)
    drive[:, 1:] *= math.sqrt(1 - keep**2)
    slow = lfilter([1.0], [1.0, -keep], drive, axis=1)
    return math.sqrt(white_frac) * white + math.sqrt(1 - white_frac) * slow


def _position_errors(plan: LotPlan, quality: np.ndarray, sigma_m: np.ndarray) -> np.ndarray:
    """Return errors east and north (2, fix), ground metres."""
    gnss, count = plan.gnss, len(quality)
    step_s = 1 / gnss.rate_hz
    fixed = _correlated(generator(plan, 5), count, step_s, gnss.correlation_s, gnss.white_frac)
    other = _correlated(generator(plan, 7), count, step_s, gnss.other_correlation_s, gnss.white_frac)
    return np.where(quality == QUALITIES.index("fixed"), fixed, other) * sigma_m


def _episodes(gnss: Gnss, code: np.ndarray, place_m: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return quality code, whether there are sentences, and jump (2, fix) of every epoch."""
    quality = np.full(len(code), QUALITIES.index(gnss.quality), dtype=np.int8)
    present, jump_m = np.ones(len(code), dtype=bool), np.zeros((2, len(code)))
    for episode in gnss.episodes:
        here = (code == episode.pass_) & (place_m >= episode.from_m) & (place_m < episode.to_m)
        if episode.kind == "outage":
            present &= ~here
        elif episode.kind == "jump":
            jump_m[:, here] += np.array([[episode.east_m], [episode.north_m]])
        else:
            quality[here] = QUALITIES.index(episode.kind)
    return quality, present, jump_m


def _antenna(plan: LotPlan, motion: Motion, time_s: np.ndarray) -> dict[str, np.ndarray]:
    """Return the antenna's true place and the body's true heading; tilt moves a high antenna sideways."""
    rig, gnss = plan.rig, plan.gnss
    place_m = motion.distance(time_s)
    body = motion.body(place_m)
    forward_m, right_m, up_m = (
        value_at(plan, motion, name, getattr(rig, name), time_s)
        for name in ("antenna_forward_m", "antenna_right_m", "antenna_up_m")
    )
    forward_m = forward_m - motion.sign * up_m * gnss.grade_frac
    right_m = right_m + motion.sign * up_m * gnss.cross_slope_frac
    east_m, north_m = body.point(forward_m, 0.0)
    easting, northing = motion.site.map_m(
        east_m + right_m * np.cos(body.heading), north_m - right_m * np.sin(body.heading)
    )
    return {
        "code": np.full(len(place_m), motion.code),
        "place_m": place_m,
        "easting_m": easting,
        "northing_m": northing,
        "height_m": gnss.height_m + up_m + gnss.grade_frac * body.along_m,
        "true_heading_deg": np.degrees(body.heading) + motion.site.convergence_deg,
    }


def make_fixes(plan: LotPlan, motions: tuple[Motion, ...]) -> dict[str, np.ndarray]:
    """Return the fixes as arrays (fix), with the antenna's true map place."""
    gnss, site = plan.gnss, motions[0].site
    time_s = ticks(motions, gnss.rate_hz)
    code = pass_at(motions, time_s)
    parts = [_antenna(plan, m, time_s[code == m.code]) for m in motions]
    fixes = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]} | {"time_s": time_s}
    quality, present, jump_m = _episodes(gnss, code, fixes["place_m"])
    of_quality = [NO_FIX_SIGMA_M, gnss.autonomous_m, gnss.differential_m, gnss.fixed_m, gnss.float_m]
    sigma_m = np.array(of_quality)[quality]
    error_m = site.grid_scale * (_position_errors(plan, quality, sigma_m) + jump_m)
    lon, lat = site.lon_lat(fixes["easting_m"] + error_m[0], fixes["northing_m"] + error_m[1])
    noise = generator(plan, 6).standard_normal((2, len(time_s)))
    heading = (
        fixes["true_heading_deg"] + plan.rig.heading_offset_deg + (gnss.heading_sigma_deg or 0.0) * noise[1]
    )
    moved = np.hypot(np.diff(fixes["easting_m"]), np.diff(fixes["northing_m"]))
    fixes |= {
        "lon_deg": lon, "lat_deg": lat, "quality": quality, "sigma_m": sigma_m * gnss.gst_factor,
        "height_m": fixes["height_m"] + 1.5 * sigma_m * noise[0], "heading_deg": heading % 360,
        "speed_mps": np.concatenate([[0.0], np.minimum(moved * gnss.rate_hz, 5.0)]),
    }  # fmt: skip
    return {name: values[present] for name, values in fixes.items()}
