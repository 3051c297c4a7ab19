"""A paving lot with its truth in closed form: logs as bytes, and what a perfect program would find in them.

The non-slip point of the paver follows a line beside the alignment (straights, arcs, clothoids, weave);
the body's heading is that line's tangent plus a crab angle; C, the antenna and every spot follow by the
exact lever arm. Nothing of the code under test is used: no kernel, no reader, no writer. Not done here:
writing files (see the caller), several scanners, changes of width within a lot.

Design coordinates are ground metres, east and north of the lot's first point on the map grid; map metres
are origin + `grid_scale` x design, `grid_scale` being point scale x elevation factor at that point.
"""

from __future__ import annotations

import io
import json
import math
from dataclasses import dataclass, field, fields, replace

import numpy as np
import pyarrow as pa
import pyproj
import shapely
from pyarrow import csv, parquet
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.signal import lfilter
from scipy.special import fresnel

from .units import FOOT_M, StationLabels

EARTH_RADIUS_M = 6_371_000.0  # mean radius for the elevation factor R / (R + h)
NMEA_QUALITY = {"none": 0, "autonomous": 1, "differential": 2, "fixed": 4, "float": 5}
QUALITIES = ("none", "autonomous", "differential", "fixed", "float")  # same codes as the noun Fixes
TAPER_M = 0.1  # a planted patch reaches full depth this far inside its outline, and none as far outside
PASS_BREAK_M = 0.001  # added to the running distance between two passes


# ------------------------------------------------------------------------------------------- the plan


@dataclass(frozen=True)
class Stretch:
    """A piece of road; curvature runs linearly from one end to the other [1/m], right turns positive."""

    length_m: float
    curvature_from: float = 0.0
    curvature_to: float = 0.0


def straight(length_m: float) -> Stretch:
    """Make a straight piece of road."""
    return Stretch(length_m)


def arc(radius_m: float, angle_deg: float) -> Stretch:
    """Make an arc; a positive angle turns right, looking upstation."""
    curvature = math.copysign(1 / radius_m, angle_deg)
    return Stretch(radius_m * math.radians(abs(angle_deg)), curvature, curvature)


def clothoid(length_m: float, curvature_from: float, curvature_to: float) -> Stretch:
    """Make a transition between two curvatures [1/m, right positive]."""
    return Stretch(length_m, curvature_from, curvature_to)


@dataclass(frozen=True)
class Rig:
    """Where things sit, from C: forward, right, up positive [m]."""

    antenna_forward_m: float = 1.98
    antenna_right_m: float = -0.10
    antenna_up_m: float = 3.35
    screed_forward_m: float = 0.9
    non_slip_forward_m: float = 2.74
    heading_offset_deg: float = 0.0


@dataclass(frozen=True)
class Scanner:
    """Spot centres evenly spaced from the first to the last column, and the mat's edges, from C [m]."""

    first_m: float = -2.025
    last_m: float = 2.025
    count: int = 28
    mat_left_m: float = -1.8
    mat_right_m: float = 1.8
    rate_hz: float = 4.0
    rows_pause: bool = False  # no rows while standing
    clock_offset_s: float = 0.0  # scan clock minus UTC
    noise_c: float = 0.4
    decimals: int = 2

    @property
    def spot_right_m(self) -> np.ndarray:
        return np.linspace(self.first_m, self.last_m, self.count)


@dataclass(frozen=True)
class Stop:
    """The paver stands with C at `at_m` of its pass."""

    at_m: float
    duration_s: float


@dataclass(frozen=True)
class BackUp:
    """From `at_m` the paver goes back and, after a pause, forward again."""

    at_m: float
    length_m: float
    speed_mps: float = 0.1
    pause_s: float = 5.0


@dataclass(frozen=True)
class PassPlan:
    """One traverse. Places `at_m` are ground metres travelled by C since the pass's first line."""

    direction: str = "upstation"
    offset_m: float = 1.9  # of the machine's axis from the alignment, right looking upstation
    from_m: float = 15.0  # ground metres along the alignment of the non-slip point: smaller end ..
    to_m: float | None = None  # .. and larger end; None = 5 m before the alignment's end
    wait_s: float = 0.0  # since the end of the pass before
    speeds: tuple[tuple[float, float], ...] = ((0.0, 0.1),)  # (at_m, m/s)
    stops: tuple[Stop, ...] = ()
    back_ups: tuple[BackUp, ...] = ()
    id: str | None = None
    lane: str | None = None
    left_edge: str = "free"
    right_edge: str = "free"


@dataclass(frozen=True)
class Wheel:
    """The distance wheel; `scale` = true ground length / wheel length."""

    scale: float = 1.0
    wander_frac: float = 0.0  # slow change of the scale, root mean square
    slips: tuple[tuple[int, float, float, float], ...] = ()  # (pass, from_m, to_m, share of length lost)
    noise_m: float = 0.0
    quantum_m: float = 0.001
    counter_falls: bool = True  # in a back-up; else it keeps rising
    as_count: bool = False
    own_log_hz: float | None = None  # else a column of the scan


@dataclass(frozen=True)
class Episode:
    """A stretch where the fixes change: a quality word, `outage` (no sentences), or `jump`."""

    kind: str
    from_m: float
    to_m: float
    pass_: int = 0
    east_m: float = 0.0
    north_m: float = 0.0


@dataclass(frozen=True)
class Gnss:
    """The receiver; sigmas are one standard deviation on each axis."""

    rate_hz: float = 5.0
    quality: str = "fixed"
    fixed_m: float = 0.01
    float_m: float = 0.3
    differential_m: float = 0.8
    autonomous_m: float = 2.0
    correlation_s: float = 0.0  # time constant of the noise; 0 = white
    white_frac: float = 0.1  # share of the variance that stays white when it is correlated
    episodes: tuple[Episode, ...] = ()
    gst: bool = True
    gst_factor: float = 1.0  # stated sigma / true sigma
    heading_sigma_deg: float | None = None  # None = no heading sensor
    talker: str = "GN"
    height_m: float = 30.0  # ellipsoidal, of the mat
    separation_m: float = -25.0
    grade_frac: float = 0.0  # rise per metre upstation
    cross_slope_frac: float = 0.0  # fall per metre to the right looking upstation


@dataclass(frozen=True)
class Patch:
    """Cold mat: centre along (`at_m` of C in its pass) and across (right of C in travel), and its depth."""

    at_m: float
    length_m: float
    right_m: float
    width_m: float
    deficit_c: float
    kind: str = "single"
    pass_: int = 0
    ellipse: bool = False


@dataclass(frozen=True)
class Person:
    """Something foreign that crosses the scan line while C passes `at_m`."""

    at_m: float
    temp_c: float = 32.0
    width_m: float = 0.5
    speed_mps: float = 0.8  # to the right of travel
    pass_: int = 0


@dataclass(frozen=True)
class SpotFault:
    """A spot column (1 = first) that is `dead`, `stuck` at a value, or `biased` by one [degC]."""

    spot: int
    kind: str
    value_c: float = 0.0


@dataclass(frozen=True)
class Mat:
    """Temperatures: what the screed leaves behind and how its surface cools until the line sees it."""

    base_c: float = 145.0
    drift_c_per_h: float = 0.0
    texture_c: float = 0.8  # standard deviation of smooth unevenness
    texture_length_m: float = 0.5
    load_length_m: float | None = None
    load_end: Patch | None = None  # its place and size at the first load end; repeats each load length
    patches: tuple[Patch, ...] = ()
    after_stop_c: float = 0.0  # deficit of the first mat laid after a stop
    after_stop_length_m: float = 1.0
    people: tuple[Person, ...] = ()
    faults: tuple[SpotFault, ...] = ()
    shoulder_c: float = 28.0
    cooling_s: float = 3000.0  # time constant of the surface towards the air
    air_c: float = 18.0
    coded: str | None = None  # "easting_m", "northing_m", "station_m": the temperature encodes the place


@dataclass(frozen=True)
class Exclude:
    """A stretch of stations (metres from the alignment's first vertex, map length) left out by the rule."""

    from_m: float
    to_m: float
    side: str = "full"
    reason: str = "intersection"


@dataclass(frozen=True)
class LotPlan:
    """Everything a synthetic lot is made from; the default is a clean straight lot of 180 m."""

    lot_id: str = "SYN-1"
    route: str = "Test Road"
    lane: str = "1"
    lift: int = 1
    thickness: str = "50 mm"
    time_zone: str = "UTC"
    start_utc: str = "2026-05-14T13:20:00.000"
    road: tuple[Stretch, ...] = (Stretch(200.0),)
    start_lon_deg: float = -116.2
    start_lat_deg: float = 43.6
    start_bearing_deg: float = 70.0  # grid bearing of the alignment at its first vertex
    fixes_crs: str = "EPSG:6318"
    map_crs: str = "EPSG:6340"
    first_station_m: float = 1000.0
    labels: str = "100 m"
    alignment: bool = True  # else one mark at the first line
    alignment_step_m: float = 0.5
    rig: Rig = Rig()
    scanner: Scanner = Scanner()
    passes: tuple[PassPlan, ...] = (PassPlan(),)
    crab_deg: float = 0.0
    weave_m: float = 0.0
    weave_length_m: float = 25.0
    wheel: Wheel = Wheel()
    gnss: Gnss = Gnss()
    mat: Mat = Mat()
    exclude: tuple[Exclude, ...] = ()
    limits: tuple[str, str] | None = None
    clock_offset: str = "auto"
    rules: str = "differential-150ft"
    units: str = "si"
    map_cell: str = "0.1 m"
    mat_cell: str = "1 ft"
    parquet: bool = False
    seed: int = 7


# -------------------------------------------------------------------------------------------- the truth


@dataclass(frozen=True)
class TrueStop:
    """When and where the paver stood; distance of C runs through all passes."""

    start_utc: np.datetime64
    end_utc: np.datetime64
    distance_m: float
    station_m: float
    pass_code: int


@dataclass(frozen=True)
class TrueSpeed:
    """A stretch of constant speed, forward, without a stop in it."""

    start_utc: np.datetime64
    end_utc: np.datetime64
    from_m: float
    to_m: float
    speed_mps: float
    pass_code: int


@dataclass(frozen=True)
class TrueZone:
    """Planted cold mat: its outline in map metres at half depth."""

    kind: str
    polygon: shapely.Polygon
    deficit_c: float
    pass_code: int
    from_m: float  # distance of C, through all passes
    to_m: float


@dataclass(frozen=True)
class TrueGap:
    """A stretch without fixes."""

    start_utc: np.datetime64
    end_utc: np.datetime64
    from_m: float
    to_m: float
    pass_code: int


@dataclass(frozen=True, eq=False)
class Truth:
    """What a perfect program would say. Map metres; (line), (line, spot); distance of C over the ground."""

    crs: pyproj.CRS
    time_utc: np.ndarray
    pass_code: np.ndarray
    distance_m: np.ndarray  # (line) falls in a back-up, runs on through passes
    reach_m: np.ndarray  # (line) its running maximum within the pass
    first_look: np.ndarray  # (line)
    speed_mps: np.ndarray  # (line) signed
    easting_m: np.ndarray
    northing_m: np.ndarray
    heading_deg: np.ndarray  # (line) body, clockwise from grid north
    station_m: np.ndarray  # (line) of C
    offset_m: np.ndarray  # (line) of C
    laid_utc: np.ndarray  # (line) NaT where laid before the log
    look_age_s: np.ndarray  # (line)
    spot_easting_m: np.ndarray
    spot_northing_m: np.ndarray
    temp_c: np.ndarray  # (line, spot) noise-free, without people and faults
    foreign: np.ndarray  # bool (line, spot)
    stops: tuple[TrueStop, ...]
    speeds: tuple[TrueSpeed, ...]
    zones: tuple[TrueZone, ...]
    gaps: tuple[TrueGap, ...]
    people: tuple[shapely.Polygon, ...]
    wheel_scale: float
    clock_offset_s: float
    grid_scale: float  # map length / ground length
    convergence_deg: float  # grid bearing = true bearing - convergence
    code_gain: float  # coded temperature = code_base_c + (value - code_zero) x code_gain
    code_zero: float
    code_base_c: float
    fix_easting_m: np.ndarray  # (fix) of the antenna, without noise
    fix_northing_m: np.ndarray


@dataclass(frozen=True, eq=False)
class Logged:
    """What the logs hold, as arrays: the same numbers as in the files."""

    scan_time_utc: np.ndarray  # (line) scan clock
    temp_c: np.ndarray  # float32 (line, spot), NaN = blank
    spot_right_m: np.ndarray
    wheel_time_utc: np.ndarray
    wheel_m: np.ndarray
    fix_time_utc: np.ndarray
    lon_deg: np.ndarray
    lat_deg: np.ndarray
    height_m: np.ndarray
    quality: np.ndarray  # int8, code in QUALITIES
    sigma_m: np.ndarray  # NaN without GST
    fix_heading_deg: np.ndarray  # NaN without a heading sensor


@dataclass(frozen=True, eq=False)
class SyntheticLot:
    """A lot folder as bytes, the arrays in it, its truth, and the closed form behind it."""

    plan: LotPlan
    files: dict[str, bytes]
    truth: Truth
    logged: Logged
    site: Site
    motions: tuple[Motion, ...]


# --------------------------------------------------------------------------------------------- the road


class Road:
    """The alignment in closed form, in design coordinates, by ground metres from its first vertex."""

    def __init__(self, stretches: tuple[Stretch, ...], bearing_deg: float) -> None:
        self.stretches = stretches
        self.starts_m = np.concatenate([[0.0], np.cumsum([s.length_m for s in stretches])])
        self.length_m = float(self.starts_m[-1])
        points, bearings = [0j], [math.radians(bearing_deg)]
        for stretch in stretches:
            step = _arc_chord(stretch, np.array([stretch.length_m]))[0]
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
            place[mine] = self.points[i] + _arc_chord(stretch, s) * np.exp(-1j * self.bearings[i])
            bearing[mine] = self.bearings[i] + s * (stretch.curvature_from + change * s / 2)
            curvature[mine] = stretch.curvature_from + change * s
            rate[mine] = change
        return place.real, place.imag, bearing, curvature, rate

    def foot(
        self, east_m: np.ndarray, north_m: np.ndarray, guess_m: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return ground metres along and offset (right positive) of points near `guess_m`, by Newton's method."""
        along_m = np.array(np.broadcast_to(guess_m, np.shape(east_m)), dtype=float)
        for _ in range(6):
            east, north, bearing, curvature, _ = self.at(along_m)
            forward = (east_m - east) * np.sin(bearing) + (north_m - north) * np.cos(bearing)
            right = (east_m - east) * np.cos(bearing) - (north_m - north) * np.sin(bearing)
            along_m += forward / (1 - curvature * right)
        return along_m, right


def _arc_chord(stretch: Stretch, s: np.ndarray) -> np.ndarray:
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
    road: Road

    def map_m(self, east_m: np.ndarray, north_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Turn design coordinates into map metres."""
        return self.east0_m + self.grid_scale * east_m, self.north0_m + self.grid_scale * north_m

    def design_m(self, easting_m: np.ndarray, northing_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Turn map metres into design coordinates."""
        return (easting_m - self.east0_m) / self.grid_scale, (northing_m - self.north0_m) / self.grid_scale

    def lon_lat(self, easting_m: np.ndarray, northing_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Turn map metres into degrees of the fixes' frame."""
        return self.to_fixes.transform(easting_m / self.factor, northing_m / self.factor)


def _make_site(plan: LotPlan) -> Site:
    crs = pyproj.CRS(plan.map_crs)
    factor = crs.axis_info[0].unit_conversion_factor
    fixes = pyproj.CRS(plan.fixes_crs)
    to_map = pyproj.Transformer.from_crs(fixes, crs, always_xy=True, allow_ballpark=False)
    to_fixes = pyproj.Transformer.from_crs(crs, fixes, always_xy=True, allow_ballpark=False)
    easting, northing = to_map.transform(plan.start_lon_deg, plan.start_lat_deg)
    factors = pyproj.Proj(crs).get_factors(plan.start_lon_deg, plan.start_lat_deg)
    elevation_factor = EARTH_RADIUS_M / (EARTH_RADIUS_M + plan.gnss.height_m)
    return Site(
        crs=crs,
        factor=factor,
        east0_m=easting * factor,
        north0_m=northing * factor,
        grid_scale=factors.meridional_scale * elevation_factor,
        convergence_deg=factors.meridian_convergence,
        to_fixes=to_fixes,
        road=Road(plan.road, plan.start_bearing_deg),
    )


# ------------------------------------------------------------------------------------------- the motion


@dataclass(frozen=True, eq=False)
class Body:
    """Places of C and headings of the body, design metres and radians."""

    along_m: np.ndarray  # of the non-slip point, ground metres from the alignment's first vertex
    east_m: np.ndarray
    north_m: np.ndarray
    heading: np.ndarray

    def point(self, forward_m: np.ndarray, right_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the place of a point of the body; arrays broadcast with C's."""
        sine, cosine = np.sin(self.heading), np.cos(self.heading)
        if np.ndim(right_m):
            sine, cosine, east, north = (v[:, None] for v in (sine, cosine, self.east_m, self.north_m))
        else:
            east, north = self.east_m, self.north_m
        return east + forward_m * sine + right_m * cosine, north + forward_m * cosine - right_m * sine


@dataclass(frozen=True, eq=False)
class Motion:
    """One pass: where C is at any distance, and at which distance at any time."""

    plan: LotPlan
    pass_plan: PassPlan
    code: int
    road: Road
    base_m: float  # running distance at the pass's start
    knot_s: np.ndarray  # times since the lot's start
    knot_m: np.ndarray  # distance of C within the pass, linear between knots
    grid_along_m: np.ndarray  # along the alignment, in travel order ..
    grid_m: np.ndarray  # .. and the distance of C there

    @property
    def sign(self) -> int:
        return 1 if self.pass_plan.direction == "upstation" else -1

    @property
    def length_m(self) -> float:
        return float(self.grid_m[-1])

    def distance(self, time_s: np.ndarray) -> np.ndarray:
        """Return the distance of C within the pass at times."""
        return np.interp(time_s, self.knot_s, self.knot_m)

    def interval(self, time_s: np.ndarray) -> np.ndarray:
        """Return the number of the interval of constant speed at times."""
        return np.clip(np.searchsorted(self.knot_s, time_s, side="right") - 1, 0, len(self.knot_s) - 2)

    def speed(self, time_s: np.ndarray) -> np.ndarray:
        """Return the signed speed of C."""
        return (np.diff(self.knot_m) / np.diff(self.knot_s))[self.interval(time_s)]

    def first_time(self, distance_m: np.ndarray) -> np.ndarray:
        """Return when C first reached places; before the pass, by its first speed."""
        reach = np.maximum.accumulate(self.knot_m)
        fresh = np.flatnonzero(np.diff(reach) > 0)
        pick = fresh[np.clip(np.searchsorted(reach[fresh + 1], distance_m, side="left"), 0, len(fresh) - 1)]
        slope = (self.knot_s[pick + 1] - self.knot_s[pick]) / (self.knot_m[pick + 1] - self.knot_m[pick])
        return self.knot_s[pick] + (distance_m - self.knot_m[pick]) * slope

    def body(self, distance_m: np.ndarray) -> Body:
        """Return C and heading where C has travelled `distance_m` of the pass."""
        along = np.interp(distance_m, self.grid_m, self.grid_along_m)
        # linear between grid points, and on beyond both ends
        ahead = np.where(distance_m > self.length_m, distance_m - self.length_m, np.minimum(distance_m, 0))
        return _body(self.plan, self.pass_plan, self.road, along + self.sign * ahead)[0]


def _body(plan: LotPlan, pass_plan: PassPlan, road: Road, along_m: np.ndarray) -> tuple[Body, np.ndarray]:
    """Return the body with its non-slip point beside `along_m`, and metres of C's path a metre along."""
    east, north, bearing, bend, rate = road.at(along_m)
    wave = 2 * math.pi / plan.weave_length_m
    side = pass_plan.offset_m + plan.weave_m * np.sin(wave * along_m)
    slope = plan.weave_m * wave * np.cos(wave * along_m)
    slope_rate = -plan.weave_m * wave**2 * np.sin(wave * along_m)
    stretch = 1 - side * bend
    stretch_rate = -slope * bend - side * rate
    course = bearing + np.arctan2(slope, stretch)
    turn = bend + (slope_rate * stretch - slope * stretch_rate) / (stretch**2 + slope**2)
    sign = 1 if pass_plan.direction == "upstation" else -1
    heading = course + (0 if sign > 0 else math.pi) + math.radians(plan.crab_deg)
    lever = plan.rig.non_slip_forward_m
    point_east, point_north = east + side * np.cos(bearing), north - side * np.sin(bearing)
    body = Body(along_m, point_east - lever * np.sin(heading), point_north - lever * np.cos(heading), heading)
    pace = np.hypot(slope, stretch)
    crab = math.radians(plan.crab_deg)
    forward, right = sign * pace * math.cos(crab), -sign * pace * math.sin(crab) - lever * turn
    return body, np.hypot(forward, right)


def _make_motions(plan: LotPlan, road: Road) -> tuple[Motion, ...]:
    motions: list[Motion] = []
    start_s = base_m = 0.0
    for code, pass_plan in enumerate(plan.passes):
        start_s += pass_plan.wait_s
        low, high = pass_plan.from_m, road.length_m - 5 if pass_plan.to_m is None else pass_plan.to_m
        along = np.linspace(low, high, math.ceil((high - low) / 0.02) + 1)
        if pass_plan.direction == "downstation":
            along = along[::-1]
        _, pace = _body(plan, pass_plan, road, (along[1:] + along[:-1]) / 2)
        grid_m = np.concatenate([[0.0], np.cumsum(pace * np.abs(np.diff(along)))])
        knot_s, knot_m = _schedule(pass_plan, grid_m[-1], start_s)
        motions.append(Motion(plan, pass_plan, code, road, base_m, knot_s, knot_m, along, grid_m))
        start_s, base_m = knot_s[-1], base_m + grid_m[-1] + PASS_BREAK_M
    return tuple(motions)


def _schedule(pass_plan: PassPlan, length_m: float, start_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Return times and distances between which the speed is constant."""
    events = [(at, 0, speed) for at, speed in pass_plan.speeds]
    events += [(item.at_m, 1, item) for item in (*pass_plan.stops, *pass_plan.back_ups)]
    time_s, place_m, speed = start_s, 0.0, pass_plan.speeds[0][1]
    knots = [(time_s, place_m)]

    def go(to_m: float, pace_mps: float) -> None:
        nonlocal time_s, place_m
        if to_m != place_m:
            time_s, place_m = time_s + abs(to_m - place_m) / pace_mps, to_m
            knots.append((time_s, place_m))

    def stand(duration_s: float) -> None:
        nonlocal time_s
        time_s += duration_s
        knots.append((time_s, place_m))

    for at_m, _, event in sorted(events, key=lambda item: item[:2]):
        go(at_m, speed)
        if isinstance(event, Stop):
            stand(event.duration_s)
        elif isinstance(event, BackUp):
            stand(event.pause_s)
            go(at_m - event.length_m, event.speed_mps)
            stand(event.pause_s)
            go(at_m, event.speed_mps)
        else:
            speed = event
    go(length_m, speed)
    return np.array(knots).T


def _at_times(motions: tuple[Motion, ...], time_s: np.ndarray) -> np.ndarray:
    """Return the pass code at times, -1 outside all passes."""
    code = np.full(time_s.shape, -1, dtype=np.int16)
    for motion in motions:
        code[(time_s >= motion.knot_s[0]) & (time_s <= motion.knot_s[-1])] = motion.code
    return code


def _ticks(motions: tuple[Motion, ...], rate_hz: float) -> np.ndarray:
    """Return times (whole milliseconds) at which a logger of this rate writes within the passes."""
    count = math.floor(motions[-1].knot_s[-1] * rate_hz) + 1
    time_s = np.round(np.arange(count) * 1000 / rate_hz) / 1000
    return time_s[_at_times(motions, time_s) >= 0]


def _bodies(motions: tuple[Motion, ...], time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray, Body]:
    """Return pass code, distance within the pass and body at times that lie in passes."""
    code = _at_times(motions, time_s)
    distance = np.empty(time_s.shape)
    parts = {item.name: np.empty(time_s.shape) for item in fields(Body)}
    for motion in motions:
        mine = code == motion.code
        distance[mine] = motion.distance(time_s[mine])
        body = motion.body(distance[mine])
        for name, values in parts.items():
            values[mine] = getattr(body, name)
    return code, distance, Body(**parts)


# ---------------------------------------------------------------------------------------------- the mat


def _rng(plan: LotPlan, *purpose: int) -> np.random.Generator:
    """Return a generator of its own for each purpose, so that one option never shifts another's noise."""
    return np.random.Generator(np.random.PCG64([plan.seed, *purpose]))


def planted_patches(plan: LotPlan, motions: tuple[Motion, ...]) -> tuple[Patch, ...]:
    """Return every patch of cold mat, those of load ends and restarts included."""
    patches = list(plan.mat.patches)
    for motion in motions:
        if plan.mat.load_end and plan.mat.load_length_m:
            first = plan.mat.load_end
            ends = np.arange(first.at_m, motion.length_m - first.length_m / 2, plan.mat.load_length_m)
            patches += [replace(first, at_m=float(at), kind="cyclic", pass_=motion.code) for at in ends]
        if plan.mat.after_stop_c:
            middle = plan.rig.screed_forward_m + plan.mat.after_stop_length_m / 2
            width = plan.scanner.mat_right_m - plan.scanner.mat_left_m
            centre = (plan.scanner.mat_right_m + plan.scanner.mat_left_m) / 2
            patches += [
                Patch(
                    stop.at_m + middle,
                    plan.mat.after_stop_length_m,
                    centre,
                    width,
                    plan.mat.after_stop_c,
                    "at_stop",
                    motion.code,
                )
                for stop in motion.pass_plan.stops
            ]
    return tuple(patches)


def _depth(patch: Patch, along_m: np.ndarray, right_m: np.ndarray) -> np.ndarray:
    """Return the share 0..1 of a patch's deficit; one half on its outline."""
    along, right = along_m[:, None] - patch.at_m, right_m[None, :] - patch.right_m
    if patch.ellipse:
        radius = np.hypot(along / (patch.length_m / 2), right / (patch.width_m / 2))
        inside = (1 - radius) * min(patch.length_m, patch.width_m) / 2
    else:
        inside = np.minimum(patch.length_m / 2 - np.abs(along), patch.width_m / 2 - np.abs(right))
    return np.clip(0.5 + inside / (2 * TAPER_M), 0, 1)


def _texture(plan: LotPlan, motion: Motion, along_m: np.ndarray, right_m: np.ndarray) -> np.ndarray:
    """Return smooth unevenness of the mat, bilinear on a lattice of a quarter metre."""
    if not plan.mat.texture_c:
        return np.zeros((len(along_m), len(right_m)))
    cell, margin = 0.25, 10
    low = right_m.min() - margin * cell
    shape = (math.ceil(motion.length_m / cell) + 2 * margin, math.ceil((right_m.max() - low) / cell) + margin)
    field_c = gaussian_filter(
        _rng(plan, 1, motion.code).standard_normal(shape), plan.mat.texture_length_m / cell / 2
    )
    field_c *= plan.mat.texture_c / field_c.std()
    rows, cols = np.broadcast_arrays(along_m[:, None] / cell + margin / 2, (right_m[None, :] - low) / cell)
    return map_coordinates(field_c, [rows, cols], order=1, mode="nearest")


def _on_mat_share(scanner: Scanner) -> np.ndarray:
    """Return the share of each spot's pitch that lies between the mat's edges."""
    right = scanner.spot_right_m
    half = abs(right[1] - right[0]) / 2
    inner = np.minimum(right + half, scanner.mat_right_m) - np.maximum(right - half, scanner.mat_left_m)
    return np.clip(inner / (2 * half), 0, 1)


def _true_temperatures(
    plan: LotPlan, motion: Motion, patches: tuple[Patch, ...], time_s: np.ndarray
) -> np.ndarray:
    """Return noise-free temperatures (line, spot) of one pass: as laid, cooled until seen, mixed at the edges."""
    mat, right_m = plan.mat, plan.scanner.spot_right_m
    along_m = motion.distance(time_s)
    laid_s = motion.first_time(along_m - plan.rig.screed_forward_m)
    laid_c = (
        mat.base_c + (mat.drift_c_per_h * laid_s / 3600)[:, None] + _texture(plan, motion, along_m, right_m)
    )
    for patch in patches:
        near = np.flatnonzero(np.abs(along_m - patch.at_m) < patch.length_m / 2 + TAPER_M)
        if patch.pass_ == motion.code and len(near):
            laid_c[near] -= patch.deficit_c * _depth(patch, along_m[near], right_m)
    kept = np.exp(-(time_s - laid_s) / mat.cooling_s)[:, None]
    seen_c = mat.air_c + (laid_c - mat.air_c) * kept
    share = _on_mat_share(plan.scanner)
    return share * seen_c + (1 - share) * mat.shoulder_c


def _foreign(plan: LotPlan, motion: Motion, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return where (line, spot) something foreign hides the mat, and its temperature."""
    hidden = np.zeros((len(time_s), plan.scanner.count), dtype=bool)
    temp_c = np.zeros(hidden.shape)
    for person in plan.mat.people:
        if person.pass_ == motion.code:
            start_s = motion.first_time(np.array([person.at_m]))[0]
            centre = plan.scanner.mat_left_m + person.speed_mps * (time_s - start_s)
            here = np.abs(plan.scanner.spot_right_m[None, :] - centre[:, None]) <= person.width_m / 2
            here &= (centre >= plan.scanner.mat_left_m)[:, None] & (centre <= plan.scanner.mat_right_m)[
                :, None
            ]
            hidden |= here
            temp_c[here] = person.temp_c
    return hidden, temp_c


def _code(
    plan: LotPlan, easting_m: np.ndarray, northing_m: np.ndarray, station_m: np.ndarray
) -> tuple[np.ndarray, float, float]:
    """Return values that a coded lot writes as temperatures, their zero and gain: 100 to 160 degC over the lot."""
    value = {"easting_m": easting_m, "northing_m": northing_m, "station_m": station_m}[
        plan.mat.coded or "easting_m"
    ]
    zero = math.floor(value.min())
    return value, float(zero), 60.0 / max(float(value.max() - zero), 1.0)


def _read_back(plan: LotPlan, temp_c: np.ndarray, foreign: np.ndarray, foreign_c: np.ndarray) -> np.ndarray:
    """Return what the scanner writes: noise, people, faulty spots, rounding; NaN = blank."""
    seen = np.where(foreign, foreign_c, temp_c) + plan.scanner.noise_c * _rng(plan, 2).standard_normal(
        temp_c.shape
    )
    for fault in plan.mat.faults:
        column = seen[:, fault.spot - 1]
        column[:] = {"dead": np.nan, "stuck": fault.value_c, "biased": column + fault.value_c}[fault.kind]
    return np.round(seen, plan.scanner.decimals)


# ------------------------------------------------------------------------------------ wheel and receiver


def _wheel_lengths(plan: LotPlan, motion: Motion) -> tuple[np.ndarray, np.ndarray]:
    """Return distances of C and the wheel's reading there on one forward run, without noise."""
    place = np.linspace(0, motion.length_m, math.ceil(motion.length_m / 0.1) + 1)
    middle = (place[1:] + place[:-1]) / 2
    rate = np.full(len(middle), 1 / plan.wheel.scale)
    if plan.wheel.wander_frac:
        rng = _rng(plan, 3, motion.code)
        for length_m, phase in zip((45.0, 110.0, 260.0), rng.uniform(0, 2 * math.pi, 3), strict=True):
            rate *= 1 + plan.wheel.wander_frac * math.sqrt(2 / 3) * np.sin(
                2 * math.pi * middle / length_m + phase
            )
    for code, from_m, to_m, lost in plan.wheel.slips:
        if code == motion.code:
            rate *= 1 - lost * ((middle >= from_m) & (middle < to_m))
    return place, np.concatenate([[0.0], np.cumsum(rate * np.diff(place))])


def _wheel_log(plan: LotPlan, motions: tuple[Motion, ...], time_s: np.ndarray) -> np.ndarray:
    """Return the wheel's reading in metres at times."""
    code, reading, total = _at_times(motions, time_s), np.empty(time_s.shape), 0.0
    for motion in motions:
        place, length = _wheel_lengths(plan, motion)
        at_knots = np.interp(motion.knot_m, place, length)
        steps = np.diff(at_knots) if plan.wheel.counter_falls else np.abs(np.diff(at_knots))
        run = np.concatenate([[0.0], np.cumsum(steps)])
        mine = code == motion.code
        part = motion.interval(time_s[mine])
        moved = np.interp(motion.distance(time_s[mine]), place, length) - at_knots[part]
        reading[mine] = total + run[part] + (moved if plan.wheel.counter_falls else np.abs(moved))
        total += run[-1]
    reading += plan.wheel.noise_m * _rng(plan, 4).standard_normal(reading.shape)
    return np.round(reading / plan.wheel.quantum_m) * plan.wheel.quantum_m


def _correlated(rng: np.random.Generator, count: int, step_s: float, gnss: Gnss) -> np.ndarray:
    """Return noise of unit variance (2, count): first-order Gauss-Markov plus a white share."""
    white = rng.standard_normal((2, count))
    if gnss.correlation_s <= 0:
        return white
    keep = math.exp(-step_s / gnss.correlation_s)
    drive = rng.standard_normal((2, count)) * math.sqrt(1 - keep**2)
    drive[:, 0] /= math.sqrt(1 - keep**2)
    slow = lfilter([1.0], [1.0, -keep], drive, axis=1)
    return math.sqrt(gnss.white_frac) * white + math.sqrt(1 - gnss.white_frac) * slow


def _fixes(plan: LotPlan, site: Site, motions: tuple[Motion, ...]) -> dict[str, np.ndarray]:
    """Return the fixes as arrays, with the antenna's true map place."""
    gnss, rig = plan.gnss, plan.rig
    time_s = _ticks(motions, gnss.rate_hz)
    code, distance, body = _bodies(motions, time_s)
    sign = np.array([motion.sign for motion in motions])[code]
    forward = rig.antenna_forward_m - rig.antenna_up_m * gnss.grade_frac * sign
    right = rig.antenna_right_m + rig.antenna_up_m * gnss.cross_slope_frac * sign
    easting, northing = site.map_m(*body.point(forward, 0.0))
    easting = easting + site.grid_scale * right * np.cos(body.heading)
    northing = northing - site.grid_scale * right * np.sin(body.heading)
    quality = np.full(time_s.shape, QUALITIES.index(gnss.quality), dtype=np.int8)
    present, jump = np.ones(time_s.shape, dtype=bool), np.zeros((2, len(time_s)))
    for episode in gnss.episodes:
        here = (code == episode.pass_) & (distance >= episode.from_m) & (distance < episode.to_m)
        if episode.kind == "outage":
            present &= ~here
        elif episode.kind == "jump":
            jump[:, here] += np.array([[episode.east_m], [episode.north_m]])
        else:
            quality[here] = QUALITIES.index(episode.kind)
    sigma = np.array([np.nan, gnss.autonomous_m, gnss.differential_m, gnss.fixed_m, gnss.float_m])[quality]
    error = (
        _correlated(_rng(plan, 5), len(time_s), 1 / gnss.rate_hz, gnss) * np.nan_to_num(sigma, nan=9.99)
        + jump
    )
    lon, lat = site.lon_lat(easting + error[0] * site.grid_scale, northing + error[1] * site.grid_scale)
    height = gnss.height_m + rig.antenna_up_m + gnss.grade_frac * body.along_m
    noise = _rng(plan, 6).standard_normal((3, len(time_s)))
    heading = np.degrees(body.heading) + site.convergence_deg + rig.heading_offset_deg
    speed = np.concatenate([[0.0], np.hypot(np.diff(easting), np.diff(northing)) * gnss.rate_hz])
    result = {
        "time_s": time_s, "code": code, "distance_m": distance, "easting_m": easting, "northing_m": northing,
        "lon_deg": lon, "lat_deg": lat, "height_m": height + 2 * error[0] * 0 + np.nan_to_num(sigma, nan=9.99) * 1.5 * noise[0],
        "quality": quality, "sigma_m": sigma * gnss.gst_factor, "speed_mps": np.minimum(speed, 5.0),
        "course_deg": (np.degrees(body.heading) + site.convergence_deg) % 360,
        "heading_deg": (heading + (gnss.heading_sigma_deg or 0.0) * noise[1]) % 360,
    }  # fmt: skip
    return {name: values[present] for name, values in result.items()}


# ---------------------------------------------------------------------------------------------- the logs


def _digits(value: np.ndarray, decimals: int, width: int | None = None) -> np.ndarray:
    """Write non-negative numbers as ASCII (row, character) with equal width and leading zeros."""
    whole = np.round(np.asarray(value, dtype=float) * 10**decimals).astype(np.int64)
    longest = len(str(int(whole.max(initial=0)) // 10**decimals))
    places = decimals + (width or longest)
    text = np.empty((len(whole), places + (decimals > 0)), dtype=np.uint8)
    column = text.shape[1]
    for place in range(places):
        column -= 1
        if decimals and place == decimals:
            text[:, column] = ord(".")
            column -= 1
        whole, digit = np.divmod(whole, 10)
        text[:, column] = digit + ord("0")
    return text


def _letters(values: np.ndarray | str, count: int) -> np.ndarray:
    """Write one text for all rows, or one character a row, as ASCII (row, character)."""
    if isinstance(values, str):
        return np.broadcast_to(np.frombuffer(values.encode(), np.uint8), (count, len(values)))
    return values.astype("S1").view(np.uint8).reshape(count, 1)


def _sentence(parts: list[np.ndarray | str], count: int) -> np.ndarray:
    """Join the parts of a sentence and close it with its checksum, the XOR between $ and *."""
    body = np.hstack([part if isinstance(part, np.ndarray) else _letters(part, count) for part in parts])
    check = np.bitwise_xor.reduce(body, axis=1)
    hexadecimal = np.frombuffer(b"0123456789ABCDEF", np.uint8)
    ends = [hexadecimal[check >> 4][:, None], hexadecimal[check & 15][:, None], _letters("\r\n", count)]
    return np.hstack([_letters("$", count), body, _letters("*", count), *ends])


def _signed(value: np.ndarray, decimals: int) -> list[np.ndarray]:
    """Write numbers of one sign."""
    sign = [_letters("-", len(value))] if len(value) and value.max() < 0 else []
    return [*sign, _digits(np.abs(value), decimals)]


def _minutes(degrees: np.ndarray, width: int) -> np.ndarray:
    """Write degrees as (d)ddmm.mmmmmmm."""
    ten_millionths = np.round(np.abs(degrees) * 60e7).astype(np.int64)
    whole, rest = np.divmod(ten_millionths, 60 * 10**7)
    return _digits((whole * 10**9 + rest) / 1e7, 7, width)


def _nmea(plan: LotPlan, fixes: dict[str, np.ndarray], time_utc: np.ndarray) -> bytes:
    """Write GGA, RMC and, as planned, GST and HDT for every fix."""
    count, talker, gnss = len(time_utc), plan.gnss.talker, plan.gnss
    day = time_utc.astype("datetime64[D]")
    millis = (time_utc - day).astype("timedelta64[ms]").astype(np.int64)
    clock = _digits((millis // 3600000 * 10**7 + millis // 60000 % 60 * 10**5 + millis % 60000) / 1000, 2, 6)
    month = day.astype("datetime64[M]").astype(np.int64)
    date = _digits((day - day.astype("datetime64[M]")).astype(np.int64) * 10**4 + 10**4 + (month % 12 + 1) * 100 + (1970 + month // 12) % 100, 0, 6)  # fmt: skip
    place = [
        _minutes(fixes["lat_deg"], 4), ",", _letters(np.where(fixes["lat_deg"] < 0, "S", "N"), count), ",",
        _minutes(fixes["lon_deg"], 5), ",", _letters(np.where(fixes["lon_deg"] < 0, "W", "E"), count), ",",
    ]  # fmt: skip
    code = np.array([NMEA_QUALITY[word] for word in QUALITIES])[fixes["quality"]]
    quality = _digits(code, 0, 1)
    valid = _letters(np.where(code > 0, "A", "V"), count)
    separation = _signed(np.full(count, gnss.separation_m), 3)
    above_sea = _signed(fixes["height_m"] - gnss.separation_m, 3)
    knots = _digits(fixes["speed_mps"] / 1852 * 3600, 3)
    lines = [
        [
            f"{talker}GGA,",
            clock,
            ",",
            *place,
            quality,
            ",17,0.7,",
            *above_sea,
            ",M,",
            *separation,
            ",M,1.0,0102",
        ],
        [
            f"{talker}RMC,",
            clock,
            ",",
            valid,
            ",",
            *place,
            knots,
            ",",
            _digits(fixes["course_deg"], 1, 3),
            ",",
            date,
            ",,,A",
        ],
    ]
    if gnss.gst:
        sigma = _digits(np.nan_to_num(fixes["sigma_m"], nan=99.0), 3)
        up = _digits(np.nan_to_num(fixes["sigma_m"] * 1.5, nan=99.0), 3)
        lines.append(
            [f"{talker}GST,", clock, ",", sigma, ",", sigma, ",", sigma, ",0.0,", sigma, ",", sigma, ",", up]
        )
    if gnss.heading_sigma_deg is not None:
        lines.append([f"{talker}HDT,", _digits(fixes["heading_deg"], 3, 3), ",T"])
    return np.hstack([_sentence(parts, count) for parts in lines]).tobytes()


def _table_bytes(columns: dict[str, np.ndarray | pa.Array]) -> bytes:
    """Write a table as CSV with a header; NaN becomes a blank."""
    arrays = {
        name: values if isinstance(values, pa.Array) else pa.array(values, from_pandas=True)
        for name, values in columns.items()
    }
    sink = io.BytesIO()
    sink.write((",".join(arrays) + "\n").encode())
    options = csv.WriteOptions(include_header=False, quoting_style="none")
    csv.write_csv(pa.table(arrays), sink, options)
    return sink.getvalue()


def _iso(time_utc: np.ndarray) -> np.ndarray:
    return np.char.add(np.datetime_as_string(time_utc, unit="ms"), "Z")


def _scan_files(plan: LotPlan, logged: Logged) -> dict[str, bytes]:
    """Write the scan, and the wheel where it has a log of its own."""
    wheel = {"wheel_m": np.round(logged.wheel_m, 4)}
    if plan.wheel.as_count:
        wheel = {"wheel_count": np.round(logged.wheel_m / plan.wheel.quantum_m).astype(np.int64)}
    columns: dict[str, np.ndarray] = {} if plan.wheel.own_log_hz else dict(wheel)
    temp_c = logged.temp_c if plan.parquet else np.round(logged.temp_c.astype(float), plan.scanner.decimals)
    columns |= {f"t_{spot + 1:02d}": temp_c[:, spot] for spot in range(plan.scanner.count)}
    files = {}
    if plan.parquet:
        times = {"time_utc": pa.array(logged.scan_time_utc, pa.timestamp("ns", tz="UTC"))}
        sink = io.BytesIO()
        parquet.write_table(
            pa.table({**times, **{k: pa.array(v, from_pandas=True) for k, v in columns.items()}}), sink
        )
        files["scan.parquet"] = sink.getvalue()
    else:
        files["scan.csv"] = _table_bytes({"time_utc": _iso(logged.scan_time_utc), **columns})
    if plan.wheel.own_log_hz:
        files["wheel.csv"] = _table_bytes({"time_utc": _iso(logged.wheel_time_utc), **wheel})
    return files


def alignment_vertices(plan: LotPlan, site: Site) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return easting, northing and station of the alignment's vertices [map m]."""
    along = np.linspace(0, site.road.length_m, math.ceil(site.road.length_m / plan.alignment_step_m) + 1)
    east, north, *_ = site.road.at(along)
    return *site.map_m(east, north), plan.first_station_m + site.grid_scale * along


def _alignment_file(plan: LotPlan, site: Site) -> bytes:
    lon, lat = site.lon_lat(*alignment_vertices(plan, site)[:2])
    line = {
        "type": "LineString",
        "coordinates": [[round(x, 10), round(y, 10)] for x, y in zip(lon, lat, strict=True)],
    }
    feature = {"type": "Feature", "properties": {"name": "CL"}, "geometry": line}
    return (json.dumps({"type": "FeatureCollection", "features": [feature]}) + "\n").encode()


# ----------------------------------------------------------------------------------------------- the lot


def _length_text(value_m: float, units: str, words: tuple[str, str] | None = None) -> str:
    """Write a length in the lot's units, with a side word where there are two (positive, negative)."""
    number = value_m / FOOT_M if units == "us" else value_m
    unit = "ft" if units == "us" else "m"
    if words:
        return f"{abs(number):.6g} {unit} {words[0] if number >= 0 else words[1]}"
    return f"{number:.6g} {unit}"


def _quote(value: object) -> str:
    return json.dumps(value) if isinstance(value, (str, bool)) else str(value)


def _section(name: str, keys: dict[str, object]) -> str:
    return (
        f"[{name}]\n"
        + "".join(f"{key} = {_quote(value)}\n" for key, value in keys.items() if value is not None)
        + "\n"
    )


def station_labels(plan: LotPlan, site: Site) -> StationLabels:
    """Return how this lot writes stations: the map's own foot where it has one."""
    return StationLabels(plan.labels, site.factor if 0.3 < site.factor < 0.31 else FOOT_M)


def _lot_toml(plan: LotPlan, site: Site, motions: tuple[Motion, ...], files: dict[str, bytes]) -> bytes:
    """Write the lot file with every key that the plan decides."""
    names = {"scan": "scan.parquet" if plan.parquet else "scan.csv", "fixes": "gnss.nmea"}
    names |= {"wheel": "wheel.csv"} if "wheel.csv" in files else {}
    names |= {"alignment": "centreline.geojson"} if plan.alignment else {}
    formats = {"scan": "wide-parquet" if plan.parquet else "wide-csv", "fixes": "nmea-0183"}
    formats |= {"wheel": "wheel-csv"} if "wheel.csv" in files else {}
    lot = {"id": plan.lot_id, "route": plan.route, "lane": plan.lane, "lift": plan.lift,
           "thickness": plan.thickness, "time_zone": plan.time_zone}  # fmt: skip
    crs = {
        "fixes": plan.fixes_crs,
        "map": plan.map_crs,
        "alignment": plan.fixes_crs if plan.alignment else None,
    }
    text = _section("lot", lot)
    if plan.limits:
        text = text.rstrip("\n") + f'\nlimits = {{ from = "{plan.limits[0]}", to = "{plan.limits[1]}" }}\n\n'
    text += _section("files", names) + _section("formats", formats) + _section("crs", crs)
    text += _rig_toml(plan) + _scanner_toml(plan) + _passes_toml(plan, motions) + _stationing_toml(plan, site)
    text += _section("rules", {"profile": plan.rules})
    text += _section("grid", {"map_cell": plan.map_cell, "mat_cell": plan.mat_cell})
    return (text + _section("delivery", {"units": plan.units}).rstrip("\n") + "\n").encode()


def _rig_toml(plan: LotPlan) -> str:
    rig, units = plan.rig, plan.units
    keys: dict[str, object] = {
        "antenna_forward": _length_text(rig.antenna_forward_m, units, ("ahead", "behind")),
        "antenna_right": _length_text(rig.antenna_right_m, units, ("right", "left")),
        "antenna_up": _length_text(rig.antenna_up_m, units),
        "screed_forward": _length_text(rig.screed_forward_m, units, ("ahead", "behind")),
        "non_slip_forward": _length_text(rig.non_slip_forward_m, units, ("ahead", "behind")),
        "heading_offset": f"{rig.heading_offset_deg:g} deg"
        if plan.gnss.heading_sigma_deg is not None
        else None,
        "wheel_per_count": f"{plan.wheel.quantum_m * 1000:g} mm" if plan.wheel.as_count else None,
        "clock_offset": plan.clock_offset,
    }
    return _section("rig", keys)


def _scanner_toml(plan: LotPlan) -> str:
    scanner, units = plan.scanner, plan.units
    spots = f'{{ first = "{_length_text(scanner.first_m, units)}", last = "{_length_text(scanner.last_m, units)}" }}'
    edges = {
        "mat_left": _length_text(scanner.mat_left_m, units),
        "mat_right": _length_text(scanner.mat_right_m, units),
    }
    return _section("scanner", edges).replace("[scanner]\n", f"[scanner]\nspots_right = {spots}\n")


def _passes_toml(plan: LotPlan, motions: tuple[Motion, ...]) -> str:
    """Write the passes where there are several or one has edges or an id of its own."""
    first = plan.passes[0]
    if len(plan.passes) == 1 and first.id is None and first.left_edge == first.right_edge == "free":
        return ""
    text = ""
    for motion in motions:
        item, times = motion.pass_plan, (motion.knot_s[0] - 5, motion.knot_s[-1] + 5)
        start, end = _iso(_utc(plan, np.array(times)))
        keys = {"id": item.id, "lane": item.lane, "from": str(start), "to": str(end), "left_edge": item.left_edge,
                "right_edge": item.right_edge, "direction": None if plan.alignment else item.direction}  # fmt: skip
        text += _section("[pass]", keys)
    return text


def _stationing_toml(plan: LotPlan, site: Site) -> str:
    labels = station_labels(plan, site)
    start = labels.text(plan.first_station_m)
    text = "".join(
        _section("[exclude]", {"from": labels.text(plan.first_station_m + item.from_m),
                               "to": labels.text(plan.first_station_m + item.to_m), "side": item.side, "reason": item.reason})
        for item in plan.exclude
    )  # fmt: skip
    if plan.alignment:
        return text + _section("stationing", {"start": start, "labels": plan.labels})
    zero = _length_text(0.0, plan.units)
    mark = _section("[mark]", {"station": start, "at": "first line", "point": "spot line", "distance": zero})
    direction = plan.passes[0].direction if len(plan.passes) == 1 else None
    return text + mark + _section("stationing", {"direction": direction, "labels": plan.labels})


def _utc(plan: LotPlan, time_s: np.ndarray) -> np.ndarray:
    """Turn seconds since the lot's start into UTC, to the microsecond."""
    micros = np.round(np.asarray(time_s) * 1e6).astype(np.int64)
    return np.datetime64(plan.start_utc, "ns") + micros * np.timedelta64(1000, "ns")


def outline(
    site: Site, motion: Motion, from_m: float, to_m: float, left_m: float, right_m: float
) -> shapely.Polygon:
    """Return the mat between two distances of C in its pass and two offsets from C, in map metres."""
    place = np.linspace(from_m, to_m, max(2, math.ceil((to_m - from_m) / 0.25) + 1))
    body = motion.body(place)
    left, right = site.map_m(*body.point(0.0, left_m)), site.map_m(*body.point(0.0, right_m))
    ring = np.concatenate([np.column_stack(left), np.column_stack(right)[::-1]])
    return shapely.Polygon(ring)


def _patch_outline(plan: LotPlan, site: Site, motion: Motion, patch: Patch) -> shapely.Polygon:
    low = max(patch.right_m - patch.width_m / 2, plan.scanner.mat_left_m)
    high = min(patch.right_m + patch.width_m / 2, plan.scanner.mat_right_m)
    if not patch.ellipse:
        return outline(
            site, motion, patch.at_m - patch.length_m / 2, patch.at_m + patch.length_m / 2, low, high
        )
    angle = np.linspace(0, 2 * np.pi, 73)[:-1]
    body = motion.body(patch.at_m + patch.length_m / 2 * np.cos(angle))
    right = np.clip(
        patch.right_m + patch.width_m / 2 * np.sin(angle), plan.scanner.mat_left_m, plan.scanner.mat_right_m
    )
    east, north = body.east_m + right * np.cos(body.heading), body.north_m - right * np.sin(body.heading)
    return shapely.Polygon(np.column_stack(site.map_m(east, north)))


def _true_zones(
    plan: LotPlan, site: Site, motions: tuple[Motion, ...], patches: tuple[Patch, ...]
) -> tuple[TrueZone, ...]:
    zones = []
    for patch in patches:
        motion = motions[patch.pass_]
        ends = (
            motion.base_m + patch.at_m - patch.length_m / 2,
            motion.base_m + patch.at_m + patch.length_m / 2,
        )
        zones.append(
            TrueZone(
                patch.kind, _patch_outline(plan, site, motion, patch), patch.deficit_c, patch.pass_, *ends
            )
        )
    return tuple(zones)


def _true_stops_and_speeds(plan: LotPlan, site: Site, motions: tuple[Motion, ...]) -> tuple[tuple, tuple]:
    stops, speeds = [], []
    for motion in motions:
        knots = list(zip(motion.knot_s, motion.knot_m, strict=True))
        for (start, place), (end, next_place) in zip(knots, knots[1:], strict=False):
            times = _utc(plan, np.array([start, end]))
            if next_place == place:
                station = stations_of(plan, site, motion, motion.body(np.array([place])))[0][0]
                stops.append(TrueStop(times[0], times[1], motion.base_m + place, float(station), motion.code))
            elif next_place > place:
                ends = (motion.base_m + place, motion.base_m + next_place)
                speeds.append(
                    TrueSpeed(times[0], times[1], *ends, (next_place - place) / (end - start), motion.code)
                )
    return tuple(stops), tuple(speeds)


def _true_gaps(plan: LotPlan, motions: tuple[Motion, ...]) -> tuple[TrueGap, ...]:
    gaps = []
    for episode in plan.gnss.episodes:
        if episode.kind in ("outage", "none"):
            motion = motions[episode.pass_]
            times = _utc(plan, motion.first_time(np.array([episode.from_m, episode.to_m])))
            gaps.append(
                TrueGap(*times, motion.base_m + episode.from_m, motion.base_m + episode.to_m, episode.pass_)
            )
    return tuple(gaps)


def stations_of(plan: LotPlan, site: Site, motion: Motion, body: Body) -> tuple[np.ndarray, np.ndarray]:
    """Return station and offset of C: along the alignment, or along C's own path from the mark."""
    if plan.alignment:
        return spot_stations(plan, site, body, np.zeros(1), motion.sign)[0][:, 0], spot_stations(plan, site, body, np.zeros(1), motion.sign)[1][:, 0]  # fmt: skip
    distance = np.interp(motion.sign * body.along_m, motion.sign * motion.grid_along_m, motion.grid_m)
    return plan.first_station_m + motion.sign * distance, np.zeros(len(distance))


def spot_stations(
    plan: LotPlan, site: Site, body: Body, right_m: np.ndarray, sign: int | np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return station and offset (line, spot) along the alignment, map metres, by the road's closed form."""
    east, north = body.point(0.0, right_m)
    guess = body.along_m - sign * plan.rig.non_slip_forward_m
    along, offset = site.road.foot(east, north, np.broadcast_to(np.reshape(guess, (-1, 1)), east.shape))
    return plan.first_station_m + site.grid_scale * along, site.grid_scale * offset


@dataclass
class _Lines:
    """Per-line truth while it is being put together."""

    time_s: np.ndarray
    code: np.ndarray
    place_m: np.ndarray
    body: Body
    values: dict[str, np.ndarray] = field(default_factory=dict)


def _make_lines(plan: LotPlan, site: Site, motions: tuple[Motion, ...], patches: tuple[Patch, ...]) -> _Lines:
    time_s = _ticks(motions, plan.scanner.rate_hz)
    if plan.scanner.rows_pause:
        code = _at_times(motions, time_s)
        moving = np.zeros(len(time_s), dtype=bool)
        for motion in motions:
            mine = code == motion.code
            moving[mine] = motion.speed(time_s[mine]) != 0
        time_s = time_s[moving]
    code, place, body = _bodies(motions, time_s)
    lines = _Lines(time_s, code, place, body)
    shape = (len(time_s), plan.scanner.count)
    for name in ("temp_c", "foreign_c"):
        lines.values[name] = np.empty(shape)
    lines.values["foreign"] = np.empty(shape, dtype=bool)
    for name in ("reach", "speed", "laid_s", "station", "offset"):
        lines.values[name] = np.empty(shape[0])
    for motion in motions:
        _fill_lines(lines, plan, site, motion, patches)
    return lines


def _fill_lines(lines: _Lines, plan: LotPlan, site: Site, motion: Motion, patches: tuple[Patch, ...]) -> None:
    """Fill the truth of one pass's lines."""
    mine = lines.code == motion.code
    time_s, place = lines.time_s[mine], lines.place_m[mine]
    body = Body(*(getattr(lines.body, item.name)[mine] for item in fields(Body)))
    into = lines.values
    into["temp_c"][mine] = _true_temperatures(plan, motion, patches, time_s)
    into["foreign"][mine], into["foreign_c"][mine] = _foreign(plan, motion, time_s)
    into["reach"][mine] = np.maximum.accumulate(place) + motion.base_m
    into["speed"][mine] = motion.speed(time_s)
    laid_place = place - plan.rig.screed_forward_m
    into["laid_s"][mine] = np.where(laid_place >= 0, motion.first_time(laid_place), np.nan)
    into["station"][mine], into["offset"][mine] = stations_of(plan, site, motion, body)


def _people(plan: LotPlan, site: Site, motions: tuple[Motion, ...]) -> tuple[shapely.Polygon, ...]:
    """Return where on the mat people hid it: the whole width over their crossing."""
    outlines = []
    for person in plan.mat.people:
        motion = motions[person.pass_]
        width = plan.scanner.mat_right_m - plan.scanner.mat_left_m
        start_s = motion.first_time(np.array([person.at_m]))[0]
        end_m = motion.distance(np.array([start_s + width / person.speed_mps]))[0]
        edges = (plan.scanner.mat_left_m, plan.scanner.mat_right_m)
        outlines.append(outline(site, motion, person.at_m - 0.1, end_m + 0.1, *edges))
    return tuple(outlines)


def make_lot(plan: LotPlan | None = None) -> SyntheticLot:
    """Make a lot: its files as bytes, the arrays they hold, and the truth.

    Examples
    --------
    >>> lot = make_lot(LotPlan(road=(straight(60.0),)))
    >>> sorted(lot.files)
    ['centreline.geojson', 'gnss.nmea', 'lot.toml', 'scan.csv']
    """
    plan = plan or LotPlan()
    site = _make_site(plan)
    motions = _make_motions(plan, site.road)
    patches = planted_patches(plan, motions)
    lines = _make_lines(plan, site, motions, patches)
    fixes = _fixes(plan, site, motions)
    truth = _make_truth(plan, site, motions, patches, lines, fixes)
    logged = _make_logged(plan, motions, lines, truth, fixes)
    files = _scan_files(plan, logged) | {"gnss.nmea": _nmea(plan, fixes, logged.fix_time_utc)}
    if plan.alignment:
        files["centreline.geojson"] = _alignment_file(plan, site)
    files["lot.toml"] = _lot_toml(plan, site, motions, files)
    return SyntheticLot(plan, files, truth, logged, site, motions)


def _make_truth(
    plan: LotPlan,
    site: Site,
    motions: tuple[Motion, ...],
    patches: tuple[Patch, ...],
    lines: _Lines,
    fixes: dict[str, np.ndarray],
) -> Truth:
    values, right_m = lines.values, plan.scanner.spot_right_m
    easting, northing = site.map_m(lines.body.east_m, lines.body.north_m)
    spot_easting, spot_northing = site.map_m(*lines.body.point(0.0, right_m))
    base = np.array([motion.base_m for motion in motions])[lines.code]
    distance = base + lines.place_m
    before = np.concatenate([[-np.inf], values["reach"][:-1]])
    new_pass = np.concatenate([[True], np.diff(lines.code) != 0])
    zero = gain = 0.0
    temp_c = values["temp_c"]
    if plan.mat.coded:
        sign = np.array([motion.sign for motion in motions])[lines.code]
        station = (
            spot_stations(plan, site, lines.body, right_m, sign)[0]
            if plan.mat.coded == "station_m"
            else spot_easting
        )
        coded, zero, gain = _code(plan, spot_easting, spot_northing, station)
        temp_c = 100.0 + (coded - zero) * gain
    stops, speeds = _true_stops_and_speeds(plan, site, motions)
    laid_utc = _utc(plan, np.nan_to_num(values["laid_s"]))
    laid_utc[np.isnan(values["laid_s"])] = np.datetime64("NaT")
    return Truth(
        crs=site.crs,
        time_utc=_utc(plan, lines.time_s),
        pass_code=lines.code,
        distance_m=distance,
        reach_m=values["reach"],
        first_look=new_pass | (distance > before + 1e-6),
        speed_mps=values["speed"],
        easting_m=easting,
        northing_m=northing,
        heading_deg=np.degrees(lines.body.heading) % 360,
        station_m=values["station"],
        offset_m=values["offset"],
        laid_utc=laid_utc,
        look_age_s=lines.time_s - values["laid_s"],
        spot_easting_m=spot_easting,
        spot_northing_m=spot_northing,
        temp_c=temp_c,
        foreign=values["foreign"],
        stops=stops,
        speeds=speeds,
        zones=_true_zones(plan, site, motions, patches),
        gaps=_true_gaps(plan, motions),
        people=_people(plan, site, motions),
        wheel_scale=plan.wheel.scale,
        clock_offset_s=plan.scanner.clock_offset_s,
        grid_scale=site.grid_scale,
        convergence_deg=site.convergence_deg,
        code_gain=gain,
        code_zero=zero,
        code_base_c=100.0,
        fix_easting_m=fixes["easting_m"],
        fix_northing_m=fixes["northing_m"],
    )


def _make_logged(
    plan: LotPlan, motions: tuple[Motion, ...], lines: _Lines, truth: Truth, fixes: dict[str, np.ndarray]
) -> Logged:
    offset = np.timedelta64(round(plan.scanner.clock_offset_s * 1000), "ms")
    wheel_s = _ticks(motions, plan.wheel.own_log_hz) if plan.wheel.own_log_hz else lines.time_s
    count = len(fixes["time_s"])
    blank = np.full(count, np.nan)
    return Logged(
        scan_time_utc=truth.time_utc + offset,
        temp_c=_read_back(plan, truth.temp_c, truth.foreign, lines.values["foreign_c"]).astype(np.float32),
        spot_right_m=plan.scanner.spot_right_m,
        wheel_time_utc=_utc(plan, wheel_s) + offset,
        wheel_m=_wheel_log(plan, motions, wheel_s),
        fix_time_utc=_utc(plan, fixes["time_s"]),
        lon_deg=fixes["lon_deg"],
        lat_deg=fixes["lat_deg"],
        height_m=fixes["height_m"],
        quality=fixes["quality"],
        sigma_m=fixes["sigma_m"] if plan.gnss.gst else blank,
        fix_heading_deg=fixes["heading_deg"] if plan.gnss.heading_sigma_deg is not None else blank,
    )
