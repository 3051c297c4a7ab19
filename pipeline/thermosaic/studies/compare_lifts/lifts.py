"""What a comparison is made of: two lots on one map, the line both are seen along, and what was found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from ...kernels.polyline import locate, place

BEYOND_M = 1.5  # a line's last knot lies this near to the end of its mat
SHAPES_BEYOND_M = 300.0  # a profile of the other lot may begin far before the line does


@dataclass(frozen=True, eq=False, slots=True)
class Line:
    """Middle of one pass's mat, by which every place gets station and offset; knots run upstation.

    The pass is one of the first lot; the other lot is seen along it too, whatever line it was laid by.
    """

    pass_id: str
    zero_m: float  # station of the zero of its mat frame
    station_m: np.ndarray  # (knot)
    easting_m: np.ndarray  # (knot) metres of the map
    northing_m: np.ndarray  # (knot)
    middle_m: np.ndarray  # (knot) offset of the middle of the mat
    half_m: np.ndarray  # (knot) from it to either edge

    def locate(
        self, easting_m: np.ndarray, northing_m: np.ndarray, beyond_m: float = BEYOND_M
    ) -> tuple[np.ndarray, np.ndarray]:
        """Station and offset of neighbouring places (place), NaN farther beyond the ends of the line."""
        restart = np.zeros(len(easting_m), bool)
        restart[:1] = True
        vertex = (self.easting_m, self.northing_m)
        along, aside = locate(
            (easting_m[:, None], northing_m[:, None]), vertex, self.station_m, restart, beyond_m
        )
        return along[:, 0], aside[:, 0] + np.interp(along[:, 0], self.station_m, self.middle_m)

    def place(self, station_m: np.ndarray, offset_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Easting and northing of stations and offsets."""
        aside = offset_m - np.interp(station_m, self.station_m, self.middle_m)
        return place(station_m, aside, (self.easting_m, self.northing_m), self.station_m)

    def straighten(self, shapes: np.ndarray) -> np.ndarray:
        """Polygons of the map as polygons of (station, offset), metres; None off the ends of the line."""
        straight = np.full(len(shapes), None, dtype=object)
        for i, shape in enumerate(shapes):
            if shape is None or shape.is_empty:
                continue
            along, offset = self.locate(*shapely.get_coordinates(shape).T, SHAPES_BEYOND_M)
            if np.isfinite(along).all():
                moved = shapely.set_coordinates(shape, np.column_stack((along, offset)))
                straight[i] = moved if moved.is_valid else shapely.make_valid(moved)
        return straight


@dataclass(frozen=True, eq=False, slots=True)
class Readings:
    """Readings of one lot, first looks at mat, each with its deficit below the mat around it."""

    easting_m: np.ndarray  # (reading) metres of the map
    northing_m: np.ndarray  # (reading)
    deficit_delta_c: np.ndarray  # (reading) reference of the zones less the reading


@dataclass(frozen=True, eq=False, slots=True)
class Lift:
    """One lot as it is compared: layers in SI with geometries in metres of the first lot's map."""

    lot_id: str
    lift: int
    zones: pd.DataFrame
    stops: pd.DataFrame
    profiles: pd.DataFrame
    readings: Readings
    sigma_m: float  # typical position sigma of its readings

    def sigmas_m(self, layer: pd.DataFrame) -> np.ndarray:
        """Position sigma of each feature of a layer; the lot's where it has none."""
        own = layer["position_sigma_m"].to_numpy(float)
        return np.where(np.isfinite(own), own, self.sigma_m)


@dataclass(frozen=True, slots=True)
class Chance:
    """A number as observed, and what it is when one lot is shifted along the other.

    `low`, `high` hold the middle 95 % of the shifts; `share` of them reach what was observed, or more. All
    but `observed` are NaN where the stretch is too short to shift.
    """

    observed: float
    expected: float
    low: float
    high: float
    share: float
    shifts: int


def against(observed: float, shifted: np.ndarray) -> Chance:
    """Hold a number against the same number at many shifts.

    >>> against(3.0, np.array([0.0, 1.0, 1.0, 2.0]))
    Chance(observed=3.0, expected=1.0, low=0.0, high=2.0, share=0.0, shifts=4)
    """
    shifted = np.asarray(shifted, float)
    shifted = shifted[np.isfinite(shifted)]
    if not len(shifted) or not np.isfinite(observed):
        return Chance(float(observed), np.nan, np.nan, np.nan, np.nan, 0)
    low = np.quantile(shifted, 0.025, method="lower")
    high = np.quantile(shifted, 0.975, method="higher")
    share = float(np.mean(shifted >= observed - 1e-9))
    return Chance(float(observed), float(shifted.mean()), float(low), float(high), share, len(shifted))
