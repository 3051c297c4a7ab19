"""Where a lot puts the marks that its scan saw: by line and spot as noted, or found in a stretch of the scan.

A mark noted at a whole spot lies anywhere within that spot's pitch and line: uniform, so its sigma is the pitch
over root 12. A mark found in the scan is the centroid of what stands out, between the edges on both sides: two
such errors, averaged, leave the pitch over root 24.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..delivery import tell
from ..model import Swath

LEAST_LOOK_M = 0.01  # nobody sees a mark's middle better (common practice, no source)
BOX_M = 1.0  # around the reading that stands out most
HALF = 0.5  # of the largest deviation: what belongs to the mark
MOST_SPOTS = 24  # of a line found in the scan; more tell nothing more
LEAST_DELTA_C = 3.0  # less does not stand out from the mat (common practice, no source)
PLACES = (
    "mark", "kind", "line", "spot", "spot_right_m", "time_s", "east_m", "north_m", "heading_deg", "speed_mps",
    "path_along_m", "path_across_m", "look_along_m", "look_across_m", "known_east_m", "known_north_m",
    "known_sigma_m",
)  # fmt: skip


def place_sightings(
    noted: pd.DataFrame, swath: Swath, point_scale: float, middle_m: tuple[float, float]
) -> pd.DataFrame:
    """Place each noted sighting.

    Parameters
    ----------
    noted : pandas.DataFrame
        As a table of sightings is read: mark, kind, line or time_utc with spot, or a stretch with look; and
        easting_m, northing_m, sigma_m of surveyed marks (map metres, NaN = none).
    swath : Swath
        The lot's lines, placed.
    point_scale : float
        Grid length over ground length.
    middle_m : (easting, northing)
        Origin of the plane, map metres.

    Returns
    -------
    pandas.DataFrame
        Columns `PLACES`, ground metres on the plane; a line found in the scan gives a row a spot.

    Raises
    ------
    ValueError
        Naming the row: no such spot or line, a line without a position, or nothing that stands out.
    """
    rows = []
    for number, item in enumerate(noted.itertuples(), 1):
        try:
            rows += [_placed(item, *where, swath, point_scale, middle_m) for where in _where(item, swath)]
        except ValueError as error:
            text = tell(
                'sighting {number}, mark "{mark}": {why}', number=number, mark=item.mark, why=error.args[0]
            )
            raise ValueError(text) from None
    return pd.DataFrame(rows, columns=list(PLACES))


def _where(item: object, swath: Swath) -> list[tuple[float, float, float]]:
    """Row of the swath, spot (0 = first) and share of the pitch as sigma: as noted, or as found."""
    stretch = _stretch(item, swath)
    if stretch is not None:
        if not item.look:
            raise ValueError("a stretch of lines needs look: hot or cold")
        if item.kind == "line":
            return _line_in(swath, stretch, item.look == "hot")
        return [_point_in(swath, stretch, item.look == "hot")]
    if not np.isfinite(item.spot):
        raise ValueError(
            "give spot with line or time_utc, or a stretch from_line, to_line (or times) with look"
        )
    if not 1 <= item.spot <= swath.temp_c.shape[1]:
        raise ValueError(f"there is no spot {item.spot:g}: the scan has spots 1 to {swath.temp_c.shape[1]}")
    return [(_row(item, swath), item.spot - 1.0, 12**-0.5)]


def _row(item: object, swath: Swath) -> float:
    """Row of the swath at the noted line or time, with its fraction."""
    if np.isfinite(item.line):
        at, column = item.line, swath.line.astype(float)
        words = f"line {item.line:g}"
    elif not pd.isna(item.time_utc):
        at = float(pd.Timestamp(item.time_utc).value - swath.seen_utc[0].astype("i8"))
        column = (swath.seen_utc - swath.seen_utc[0]).astype(float)
        words = f"time {item.time_utc}"
    else:
        raise ValueError("give the line, or time_utc, at which the spot saw it")
    if not column[0] <= at <= column[-1]:
        raise ValueError(f"{words} is not in the scan, lines {swath.line[0]} to {swath.line[-1]}")
    return float(np.interp(at, column, np.arange(len(column))))


def _stretch(item: object, swath: Swath) -> slice | None:
    """Rows of the stretch to look through, None where none is given."""
    if np.isfinite(item.from_line) and np.isfinite(item.to_line):
        ends = np.searchsorted(swath.line, [item.from_line, item.to_line + 1])
    elif not (pd.isna(item.from_utc) or pd.isna(item.to_utc)):
        moments = np.array([item.from_utc, item.to_utc], "M8[ns]")
        ends = np.searchsorted(swath.seen_utc, moments)
    else:
        return None
    if ends[1] - ends[0] < 3:
        raise ValueError("the stretch holds fewer than three lines of the scan: check its ends")
    return slice(int(ends[0]), int(ends[1]))


def _standing_out(swath: Swath, rows: slice, hot: bool) -> np.ndarray:
    """How far each reading of a stretch is above (or below) its spot's median there, (line, spot) degC."""
    temp = swath.temp_c[rows].astype(float) * (1.0 if hot else -1.0)
    return np.nan_to_num(temp - np.nanmedian(temp, axis=0), nan=0.0)


def _point_in(swath: Swath, rows: slice, hot: bool) -> tuple[float, float, float]:
    """Centroid of what stands out around the reading that stands out most."""
    excess = _standing_out(swath, rows, hot)
    line, spot = np.unravel_index(int(np.argmax(excess)), excess.shape)
    top = excess[line, spot]
    if top < LEAST_DELTA_C:
        raise ValueError(
            tell(
                "nothing in the stretch stands out by {least_delta_c:g}: widen it, or note line and spot",
                least_delta_c=LEAST_DELTA_C,
            )
        )
    near = np.abs(swath.distance_m[rows] - swath.distance_m[rows][line]) <= BOX_M
    right_m = swath.layouts[swath.layout[rows.start]].spot_right_m
    beside = np.abs(right_m - right_m[spot]) <= BOX_M
    weight = np.where(near[:, None] & beside & (excess >= HALF * top), excess, 0.0)
    lines, spots = np.arange(excess.shape[0]), np.arange(excess.shape[1])
    share = weight / weight.sum()
    return rows.start + float(share.sum(axis=1) @ lines), float(share.sum(axis=0) @ spots), 24**-0.5


def _line_in(swath: Swath, rows: slice, hot: bool) -> list[tuple[float, float, float]]:
    """Where every spot on the mat saw a line that crosses all of them."""
    excess = _standing_out(swath, rows, hot)
    along = swath.distance_m[rows]
    found = []
    for spot in np.flatnonzero(swath.layouts[swath.layout[rows.start]].on_mat):
        own = excess[:, spot]
        line = int(np.argmax(own))
        if own[line] >= LEAST_DELTA_C:
            weight = np.where((np.abs(along - along[line]) <= BOX_M) & (own >= HALF * own[line]), own, 0.0)
            found.append(
                (rows.start + float(weight @ np.arange(len(own)) / weight.sum()), float(spot), 24**-0.5)
            )
    if len(found) < 2:
        raise ValueError("no line stands out in two spots of the stretch: widen it, or note lines and spots")
    return found[:: -(-len(found) // MOST_SPOTS)]


def _placed(
    item: object,
    row: float,
    spot: float,
    share: float,
    swath: Swath,
    point_scale: float,
    middle_m: tuple[float, float],
) -> tuple[object, ...]:
    """One row of the result."""
    near = round(row)
    if swath.placed[near] == 0:
        raise ValueError(f"line {swath.line[near]} has no position: see the gaps that `check` names")
    count = np.arange(swath.temp_c.shape[1])
    easting, northing, along, across = (
        float(np.interp(spot, count, _between(values, row)))
        for values in (swath.easting_m, swath.northing_m, swath.sigma_along_m, swath.sigma_across_m)
    )
    layout = swath.layouts[swath.layout[near]]
    pitch = float(np.interp(spot, count, np.ptp(layout.pitch_m, axis=1)))
    speed = float(swath.speed_mps[near])
    step = abs(speed) * (item.time_step_s if not np.isfinite(item.line) and share > 0.25 else 0.0)
    spacing = float(np.abs(np.diff(swath.distance_m[max(near - 1, 0) : near + 2])).max())
    known = [
        (value - zero) / point_scale
        for value, zero in zip((item.easting_m, item.northing_m), middle_m, strict=True)
    ]
    return (
        item.mark, item.kind, float(np.interp(row, np.arange(len(swath.line)), swath.line)), spot + 1.0,
        float(np.interp(spot, count, layout.spot_right_m)), float(swath.seen_utc[near].astype("i8")) * 1e-9,
        (easting - middle_m[0]) / point_scale, (northing - middle_m[1]) / point_scale,
        float(swath.heading_deg[near]), speed, along, across,
        float(np.hypot(max(spacing * share, LEAST_LOOK_M), step * 12**-0.5)), max(pitch * share, LEAST_LOOK_M),
        *known, item.sigma_m,
    )  # fmt: skip


def _between(values: np.ndarray, row: float) -> np.ndarray:
    """A row of values between two lines, (spot)."""
    low = int(np.floor(row))
    high = min(low + 1, len(values) - 1)
    return values[low] + (row - low) * (values[high].astype(float) - values[low])
