"""A local plane of ground metres: where the path is solved, and the way from there to the map."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyproj

from .. import datum
from ..config import CrsSection
from ..errors import InputError
from ..model import Fixes

EARTH_M = 6_371_000.0


@dataclass(frozen=True, eq=False)
class Plane:
    """Ground metres east and north (grid) of a point of the map, at the height of the fixes."""

    crs: pyproj.CRS
    operation: datum.Operation
    easting_m: float
    northing_m: float
    grid_per_ground: float  # point scale times elevation factor R / (R + h)
    convergence_deg: float

    def from_degrees(self, lon_deg: np.ndarray, lat_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Bring positions in the fixes' frame onto the plane."""
        easting, northing = self.operation.forward(lon_deg, lat_deg)
        east, north = easting - self.easting_m, northing - self.northing_m
        return east / self.grid_per_ground, north / self.grid_per_ground

    def to_map(self, east_m: np.ndarray, north_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Bring places on the plane to the map, metres."""
        return (
            self.easting_m + self.grid_per_ground * east_m,
            self.northing_m + self.grid_per_ground * north_m,
        )


def make_plane(fixes: Fixes, crs: CrsSection) -> Plane:
    """Pin the operation at the middle of the fixes and measure the grid there.

    Raises
    ------
    InputError
        There is no fix.
    ConfigError, MismatchError
        As `datum.pin_operation`.
    """
    if len(fixes.time_utc) == 0:
        raise InputError("the log holds no usable fix: nothing can be placed; check the receiver's log")
    few = slice(None, None, max(1, len(fixes.time_utc) // 10_000))
    middle = (float(np.median(fixes.lon_deg[few])), float(np.median(fixes.lat_deg[few])))
    frames = crs.dated(fixes.time_utc[0])
    operation = datum.pin_operation(
        frames.fixes, frames.map, frames.accuracy_m, frames.epoch, frames.accept_ensemble, where=middle
    )
    target = datum.map_crs(crs.map)
    easting, northing = (float(value) for value in operation.forward(*middle))
    lon, lat = datum.own_lon_lat(target, easting / operation.unit_m, northing / operation.unit_m)
    height = fixes.height_m[few][np.isfinite(fixes.height_m[few])]
    elevation = EARTH_M / (EARTH_M + float(np.median(height))) if len(height) else 1.0
    return Plane(
        crs=target,
        operation=operation,
        easting_m=float(round(easting)),
        northing_m=float(round(northing)),
        grid_per_ground=datum.point_scale(target, lon, lat) * elevation,
        convergence_deg=datum.convergence_deg(target, lon, lat),
    )
