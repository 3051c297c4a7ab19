"""Station and offset of many points against one polyline, and back.

A point belongs to the foot that continues from its neighbours: each scan line starts where the line
before it ended, each spot starts at its line's own foot. Beyond an end nothing is clamped. Not done
here: making a polyline fine enough for its curves.
"""

from __future__ import annotations

import numpy as np
from numba import njit

# called from the kernel only: without wrappers it compiles faster
_inner = njit(cache=True, error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)


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
    lines = np.column_stack((vertex_m[0][:-1], vertex_m[1][:-1], east / length, north / length, length))
    easting, northing = (np.require(item, np.float64, ("C", "W")) for item in point_m)  # one compilation
    begin = _beginnings(easting[:, 0], northing[:, 0], lines, np.asarray(restart, bool))
    along_m, offset_m = np.full(easting.shape, np.nan), np.full(easting.shape, np.nan)
    station = np.array(station_m, np.float64)
    _locate(easting, northing, lines, station, begin, float(tolerance_m), along_m, offset_m)
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


def _beginnings(
    easting: np.ndarray, northing: np.ndarray, lines: np.ndarray, restart: np.ndarray
) -> np.ndarray:
    """Segment at which each row begins anew, -1 where it follows the row before; int64 (row).

    A stretch begins with its first row that has a position, at the segment nearest to it of all.
    """
    stretch, known = np.cumsum(restart), np.flatnonzero(~np.isnan(easting + northing))
    begin = np.full(len(easting), -1)
    for row in known[np.unique(stretch[known], return_index=True)[1]]:
        from_e, from_n = easting[row] - lines[:, 0], northing[row] - lines[:, 1]
        along = from_e * lines[:, 2] + from_n * lines[:, 3]
        past = along - np.clip(along, 0.0, lines[:, 4])
        begin[row] = np.argmin(past**2 + (from_e * lines[:, 3] - from_n * lines[:, 2]) ** 2)
    return begin


@_inner
def _foot(easting, northing, segment, lines):
    """Find the foot nearest to a point around a segment: segment, metres along it, offset to the right.

    `lines` (segment, 5) holds start easting and northing, direction east and north, length. At a vertex the
    offset is the distance from the vertex; beyond an end of the polyline nothing is clamped.
    """
    last, step, along, right, best = len(lines) - 1, 0, 0.0, 0.0, -1
    while True:
        from_e, from_n = easting - lines[segment, 0], northing - lines[segment, 1]
        beside = from_e * lines[segment, 2] + from_n * lines[segment, 3]
        across = from_e * lines[segment, 3] - from_n * lines[segment, 2]
        length = lines[segment, 4]
        fits = 0.0 <= beside <= length
        if best >= 0:  # a look at the neighbour: two feet lie inside a bend
            if fits and abs(across) < abs(right):
                return segment, beside, across
            return best, along, right
        if beside > length and segment < last and step >= 0:
            step = 1
        elif beside < 0.0 and segment > 0 and step <= 0:
            step = -1
        elif fits:
            best, along, right = segment, beside, across
            step = 1 if 2.0 * beside > length else -1
            if segment + step < 0 or segment + step > last:
                return best, along, right
        else:
            break
        segment += step
    if (beside < 0.0 and segment > 0) or (beside > length and segment < last):  # outside a bend: its vertex
        along = min(max(beside, 0.0), length)
        return segment, along, np.copysign(np.hypot(beside - along, across), across)
    return segment, beside, across


@njit(cache=True, error_model="numpy")
def _locate(easting, northing, lines, station, begin, tolerance, along, offset):
    """Locate each row's first point from the row before, the others from the row's first point."""
    segment = 0
    for row in range(easting.shape[0]):
        if np.isnan(easting[row, 0] + northing[row, 0]):
            continue
        if begin[row] >= 0:
            segment = begin[row]
        for column in range(easting.shape[1]):
            own, metres, right = _foot(easting[row, column], northing[row, column], segment, lines)
            if column == 0:
                segment = own
            step = (station[own + 1] - station[own]) / lines[own, 4]
            place = station[own] + metres * step
            if station[0] - tolerance <= place <= station[-1] + tolerance:
                along[row, column], offset[row, column] = place, right
