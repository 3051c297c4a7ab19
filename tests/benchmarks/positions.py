"""One command, one table: how well spots are placed, ours beside four usual ways.

    python tests/benchmarks/positions.py [--seeds 5] [--only WORD] [--more]
    python tests/benchmarks/positions.py --coverage [--seeds 100] [--only WORD]

The Kalman smoother is filterpy's (pip install filterpy).

Truth is `thermosaic.synthetic`, which uses none of the code judged here. A row is a case, a cell is the
mean square over the seeds. Positions of spots on the mat, horizontal; heading of the body. Stretches without
fixes are left out of the rows (they are counted in the last column of ours: share placed by wheel).

`--coverage` prints how many true errors lie within 1 and 2 stated sigmas, by noise and road, and over all roads of
a noise. A sigma without a heading sensor holds an unknown crab angle, and one with a sensor an angle that changes,
so that a fair sample of lots has both: at the road's start the angle is drawn from the stated prior (one from each
of as many strata as lots, which needs fewer lots), and it changes over the stated length. A lot whose crab is 0 is
covered more often than the sigma says, and one with 0.3 deg, 1.2 sigma, less; with a sensor one whose crab keeps is
covered more often (0.75 within one sigma across). One lot is one to three independent errors of a drift that lasts
minutes, so that a share of 100 lots is good to about 3 points and one of 12 to 9; `z` is the root mean square of
error over sigma, which asks for the same without counting.

Rows that stay cautious, and why: across with R 25-40 m and outages, where a bend may begin unseen (within the
outages z is about 0.5, elsewhere 1); across on a dead straight road with coarse fixes, where the likelihood cannot
tell a straight road from a gentle one.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from filterpy.kalman import KalmanFilter
from pyproj import Transformer
from scipy.interpolate import make_smoothing_spline
from scipy.stats import norm

sys.path.insert(0, str(Path(__file__).parents[1]))

import builders
from sections import sections
from thermosaic import config, synthetic
from thermosaic.kernels.motion import Habits
from thermosaic.stages.s2_trajectory import solve_trajectory
from thermosaic.stages.s3_georeference import georeference_scan
from thermosaic.synthetic import BackUp, Episode, Gnss, LotPlan, PassPlan, Rig, Stop, Wheel

STRAIGHT = (synthetic.straight(320.0),)
GENTLE = (
    synthetic.straight(90.0),
    *synthetic.bend(300.0, 20.0, lead_m=25.0),
    synthetic.straight(90.0),
)
TURNS = (
    synthetic.straight(50.0),
    *synthetic.bend(25.0, 75.0, lead_m=8.0),
    synthetic.straight(30.0),
    *synthetic.bend(40.0, -60.0, lead_m=8.0),
    synthetic.straight(50.0),
)
STOPS = (Stop(60.0, 120.0), Stop(140.0, 400.0), Stop(215.0, 60.0))
SPEEDS = ((0.0, 0.13), (70.0, 0.17), (160.0, 0.10), (230.0, 0.15))
DISTURBED = (
    Episode("jump", 35.0, 38.0, east_m=0.4, north_m=0.3),
    Episode("jump", 80.0, 84.0, east_m=-1.2, north_m=0.9),
    Episode("jump", 165.0, 167.0, east_m=2.0, north_m=-2.2),
    Episode("jump", 245.0, 250.0, east_m=-3.0, north_m=-4.0),
    Episode("outage", 100.0, 130.0),
    Episode("outage", 185.0, 215.0),
)


@dataclass(frozen=True)
class Case:
    """One row of the table."""

    name: str
    plan: LotPlan
    clock_auto: bool = False


def cases() -> tuple[Case, ...]:
    """Return the rows: noise, geometry, disturbances."""
    rtk = {"fixed_m": 0.02, "correlation_s": 60.0}
    hard = {
        "road": GENTLE,
        "passes": (PassPlan(stops=STOPS, speeds=SPEEDS),),
        "weave_m": 0.03,
        "crab_deg": 0.3,
    }
    slip = Wheel(wander_frac=0.005)
    return (
        Case("RTK 0.02 m, straight", LotPlan(road=STRAIGHT, gnss=Gnss(**rtk))),
        Case("RTK 0.02 m white, straight", LotPlan(road=STRAIGHT, gnss=Gnss(fixed_m=0.02))),
        Case("RTK, true heading, R 25-40 m", LotPlan(road=TURNS, gnss=Gnss(**rtk, heading_sigma_deg=0.3))),
        Case(
            "RTK, R 25-40 m, antenna 3 m ahead 1 m aside",
            LotPlan(road=TURNS, gnss=Gnss(**rtk), rig=Rig(antenna_forward_m=3.0, antenna_right_m=1.0)),
        ),
        Case(
            "RTK, stops jumps outages slip weave crab",
            LotPlan(gnss=Gnss(**rtk, episodes=DISTURBED), wheel=slip, **hard),
        ),
        Case(
            "0.3 m over 60 s, the same",
            LotPlan(gnss=Gnss(quality="float", float_m=0.3, episodes=DISTURBED), wheel=slip, **hard),
        ),
        Case(
            "1.0 m over 60 s, the same",
            LotPlan(
                gnss=Gnss(quality="differential", differential_m=1.0, episodes=DISTURBED), wheel=slip, **hard
            ),
        ),
        Case(
            "RTK, clock 0.4 s off, stops",
            LotPlan(
                road=GENTLE,
                passes=(PassPlan(stops=STOPS, speeds=SPEEDS),),
                gnss=Gnss(**rtk),
                scanner=synthetic.Scanner(clock_offset_s=0.4),
            ),
            clock_auto=True,
        ),
        Case("RTK, wheel 1.5 % off", LotPlan(road=GENTLE, gnss=Gnss(**rtk), wheel=Wheel(scale=1.015))),
    )


def more_cases() -> tuple[Case, ...]:
    """Return rows of other geometries, rates and qualities, which no bar was set for."""
    rtk = {"fixed_m": 0.02, "correlation_s": 60.0}
    bends = {"road": TURNS, "weave_m": 0.03, "crab_deg": 0.15, "wheel": Wheel(wander_frac=0.005)}
    stops = (PassPlan(stops=(Stop(60.0, 120.0), Stop(140.0, 300.0))),)
    half = tuple(Episode("float", at, at + 40.0) for at in (40.0, 120.0, 200.0))
    outage = (Episode("outage", 70.0, 100.0), Episode("outage", 140.0, 170.0))
    return (
        Case("RTK, R 25-40 m, antenna 2 m behind 1.5 m left", LotPlan(
            gnss=Gnss(**rtk), rig=Rig(antenna_forward_m=-2.0, antenna_right_m=-1.5), passes=stops, **bends
        )),
        Case("RTK, R 25-40 m, C 6 m behind the non-slip point", LotPlan(
            gnss=Gnss(**rtk), rig=Rig(non_slip_forward_m=6.0), passes=stops, **bends
        )),
        Case("RTK, R 25-40 m, outages within the turns", LotPlan(
            gnss=Gnss(**rtk, episodes=outage), passes=stops, **bends
        )),
        Case("RTK 1 Hz, crawl 0.05 m/s", LotPlan(
            road=(synthetic.straight(120.0),), gnss=Gnss(rate_hz=1.0, **rtk), passes=(PassPlan(speeds=((0.0, 0.05),)),),
        )),
        Case("RTK 20 Hz, drift over 300 s, R 300 m", LotPlan(
            road=GENTLE, gnss=Gnss(rate_hz=20.0, fixed_m=0.02, correlation_s=300.0), passes=stops,
        )),
        Case("RTK, half of it float 0.3 m, R 300 m", LotPlan(
            road=GENTLE, gnss=Gnss(**rtk, episodes=half), weave_m=0.03, wheel=Wheel(wander_frac=0.005), passes=stops,
        )),
        Case("0.3 m over 200 s, R 25-40 m", LotPlan(
            gnss=Gnss(quality="float", float_m=0.3, other_correlation_s=200.0), passes=stops, **bends
        )),
        Case("1.0 m over 60 s, R 25-40 m", LotPlan(
            gnss=Gnss(quality="differential", differential_m=1.0), passes=stops, **bends
        )),
        Case("RTK, downstation over back-ups, R 300 m", LotPlan(
            road=GENTLE, gnss=Gnss(**rtk), wheel=Wheel(wander_frac=0.005),
            passes=(PassPlan(direction="downstation", back_ups=(BackUp(80.0, 4.0), BackUp(190.0, 2.0))),),
        )),
    )  # fmt: skip


# ------------------------------------------------------------------------------------------ five ways


@dataclass(frozen=True, eq=False)
class Path:
    """Where a way of solving puts C and the body, a line at a time."""

    easting_m: np.ndarray
    northing_m: np.ndarray
    heading_rad: np.ndarray


@dataclass(frozen=True, eq=False)
class Raw:
    """What every way gets: fixes on the map, their times, wheel and line times on UTC."""

    fix_s: np.ndarray
    fix_m: np.ndarray  # (fix, 2)
    heading_rad: np.ndarray  # (fix) of a sensor, NaN = none
    sigma_m: np.ndarray
    line_s: np.ndarray
    wheel_m: np.ndarray  # (line)
    rig: Rig


def raw(lot: synthetic.SyntheticLot) -> Raw:
    """Collect the logs, clock already right: the peers are given that."""
    logged = lot.logged
    origin = logged.fix_time_utc[0]
    seconds = lambda time: (time - origin).astype(np.int64) * 1e-9  # noqa: E731
    easting, northing = synthetic_map(lot)
    heading = np.radians(logged.fix_heading_deg - lot.plan.rig.heading_offset_deg - lot.truth.convergence_deg)
    return Raw(
        seconds(logged.fix_time_utc),
        np.column_stack([easting, northing]),
        np.unwrap(heading),
        logged.sigma_m,
        seconds(lot.truth.time_utc),
        np.interp(
            seconds(lot.truth.time_utc),
            seconds(logged.wheel_time_utc) - lot.plan.scanner.clock_offset_s,
            logged.wheel_m,
        ),
        lot.plan.rig,
    )


def synthetic_map(lot: synthetic.SyntheticLot) -> tuple[np.ndarray, np.ndarray]:
    """Bring the logged fixes to the map by pyproj."""
    way = Transformer.from_crs(lot.plan.fixes_crs, lot.plan.map_crs, always_xy=True)
    return way.transform(lot.logged.lon_deg, lot.logged.lat_deg)


def from_antenna(data: Raw, east: np.ndarray, north: np.ndarray, course: np.ndarray) -> Path:
    """Go from the antenna's path to C, with the sensor's heading where there is one."""
    heading = course
    if np.isfinite(data.heading_rad).all():
        heading = np.interp(data.line_s, data.fix_s, moving_mean(data.heading_rad, 25))
    forward, right = data.rig.antenna_forward_m, data.rig.antenna_right_m
    sine, cosine = np.sin(heading), np.cos(heading)
    return Path(east - forward * sine - right * cosine, north - forward * cosine + right * sine, heading)


def moving_mean(values: np.ndarray, count: int) -> np.ndarray:
    """Centred mean over `count` neighbours, ends repeated."""
    padded = np.pad(values, count // 2, mode="edge")
    return np.convolve(padded, np.full(count, 1 / count), "valid")


def consecutive(data: Raw) -> Path:
    """Heading from each fix to the next, kept while they are less than 1 cm apart; no smoothing."""
    step = np.diff(data.fix_m, axis=0)
    course = np.arctan2(step[:, 0], step[:, 1])
    moved = np.hypot(*step.T) > 0.01
    last = np.maximum.accumulate(np.where(moved, np.arange(len(moved)), np.flatnonzero(moved)[0]))
    held = np.clip(np.searchsorted(data.fix_s, data.line_s) - 1, 0, len(course) - 1)
    east, north = (np.interp(data.line_s, data.fix_s, axis) for axis in data.fix_m.T)
    return from_antenna(data, east, north, course[last][held])


def moving_average(data: Raw, window_s: float = 20.0) -> Path:
    """Mean of the fixes over 20 s, heading from its displacement over 20 s, kept while standing."""
    count = max(int(window_s / np.median(np.diff(data.fix_s))) // 2 * 2 + 1, 3)
    smooth = np.column_stack([moving_mean(axis, count) for axis in data.fix_m.T])
    east, north = (np.interp(data.line_s, data.fix_s, axis) for axis in smooth.T)
    ahead = [np.interp(data.line_s + window_s / 2, data.fix_s, axis) for axis in smooth.T]
    back = [np.interp(data.line_s - window_s / 2, data.fix_s, axis) for axis in smooth.T]
    moved = np.hypot(ahead[0] - back[0], ahead[1] - back[1]) > 0.5
    last = np.maximum.accumulate(np.where(moved, np.arange(len(moved)), np.flatnonzero(moved)[0]))
    course = np.arctan2(ahead[0] - back[0], ahead[1] - back[1])[last]
    return from_antenna(data, east, north, course)


def kalman(data: Raw) -> Path:
    """Constant velocity in time, forward and back (Rauch, Tung and Striebel 1965), one fix a second."""
    step = 1.0
    tick = np.arange(data.fix_s[0], data.fix_s[-1], step)
    near = np.clip(np.searchsorted(data.fix_s, tick), 0, len(data.fix_s) - 1)
    has = np.abs(data.fix_s[near] - tick) < step
    smoother = KalmanFilter(dim_x=4, dim_z=2)
    smoother.x = np.array([*data.fix_m[0], 0.0, 0.0])
    smoother.P = np.diag([1.0, 1.0, 0.1, 0.1])
    smoother.F = np.eye(4) + np.diag([step, step], 2)
    smoother.H = np.eye(2, 4)
    push = np.vstack([np.eye(2) * step**2 / 2, np.eye(2) * step])
    smoother.Q = push @ push.T * 0.005**2
    noise = np.eye(2) * float(np.median(data.sigma_m)) ** 2
    states, spreads = [], []
    for index, present in zip(near, has, strict=True):
        smoother.predict()
        if present:
            smoother.update(data.fix_m[index], R=noise)
        states.append(smoother.x.copy())
        spreads.append(smoother.P.copy())
    smooth = smoother.rts_smoother(np.array(states), np.array(spreads))[0]
    east, north = (np.interp(data.line_s, tick, smooth[:, axis]) for axis in (0, 1))
    moving = np.hypot(smooth[:, 2], smooth[:, 3]) > 0.03
    last = np.maximum.accumulate(np.where(moving, np.arange(len(moving)), np.flatnonzero(moving)[0]))
    course = np.unwrap(np.arctan2(smooth[:, 2], smooth[:, 3])[last])
    return from_antenna(data, east, north, np.interp(data.line_s, tick, course))


def robust_spline(data: Raw) -> Path:
    """Smoothing spline over wheel distance, new ground only, reweighted three times, GCV stiffness."""
    place = np.interp(data.fix_s, data.line_s, data.wheel_m)
    new = place >= np.maximum.accumulate(place)
    place = place[new]
    cell = np.floor(place / 0.5).astype(int)
    _, first = np.unique(cell, return_index=True)
    count = np.diff(np.append(first, len(cell)))
    mean = lambda values: np.add.reduceat(values, first) / count  # noqa: E731
    at, fixes = mean(place), np.column_stack([mean(axis) for axis in data.fix_m[new].T])
    base = fixes.mean(axis=0)
    weight = np.ones(len(at))
    for _ in range(4):
        curves = [make_smoothing_spline(at, axis, w=weight) for axis in (fixes - base).T]
        off = np.hypot(*[axis - curve(at) for axis, curve in zip((fixes - base).T, curves, strict=True)])
        weight = 1 / (1 + (off / (1.4826 * np.median(off) + 1e-3)) ** 2)
    course = np.unwrap(np.arctan2(*[curve.derivative()(data.wheel_m) for curve in curves]))
    return from_antenna(data, curves[0](data.wheel_m) + base[0], curves[1](data.wheel_m) + base[1], course)


PEERS: dict[str, Callable[[Raw], Path]] = {
    "consecutive fixes": consecutive,
    "moving average": moving_average,
    "Kalman/RTS in time": kalman,
    "robust spline": robust_spline,
}


# ------------------------------------------------------------------------------------------ scores


def errors(
    lot: synthetic.SyntheticLot, easting: np.ndarray, northing: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Errors of spots along and across the true heading, (line, spot)."""
    truth = lot.truth
    east, north = easting - truth.spot_easting_m, northing - truth.spot_northing_m
    heading = np.radians(truth.heading_deg)[:, None]
    return east * np.sin(heading) + north * np.cos(heading), east * np.cos(heading) - north * np.sin(heading)


def judged(lot: synthetic.SyntheticLot) -> np.ndarray:
    """Lines outside the outages."""
    inside = np.zeros(len(lot.truth.time_utc), bool)
    for gap in lot.truth.gaps:
        inside |= (lot.truth.distance_m >= gap.from_m - 0.5) & (lot.truth.distance_m <= gap.to_m + 0.5)
    return ~inside


def score(
    lot: synthetic.SyntheticLot, easting: np.ndarray, northing: np.ndarray, heading_deg: np.ndarray
) -> dict[str, float]:
    """RMSE, 95th percentile, biases and heading error over the judged lines."""
    lines = judged(lot) & np.isfinite(easting[:, 0])
    along, across = (part[lines] for part in errors(lot, easting, northing))
    off = np.hypot(along, across)
    turn = ((heading_deg - lot.truth.heading_deg + 180) % 360 - 180)[lines]
    return {
        "rmse": float(np.sqrt((off**2).mean())),
        "p95": float(np.percentile(off, 95)),
        "bias_along": float(along.mean()),
        "bias_across": float(across.mean()),
        "heading": float(np.sqrt((turn**2).mean())),
    }


def ours(lot: synthetic.SyntheticLot, clock_auto: bool) -> dict[str, float]:
    """Solve with thermosaic; also coverage, clock and scale errors."""
    auto = {"clock_offset": "auto"} if clock_auto else {}
    crs, rig, scanner = sections(lot.plan, **auto)
    inputs = builders.true_inputs(lot)
    trajectory = solve_trajectory(inputs, crs, rig, config.AcceptSection())
    swath = georeference_scan(inputs.scan, trajectory, rig, scanner)
    result = score(lot, swath.easting_m, swath.northing_m, swath.heading_deg)
    lines = swath.placed > 0
    along, across = (np.abs(part[lines]) for part in errors(lot, swath.easting_m, swath.northing_m))
    for name, off, sigma in (("along", along, swath.sigma_along_m), ("across", across, swath.sigma_across_m)):
        for times in (1, 2):
            result[f"within_{times}_{name}"] = float((off <= times * sigma[lines]).mean())
    result["clock"] = trajectory.clock_offset_s - lot.plan.scanner.clock_offset_s
    result["scale"] = trajectory.wheel_scale - lot.plan.wheel.scale
    result["placed"] = float(lines.mean())
    return result


def peer(lot: synthetic.SyntheticLot, way: Callable[[Raw], Path]) -> dict[str, float]:
    """Solve another way and place the spots by it."""
    path = way(raw(lot))
    right = lot.plan.scanner.spot_right_m[None, :]
    easting = path.easting_m[:, None] + right * np.cos(path.heading_rad)[:, None]
    northing = path.northing_m[:, None] - right * np.sin(path.heading_rad)[:, None]
    return score(lot, easting, northing, np.degrees(path.heading_rad))


def over_seeds(results: list[dict[str, float]]) -> dict[str, float]:
    """Root mean square over the seeds; shares are averaged."""
    names = results[0]
    return {
        name: float(np.mean([r[name] for r in results]))
        if name.startswith(("within", "placed"))
        else float(np.sqrt(np.mean([r[name] ** 2 for r in results])))
        for name in names
    }


def measure(case: Case, seeds: int) -> dict[str, dict[str, float]]:
    """Measure one row."""
    lots = [synthetic.make_lot(replace_seed(case.plan, seed)) for seed in range(seeds)]
    row = {"ours": over_seeds([ours(lot, case.clock_auto) for lot in lots])}
    for name, way in PEERS.items():
        row[name] = over_seeds([peer(lot, way) for lot in lots])
    return row


def replace_seed(plan: LotPlan, seed: int) -> LotPlan:
    """Give a plan another seed and bearing."""
    return replace(plan, seed=seed + 1, start_bearing_deg=70.0 + 77.0 * seed)


# ------------------------------------------------------------------------------------------ coverage

NOISES = {
    "RTK 0.02 m white": Gnss(fixed_m=0.02),
    "RTK 0.02 m over 60 s": Gnss(fixed_m=0.02, correlation_s=60.0),
    "RTK 0.02 m over 300 s": Gnss(fixed_m=0.02, correlation_s=300.0),
    "RTK over 60 s, heading sensor": Gnss(fixed_m=0.02, correlation_s=60.0, heading_sigma_deg=0.3),
    "float 0.3 m over 60 s": Gnss(quality="float", float_m=0.3),
    "float 0.3 m over 200 s": Gnss(quality="float", float_m=0.3, other_correlation_s=200.0),
    "differential 1.0 m over 60 s": Gnss(quality="differential", differential_m=1.0),
}
COVERAGE_STOPS = (Stop(60.0, 120.0), Stop(140.0, 300.0))
COVERAGE_ROADS = {"straight": STRAIGHT, "R 300 m": GENTLE, "R 25-40 m": TURNS}
MARGIN = 0.05
NORMAL = (0.683, 0.954)  # of a normal distribution within 1 and 2 standard deviations


def coverage_plans(gnss: Gnss, road: tuple, disturbed: bool, seeds: int) -> list[LotPlan]:
    """Lots of one noise on one road: weave, a wandering wheel, crab by its prior, as `Habits` states it."""
    scanner = replace(LotPlan().scanner, count=4, rate_hz=1.0)
    rng = np.random.default_rng(5)
    sigma_deg = float(np.degrees(Habits().crab_rad))
    crab = sigma_deg * norm.ppf((rng.permutation(seeds) + rng.random(seeds)) / seeds)
    if disturbed:
        gnss = replace(gnss, episodes=DISTURBED)
    plan = LotPlan(
        road=road, gnss=gnss, scanner=scanner, wheel=Wheel(wander_frac=0.005), weave_m=0.03,
        passes=(PassPlan(stops=COVERAGE_STOPS, speeds=SPEEDS),),
        crab_length_m=Habits().crab_length_m, crab_sigma_deg=sigma_deg,
    )  # fmt: skip
    return [replace_seed(replace(plan, crab_deg=float(crab[seed])), seed) for seed in range(seeds)]


def coverage(plans: list[LotPlan]) -> np.ndarray:
    """Share of spots within 1 and 2 sigma and error over sigma, along and across, (2, 3), over all lots."""
    found = []
    for plan in plans:
        lot = synthetic.make_lot(plan)
        crs, rig, scanner = sections(plan, max_sigma="9 m")
        inputs = builders.true_inputs(lot)
        trajectory = solve_trajectory(inputs, crs, rig, config.AcceptSection())
        swath = georeference_scan(inputs.scan, trajectory, rig, scanner)
        lines = (swath.placed > 0) & swath.first_look
        off = errors(lot, swath.easting_m, swath.northing_m)
        pairs = zip(off, (swath.sigma_along_m, swath.sigma_across_m), strict=True)
        ratios = [np.abs(o / s)[lines] for o, s in pairs]
        found.append([[(r <= 1).mean(), (r <= 2).mean(), (r**2).mean()] for r in ratios])
    mean = np.mean(found, axis=0)
    mean[:, 2] = np.sqrt(mean[:, 2])
    return mean


def print_coverage(seeds: int, only: str) -> None:
    """Print a row a noise, road and kind of lot, and one a noise; tell whether all four shares lie within."""
    print(f"{'noise':32s}{'road':12s}{'':12s}{'along 1, 2, z':>16s}{'across 1, 2, z':>18s}   within 5 points")
    for noise, gnss in NOISES.items():
        parts = []
        for road, stretches in COVERAGE_ROADS.items():
            for disturbed in (False, True):
                name = f"{noise:32s}{road:12s}{'disturbed' if disturbed else '':12s}"
                if only.lower() not in name.lower():
                    continue
                parts.append(coverage(coverage_plans(gnss, stretches, disturbed, seeds)))
                print_shares(name, parts[-1])
        if len(parts) > 1:
            whole = np.mean(parts, axis=0)
            whole[:, 2] = np.sqrt(np.mean(np.square(parts), axis=0)[:, 2])
            print_shares(f"{noise:32s}{'all':24s}", whole)


def print_shares(name: str, found: np.ndarray) -> None:
    inside = np.abs(found[:, :2] - NORMAL) <= MARGIN
    cells = [f"{one:.2f} {two:.2f} {ratio:.2f}" for one, two, ratio in found]
    verdict = "yes" if inside.all() else f"no ({int((~inside).sum())} of 4 outside)"
    print(f"{name}{cells[0]:>16s}{cells[1]:>18s}   {verdict}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, help="5; with --coverage 100")
    parser.add_argument("--only", default="")
    parser.add_argument("--coverage", action="store_true")
    parser.add_argument("--more", action="store_true", help="rows of other geometries, rates and qualities")
    arguments = parser.parse_args()
    if arguments.coverage:
        print_coverage(arguments.seeds or 100, arguments.only)
        return
    heads = ("ours", *PEERS)
    print(f"{'case':46s}" + "".join(f"{head:>22s}" for head in heads) + "   (RMSE m / p95 m / heading deg)")
    for case in more_cases() if arguments.more else cases():
        if arguments.only.lower() not in case.name.lower():
            continue
        row = measure(case, arguments.seeds or 5)
        cells = [f"{r['rmse']:.3f}/{r['p95']:.3f}/{r['heading']:.2f}" for r in row.values()]
        print(f"{case.name:46s}" + "".join(f"{cell:>22s}" for cell in cells))
        print("    " + details(row["ours"]), flush=True)


def details(own: dict[str, float]) -> str:
    """Say what the table's cells leave out: biases, coverage of the stated sigmas, clock, scale."""
    cover = {
        name: f"{own[f'within_1_{name}']:.2f} {own[f'within_2_{name}']:.2f}" for name in ("along", "across")
    }
    return (
        f"bias along {own['bias_along']:.3f} across {own['bias_across']:.3f} m; within 1, 2 sigma: "
        f"along {cover['along']}, across {cover['across']}; clock {own['clock']:.3f} s, "
        f"scale {100 * own['scale']:.3f} %, placed {100 * own['placed']:.1f} %"
    )


if __name__ == "__main__":
    main()
