"""Station and offset of many points against one polyline, and back.

A point belongs to the foot that continues from its neighbours: each scan line starts where the line
before it ended, each spot starts at its line's own foot. Beyond an end nothing is clamped. Not done
here: making a polyline fine enough for its curves.
"""

from __future__ import annotations

import numpy as np

BLOCK = 1 << 15  # points located at once: their columns stay in the processor's cache
NEAR_M = 1e-6  # to a vertex: rounding
GUESSED = 256  # lines between two whose nearest segment is looked for on the whole polyline


def locate(
    point_m: tuple[np.ndarray, np.ndarray],
    vertex_m: tuple[np.ndarray, np.ndarray],
    station_m: np.ndarray,
    restart: np.ndarray,
    tolerance_m: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Find station and offset of the points on scan lines.

    Parameters
    ----------
    point_m : two float64 arrays (line, point)
        Eastings and northings, metres; NaN = no position. The first point of a line leads: it continues
        from the line before, and the others from it. Without it the whole line has no station.
    vertex_m : two float64 arrays (vertex)
        Eastings and northings of the polyline, metres. No two neighbours coincide.
    station_m : float64 (vertex)
        Stations of the vertices, increasing.
    restart : bool (line)
        Lines that do not continue from the line before: the nearest foot of the whole polyline is taken.
    tolerance_m : float
        How far beyond an end a station is still given, along the end's direction.

    Returns
    -------
    along_m, offset_m : float64 (line, point)
        Station, and offset positive to the right looking along rising stations; NaN = no position, or off
        the ends.

    Raises
    ------
    ValueError
        If shapes differ.

    Examples
    --------
    >>> road = np.array([0.0, 0.0]), np.array([0.0, 50.0])  # northwards
    >>> point = np.array([[2.0]]), np.array([[30.0]])
    >>> along, offset = locate(point, road, np.array([100.0, 150.0]), [True])
    >>> along.item(), offset.item()
    (130.0, 2.0)
    """
    if point_m[0].shape != point_m[1].shape or point_m[0].ndim != 2 or len(restart) != len(point_m[0]):
        raise ValueError(f"lines differ: {point_m[0].shape}, {point_m[1].shape}, {len(restart)} restarts")
    if not len(vertex_m[0]) == len(vertex_m[1]) == len(station_m) >= 2:
        raise ValueError("a polyline needs two vertices, each with easting, northing and station")
    east, north = np.diff(vertex_m[0]), np.diff(vertex_m[1])
    length = np.hypot(east, north)
    lines = vertex_m[0][:-1], vertex_m[1][:-1], east / length, north / length, length, _bends(east, north)
    easting, northing = (np.asarray(item, np.float64) for item in point_m)
    station_m = np.asarray(station_m, np.float64)
    known = np.flatnonzero(~np.isnan(easting[:, 0] + northing[:, 0]))
    lead = easting[known, 0], northing[known, 0]
    begin = _beginnings(*lead, lines, np.cumsum(restart)[known])
    own, start = _follow(*lead, begin, lines)
    along_m, offset_m = np.full(easting.shape, np.nan), np.full(easting.shape, np.nan)
    for first in range(0, len(known), max(BLOCK // easting.shape[1], 1)):
        part = slice(first, first + max(BLOCK // easting.shape[1], 1))
        rows, segment = known[part], np.repeat(own[part, None], easting.shape[1], axis=1)
        segment[:, 0] = start[part]
        found = _feet(easting[rows].ravel(), northing[rows].ravel(), segment.ravel(), lines)
        along_m[rows], offset_m[rows] = (
            item.reshape(segment.shape) for item in _stationed(*found, length, station_m, tolerance_m)
        )
    return along_m, offset_m


def place(
    along_m: np.ndarray, offset_m: np.ndarray, vertex_m: tuple[np.ndarray, np.ndarray], station_m: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Find the positions of stations and offsets; beyond the ends along the end's direction.

    Parameters
    ----------
    along_m, offset_m : float arrays of one shape
        Stations and offsets in metres, offset positive to the right looking along rising stations.
    vertex_m, station_m : float64 arrays (vertex)
        The polyline and its stations, increasing.

    Returns
    -------
    easting_m, northing_m : float64
    """
    segment = np.clip(np.searchsorted(station_m, along_m, side="right") - 1, 0, len(station_m) - 2)
    east, north = (np.diff(vertex_m[0])[segment], np.diff(vertex_m[1])[segment])
    part = (along_m - station_m[segment]) / np.diff(station_m)[segment]
    aside = offset_m / np.hypot(east, north)
    return vertex_m[0][segment] + part * east + aside * north, vertex_m[1][
        segment
    ] + part * north - aside * east


def distance_to(
    point_m: tuple[np.ndarray, np.ndarray], vertex_m: tuple[np.ndarray, np.ndarray]
) -> np.ndarray:
    """Find the distance in metres of a few points (point) from a polyline, its ends included."""
    easting, northing = np.asarray(point_m[0])[:, None], np.asarray(point_m[1])[:, None]
    east, north = np.diff(vertex_m[0]), np.diff(vertex_m[1])
    from_e, from_n = easting - vertex_m[0][:-1], northing - vertex_m[1][:-1]
    part = np.clip((from_e * east + from_n * north) / (east**2 + north**2), 0.0, 1.0)
    return np.hypot(from_e - part * east, from_n - part * north).min(axis=1)


def _bends(east: np.ndarray, north: np.ndarray) -> np.ndarray:
    """Tangent of the sharper bend at the ends of each segment, infinite from a right angle on."""
    ahead = east[:-1] * east[1:] + north[:-1] * north[1:]
    aside = np.abs(east[:-1] * north[1:] - north[:-1] * east[1:])
    bend = np.full(len(ahead), np.inf)
    np.divide(aside, ahead, out=bend, where=ahead > 0.0)
    return np.maximum(np.append(bend, 0.0), np.append(0.0, bend))


def _beginnings(
    easting: np.ndarray, northing: np.ndarray, lines: tuple[np.ndarray, ...], stretch: np.ndarray
) -> np.ndarray:
    """Segment at which each row begins anew, -1 where it follows the row before; int64 (row).

    A stretch begins with its first row, at the segment nearest to it of all.
    """
    begin = np.full(len(easting), -1)
    for row in np.unique(stretch, return_index=True)[1]:
        begin[row] = _nearest(easting[row], northing[row], lines)
    return begin


def _nearest(easting: float, northing: float, lines: tuple[np.ndarray, ...]) -> int:
    """Segment nearest to a point."""
    from_e, from_n = easting - lines[0], northing - lines[1]
    along = from_e * lines[2] + from_n * lines[3]
    past = along - np.clip(along, 0.0, lines[4])
    return int(np.argmin(past**2 + (from_e * lines[3] - from_n * lines[2]) ** 2))


def _follow(
    easting: np.ndarray, northing: np.ndarray, begin: np.ndarray, lines: tuple[np.ndarray, ...]
) -> tuple[np.ndarray, np.ndarray]:
    """Segment of each row's foot, looked for from that of the row before, and where it was looked for.

    All rows are looked for at once from a guess, and again from the row before as long as that is elsewhere than
    was guessed. So a guess costs time where it is wrong, nothing else.
    """
    rows = np.arange(len(begin))
    nearest = [_nearest(easting[row], northing[row], lines) for row in rows[::GUESSED]]
    guess = np.interp(rows, rows[::GUESSED], nearest).astype(np.int64) if nearest else begin
    start = np.where(begin >= 0, begin, guess)
    own, moved = np.empty_like(start), np.arange(len(start))
    while len(moved):
        own[moved] = _feet(easting[moved], northing[moved], start[moved], lines)[0]
        after = moved[moved < len(start) - 1] + 1
        moved = after[(begin[after] < 0) & (start[after] != own[after - 1])]
        start[moved] = own[moved - 1]
    return own, start


def _feet(
    easting: np.ndarray, northing: np.ndarray, segment: np.ndarray, lines: tuple[np.ndarray, ...]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Find the foot nearest to each point around a segment: segment, metres along it, offset to the right.

    `lines` holds start easting and northing, direction east and north, length and bend of every segment. At a
    vertex the offset is the distance from the vertex; beyond an end of the polyline nothing is clamped.
    """
    last, own = len(lines[0]) - 1, segment.copy()
    along, right = np.full(len(own), np.nan), np.full(len(own), np.nan)
    points, step, found = np.arange(len(own)), np.zeros(len(own), np.int8), np.zeros(len(own), bool)
    while len(points):
        start_e, start_n, east, north, length, bend = (column.take(segment) for column in lines)
        from_e, from_n = easting.take(points) - start_e, northing.take(points) - start_n
        beside, across = from_e * east + from_n * north, from_e * north - from_n * east
        before, past = beside < 0.0, beside > length
        fits = ~(before | past)
        walks = ~found & ((past & (step >= 0) & (segment < last)) | (before & (step <= 0) & (segment > 0)))
        # outside a bend the foot is the vertex; inside one there are two near it, and the nearer one counts
        corner = ~(found | fits | walks) & ((before & (segment > 0)) | (past & (segment < last)))
        if corner.any():
            held = np.clip(beside[corner], 0.0, length[corner])
            away = np.hypot(beside[corner] - held, across[corner])
            beside[corner], across[corner] = held, np.copysign(away, across[corner])
        taken = np.where(found, fits & (np.abs(across) < np.abs(right.take(points))), ~walks)
        here = points[taken]
        own[here], along[here], right[here] = segment[taken], beside[taken], across[taken]
        looks = fits & ~found & (np.minimum(beside, length - beside) <= np.abs(across) * bend + NEAR_M)
        move = np.where(np.where(looks, 2.0 * beside > length, past), 1, -1).astype(np.int8)
        on = (walks | looks) & (segment + move >= 0) & (segment + move <= last)
        points, segment, step, found = points[on], (segment + move)[on], move[on], looks[on]
    return own, along, right


def _stationed(
    own: np.ndarray,
    along_m: np.ndarray,
    right_m: np.ndarray,
    length_m: np.ndarray,
    station_m: np.ndarray,
    tolerance_m: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Station and offset of feet, NaN off the ends."""
    step = np.diff(station_m) / length_m
    place = station_m.take(own) + along_m * step.take(own)
    on = (place >= station_m[0] - tolerance_m) & (place <= station_m[-1] + tolerance_m)
    return np.where(on, place, np.nan), np.where(on, right_m, np.nan)
