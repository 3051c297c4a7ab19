"""Points measured independently of the rig, beside what the rig says: positions by rover, temperatures by hand.

A rover point tells by its text what it was measured on (`mat edge`, `alignment`); its offset as placed here less
that of the line it lies on is the miss. A hand reading is compared with the look of the spot that saw the place,
the one nearest in time; more than a minute apart nothing is compared, since fresh mat cools by degrees a minute.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from ..config import RuleProfile
from ..delivery import tell
from ..model import ControlPoint, Doubt, Stations, Swath
from .frames import layer
from .mat import PassMat
from .stops import sigma_over
from .survey import Survey
from .zones import pitches_m

FAR_M = 30.0  # from the mat: a point of another place (common practice, no source)
BEYOND_ENDS_M = 3.0  # along travel, past the first or last line of a pass
COMPARED_WITHIN_S = 60.0  # common practice, no source
LINE_SIGMA_M = 0.05  # of a rover and of whoever holds it on a line (common practice, no source)
SIGMAS = 3.0
WORDS = {"edge": "mat edge", "alignment": "alignment", "centre": "alignment", "center": "alignment"}


def control_layer(
    points: tuple[ControlPoint, ...], survey: Survey, swath: Swath, stations: Stations
) -> gpd.GeoDataFrame:
    """Make the layer of control points; one that lies at no mat has its position only."""
    rows = []
    for point in points:
        row = _placed(point, survey, stations)
        if point.temp_c is not None:
            row |= _hand_reading(point, survey, swath)
        rows.append({
            **row,
            "point_id": point.point_id or None, "entry_text": point.text or None,
            "geometry": shapely.Point(point.easting_m, point.northing_m),
        })  # fmt: skip
    return layer("control", rows)


def _placed(point: ControlPoint, survey: Survey, stations: Stations) -> dict[str, Any]:
    """Station, offset and edge of a point in the pass whose mat is nearest."""
    found = [place for mat in survey.mats if (place := _in_pass(point, mat)) is not None]
    if not found:
        return {"pass_id": None, "travel": None}
    mat, distance_m, frame_m, offset_m, edges_m = max(found, key=lambda place: _inside(place[3], place[4]))
    side = 0 if offset_m - edges_m[0] <= edges_m[1] - offset_m else 1
    on = next((place for word, place in WORDS.items() if word in point.text.lower()), None)
    if on == "alignment" and stations.alignment is None:
        on = None  # C's own path is no line that a rover could be held on
    return {
        **mat.identity(),
        "station_m": mat.zero_m + frame_m,
        "offset_m": offset_m,
        "edge_from_m": _inside(offset_m, edges_m),
        "edge_side": ("left", "right")[side],
        "lies_on": on,
        "miss_m": np.nan if on is None else offset_m - (edges_m[side] if on == "mat edge" else 0.0),
        "position_sigma_m": sigma_over(survey.sigma_m, mat, distance_m - 1.0, distance_m + 1.0),
    }


def _inside(offset_m: float, edges_m: np.ndarray) -> float:
    """Distance from the nearer edge, negative outside the mat."""
    return float(min(offset_m - edges_m[0], edges_m[1] - offset_m))


def _in_pass(point: ControlPoint, mat: PassMat) -> tuple[PassMat, float, float, float, np.ndarray] | None:
    """Mat, distance, frame, offset, and offsets of both edges of a point beside a pass; None where it is not."""
    if len(mat.placed_m) < 2:
        return None
    east, north = mat.rail_easting_m, mat.rail_northing_m
    middle = np.hypot(east.mean(axis=0) - point.easting_m, north.mean(axis=0) - point.northing_m)
    knot = int(np.argmin(middle))
    left, right = (np.array([east[side, knot], north[side, knot]]) for side in (0, 1))
    across = right - left
    width = float(np.hypot(*across))
    to_point = np.array([point.easting_m, point.northing_m]) - left
    share = float(to_point @ across) / width**2
    ahead_m = float(across[0] * to_point[1] - across[1] * to_point[0]) / width / mat.scale
    outside_m = max(-share, share - 1, 0.0) * width
    ends = knot in (0, middle.size - 1)
    if outside_m > FAR_M or (ends and abs(ahead_m) > BEYOND_ENDS_M):
        return None
    frame, offset = (rails[0, knot] + share * (rails[1, knot] - rails[0, knot]) for rails in (
        mat.rail_along_m, mat.rail_offset_m))  # fmt: skip
    edges_m = np.sort(mat.rail_offset_m[:, knot])
    frame_m = mat.sign * (float(frame) + ahead_m)
    return mat, float(mat.knot_m[knot]) + ahead_m, frame_m, float(offset), edges_m


def _hand_reading(point: ControlPoint, survey: Survey, swath: Swath) -> dict[str, Any]:
    """The hand reading, and the look at its place that is nearest to it in time."""
    row: dict[str, Any] = {"hand_c": point.temp_c, "read_utc": point.time_utc}
    reach_m = _reach_m(survey, swath)
    away = np.hypot(swath.easting_m - point.easting_m, swath.northing_m - point.northing_m)
    line, spot = np.nonzero(survey.rows & (away <= reach_m) & np.isfinite(swath.temp_c))
    if len(line) == 0 or point.time_utc is None:
        return row
    apart_s = np.abs((swath.seen_utc[line] - point.time_utc) / np.timedelta64(1, "s"))
    best = int(np.lexsort((away[line, spot], apart_s.round(3)))[0])
    seen_c = float(swath.temp_c[line[best], spot[best]])
    near = apart_s[best] <= COMPARED_WITHIN_S
    return row | {
        "seen_utc": swath.seen_utc[line[best]],
        "seen_c": seen_c,
        "seen_less_hand_delta_c": seen_c - point.temp_c if near and point.temp_c is not None else np.nan,
    }


def _reach_m(survey: Survey, swath: Swath) -> float:
    """How far a place may lie from the middle of the spot that saw it: half the diagonal of pitch and line step."""
    steps = [float(np.median(np.diff(mat.placed_m))) for mat in survey.mats if len(mat.placed_m) > 1]
    pitch_m = float(pitches_m(swath).max())
    return 0.5 * float(np.hypot(pitch_m, max(steps, default=0.0)))


def control_counts(frame: gpd.GeoDataFrame) -> dict[str, Any]:
    """Numbers of the comparison: points, those at no mat, misses by what they lie on, hand readings and their bias."""
    difference = frame["seen_less_hand_delta_c"].dropna()
    misses = {
        place: {"count": len(group), "mean_m": float(group["miss_m"].mean())}
        for place, group in frame[frame["lies_on"].notna()].groupby("lies_on", sort=True)
    }
    return {
        "points": len(frame),
        "elsewhere": int(frame["pass_id"].isna().sum()),
        "misses": misses,
        "hand_readings": int(frame["hand_c"].notna().sum()),
        "compared": len(difference),
        "bias_delta_c": float(difference.mean()) if len(difference) else np.nan,
        "sd_delta_c": float(difference.std(ddof=1)) if len(difference) > 1 else np.nan,
    }


def control_doubts(frame: gpd.GeoDataFrame, swath: Swath, rules: RuleProfile) -> tuple[Doubt, ...]:
    """Say where independent measurements and the result disagree by more than they should."""
    doubts = []
    pitch_m = float(pitches_m(swath).max())
    for place, group in frame[frame["lies_on"].notna()].groupby("lies_on", sort=True):
        allowed = SIGMAS * np.hypot(group["position_sigma_m"].fillna(0.0), LINE_SIGMA_M)
        allowed += pitch_m if place == "mat edge" else 0.0  # the outline goes by whole pitches
        out = group[group["miss_m"].abs() > allowed]
        if len(out):
            text = tell(
                "{count} of {total} control points measured on the {place} lie {miss_m:.2f} off it as placed, by their "
                "mean (right positive, looking upstation): check antenna, frames and mat edges",
                count=len(out), total=len(group), place=place, miss_m=float(out["miss_m"].mean()),
            )  # fmt: skip
            doubts.append(Doubt("s6", "control_misses", text, float(out["miss_m"].mean()), "m"))
    numbers, accuracy = control_counts(frame), rules.classes.instrument_accuracy_delta_c
    if numbers["compared"] and abs(numbers["bias_delta_c"]) > accuracy:
        text = tell(
            "the scanner reads {off_delta_c:+.1f} against {count} hand readings, more than the instrument's accuracy "
            "of {accuracy_delta_c:.1f}: check it with `thermosaic rig thermometer`",
            off_delta_c=numbers["bias_delta_c"], count=numbers["compared"], accuracy_delta_c=accuracy,
        )  # fmt: skip
        doubts.append(
            Doubt("s6", "hand_readings_differ", text, numbers["bias_delta_c"], "degC of difference")
        )
    if len(frame) and numbers["elsewhere"] == len(frame):
        text = f"none of {len(frame)} control points lies at this lot's mat: check their frame and the file"
        doubts.append(Doubt("s6", "control_elsewhere", text, float(len(frame))))
    return tuple(doubts)
