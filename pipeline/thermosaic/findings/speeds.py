"""Speed segments: stretches of even speed while moving, never across a stop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
from scipy import ndimage

from ..kernels import runs
from ..model import Swath, Trajectory
from ..values import duration
from .frames import numbered
from .mat import PassMat
from .stops import Stop, ride_of, sigma_over

BIN_M = 1.0  # speed is judged metre by metre
SHORTEST_BINS = 5
LEAST_NOISE_FRAC = 0.03  # of the speed: smaller unevenness never makes a segment of its own
PATH_STEP_S = 1.0  # back-ups are seen at this step, the jitter of a counter is not


@dataclass(frozen=True, eq=False, slots=True)
class Motion:
    """Time and path of one pass, from its first to its last line."""

    mat: PassMat
    origin_utc: np.datetime64
    time_s: np.ndarray  # (row)
    distance_m: np.ndarray  # (row)
    reach_m: np.ndarray  # (row of progress) distance, where new mat was reached or left ..
    reach_s: np.ndarray  # .. and when
    stops: tuple[Stop, ...]  # of this pass, in order
    start_s: float  # when C was at the first line
    end_s: float
    moving: tuple[tuple[float, float], ...]  # stretches of time between stops, seconds

    def seconds(self, moment_utc: np.datetime64) -> float:
        return float((moment_utc - self.origin_utc) / np.timedelta64(1, "s"))

    def utc(self, moment_s: float) -> np.datetime64:
        return self.origin_utc + duration(moment_s)

    def path_m(self, start_s: float, end_s: float) -> float:
        """Length of path between two times, back-ups counted positive."""
        moments = np.r_[np.arange(start_s, end_s, PATH_STEP_S), end_s]
        return float(np.abs(np.diff(np.interp(moments, self.time_s, self.distance_m))).sum())

    def first_at(self, distance_m: np.ndarray) -> np.ndarray:
        """Times, seconds, at which C first came to distances."""
        return np.interp(distance_m, self.reach_m, self.reach_s)

    def bins(self, start_s: float, end_s: float) -> tuple[np.ndarray, np.ndarray]:
        """Cut a moving stretch into metres of new mat: edges (n + 1) in distance, and mean speed in each."""
        ends = np.interp([start_s, end_s], self.reach_s, self.reach_m)
        number = max(1, round((ends[1] - ends[0]) / BIN_M))
        edges = np.linspace(*ends, number + 1)
        times = np.r_[start_s, self.first_at(edges[1:-1]), end_s]
        return edges, np.diff(edges) / np.maximum(np.diff(times), 1e-3)


def pass_motions(
    trajectory: Trajectory, swath: Swath, mats: tuple[PassMat, ...], stops: tuple[Stop, ...]
) -> tuple[Motion, ...]:
    """Make the motion of every pass."""
    found = []
    for mat in mats:
        origin, time_s, distance_m = ride_of(mat, trajectory)
        if len(time_s) < 2:
            continue
        start_s, end_s = ((swath.seen_utc[mat.line[[0, -1]]] - origin) / np.timedelta64(1, "s")).tolist()
        mine = tuple(stop for stop in stops if stop.mat is mat)
        reach_m = np.maximum.accumulate(distance_m)
        grows = np.diff(reach_m) > 0
        knot = np.r_[True, grows] | np.r_[grows, True]
        found.append(Motion(
            mat, origin, time_s, distance_m, reach_m[knot], time_s[knot], mine, start_s, end_s,
            _between(mine, origin, start_s, end_s),
        ))  # fmt: skip
    return tuple(found)


def _between(
    stops: tuple[Stop, ...], origin_utc: np.datetime64, start_s: float, end_s: float
) -> tuple[tuple[float, float], ...]:
    """Stretches of time between stops, seconds from an origin."""
    times_utc = np.array([(stop.start_utc, stop.end_utc) for stop in stops], "M8[ns]").reshape(-1, 2)
    stood_s = (times_utc - origin_utc) / np.timedelta64(1, "s")
    starts, ends = [start_s, *stood_s[:, 1].tolist()], [*stood_s[:, 0].tolist(), end_s]
    return tuple((a, b) for a, b in zip(starts, ends, strict=True) if b > a)


def speed_layer(motions: tuple[Motion, ...], sigma_m: np.ndarray) -> gpd.GeoDataFrame:
    """Make the layer of speed segments."""
    rows: list[dict[str, Any]] = []
    for motion in motions:
        for start_s, end_s in motion.moving:
            edges, speed = motion.bins(start_s, end_s)
            if edges[-1] <= edges[0]:
                continue
            for first, last in _cut(speed):
                begin_s = start_s if first == 0 else float(motion.first_at(edges[first]))
                finish_s = end_s if last == len(speed) else float(motion.first_at(edges[last]))
                rows.append(
                    _segment(motion, edges[[first, last]], (begin_s, finish_s), speed[first:last], sigma_m)
                )
    return numbered("speed_segments", "segment_id", rows)


def _cut(speed: np.ndarray) -> np.ndarray:
    """Cut speeds metre by metre where the level changes: int (segment, 2)."""
    if len(speed) < 2 * SHORTEST_BINS:
        return np.array([[0, len(speed)]])
    smooth = ndimage.median_filter(speed, SHORTEST_BINS, mode="nearest")
    noise = 1.4826 * np.median(np.abs(np.diff(speed))) / np.sqrt(2)
    noise = max(noise, LEAST_NOISE_FRAC * float(np.median(speed)))
    return runs.even_segments(smooth, 6 * noise**2 * np.log(len(speed)), SHORTEST_BINS)


def _segment(
    motion: Motion, ends_m: np.ndarray, times_s: tuple[float, float], speed: np.ndarray, sigma_m: np.ndarray
) -> dict[str, Any]:
    mat = motion.mat
    mean_mps = motion.path_m(*times_s) / (times_s[1] - times_s[0])
    return {
        **mat.identity(),
        **mat.stations(*mat.frame_at(ends_m)),
        "start_utc": motion.utc(times_s[0]),
        "end_utc": motion.utc(times_s[1]),
        "length_m": float(ends_m[1] - ends_m[0]),
        "speed_mean_mps": mean_mps,
        "speed_cv_frac": variation(speed),
        "position_sigma_m": sigma_over(sigma_m, mat, *ends_m),
        "geometry": mat.strip(*ends_m),
    }


def variation(speed: np.ndarray) -> float:
    """Coefficient of variation of speeds metre by metre."""
    return float(np.std(speed) / np.mean(speed)) if len(speed) and np.mean(speed) > 0 else np.nan


def moving_speed(motion: Motion, from_m: float, to_m: float) -> tuple[float, float]:
    """Path and time while moving between two distances of new mat: metres, seconds."""
    start_s, end_s = (float(moment) for moment in motion.first_at(np.array([from_m, to_m])))
    path_m, moving_s = 0.0, 0.0
    for begin, finish in motion.moving:
        begin, finish = max(begin, start_s), min(finish, end_s)
        if finish > begin:
            path_m, moving_s = path_m + motion.path_m(begin, finish), moving_s + finish - begin
    return path_m, moving_s
