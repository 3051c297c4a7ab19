"""Temperatures: what the screed leaves, how it cools until the line sees it, and what the scanner reads."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

from .changes import edges_at
from .motion import Motion
from .plan import LotPlan, Patch, Person, Scanner, generator

TAPER_M = 0.1  # a patch reaches full depth this far inside its outline, and none as far outside
CODE_BASE_C, CODE_SPAN_C = 100.0, 60.0  # coded temperatures run from the base over this span


def planted_patches(plan: LotPlan, motions: tuple[Motion, ...]) -> tuple[Patch, ...]:
    """Return every patch of cold mat, those of load ends and restarts included."""
    patches = list(plan.mat.patches)
    for motion in motions:
        patches += _load_ends(plan, motion)
        if plan.mat.after_stop_c:
            patches += [_after_stop(plan, motion, stop.at_m) for stop in motion.pass_plan.stops]
    return tuple(patches)


def _load_ends(plan: LotPlan, motion: Motion) -> list[Patch]:
    first, period_m = plan.mat.load_end, plan.mat.load_length_m
    if first is None or period_m is None:
        return []
    ends = np.arange(first.at_m, motion.length_m - first.length_m / 2, period_m)
    return [replace(first, at_m=float(at), kind="cyclic", pass_=motion.code) for at in ends]


def _after_stop(plan: LotPlan, motion: Motion, at_m: float) -> Patch:
    """Return the first mat laid after a stop: it begins where the screed stood."""
    scanner, length_m = plan.scanner, plan.mat.after_stop_length_m
    middle_m = at_m + plan.rig.screed_forward_m + length_m / 2
    centre_m, width_m = (
        (scanner.mat_left_m + scanner.mat_right_m) / 2,
        scanner.mat_right_m - scanner.mat_left_m,
    )
    return Patch(middle_m, length_m, centre_m, width_m, plan.mat.after_stop_c, "at_stop", motion.code)


def _depth(patch: Patch, along_m: np.ndarray, right_m: np.ndarray) -> np.ndarray:
    """Return the share 0..1 of a patch's deficit; one half on its outline."""
    along, right = along_m[:, None] - patch.at_m, right_m[None, :] - patch.right_m
    if patch.ellipse:
        radius = np.hypot(along / (patch.length_m / 2), right / (patch.width_m / 2))
        inside = (1 - radius) * min(patch.length_m, patch.width_m) / 2
    else:
        inside = np.minimum(patch.length_m / 2 - np.abs(along), patch.width_m / 2 - np.abs(right))
    return np.clip(0.5 + inside / (2 * TAPER_M), 0, 1)


def _texture(plan: LotPlan, motion: Motion, along_m: np.ndarray, right_m: np.ndarray) -> np.ndarray:
    """Return smooth unevenness of the mat, bilinear on a lattice of a quarter metre."""
    if not plan.mat.texture_c:
        return np.zeros((len(along_m), len(right_m)))
    cell, margin = 0.25, 10
    low = right_m.min() - margin * cell
    shape = (math.ceil(motion.length_m / cell) + 2 * margin, math.ceil((right_m.max() - low) / cell) + margin)
    white = generator(plan, 1, motion.code).standard_normal(shape)
    smooth = gaussian_filter(white, plan.mat.texture_length_m / cell / 2)
    rows, cols = np.broadcast_arrays(along_m[:, None] / cell + margin / 2, (right_m[None, :] - low) / cell)
    uneven = map_coordinates(smooth, [rows, cols], order=1, mode="nearest")
    return uneven * plan.mat.texture_c / smooth.std()


def on_mat_share(scanner: Scanner, edges_m: np.ndarray) -> np.ndarray:
    """Return the share of each spot's pitch between the mat's edges (line, 2): (line, spot)."""
    right = scanner.spot_right_m
    half = abs(right[1] - right[0]) / 2
    inner = np.minimum(right + half, edges_m[:, 1:]) - np.maximum(right - half, edges_m[:, :1])
    return np.clip(inner / (2 * half), 0, 1)


def true_temperatures(
    plan: LotPlan, motion: Motion, patches: tuple[Patch, ...], time_s: np.ndarray
) -> np.ndarray:
    """Return noise-free temperatures (line, spot): laid, cooled until seen, mixed at the edges."""
    mat, right_m = plan.mat, plan.scanner.spot_right_m
    along_m = motion.distance(time_s)
    laid_s = motion.first_time(along_m - plan.rig.screed_forward_m)
    laid_c = mat.base_c + _texture(plan, motion, along_m, right_m)
    laid_c += mat.drift_c_per_h * laid_s[:, None] / 3600
    for patch in patches:
        near = np.flatnonzero(np.abs(along_m - patch.at_m) < patch.length_m / 2 + TAPER_M)
        if patch.pass_ == motion.code and len(near):
            laid_c[near] -= patch.deficit_c * _depth(patch, along_m[near], right_m)
    kept = np.exp(-(time_s - laid_s) / mat.cooling_s)[:, None]
    seen_c = mat.air_c + (laid_c - mat.air_c) * kept
    share = on_mat_share(plan.scanner, edges_at(plan, motion, time_s))
    return share * seen_c + (1 - share) * mat.shoulder_c


def foreign_objects(plan: LotPlan, motion: Motion, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return where (line, spot) something foreign hides the mat, and its temperature (0 elsewhere)."""
    temp_c = np.zeros((len(time_s), plan.scanner.count))
    hidden = np.zeros(temp_c.shape, dtype=bool)
    for person in plan.mat.people:
        if person.pass_ == motion.code:
            here = _covered(person, plan.scanner, motion, time_s)
            hidden |= here
            temp_c[here] = person.temp_c
    return hidden, temp_c


def _covered(person: Person, scanner: Scanner, motion: Motion, time_s: np.ndarray) -> np.ndarray:
    start_s = motion.first_time(np.array([person.at_m]))[0]
    centre_m = scanner.mat_left_m + person.speed_mps * (time_s - start_s)
    crossing = (centre_m >= scanner.mat_left_m) & (centre_m <= scanner.mat_right_m)
    near = np.abs(scanner.spot_right_m[None, :] - centre_m[:, None]) <= person.width_m / 2
    return near & crossing[:, None]


def code_of(value: np.ndarray) -> tuple[float, float]:
    """Return zero and gain with which values become temperatures: base + (value - zero) x gain."""
    zero = math.floor(value.min())
    return float(zero), CODE_SPAN_C / max(float(value.max() - zero), 1.0)


def read_back(plan: LotPlan, temp_c: np.ndarray, foreign: np.ndarray, foreign_c: np.ndarray) -> np.ndarray:
    """Return what the scanner writes: noise, people, faulty spots, rounding; NaN = blank."""
    noise_c = plan.scanner.noise_c * generator(plan, 2).standard_normal(temp_c.shape)
    seen = np.where(foreign, foreign_c, temp_c) + noise_c
    for fault in plan.mat.faults:
        column = seen[:, fault.spot - 1]
        column[:] = {"dead": np.nan, "stuck": fault.value_c, "biased": column + fault.value_c}[fault.kind]
    return np.round(seen, plan.scanner.decimals)
