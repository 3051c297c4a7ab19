"""A hot mat that cools into the air above and the base below: heat conduction in one dimension.

Finite volumes through the mat and deep into its base, in time Crank and Nicolson's scheme after a few backward
Euler steps (Rannacher 1984), so a sudden start does not ring. Steps grow with the Fourier number, each case on a
clock of its own. All cases are one tridiagonal system, solved by LAPACK's banded solver. The surface loses heat by
a film coefficient to the air and by radiation to the sky, and gains what it absorbs of the sun.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np
from scipy.linalg import solve_banded

from .radiation import KELVIN, STEFAN_W_M2K4

MAT_CELLS, BASE_CELLS = 24, 34
BASE_GROWTH = 1.12  # each cell of the base against the one above it: they reach 16 thicknesses down
FIRST_STEP, STEP_GROWTH = 2e-4, 1.06  # in Fourier numbers of the mat
SMOOTH_STEPS = 4  # first ones, by backward Euler


@dataclass(frozen=True, eq=False, slots=True)
class Cases:
    """Mats to cool, float64 (case) each; temperatures at the start are even in the mat and in its base."""

    thickness_m: np.ndarray
    mat_w_mk: np.ndarray  # conductivity
    mat_j_m3k: np.ndarray  # heat capacity of a volume
    base_w_mk: np.ndarray
    base_j_m3k: np.ndarray
    laid_c: np.ndarray
    base_c: np.ndarray
    air_c: np.ndarray
    sky_c: np.ndarray  # that the surface radiates to
    film_w_m2k: np.ndarray  # to the air, above 0
    emissivity: np.ndarray
    sun_w_m2: np.ndarray  # absorbed

    def __post_init__(self) -> None:
        values = np.broadcast_arrays(
            *(np.atleast_1d(np.asarray(getattr(self, item.name), float)) for item in fields(self))
        )
        for item, value in zip(fields(self), values, strict=True):
            object.__setattr__(self, item.name, value)

    def __len__(self) -> int:
        return len(self.thickness_m)


@dataclass(frozen=True, eq=False, slots=True)
class State:
    """All cases at one step; each has its own time."""

    time_s: np.ndarray  # (case)
    temp_c: np.ndarray  # (case, cell), from the surface down
    surface_c: np.ndarray  # (case)
    lost_j_m2: np.ndarray  # (case) through the surface since the start
    mat_cells: int

    @property
    def mean_c(self) -> np.ndarray:
        """Mean through the mat."""
        return self.temp_c[:, : self.mat_cells].mean(axis=1)

    @property
    def middle_c(self) -> np.ndarray:
        """Half way down the mat."""
        half = self.mat_cells // 2
        return self.temp_c[:, half - 1 : half + 1].mean(axis=1)


@dataclass(frozen=True, eq=False, slots=True)
class Grid:
    """Cells from the surface down, float64 (case, cell), and where the mat ends."""

    width_m: np.ndarray
    conductivity: np.ndarray
    capacity: np.ndarray  # J/(m2 K) of each cell
    between: np.ndarray  # (case, cell - 1) conductance between neighbours, W/(m2 K)
    mat_cells: int


def march(cases: Cases, finer: int = 1) -> Iterator[State]:
    """Cool all cases step by step, without end: whoever asks stops.

    Parameters
    ----------
    cases : Cases
    finer : int
        Cells and steps are this many times finer.
    """
    grid = _grid(cases, finer)
    time_s, lost = np.zeros(len(cases)), np.zeros(len(cases))
    unit_s = cases.thickness_m**2 * cases.mat_j_m3k / cases.mat_w_mk
    temp = np.repeat(cases.laid_c[:, None], grid.width_m.shape[1], axis=1)
    temp[:, grid.mat_cells :] = cases.base_c[:, None]
    surface, before, last_s = cases.laid_c, cases.laid_c, np.ones(len(cases))
    number = 0
    while True:
        step_s = unit_s * FIRST_STEP / finer * STEP_GROWTH ** (number / finer)
        smooth = number < SMOOTH_STEPS
        ahead = surface if smooth else surface + (surface - before) * step_s / last_s / 2
        film, towards = _above(cases, grid, ahead)
        share = 1.0 if smooth else 0.5  # of the new temperatures in what flows
        new = _step(grid, temp, film, towards, step_s, share)
        top = share * new[:, 0] + (1 - share) * temp[:, 0]
        lost = lost + step_s * film * (top - towards)
        before, last_s, temp, time_s = surface, step_s, new, time_s + step_s
        surface = temp[:, 0] - film * (temp[:, 0] - towards) * grid.width_m[:, 0] / (2 * cases.mat_w_mk)
        number += 1
        yield State(time_s, temp, surface, lost, grid.mat_cells)


def _grid(cases: Cases, finer: int) -> Grid:
    """Even cells in the mat, growing ones in the base."""
    mat, base = MAT_CELLS * finer, BASE_CELLS * finer
    growth = BASE_GROWTH ** ((np.arange(base) + 0.5) / finer)
    shares = np.r_[np.ones(mat), growth] / mat
    width = cases.thickness_m[:, None] * shares
    in_mat = np.arange(mat + base) < mat
    conductivity = np.where(in_mat, cases.mat_w_mk[:, None], cases.base_w_mk[:, None])
    capacity = np.where(in_mat, cases.mat_j_m3k[:, None], cases.base_j_m3k[:, None]) * width
    resistance = width / (2 * conductivity)
    between = 1 / (resistance[:, :-1] + resistance[:, 1:])
    return Grid(width, conductivity, capacity, between, mat)


def _above(cases: Cases, grid: Grid, surface_c: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Conductance from the middle of the first cell to what is above, W/(m2 K), and its temperature, (case) each."""
    hot, sky = surface_c + KELVIN, cases.sky_c + KELVIN
    radiant = cases.emissivity * STEFAN_W_M2K4 * (hot + sky) * (hot**2 + sky**2)
    whole = cases.film_w_m2k + radiant
    gain = cases.film_w_m2k * cases.air_c + radiant * cases.sky_c + cases.sun_w_m2
    conductance = 1 / (1 / whole + grid.width_m[:, 0] / (2 * cases.mat_w_mk))
    return conductance, gain / whole


def _step(
    grid: Grid, temp: np.ndarray, film: np.ndarray, towards: np.ndarray, step_s: np.ndarray, share: float
) -> np.ndarray:
    """Temperatures one step later; the bottom of the base lets no heat through."""
    flow = np.zeros((len(temp), temp.shape[1] + 1))  # conductance above each cell, and below the last
    flow[:, 0], flow[:, 1:-1] = film, grid.between
    out = flow[:, :-1] + flow[:, 1:]
    held = grid.capacity / step_s[:, None]
    right = (held - (1 - share) * out) * temp
    right[:, 1:] += (1 - share) * grid.between * temp[:, :-1]
    right[:, :-1] += (1 - share) * grid.between * temp[:, 1:]
    right[:, 0] += film * towards
    bands = np.zeros((3, temp.size))
    bands[1] = (held + share * out).ravel()
    bands[0, 1:] = -share * flow[:, 1:].ravel()[:-1]
    bands[2, :-1] = -share * flow[:, 1:].ravel()[:-1]
    solved = solve_banded(
        (1, 1), bands, right.ravel(), overwrite_ab=True, overwrite_b=True, check_finite=False
    )
    return solved.reshape(temp.shape)


def time_to(cases: Cases, stop_c: float, longest_s: float, finer: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Seconds until the mean through the mat, and its middle, have fallen to a temperature.

    Returns
    -------
    mean_s, middle_s : float64 (case)
        0 where the mat was laid no warmer; infinite where it stays warmer for `longest_s`.
    """
    reached = np.where(cases.laid_c <= stop_c, 0.0, np.inf) * np.ones((2, 1))
    last_s, last_c = np.zeros(len(cases)), np.tile(cases.laid_c, (2, 1))
    for state in march(cases, finer):
        now_c = np.array((state.mean_c, state.middle_c))
        fallen = (now_c <= stop_c) & np.isinf(reached)
        with np.errstate(divide="ignore", invalid="ignore"):
            part = (last_c - stop_c) / (last_c - now_c)
        reached = np.where(fallen, last_s + part * (state.time_s - last_s), reached)
        if (np.isfinite(reached).all(axis=0) | (state.time_s > longest_s)).all():
            break
        last_s, last_c = state.time_s, now_c
    return tuple(np.where(reached > longest_s, np.inf, reached))


def mean_curves(cases: Cases, time_s: np.ndarray) -> np.ndarray:
    """Mean through the mat of each case at times since it was laid, (case, time)."""
    times, means = [np.zeros(len(cases))], [cases.laid_c]
    for state in march(cases):
        times.append(state.time_s)
        means.append(state.mean_c)
        if (state.time_s >= time_s[-1]).all():
            break
    return np.array(
        [np.interp(time_s, *pair) for pair in zip(np.array(times).T, np.array(means).T, strict=True)]
    )


def film_w_m2k(wind_mps: np.ndarray | float) -> np.ndarray:
    """Film coefficient of a mat in wind, W/(m2 K): 7.4 + 6.39 V^0.75, V in m/s.

    Chadbourn et al. (1996), ASTM STP 1299, from memory; published formulae differ greatly.

    >>> [round(float(film_w_m2k(mph * 0.44704)), 1) for mph in (0, 5, 10, 20)]
    [7.4, 19.1, 27.0, 40.4]
    """
    return 7.4 + 6.39 * np.asarray(wind_mps, float) ** 0.75
