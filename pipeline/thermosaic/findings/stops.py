"""Stops: when and where the paver stood between two moves of one pass."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np

from ..config import StopRule
from ..kernels import runs
from ..model import Swath, Trajectory
from ..values import duration
from .frames import layer
from .mat import PassMat
from .readings import PassReadings

HALF_LENGTH_M = 0.3  # of the polygon, along travel
BRIEF_CREEP_M = 0.3  # moved by less for less than the rule's duration: one stop (common practice, no source)
DROP_OVER_M = 1.0  # mat before and after the line that the temperature drop is taken over


@dataclass(frozen=True, slots=True)
class Stop:
    """The paver stood with C at `distance_m` from `start_utc` to `end_utc`."""

    id: int
    mat: PassMat
    start_utc: np.datetime64
    end_utc: np.datetime64
    duration_s: float
    distance_m: float
    screed_forward_m: float  # as the rig stood then

    def left_out_m(self, rule: StopRule) -> tuple[float, float]:
        """Distances between which the rule leaves readings out."""
        line = self.distance_m + (self.screed_forward_m if rule.reference == "screed" else 0.0)
        return line - rule.behind_m, line + rule.ahead_m


def find_stops(
    trajectory: Trajectory, mats: tuple[PassMat, ...], rule: StopRule, swath: Swath
) -> tuple[tuple[Stop, ...], float]:
    """Find the stops of every pass in order of time.

    Standing before a pass moves off or after its last move is no stop of paving: it is returned as seconds.
    """
    stops: list[Stop] = []
    waiting_s = 0.0
    for mat in mats:
        origin, time_s, distance_m = ride_of(mat, trajectory)
        for start_s, end_s in _standing(time_s, distance_m, rule):
            here = np.interp(np.linspace(start_s, end_s, 101), time_s, distance_m)
            place_m = float(np.median(here))
            if not mat.span_m[0] < place_m - BRIEF_CREEP_M < place_m + BRIEF_CREEP_M < mat.span_m[1]:
                waiting_s += end_s - start_s
                continue
            times = [origin + duration(moment) for moment in (start_s, end_s)]
            screed_m = float(screed_forward_m(swath, times[0]))
            stops.append(Stop(len(stops) + 1, mat, *times, end_s - start_s, place_m, screed_m))
    return tuple(stops), waiting_s


def ride_of(mat: PassMat, trajectory: Trajectory) -> tuple[np.datetime64, np.ndarray, np.ndarray]:
    """Time of the first wheel row of a pass, and seconds after it and distance of all of them (row)."""
    row = trajectory.pass_code == mat.code
    time_utc = trajectory.time_utc[row]
    origin = time_utc[0] if len(time_utc) else np.datetime64("NaT", "ns")
    return origin, (time_utc - origin) / np.timedelta64(1, "s"), trajectory.distance_m[row]


def screed_forward_m(swath: Swath, time_utc: np.ndarray | np.datetime64) -> np.ndarray:
    """How far the screed rode ahead of the scan line at times."""
    line = np.minimum(np.searchsorted(swath.seen_utc, time_utc), len(swath.seen_utc) - 1)
    return swath.screed_forward_m[line]


def _standing(time_s: np.ndarray, distance_m: np.ndarray, rule: StopRule) -> np.ndarray:
    """Find standing and join it across brief creeping: float (stop, 2), seconds."""
    spans = runs.standing(time_s, distance_m, rule.below_mps, rule.longer_than_s)
    joined: list[np.ndarray] = []
    for span in spans:
        if joined:
            moved = np.diff(np.interp([joined[-1][1], span[0]], time_s, distance_m))[0]
            if abs(moved) < BRIEF_CREEP_M and span[0] - joined[-1][1] < rule.longer_than_s:
                joined[-1] = np.array([joined[-1][0], span[1]])
                continue
        joined.append(span)
    return np.array(joined).reshape(-1, 2)


def stop_layer(
    stops: tuple[Stop, ...],
    readings: tuple[PassReadings, ...],
    clean: tuple[np.ndarray, ...],
    swath: Swath,
    sigma_m: np.ndarray,
    reasons: dict[int, str],
) -> gpd.GeoDataFrame:
    """Make the layer of stops.

    Parameters
    ----------
    readings, clean : tuple, one entry a pass
        The pass's block, and which of its readings are first looks at mat.
    sigma_m : float64 (line)
        Position sigma of each line of the swath.
    reasons : dict
        Reason by stop id, as the diary gives it.
    """
    blocks = {block.mat.code: (block, mask) for block, mask in zip(readings, clean, strict=True)}
    rows = []
    for stop in stops:
        mat = stop.mat
        block, seen = blocks[mat.code]
        from_m, to_m = stop.distance_m - HALF_LENGTH_M, stop.distance_m + HALF_LENGTH_M
        frames = mat.frame_at(np.array([from_m, stop.distance_m, to_m]))
        edges = mat.edges_at(frames[1:2])[0]
        rows.append({
            **mat.identity(),
            **mat.stations(frames[0], frames[2]),
            "edge_from_m": 0.0, "edge_to_m": float(edges[1] - edges[0]), "edge_side": None,
            "stop_id": stop.id,
            "start_utc": stop.start_utc, "end_utc": stop.end_utc, "duration_s": stop.duration_s,
            "station_m": mat.zero_m + float(frames[1]),
            "temp_drop_delta_c": _drop(stop.distance_m, block, seen, swath.distance_m[block.line]),
            "reason": reasons.get(stop.id),
            "position_sigma_m": sigma_over(sigma_m, mat, from_m, to_m),
            "geometry": mat.strip(from_m, to_m),
        })  # fmt: skip
    return layer("stops", rows)


def _drop(place_m: float, block: PassReadings, clean: np.ndarray, distance_m: np.ndarray) -> float:
    """Mean temperature of the mat before less after the stop line, over `DROP_OVER_M` each."""
    beside = np.flatnonzero(np.abs(distance_m - place_m) <= DROP_OVER_M)
    ahead_m = distance_m[beside] - place_m
    means = []
    for side in ((ahead_m > -DROP_OVER_M) & (ahead_m <= 0), ahead_m > 0):
        near = beside[side]
        values = block.temp_c[near][clean[near]]
        means.append(float(values.mean(dtype=np.float64)) if len(values) else np.nan)
    return means[0] - means[1]


def sigma_over(sigma_m: np.ndarray, mat: PassMat, from_m: float, to_m: float) -> float:
    """Root mean square of the position sigma of the placed lines between two distances; NaN without any."""
    near = mat.placed_between(from_m, to_m)
    return float(np.sqrt(np.mean(sigma_m[near] ** 2))) if len(near) else np.nan
