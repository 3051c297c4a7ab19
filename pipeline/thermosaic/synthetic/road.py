"""The alignment in closed form, and where it lies on the map grid.

Design coordinates are ground metres, east and north of the lot's first point on the map grid; map metres
are origin + `grid_scale` x design, `grid_scale` being point scale x elevation factor at that point.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pyproj
from scipy.special import fresnel

from .plan import LotPlan, Stretch

EARTH_RADIUS_M = 6_371_000.0  # mean radius for the elevation factor R / (R + h)
FOOT_STEP_M = 1e-9


class Road:
    """The alignment in closed form, in design coordinates, by ground metres from its first vertex."""

    def __init__(self, stretches: tuple[Stretch, ...], bearing_deg: float) -> None:
        self.stretches = stretches
        self.starts_m = np.concatenate([[0.0], np.cumsum([s.length_m for s in stretches])])
        self.length_m = float(self.starts_m[-1])
        points, bearings = [0j], [math.radians(bearing_deg)]
        for stretch in stretches:
            step = _way(stretch, np.array([stretch.length_m]))[0]
            points.append(points[-1] + step * np.exp(-1j * bearings[-1]))
            bearings.append(
                bearings[-1] + stretch.length_m * (stretch.curvature_from + stretch.curvature_to) / 2
            )
        self.points, self.bearings = points, bearings

    def at(self, along_m: np.ndarray) -> tuple[np.ndarray, ...]:
        """Return east, north [m], bearing [rad], curvature [1/m] and its rate [1/m2]."""
        along_m = np.asarray(along_m, dtype=float)
        piece = np.clip(np.searchsorted(self.starts_m, along_m, side="right") - 1, 0, len(self.stretches) - 1)
        place = np.empty(along_m.shape, dtype=complex)
        bearing, curvature, rate = (np.empty(along_m.shape) for _ in range(3))
        for i, stretch in enumerate(self.stretches):
            mine = piece == i
            if not mine.any():
                continue
            s = along_m[mine] - self.starts_m[i]
            change = (stretch.curvature_to - stretch.curvature_from) / stretch.length_m
            place[mine] = self.points[i] + _way(stretch, s) * np.exp(-1j * self.bearings[i])
            bearing[mine] = self.bearings[i] + s * (stretch.curvature_from + change * s / 2)
            curvature[mine] = stretch.curvature_from + change * s
            rate[mine] = change
        return place.real, place.imag, bearing, curvature, rate

    def foot(
        self, east_m: np.ndarray, north_m: np.ndarray, guess_m: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return ground metres along and offset (right +) of points near `guess_m`, by Newton's method.

        Steps square from one to the next: after one below `FOOT_STEP_M` nothing is left but rounding.
        """
        along_m = np.array(np.broadcast_to(guess_m, np.shape(east_m)), dtype=float)
        for _ in range(6):
            east, north, bearing, curvature, _ = self.at(along_m)
            forward = (east_m - east) * np.sin(bearing) + (north_m - north) * np.cos(bearing)
            right = (east_m - east) * np.cos(bearing) - (north_m - north) * np.sin(bearing)
            step_m = forward / (1 - curvature * right)
            along_m += step_m
            if np.all(np.abs(step_m) < FOOT_STEP_M):
                break
        return along_m, right


def _way(stretch: Stretch, s: np.ndarray) -> np.ndarray:
    """Return the complex way (east + i north) from a stretch's start if that headed due north."""
    bend, change = stretch.curvature_from, (stretch.curvature_to - stretch.curvature_from) / stretch.length_m
    if change == 0 and bend == 0:
        return 1j * s
    if change == 0:
        return 1j * np.exp(-0.5j * bend * s) * s * np.sinc(bend * s / (2 * np.pi))
    # bearing = bend s + change s^2 / 2: completed square, Fresnel integrals (Abramowitz & Stegun 7.3.1-2)
    sine, cosine = fresnel(
        np.stack([s + bend / change, np.full_like(s, bend / change)]) * math.sqrt(abs(change) / np.pi)
    )
    turn = (cosine[0] - cosine[1]) - 1j * math.copysign(1, change) * (sine[0] - sine[1])
    return 1j * np.exp(0.5j * bend**2 / change) * math.sqrt(np.pi / abs(change)) * turn


@dataclass(frozen=True, eq=False)
class Site:
    """Where the design lies on the map grid."""

    crs: pyproj.CRS
    factor: float  # map unit in metres
    east0_m: float
    north0_m: float
    grid_scale: float
    convergence_deg: float
    to_fixes: pyproj.Transformer
    epoch: float | None
    road: Road

    def map_m(self, east_m: np.ndarray, north_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Turn design coordinates into map metres."""
        return self.east0_m + self.grid_scale * east_m, self.north0_m + self.grid_scale * north_m

    def design_m(self, easting_m: np.ndarray, northing_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Turn map metres into design coordinates."""
        return (easting_m - self.east0_m) / self.grid_scale, (northing_m - self.north0_m) / self.grid_scale

    def lon_lat(self, easting_m: np.ndarray, northing_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Turn map metres into degrees of the fixes' frame, at the plan's epoch where it has one."""
        place = [easting_m / self.factor, northing_m / self.factor]
        if self.epoch is not None:
            place += [np.zeros(len(easting_m)), np.full(len(easting_m), self.epoch)]
        return self.to_fixes.transform(*place)[:2]


def make_site(plan: LotPlan) -> Site:
    """Put the lot's first point on the map grid and fix its scale, convergence and way back to the fixes."""
    crs, fixes = pyproj.CRS(plan.map_crs), pyproj.CRS(plan.fixes_crs)
    if plan.epoch is not None:
        crs, fixes = crs.to_3d(), fixes.to_3d()
    to_fixes = pyproj.Transformer.from_crs(crs, fixes, always_xy=True, allow_ballpark=False)
    lon, lat = plan.start_lon_deg, plan.start_lat_deg
    place = (lon, lat, 0.0, plan.epoch) if plan.epoch is not None else (lon, lat)
    easting, northing = to_fixes.transform(*place, direction="INVERSE")[:2]
    factor = crs.axis_info[0].unit_conversion_factor
    factors = pyproj.Proj(plan.map_crs).get_factors(lon, lat)
    elevation_factor = EARTH_RADIUS_M / (EARTH_RADIUS_M + plan.gnss.height_m)
    return Site(
        crs=pyproj.CRS(plan.map_crs),
        factor=factor,
        east0_m=easting * factor,
        north0_m=northing * factor,
        grid_scale=factors.meridional_scale * elevation_factor,
        convergence_deg=factors.meridian_convergence,
        to_fixes=to_fixes,
        epoch=plan.epoch,
        road=Road(plan.road, plan.start_bearing_deg),
    )


def alignment_vertices(plan: LotPlan, site: Site) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return easting, northing and station of the alignment's vertices [map m]."""
    along = np.linspace(0, site.road.length_m, math.ceil(site.road.length_m / plan.alignment_step_m) + 1)
    east, north, *_ = site.road.at(along)
    return *site.map_m(east, north), plan.first_station_m + site.grid_scale * along
