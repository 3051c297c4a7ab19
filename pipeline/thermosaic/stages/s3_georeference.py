"""Place every spot of every scan line on the ground, with its sigma, and find spots that cannot be trusted.

Lines are placed by their distance along the solved path, so a line's place does not depend on what
part of the log belongs to the lot.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..errors import ConfigError
from ..kernels import arcs, lever_arm, scan_geometry, spot_health
from ..model import Doubt, ScanLog, Swath, Trajectory

if TYPE_CHECKING:
    from ..config import RigSection, ScannerSection

NEW_GROUND_M = 1e-3  # a line further on by less is no new look


def georeference_scan(
    scan: ScanLog, trajectory: Trajectory, rig: RigSection, scanner: ScannerSection
) -> Swath:
    """Place the spots of a scan.

    Parameters
    ----------
    scan : ScanLog
        Lines on the scan clock.
    trajectory : Trajectory
        Solved path of C.
    rig : RigSection
        `screed_forward_m` is used: the mat a spot sees was laid when the screed was there.
    scanner : ScannerSection
        Edges of the mat.

    Returns
    -------
    Swath
        Every line, placed or not; positions in metres of the map CRS.
    """
    seen_utc = scan.time_utc - np.timedelta64(round(trajectory.clock_offset_s * 1e9), "ns")
    distance, row, within = _line_distance(seen_utc, trajectory)
    placed, knot, share = _locate(distance, within, trajectory)
    path = _along_path(knot, share, trajectory)
    pass_code = np.where(within, trajectory.pass_code[row], -1).astype(np.int16)
    pitch = scan_geometry.spot_pitches(scan.spot_right_m)
    on_mat = scan_geometry.on_mat(pitch, scanner.mat_left_m, scanner.mat_right_m)
    edges = _mat_edges(pitch, on_mat, scan.spot_right_m)
    ok = placed > 0
    easting, northing = _spots(path, scan.spot_right_m, trajectory.point_scale, ok)
    edge_easting, edge_northing = _spots(path, edges, trajectory.point_scale, ok)
    along, across = _sigmas(path, scan.spot_right_m, ok)
    bad = spot_health.bad_spots(scan.temp_c, pass_code, on_mat, _passes(trajectory))
    return Swath(
        crs=trajectory.crs,
        line=scan.line.copy(),
        seen_utc=seen_utc,
        laid_utc=_laid(distance, seen_utc, trajectory, rig.screed_forward_m),
        pass_code=pass_code,
        distance_m=distance,
        first_look=_first_look(distance, pass_code),
        heading_deg=np.where(ok, np.degrees(path["heading"]) % 360.0, np.nan),
        speed_mps=np.interp(_ns(seen_utc), _ns(trajectory.time_utc), trajectory.speed_mps),
        placed=placed,
        easting_m=easting,
        northing_m=northing,
        sigma_along_m=along,
        sigma_across_m=across,
        temp_c=scan.temp_c,
        bad_spot=bad,
        spot_right_m=scan.spot_right_m,
        pitch_m=pitch,
        on_mat=on_mat,
        edges_m=edges,
        edge_easting_m=edge_easting,
        edge_northing_m=edge_northing,
        doubts=_doubts(bad, on_mat, within, placed),
    )


def _passes(trajectory: Trajectory) -> int:
    return max(int(trajectory.pass_code.max(initial=0)) + 1, 1)


def _ns(time_utc: np.ndarray) -> np.ndarray:
    return time_utc.astype(np.int64)


def _line_distance(seen_utc: np.ndarray, trajectory: Trajectory) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Distance of each line, the row at or before it, and whether it lies within the rows of one pass."""
    time, rows = _ns(seen_utc), _ns(trajectory.time_utc)
    row = np.clip(np.searchsorted(rows, time, side="right") - 1, 0, len(rows) - 1)
    after = np.minimum(row + 1, len(rows) - 1)
    span = np.maximum(rows[after] - rows[row], 1)
    share = np.clip((time - rows[row]) / span, 0.0, 1.0)
    distance = trajectory.distance_m[row] + share * (
        trajectory.distance_m[after] - trajectory.distance_m[row]
    )
    exact = time == rows[row]
    inside = (time >= rows[0]) & (time <= rows[-1])
    same = trajectory.pass_code[row] == trajectory.pass_code[after]
    return distance, row, inside & (exact | same)


def _locate(
    distance: np.ndarray, within: np.ndarray, trajectory: Trajectory
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """How each line is placed, the knot before it and its share of the way to the next."""
    knots, piece = trajectory.knot_distance_m, trajectory.knot_piece
    if len(knots) < 2:
        return np.zeros(len(distance), np.int8), np.zeros(len(distance), np.int64), np.zeros(len(distance))
    knot = np.clip(np.searchsorted(knots, distance, side="right") - 1, 0, len(knots) - 2)
    at_end = (piece[knot] != piece[knot + 1]) & (distance <= knots[knot] + 1e-6)
    knot = np.where(at_end, np.maximum(knot - 1, 0), knot)
    share = (distance - knots[knot]) / (knots[knot + 1] - knots[knot])
    on_path = within & (piece[knot] == piece[knot + 1]) & (share >= -1e-6) & (share <= 1.0 + 1e-6)
    both = np.stack([trajectory.knot_placed[knot], trajectory.knot_placed[knot + 1]])
    placed = np.where(on_path & (both > 0).all(axis=0), both.max(axis=0), 0)
    return placed.astype(np.int8), knot, np.clip(share, 0.0, 1.0)


def _along_path(knot: np.ndarray, share: np.ndarray, trajectory: Trajectory) -> dict[str, np.ndarray]:
    """Place, heading (radians) and sigmas of C at every line."""
    ends = []
    for index in (knot, np.minimum(knot + 1, len(trajectory.knot_distance_m) - 1)):
        heading = np.radians(trajectory.knot_heading_deg[index])
        ends.append((trajectory.knot_easting_m[index], trajectory.knot_northing_m[index], heading))
    easting, northing, heading = arcs.on_arc(ends[0], ends[1], share)
    path = {"easting": easting, "northing": northing, "heading": heading}
    for name in ("along_m", "across_m", "heading_deg"):
        sigma = getattr(trajectory, f"knot_sigma_{name}")
        after = sigma[np.minimum(knot + 1, len(sigma) - 1)]
        path[f"sigma_{name}"] = sigma[knot] + share * (after - sigma[knot])
    return path


def _spots(
    path: dict[str, np.ndarray], right_m: np.ndarray, grid_per_ground: float, ok: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Places to the right of C at every line, NaN where the line has no position."""
    columns = [np.where(ok, path[name], np.nan)[:, None] for name in ("easting", "northing", "heading")]
    return lever_arm.offset_point(*columns, 0.0, grid_per_ground * np.asarray(right_m, float)[None, :])


def _sigmas(
    path: dict[str, np.ndarray], right_m: np.ndarray, ok: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Sigma of every spot: of C, and along travel the heading's times the arm."""
    swing = (np.radians(path["sigma_heading_deg"])[:, None] * np.asarray(right_m, float)[None, :]).astype(
        np.float32
    )
    along = np.where(ok, path["sigma_along_m"], np.nan).astype(np.float32)[:, None]
    across = np.where(ok, path["sigma_across_m"], np.nan).astype(np.float32)[:, None]
    return np.hypot(along, swing), np.repeat(across, len(right_m), axis=1)


def _mat_edges(pitch_m: np.ndarray, on_mat: np.ndarray, spot_right_m: np.ndarray) -> np.ndarray:
    """Outer ends of the outermost pitches on the mat."""
    if not on_mat.any():
        span = f"{float(spot_right_m.min()):.2f} .. {float(spot_right_m.max()):.2f} m"
        raise ConfigError(
            f"[scanner]: no spot lies on the mat: spots at {span} from C, right positive; check spots_right, "
            "mat_left and mat_right (left is negative or said as left)"
        )
    return np.array([pitch_m[on_mat, 0].min(), pitch_m[on_mat, 1].max()])


def _first_look(distance: np.ndarray, pass_code: np.ndarray) -> np.ndarray:
    """Mark lines further on than any before them in their pass."""
    first = np.zeros(len(distance), bool)
    for code in np.unique(pass_code[pass_code >= 0]):
        lines = np.flatnonzero(pass_code == code)
        before = np.maximum.accumulate(np.concatenate([[-np.inf], distance[lines]]))[:-1]
        lines = lines[distance[lines] > before]
        if (np.diff(distance[lines]) <= NEW_GROUND_M).any():
            lines = lines[_far_enough(distance[lines])]
        first[lines] = True
    return first


def _far_enough(rising: np.ndarray) -> np.ndarray:
    """Of rising distances, those beyond the last one taken by more than the least new ground."""
    taken, furthest = [], -np.inf
    for index, place in enumerate(rising.tolist()):
        if place > furthest + NEW_GROUND_M:
            taken.append(index)
            furthest = place
    return np.array(taken, np.int64)


def _laid(
    distance: np.ndarray, seen_utc: np.ndarray, trajectory: Trajectory, screed_forward_m: float
) -> np.ndarray:
    """When the screed passed the place of each line; NaT where that was before its piece began."""
    reach = np.maximum.accumulate(trajectory.reach_m)
    target = distance - screed_forward_m
    after = np.clip(np.searchsorted(reach, target, side="left"), 1, len(reach) - 1)
    span = reach[after] - reach[after - 1]
    share = np.clip((target - reach[after - 1]) / np.where(span > 0, span, 1.0), 0.0, 1.0)
    time = _ns(trajectory.time_utc)
    laid = time[after - 1] + np.round(share * (time[after] - time[after - 1])).astype(np.int64)
    laid = np.minimum(laid, _ns(seen_utc)).astype("M8[ns]")
    laid[(target < _piece_start(distance, trajectory)) | (target > reach[-1])] = np.datetime64("NaT")
    return laid


def _piece_start(distance: np.ndarray, trajectory: Trajectory) -> np.ndarray:
    """Distance at which the piece of each line began."""
    knots, piece = trajectory.knot_distance_m, trajectory.knot_piece
    first = np.flatnonzero(np.concatenate([[True], np.diff(piece) != 0]))
    own = np.clip(np.searchsorted(knots[first], distance + 1e-6, side="right") - 1, 0, len(first) - 1)
    return knots[first][own]


def _doubts(bad: np.ndarray, on_mat: np.ndarray, within: np.ndarray, placed: np.ndarray) -> tuple[Doubt, ...]:
    """Name bad spots and lines without a position."""
    doubts = []
    spots = np.flatnonzero((bad & on_mat).any(axis=0)) + 1
    if len(spots):
        named = ", ".join(str(spot) for spot in spots[:10]) + (", .." if len(spots) > 10 else "")
        share = float((bad & on_mat).sum() / (bad.shape[0] * max(on_mat.sum(), 1)))
        text = (
            f"spot column {named} is dead, stuck or off by a constant: {100 * share:.1f} % of the mat "
            "is left empty; check the sensor and its window"
        )
        doubts.append(Doubt("s3", "bad_spot", text, share, "share"))
    if not within.all():
        count = int((~within).sum())
        text = f"{count} scan lines lie outside the wheel log or between passes and have no position"
        doubts.append(Doubt("s3", "lines_outside", text, float(count), "lines"))
    lost = within & (placed == 0)
    if lost.any():
        text = f"{int(lost.sum())} scan lines within the passes have no position: see the gaps layer"
        doubts.append(Doubt("s3", "lines_without_position", text, float(lost.sum()), "lines"))
    return tuple(doubts)
