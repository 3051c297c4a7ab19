"""The layers that describe the lot as a whole: mat, path, gaps, ticks, dropped readings, the lot itself."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from ..kernels.runs import join, runs
from ..model import REASONS, Alignment, Swath
from ..units import StationLabels
from .frames import laid_between, layer
from .mat import PassMat, union
from .objects import NOT_MAT_BELOW_C
from .readings import PassReadings
from .speeds import Motion, variation
from .stops import Stop

JOINED_M = 5.0  # dropped readings of one reason nearer than this along the mat are one stretch
NOT_PAVING_FROM_M = 20.0  # shortest stretch without warm mat that is named (common practice, no source)
LONGEST_GAP_DRAWN_M = 200.0
TICK_STEP_M = 30.48  # 100 ft


def mat_layer(
    readings: tuple[PassReadings, ...], verdict: tuple[np.ndarray, ...], swath: Swath
) -> gpd.GeoDataFrame:
    """Outline of the mat measured, a row a pass; `verdict` is the reason of each reading of each block."""
    rows = []
    for block, reason in zip(readings, verdict, strict=True):
        mat, geometry = block.mat, block.mat.strip(*block.mat.span_m)
        kept = block.temp_c[reason == 0]
        rows.append({
            **mat.identity(),
            **mat.stations(*mat.frame_at(np.array(mat.span_m))),
            "area_m2": mat.ground_area(geometry),
            **laid_between(swath.laid_utc[mat.placed_line]),
            "reading_count": int(block.row.sum()),
            "temp_mean_c": float(kept.mean(dtype=np.float64)) if len(kept) else np.nan,
            "geometry": geometry,
        })  # fmt: skip
    return layer("mat", rows)


def path_layer(mats: tuple[PassMat, ...], swath: Swath) -> gpd.GeoDataFrame:
    """Path of C over the mat measured, a row a pass."""
    rows = []
    for mat in mats:
        lines = [
            shapely.LineString(mat.centre_m.T[(mat.knot_m >= start) & (mat.knot_m <= end)])
            for start, end in mat.chains(*mat.span_m)
        ]
        ends = swath.seen_utc[mat.line[[0, -1]]]
        rows.append({
            **mat.identity(),
            **mat.stations(*mat.frame_at(np.array(mat.span_m))),
            "start_utc": ends[0], "end_utc": ends[1],
            "length_m": float(sum(end - start for start, end in mat.chains(*mat.span_m))),
            "geometry": shapely.MultiLineString(lines),
        })  # fmt: skip
    return layer("paver_path", rows)


def gap_layer(readings: tuple[PassReadings, ...], swath: Swath) -> gpd.GeoDataFrame:
    """Stretches without positions, without scan lines, or without warm mat."""
    rows = [row for block in readings for row in [*_holes(block.mat, swath), *_not_paving(block, swath)]]
    return layer("gaps", rows)


def _holes(mat: PassMat, swath: Swath) -> list[dict[str, Any]]:
    """Gaps between placed lines, and before the first and after the last of them."""
    if len(mat.placed_line) == 0:
        return [_gap(mat, swath, "no_fix", mat.line[0], mat.line[-1], shapely.Polygon())]
    found = []
    if mat.placed_line[0] != mat.line[0]:
        found.append(_gap(mat, swath, "no_fix", mat.line[0], mat.placed_line[0], shapely.Polygon()))
    for before in np.flatnonzero(np.diff(mat.chain)):
        first, last = mat.placed_line[before], mat.placed_line[before + 1]
        seen = ((mat.line > first) & (mat.line < last)).any()
        ends = float(mat.placed_m[before]), float(mat.placed_m[before + 1])
        drawn = ends[1] - ends[0] <= LONGEST_GAP_DRAWN_M
        geometry = mat.quad(*ends) if drawn else shapely.Polygon()
        found.append(_gap(mat, swath, "no_fix" if seen else "no_scan", first, last, geometry))
    if mat.placed_line[-1] != mat.line[-1]:
        found.append(_gap(mat, swath, "no_fix", mat.placed_line[-1], mat.line[-1], shapely.Polygon()))
    return found


def _not_paving(block: PassReadings, swath: Swath) -> list[dict[str, Any]]:
    """Stretches of at least 20 m in which most readings of each line are too cold to be mat."""
    mat = block.mat
    place = np.flatnonzero(np.isin(block.line, mat.placed_line))
    usable = block.usable[place]
    cold = (usable & (block.temp_c[place] < NOT_MAT_BELOW_C)).sum(axis=1) * 2 > usable.sum(axis=1)
    found = []
    for first, last in runs(cold):
        ends = block.line[place[[first, last - 1]]]
        ends_m = swath.distance_m[ends]
        if ends_m[1] - ends_m[0] >= NOT_PAVING_FROM_M:
            found.append(_gap(mat, swath, "not_paving", *ends, mat.strip(*ends_m)))
    return found


def _gap(
    mat: PassMat, swath: Swath, kind: str, first: int, last: int, geometry: shapely.Geometry
) -> dict[str, Any]:
    ends_m = swath.distance_m[[first, last]]
    return {
        **mat.identity(),
        **mat.stations(*mat.frame_at(ends_m)),
        "kind": kind,
        "length_m": float(ends_m[1] - ends_m[0]),
        "start_utc": swath.seen_utc[first],
        "end_utc": swath.seen_utc[last],
        "geometry": geometry,
    }


def tick_layer(mats: tuple[PassMat, ...], alignment: Alignment | None, step_m: float) -> gpd.GeoDataFrame:
    """Whole stations, as their labels count, along the line of each pass: the alignment, or C's own path."""
    rows = []
    labels = StationLabels(equations=alignment.equations if alignment is not None else ())
    for mat in mats:
        if len(mat.placed_line) < 2:
            continue
        ends = np.sort(mat.zero_m + mat.frame_at(np.array(mat.span_m)))
        for station_m in labels.whole_stations(float(ends[0]), float(ends[1]), step_m):
            behind, here, ahead = _along(mat, alignment, station_m + np.array([-0.5, 0.0, 0.5]))
            if np.isfinite(here).all():
                east, north = ahead - behind
                rows.append({
                    **mat.identity(),
                    "station_m": float(station_m),
                    "azimuth_deg": float(np.degrees(np.arctan2(east, north)) % 360),
                    "geometry": shapely.Point(here),
                })  # fmt: skip
    return layer("station_ticks", rows)


def _along(mat: PassMat, alignment: Alignment | None, station_m: np.ndarray) -> np.ndarray:
    """Ground positions (n, 2) of stations on the line, NaN for C's path in a gap."""
    if alignment is not None:
        line = (alignment.easting_m, alignment.northing_m)
        return np.column_stack([np.interp(station_m, alignment.station_m, values) for values in line])
    low, high = np.sort(mat.frame_m[[0, -1]])
    return mat.centre_at(mat.distance_at(np.clip(station_m - mat.zero_m, low, high)))


def dropped_layer(readings: tuple[PassReadings, ...], verdict: tuple[np.ndarray, ...]) -> gpd.GeoDataFrame:
    """Where readings left the statistics: a row a pass, reason and stretch, as the cells that hold them."""
    rows = []
    for block, reason in zip(readings, verdict, strict=True):
        gone = np.flatnonzero(reason.ravel() > 0)
        code, cell = reason.ravel()[gone], block.cells.code[gone]
        for word in np.unique(code):
            rows += _dropped(block, REASONS[word], cell[code == word])
    return layer("dropped", rows)


def _dropped(block: PassReadings, word: str, cell: np.ndarray) -> list[dict[str, Any]]:
    """Rows of one reason in one pass; `cell` (reading) is the cell of each reading left out."""
    index, mat = block.cells, block.mat
    number = np.bincount(cell, minlength=index.size).reshape(index.shape)
    spans = join(runs((number > 0).any(axis=0)), JOINED_M / index.cell_m)
    label = np.zeros(index.shape[1], np.int32)
    for place, (first, last) in enumerate(spans, 1):
        label[first:last] = place
    outlines = block.outlines(np.where(number > 0, label, np.int32(0)))
    return [
        {
            **mat.identity(),
            **mat.stations(*((np.array([first, last]) + index.col0) * index.cell_m)),
            "reason": word,
            "reading_count": int(number[:, first:last].sum()),
            "geometry": outlines[place],
        }
        for place, (first, last) in enumerate(spans, 1)
    ]


def lot_layer(
    frames: dict[str, gpd.GeoDataFrame],
    readings: tuple[PassReadings, ...],
    verdict: tuple[np.ndarray, ...],
    motions: tuple[Motion, ...],
    stops: tuple[Stop, ...],
    sigma_m: np.ndarray,
) -> gpd.GeoDataFrame:
    """A row a pass and one for the lot, whose pass_id is empty.

    `verdict` is the reason of each reading of each block; `sigma_m` the position sigma of each line.
    """
    rows = []
    for part in [*((i,) for i in range(len(readings))), tuple(range(len(readings)))]:
        if part:
            blocks, reasons = [readings[i] for i in part], [verdict[i] for i in part]
            rows.append(_lot_row(blocks, reasons, frames, motions, stops, sigma_m))
    if rows:
        rows[-1]["pass_id"] = None
    return layer("lot", rows)


def _lot_row(
    blocks: list[PassReadings],
    verdict: list[np.ndarray],
    frames: dict[str, gpd.GeoDataFrame],
    motions: tuple[Motion, ...],
    stops: tuple[Stop, ...],
    sigma_m: np.ndarray,
) -> dict[str, Any]:
    """One row of the layer of the lot: of some passes together."""
    ids = [block.mat.id for block in blocks]
    names = ("mat", "paver_path", "profiles", "cold_zones")
    part = {name: frames[name][frames[name]["pass_id"].isin(ids)] for name in names}
    travel = {block.mat.travel for block in blocks}
    paved = sum(block.mat.span_m[1] - block.mat.span_m[0] for block in blocks)
    measured = float(part["paver_path"]["length_m"].sum())
    kept = sum(int((reason == 0).sum()) for reason in verdict)
    dropped = sum(int((reason > 0).sum()) for reason in verdict)
    mine = [stop for stop in stops if stop.mat.id in ids]
    return {
        "pass_id": ids[0],
        "travel": travel.pop() if len(travel) == 1 else None,
        "station_from_m": part["mat"]["station_from_m"].min(),
        "station_to_m": part["mat"]["station_to_m"].max(),
        "paved_m": paved, "measured_m": measured, "unmeasured_m": max(paved - measured, 0.0),
        "area_m2": part["mat"]["area_m2"].sum(),
        "reading_kept_count": kept, "reading_dropped_count": dropped,
        **_class_counts(part["profiles"]),
        "zone_count": len(part["cold_zones"]), "zone_area_m2": part["cold_zones"]["area_m2"].sum(),
        "stop_count": len(mine), "stopped_s": float(sum(stop.duration_s for stop in mine)),
        **_speed([motion for motion in motions if motion.mat.id in ids]),
        **_sigmas(blocks, sigma_m),
        "geometry": union(list(part["mat"].geometry)),
    }  # fmt: skip


def _class_counts(profiles: gpd.GeoDataFrame) -> dict[str, Any]:
    ranks = profiles["class_rank"].dropna().to_numpy(int)
    number = np.bincount(ranks, minlength=5)
    shares = number / len(ranks) if len(ranks) else np.full(5, np.nan)
    return {
        "profile_count": len(profiles),
        "insufficient_count": len(profiles) - len(ranks),
        **{f"class_{rank}_count": int(number[rank]) for rank in range(5)},
        **{f"class_{rank}_frac": float(shares[rank]) for rank in range(5)},
    }


def _speed(motions: list[Motion]) -> dict[str, float]:
    moving = [(motion, *times) for motion in motions for times in motion.moving]
    duration = sum(end - start for _, start, end in moving)
    path = sum(motion.path_m(start, end) for motion, start, end in moving)
    speeds = [motion.bins(start, end)[1] for motion, start, end in moving]
    return {
        "speed_mean_mps": path / duration if duration > 0 else np.nan,
        "speed_cv_frac": variation(np.concatenate(speeds)) if speeds else np.nan,
    }


def _sigmas(blocks: list[PassReadings], sigma_m: np.ndarray) -> dict[str, float]:
    """Median and 95th percentile over the readings, each with the sigma of its line."""
    sigma = np.concatenate([sigma_m[block.line] for block in blocks])
    number = np.concatenate([block.row.sum(axis=1) for block in blocks])
    if number.sum() == 0:
        return {"sigma_p50_m": np.nan, "sigma_p95_m": np.nan}
    order = np.argsort(sigma)
    share = np.cumsum(number[order]) / number.sum()
    half, most = sigma[order][np.minimum(np.searchsorted(share, (0.5, 0.95)), len(order) - 1)]
    return {"sigma_p50_m": float(half), "sigma_p95_m": float(most)}
