"""Place every spot of every scan line on the ground, with its sigma, and find spots that cannot be trusted.

The set-up of a line is the one that holds when it was seen. Over a taper the stated edges move with C's
path; the mat measured follows them by whole spots, so lines fall into layouts of the same spots on the mat.

Lines are placed by their distance along the solved path, so a line's place does not depend on what
part of the log belongs to the lot.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..errors import ConfigError
from ..kernels import arcs, lever_arm, scan_geometry, spot_health
from ..model import NEW_GROUND_M, Doubt, Layout, ScanLog, Swath, Trajectory, by_line
from ..values import duration

if TYPE_CHECKING:
    from ..config import RigSection, ScannerSection, SetUp


def georeference_scan(
    scan: ScanLog,
    trajectory: Trajectory,
    rig: RigSection,
    scanner: ScannerSection,
    later: tuple[SetUp, ...] = (),
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
    later : tuple of SetUp
        Rig and scanner from a moment on, in order of time: [[change]].

    Returns
    -------
    Swath
        Every line, placed or not; positions in metres of the map CRS.

    Raises
    ------
    ConfigError
        No spot lies on the mat, a change lies outside the log, or two changes of the edges overlap.
    """
    seen_utc = scan.time_utc - duration(trajectory.clock_offset_s)
    distance, row, within = _line_distance(seen_utc, trajectory)
    placed, knot, share = _locate(distance, within, trajectory)
    path = _along_path(knot, share, trajectory)
    pass_code = np.where(within, trajectory.pass_code[row], -1).astype(np.int16)
    layouts, layout = _lay_out(scan, seen_utc, distance, pass_code, rig, scanner, later)
    right_m, edges_m, screed_m = (
        by_line(layouts, layout, name) for name in ("spot_right_m", "edges_m", "screed_forward_m")
    )
    ok = placed > 0
    easting, northing = _spots(path, right_m, trajectory.point_scale, ok)
    edge_easting, edge_northing = _spots(path, edges_m, trajectory.point_scale, ok)
    along, across = _sigmas(path, right_m, ok)
    used = np.any([item.on_mat for item in layouts], axis=0)
    temp_c = scan.temp_c
    if scan.correction_delta_c is not None:
        temp_c = temp_c - scan.correction_delta_c.astype(np.float32)
    bad = spot_health.bad_spots(temp_c, pass_code, used, _passes(trajectory))
    return Swath(
        crs=trajectory.crs,
        line=scan.line.copy(),
        seen_utc=seen_utc,
        laid_utc=_laid(distance, seen_utc, trajectory, screed_m),
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
        temp_c=temp_c,
        bad_spot=bad,
        layouts=layouts,
        layout=layout,
        edge_easting_m=edge_easting,
        edge_northing_m=edge_northing,
        doubts=_doubts(bad, used, within, placed),
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
    """Places to the right (line, place) of C at every line, NaN where the line has no position."""
    columns = [np.where(ok, path[name], np.nan)[:, None] for name in ("easting", "northing", "heading")]
    return lever_arm.offset_point(*columns, 0.0, grid_per_ground * right_m)


def _sigmas(
    path: dict[str, np.ndarray], right_m: np.ndarray, ok: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Sigma of every spot: of C, and along travel the heading's times the arm."""
    swing = (np.radians(path["sigma_heading_deg"])[:, None] * right_m).astype(np.float32)
    along = np.where(ok, path["sigma_along_m"], np.nan).astype(np.float32)[:, None]
    across = np.where(ok, path["sigma_across_m"], np.nan).astype(np.float32)[:, None]
    return np.hypot(along, swing), np.repeat(across, right_m.shape[1], axis=1)


# ----------------------------------------------------------------------------------------------- layouts


def _lay_out(
    scan: ScanLog,
    seen_utc: np.ndarray,
    distance: np.ndarray,
    pass_code: np.ndarray,
    rig: RigSection,
    scanner: ScannerSection,
    later: tuple[SetUp, ...],
) -> tuple[tuple[Layout, ...], np.ndarray]:
    """Layouts in order of first use, and the layout of each line, int16."""
    first_edges = np.array([scanner.mat_left_m, scanner.mat_right_m])
    if not later:
        layout = _layout(scan.spot_right_m, first_edges, rig.screed_forward_m, "[scanner]")
        return (layout,), np.zeros(len(seen_utc), np.int16)
    edges_m = np.broadcast_to(first_edges, (len(seen_utc), 2)).copy()
    spots = [scan.spot_right_m]
    screed_m = np.full(len(seen_utc), rig.screed_forward_m)
    set_up = np.zeros(len(seen_utc), np.int64)
    before = scanner
    for number, item in enumerate(later, 1):
        line = _first_line(item, seen_utc)
        set_up[line:] = number
        screed_m[line:] = item.rig.screed_forward_m
        spots.append(spots[-1] if item.scanner.spots_right == before.spots_right else _moved(item, scan))
        _move_edges(edges_m, before, item, line, distance, pass_code)
        before = item.scanner
    return _distinct(edges_m, spots, screed_m, set_up)


def _first_line(item: SetUp, seen_utc: np.ndarray) -> int:
    """First line seen at or after a change."""
    at = item.at_utc
    if not seen_utc[0] <= at <= seen_utc[-1]:
        first, last = (str(end.astype("M8[s]")) + "Z" for end in (seen_utc[0], seen_utc[-1]))
        raise ConfigError(
            f"[[change]] at {item.at.isoformat()}: no scan line was seen then, the log runs from {first} to "  # type: ignore[union-attr]
            f"{last}; give a time within it, or put what holds all day into [rig] and [scanner]"
        )
    return int(np.searchsorted(seen_utc, at, side="left"))


def _moved(item: SetUp, scan: ScanLog) -> np.ndarray:
    """Spot centres of a scanner that was moved."""
    try:
        return item.scanner.centres_m(len(scan.spot_right_m))
    except ValueError as error:
        raise ConfigError(f"{_name(item)} spots_right: {error}") from None


def _name(item: SetUp) -> str:
    return f"[[change]] at {item.at.isoformat()}:"  # type: ignore[union-attr]


def _move_edges(
    edges_m: np.ndarray,
    before: ScannerSection,
    item: SetUp,
    line: int,
    distance: np.ndarray,
    pass_code: np.ndarray,
) -> None:
    """Give the lines from a change on its edges (line, 2), over its taper a share of the way; in place."""
    old, new = (np.array([part.mat_left_m, part.mat_right_m]) for part in (before, item.scanner))
    if (old == new).all():
        return
    if not np.allclose(edges_m[line], old):
        raise ConfigError(
            f"{_name(item)} the taper of the change before it is not over there: state shorter tapers, or one "
            "change where both edges move together"
        )
    share = np.ones(len(edges_m) - line)
    if item.taper_m > 0:
        mine = pass_code[line:] == pass_code[line]
        share[mine] = np.clip((distance[line:][mine] - distance[line]) / item.taper_m, 0.0, 1.0)
    edges_m[line:] = old + share[:, None] * (new - old)


def _distinct(
    edges_m: np.ndarray, spots: list[np.ndarray], screed_m: np.ndarray, set_up: np.ndarray
) -> tuple[tuple[Layout, ...], np.ndarray]:
    """Find the layouts: runs of lines with the same spots on the mat under the same set-up."""
    key = np.column_stack([edges_m, screed_m, set_up])
    starts = np.flatnonzero(np.concatenate([[True], (np.diff(key, axis=0) != 0).any(axis=1)]))
    found: dict[tuple[bytes, ...], int] = {}
    layouts: list[Layout] = []
    codes = np.empty(len(starts), np.int16)
    for place, line in enumerate(starts):
        centres = spots[set_up[line]]
        layout = _layout(centres, edges_m[line], float(screed_m[line]), "[[change]]")
        known = (centres.tobytes(), layout.on_mat.tobytes(), screed_m[line].tobytes())
        if known not in found:
            found[known] = len(layouts)
            layouts.append(layout)
        codes[place] = found[known]
    return tuple(layouts), np.repeat(codes, np.diff(np.append(starts, len(set_up))))


def _layout(spot_right_m: np.ndarray, edges_m: np.ndarray, screed_forward_m: float, where: str) -> Layout:
    """Make a layout from the stated edges."""
    pitch_m = scan_geometry.spot_pitches(spot_right_m)
    on_mat = scan_geometry.on_mat(pitch_m, float(edges_m[0]), float(edges_m[1]))
    if not on_mat.any():
        span = f"{float(spot_right_m.min()):.2f} .. {float(spot_right_m.max()):.2f} m"
        raise ConfigError(
            f"{where}: no spot lies on the mat: spots at {span} from C, right positive; check spots_right, "
            "mat_left and mat_right (left is negative or said as left)"
        )
    measured_m = np.array([pitch_m[on_mat, 0].min(), pitch_m[on_mat, 1].max()])
    return Layout(spot_right_m, pitch_m, on_mat, measured_m, screed_forward_m)


# ------------------------------------------------------------------------------------------- looks, times


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
    distance: np.ndarray, seen_utc: np.ndarray, trajectory: Trajectory, screed_forward_m: np.ndarray
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
        named = f"column {named} is" if len(spots) == 1 else f"columns {named} are"
        text = (
            f"spot {named} dead, stuck or off by a constant: {100 * share:.1f} % of the mat "
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
