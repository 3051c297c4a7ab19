"""What a synthetic lot is made from: frozen groups, every field with a default."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


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


def bend(radius_m: float, angle_deg: float, lead_m: float) -> tuple[Stretch, Stretch, Stretch]:
    """Make an arc between two transitions of a length; a positive angle of the arc turns right."""
    turn = arc(radius_m, angle_deg)
    curvature = turn.curvature_from
    return clothoid(lead_m, 0.0, curvature), turn, clothoid(lead_m, curvature, 0.0)


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
    correlation_s: float = 0.0  # time constant of the noise of fixed fixes; 0 = white
    other_correlation_s: float = 60.0  # the same for every other quality
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
class Change:
    """Another set-up while C passes `at_m` of a pass, and from then on; None = as before."""

    at_m: float
    pass_: int = 0
    antenna_forward_m: float | None = None
    antenna_right_m: float | None = None
    antenna_up_m: float | None = None
    mat_left_m: float | None = None
    mat_right_m: float | None = None
    taper_m: float = 0.0  # of C's path, over which the edges run straight to the new ones
    wheel_quantum_m: float | None = None  # length of one count of another wheel
    by_station: bool = False  # stated by its station, else by its time


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
    epoch: float | None = None  # decimal year of the fixes, where their frame moves against the map's
    map_crs: str = "EPSG:6340"
    first_station_m: float = 1000.0
    labels: str = "100 m"
    alignment: bool = True  # else one mark at the first line
    alignment_step_m: float = 0.5
    rig: Rig = Rig()
    scanner: Scanner = Scanner()
    passes: tuple[PassPlan, ...] = (PassPlan(),)
    crab_deg: float = 0.0  # body against course at the alignment's first vertex
    crab_length_m: float = math.inf  # over which that keeps
    crab_sigma_deg: float = 0.25  # of what it becomes, where it does not keep
    weave_m: float = 0.0
    weave_length_m: float = 25.0
    wheel: Wheel = Wheel()
    gnss: Gnss = Gnss()
    mat: Mat = Mat()
    exclude: tuple[Exclude, ...] = ()
    changes: tuple[Change, ...] = ()  # in order of time
    limits: tuple[str, str] | None = None
    clock_offset: str = "auto"
    cross_slope: str | None = "0 %"  # as the lot states it; None = not at all
    rules: str = "differential-150ft"
    units: str = "si"
    map_cell: str = "0.1 m"
    mat_cell: str = "1 ft"
    parquet: bool = False
    seed: int = 7


def generator(plan: LotPlan, *purpose: int) -> np.random.Generator:
    """Return a generator of its own for each purpose, so that one option never shifts another's noise."""
    return np.random.Generator(np.random.PCG64([plan.seed, *purpose]))
