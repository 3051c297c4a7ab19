"""All nouns on one page, in the order of the flow; frozen, and each says no on birth.

Arrays are float64 unless noted, read-only, with the unit in their name. Dimensions in parentheses:
`line` = one scan line, `spot` = place across it, `fix` = one GNSS epoch, `row` = one wheel row,
`knot` = one place along the solved path. Positions are eastings and northings in **metres** of the
map CRS (map coordinate x the CRS's unit factor). Times are UTC, datetime64[ns].
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .tables import DROP_REASONS

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    import pyproj

    from .config import LotConfig
    from .units import StationEquation

QUALITIES = ("none", "autonomous", "differential", "fixed", "float")  # code = index
PLACED = ("", "fixes", "by_wheel")  # code = index; 0 = no position
REASONS = ("", *DROP_REASONS)  # code = index, first that applies; 0 = kept
NOT_A_ROW = -1  # off the mat, without position, or outside the limits: no row in spots.parquet
NEW_GROUND_M = 1e-3  # a line further on by less is no new look


def _freeze(noun: Any) -> None:
    """Set every array of a noun read-only."""
    for item in fields(noun):
        value = getattr(noun, item.name)
        if isinstance(value, np.ndarray):
            value.setflags(write=False)


def _require(condition: bool, message: str) -> None:
    if not condition:
        raise ValueError(message)


def _same_length(noun: Any, names: tuple[str, ...]) -> None:
    lengths = {name: len(getattr(noun, name)) for name in names}
    _require(len(set(lengths.values())) == 1, f"{type(noun).__name__}: lengths differ: {lengths}")


def _increasing(time_utc: np.ndarray, what: str) -> None:
    _require(
        time_utc.dtype == "datetime64[ns]", f"{what}: time_utc must be datetime64[ns], not {time_utc.dtype}"
    )
    _require(
        bool(np.all(np.diff(time_utc.view("i8")) > 0)), f"{what}: time_utc must increase from row to row"
    )


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something a reader of the result should know: data, not failure."""

    stage: str  # "s1" .. "s7"
    kind: str  # short snake_case id, stable
    text: str  # one plain sentence: what was found and what to check
    amount: float | None = None
    unit: str = ""
    from_utc: np.datetime64 | None = None
    to_utc: np.datetime64 | None = None


@dataclass(frozen=True, slots=True)
class Tally:
    """Balance of one input: read = used + rejected by cause."""

    role: str  # "scan", "fixes", "wheel", "alignment"
    read: int
    used: int
    rejected: dict[str, int] = field(default_factory=dict)  # cause -> count
    first_line: dict[str, int] = field(default_factory=dict)  # cause -> line of its first case in the file(s)
    notes: dict[str, Any] = field(default_factory=dict)  # other counts (sentences by type, quality shares)

    def __post_init__(self) -> None:
        balance = self.used + sum(self.rejected.values())
        _require(self.read == balance, f"{self.role}: read {self.read} is not used + rejected = {balance}")


@dataclass(frozen=True, slots=True)
class Source:
    """One input file: path relative to the lot folder, digest, size."""

    role: str
    path: str
    sha256: str
    bytes: int


@dataclass(frozen=True, eq=False, slots=True)
class ScanLog:
    """Scan lines as logged, on the scanner's own clock."""

    time_utc: np.ndarray  # datetime64[ns] (line), scan clock, strictly increasing
    line: np.ndarray  # int64 (line): data row over all files in order, rejected rows included, 1 = first
    temp_c: np.ndarray  # float32 (line, spot); NaN = no reading
    spot_right_m: np.ndarray  # (spot): centre, + right of travel, in column order
    origin: tuple[
        tuple[str, int], ...
    ] = ()  # of several scanners, by spot: id, column in its own log, 1 = first
    correction_delta_c: np.ndarray | None = None  # (spot) bias to take off, by an evidence named; None = none

    def __post_init__(self) -> None:
        _same_length(self, ("time_utc", "line", "temp_c"))
        _increasing(self.time_utc, "ScanLog")
        _require(self.temp_c.dtype == np.float32, "ScanLog: temp_c must be float32")
        _require(
            self.temp_c.shape[1:] == self.spot_right_m.shape, "ScanLog: one spot_right_m for each column"
        )
        bias = self.correction_delta_c
        _require(
            bias is None or (bias.shape == self.spot_right_m.shape and bool(np.all(np.isfinite(bias)))),
            "ScanLog: one finite correction for each column",
        )
        step = np.diff(self.spot_right_m)
        _require(
            bool(np.all(step > 0) or np.all(step < 0)),
            "ScanLog: spots must run in one direction across the mat",
        )
        _freeze(self)


@dataclass(frozen=True, eq=False, slots=True)
class Fixes:
    """GNSS fixes of the antenna, usable ones only, in their own geographic frame."""

    crs: str
    time_utc: np.ndarray  # datetime64[ns] (fix), strictly increasing
    lon_deg: np.ndarray  # (fix)
    lat_deg: np.ndarray  # (fix)
    height_m: np.ndarray  # (fix) ellipsoidal, or NaN
    quality: np.ndarray  # int8 (fix), index into QUALITIES, never 0
    sigma_m: np.ndarray  # (fix) one axis, horizontal, as the log states it; NaN where it does not
    heading_deg: np.ndarray  # (fix) true heading of a heading sensor, NaN where none

    def __post_init__(self) -> None:
        names = ("time_utc", "lon_deg", "lat_deg", "height_m", "quality", "sigma_m", "heading_deg")
        _same_length(self, names)
        _increasing(self.time_utc, "Fixes")
        _require(bool(np.all((self.quality > 0) & (self.quality < len(QUALITIES)))), "Fixes: unknown quality")
        _require(
            bool(np.all(np.abs(self.lat_deg) <= 90) and np.all(np.abs(self.lon_deg) <= 180)),
            "Fixes: not degrees",
        )
        _freeze(self)


@dataclass(frozen=True, eq=False, slots=True)
class Wheel:
    """Distance wheel as logged, on the scanner's clock; counter wraps removed, scale as stated."""

    time_utc: np.ndarray  # datetime64[ns] (row), strictly increasing
    wheel_m: np.ndarray  # (row) cumulative; may fall in a back-up
    counted: bool = False  # from counts and their length, which a change may state anew

    def __post_init__(self) -> None:
        _same_length(self, ("time_utc", "wheel_m"))
        _increasing(self.time_utc, "Wheel")
        _require(bool(np.all(np.isfinite(self.wheel_m))), "Wheel: wheel_m must be finite")
        _freeze(self)


@dataclass(frozen=True, eq=False, slots=True)
class Alignment:
    """A road's reference line in the map CRS, vertices running upstation, sampled finely enough for its curves."""

    name: str
    easting_m: np.ndarray  # (vertex)
    northing_m: np.ndarray  # (vertex)
    station_m: np.ndarray  # (vertex) continuous, map length
    equations: tuple[StationEquation, ...] = ()  # labels only: stations run on

    def __post_init__(self) -> None:
        _same_length(self, ("easting_m", "northing_m", "station_m"))
        _require(len(self.station_m) >= 2, "Alignment: needs two vertices")
        _require(bool(np.all(np.diff(self.station_m) > 0)), "Alignment: stations must increase")
        _freeze(self)


@dataclass(frozen=True, slots=True)
class Pass:
    """One traverse of one lane; half open [from_utc, to_utc), None = open. `id` is text in every product."""

    id: str
    lane: str
    from_utc: np.datetime64 | None
    to_utc: np.datetime64 | None
    direction: str | None  # "upstation", "downstation", None = from the alignment
    left_edge: str  # in travel: free, cold joint, hot joint, kerb
    right_edge: str


@dataclass(frozen=True, eq=False, slots=True)
class Exclusion:
    """A part of the mat that the rule leaves out: a station range and side, or a polygon in the map CRS (metres)."""

    reason: str
    from_m: float | None = None
    to_m: float | None = None
    side: str = "full"  # left, right of the alignment looking upstation; full
    polygon: Any = None  # shapely polygon in metres of the map CRS


@dataclass(frozen=True, slots=True)
class DiaryEntry:
    """What a person noted on site, by time, by station, or both; half open, None = not stated that way."""

    line: int  # in its file
    kind: str  # a word of tables.DIARY_KINDS
    text: str
    from_utc: np.datetime64 | None = None
    to_utc: np.datetime64 | None = None
    from_m: float | None = None  # station, the smaller one
    to_m: float | None = None

    def __post_init__(self) -> None:
        _require(
            (self.from_utc is None) == (self.to_utc is None) and (self.from_m is None) == (self.to_m is None),
            "DiaryEntry: both ends or none",
        )
        _require(self.from_utc is not None or self.from_m is not None, "DiaryEntry: neither time nor station")


WEATHER_NEAR = np.timedelta64(1, "h")  # an older reading is of other weather (common practice, no source)


@dataclass(frozen=True, slots=True)
class WeatherReading:
    """Weather on site at one time; NaN and empty where not read."""

    time_utc: np.datetime64
    air_c: float
    wind_mps: float
    sky: str


@dataclass(frozen=True, slots=True)
class ControlPoint:
    """A point measured independently of the rig, in metres of the map CRS; with a hand reading where there is one."""

    point_id: str
    easting_m: float
    northing_m: float
    time_utc: np.datetime64 | None = None  # of the hand reading
    temp_c: float | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class Core:
    """A core, gauge reading or as-built point: its place in metres of the map CRS, or by station and offset."""

    core_id: str
    kind: str  # core, gauge, point
    source: str  # file
    sigma_m: float  # of its own position, one axis
    easting_m: float = math.nan
    northing_m: float = math.nan
    station_m: float = math.nan
    offset_m: float = math.nan
    accuracy_m: float = 0.0  # of the coordinate operation that brought it to the map
    density_kg_m3: float = math.nan
    gmm: float = math.nan
    of_gmm_frac: float = math.nan


@dataclass(frozen=True, slots=True)
class AsBuilt:
    """An as-built polygon or line, in metres of the map CRS."""

    source: str  # file
    layer: str
    name: str
    geometry: Any  # shapely geometry
    accuracy_m: float  # of the coordinate operation that brought it to the map


@dataclass(frozen=True, slots=True)
class Ticket:
    """One truck load: its mass, and when its discharge into the paver ended."""

    time_utc: np.datetime64
    mass_t: float
    ticket_id: str


@dataclass(frozen=True, eq=False, slots=True)
class LotInputs:
    """Everything read from the lot folder, with the balance of each file."""

    scan: ScanLog
    fixes: Fixes
    wheel: Wheel
    alignment: Alignment | None
    passes: tuple[Pass, ...]
    exclusions: tuple[Exclusion, ...]
    sources: tuple[Source, ...]
    tallies: tuple[Tally, ...]
    operations: tuple[dict[str, Any], ...] = ()  # pinned coordinate operations used while reading
    doubts: tuple[Doubt, ...] = ()
    diary: tuple[DiaryEntry, ...] = ()  # side files, each empty where there is none
    weather: tuple[WeatherReading, ...] = ()  # in order of time
    control: tuple[ControlPoint, ...] = ()
    tickets: tuple[Ticket, ...] = ()  # in order of time


@dataclass(frozen=True, eq=False, slots=True)
class Trajectory:
    """The paver's path: by time along the wheel (row), and by distance over the ground (knot).

    `piece` numbers stretches solved on their own (a pass, or a break in the log); distance runs on
    through all pieces and knots never bridge two of them. `easting_m, northing_m` are those of C, the
    point of the mat below the scanner; heading is the body's.
    """

    crs: pyproj.CRS  # projected map CRS
    time_utc: np.ndarray  # datetime64[ns] (row), corrected UTC, strictly increasing
    distance_m: np.ndarray  # (row) ground distance along the path, scale corrected; falls in a back-up
    reach_m: np.ndarray  # (row) running maximum of distance_m within its piece
    speed_mps: np.ndarray  # (row) signed: negative in a back-up
    pass_code: np.ndarray  # int16 (row), index into LotInputs.passes, -1 = none
    knot_distance_m: np.ndarray  # (knot) ascending
    knot_piece: np.ndarray  # int16 (knot)
    knot_easting_m: np.ndarray
    knot_northing_m: np.ndarray
    knot_heading_deg: np.ndarray  # body, clockwise from grid north, [0, 360)
    knot_sigma_along_m: np.ndarray  # of C, one standard deviation
    knot_sigma_across_m: np.ndarray
    knot_sigma_heading_deg: np.ndarray
    knot_placed: np.ndarray  # int8, index into PLACED; 0 = no position
    clock_offset_s: float  # scan clock minus UTC, as applied
    clock_offset_sigma_s: float  # NaN where it was stated or could not be estimated
    wheel_scale: float  # true ground length / wheel length, mean over the lot
    point_scale: float  # grid length / ground length at the lot
    convergence_deg: float  # grid bearing = true bearing - convergence
    operation: dict[str, Any]  # pinned coordinate operation fixes -> map: name, accuracy_m, pipeline, epoch
    diagnosis: dict[str, Any] = field(default_factory=dict)  # residuals by quality, GNSS against wheel, ...
    doubts: tuple[Doubt, ...] = ()

    def __post_init__(self) -> None:
        _same_length(self, ("time_utc", "distance_m", "reach_m", "speed_mps", "pass_code"))
        _increasing(self.time_utc, "Trajectory")
        knots = tuple(item.name for item in fields(self) if item.name.startswith("knot_"))
        _same_length(self, knots)
        _require(bool(np.all(np.diff(self.knot_distance_m) > 0)), "Trajectory: knots must run forward")
        _require(self.crs.is_projected, "Trajectory: the map CRS must be projected")
        _freeze(self)


@dataclass(frozen=True, eq=False, slots=True)
class Layout:
    """How the spots lie across the mat over some of the lines; another set-up or width is another layout."""

    spot_right_m: np.ndarray  # (spot) centres from C, right +, column order
    pitch_m: np.ndarray  # (spot, 2) left and right end of each spot's pitch
    on_mat: np.ndarray  # bool (spot): the whole pitch lies on the mat
    edges_m: np.ndarray  # (2,) left and right outer end of the outermost on-mat pitch
    screed_forward_m: float  # trailing edge of the screed ahead of C

    def __post_init__(self) -> None:
        _same_length(self, ("spot_right_m", "pitch_m", "on_mat"))
        _require(bool(self.on_mat.any()), "Layout: no spot lies on the mat")
        _freeze(self)


def by_line(layouts: tuple[Layout, ...], layout: np.ndarray, name: str) -> np.ndarray:
    """Spread a value of the layouts over the lines, (line, ..); of one layout it is (1, ..), to be broadcast."""
    values = np.stack([getattr(item, name) for item in layouts])
    return values if len(layouts) == 1 else values[layout]


@dataclass(frozen=True, eq=False, slots=True)
class Swath:
    """Scan lines placed on the ground."""

    crs: pyproj.CRS
    line: np.ndarray  # int64 (line): as in ScanLog
    seen_utc: np.ndarray  # datetime64[ns] (line), corrected UTC
    laid_utc: np.ndarray  # datetime64[ns] (line): when the screed passed the place; NaT before the log
    pass_code: np.ndarray  # int16 (line), -1 = in no pass
    distance_m: np.ndarray  # (line) ground distance of C along the path
    first_look: np.ndarray  # bool (line): the line covers mat not yet seen in its pass
    heading_deg: np.ndarray  # (line)
    speed_mps: np.ndarray  # (line) signed
    placed: np.ndarray  # int8 (line), index into PLACED; 0 = no position
    easting_m: np.ndarray  # (line, spot), NaN without position
    northing_m: np.ndarray  # (line, spot)
    sigma_along_m: np.ndarray  # float32 (line, spot), one standard deviation
    sigma_across_m: np.ndarray  # float32 (line, spot)
    temp_c: np.ndarray  # float32 (line, spot); NaN = no reading
    bad_spot: np.ndarray  # bool (pass, spot): dead, stuck or biased over a whole pass
    layouts: tuple[Layout, ...]  # in order of first use; one where nothing changes
    layout: np.ndarray  # int16 (line), index into layouts
    edge_easting_m: np.ndarray  # (line, 2) ground positions of the mat's ends: left, right in travel
    edge_northing_m: np.ndarray  # (line, 2)
    doubts: tuple[Doubt, ...] = ()

    def __post_init__(self) -> None:
        lines = ("line", "seen_utc", "laid_utc", "pass_code", "distance_m", "first_look", "heading_deg", "speed_mps",
                 "placed", "easting_m", "northing_m", "sigma_along_m", "sigma_across_m", "temp_c", "layout",
                 "edge_easting_m", "edge_northing_m")  # fmt: skip
        _same_length(self, lines)
        _require(
            all(len(item.on_mat) == self.temp_c.shape[1] for item in self.layouts)
            and 0 <= int(self.layout.min(initial=0)) <= int(self.layout.max(initial=0)) < len(self.layouts),
            "Swath: every line needs its layout, with as many spots as columns",
        )
        _require(
            bool(np.all(np.isfinite(self.easting_m[self.placed > 0]))),
            "Swath: a placed line lacks a position",
        )
        _freeze(self)

    def _by_line(self, name: str) -> np.ndarray:
        """Spread a value of the layouts over the lines; one layout takes no memory."""
        values = by_line(self.layouts, self.layout, name)
        return np.broadcast_to(values, (len(self.line), *values.shape[1:]))

    @property
    def on_mat(self) -> np.ndarray:
        """Whether the whole pitch of a spot lies on the mat: bool (line, spot)."""
        return self._by_line("on_mat")

    @property
    def spot_right_m(self) -> np.ndarray:
        """Centres of the spots right of C: (line, spot)."""
        return self._by_line("spot_right_m")

    @property
    def edges_m(self) -> np.ndarray:
        """Left and right edge of the mat measured, right of C: (line, 2)."""
        return self._by_line("edges_m")

    @property
    def screed_forward_m(self) -> np.ndarray:
        """How far the screed's trailing edge rides ahead of C: (line)."""
        return self._by_line("screed_forward_m")

    @property
    def used_spot(self) -> np.ndarray:
        """Spots that lie on the mat in some layout: bool (spot)."""
        return np.any([item.on_mat for item in self.layouts], axis=0)


@dataclass(frozen=True, eq=False, slots=True)
class Stations:
    """Station and offset of every spot: station = zero_m of its pass + frame_m.

    The mat frame's own zero is the alignment's station 0, or without an alignment the first line of the
    pass, so correcting a mark changes `zero_m` only. `frame_m` always increases upstation. Cells of the
    mat frame are floor(frame_m / cell), floor(offset_m / cell).
    """

    alignment: str | None  # its name; None = C's own path with a mark
    frame_m: np.ndarray  # (line, spot) along; NaN = off the alignment or no position
    offset_m: np.ndarray  # float32 (line, spot), + right looking upstation
    line_frame_m: np.ndarray  # (line) of C; goes on through lines without position, NaN off the alignment
    line_offset_m: np.ndarray  # (line) of C
    inside: np.ndarray  # bool (line, spot): inside the lot's limits
    zero_m: np.ndarray  # (pass) station of the frame's zero
    upstation: np.ndarray  # bool (pass): travel is upstation
    edges_offset_m: np.ndarray  # (pass, 2) smallest and largest offset of the mat (median over the pass)
    misclosure_m: float  # of several marks, or of marks against the alignment; NaN with nothing to compare
    doubts: tuple[Doubt, ...] = ()

    def __post_init__(self) -> None:
        _require(self.frame_m.shape == self.offset_m.shape == self.inside.shape, "Stations: shapes differ")
        _same_length(self, ("zero_m", "upstation", "edges_offset_m"))
        _freeze(self)

    def travel(self, code: int) -> str:
        """Travel of a pass in a word: `upstation` or `downstation`."""
        return "upstation" if self.upstation[code] else "downstation"


@dataclass(frozen=True, slots=True)
class Lattice:
    """Cells of one size on one frame: cell i covers [i, i + 1) x cell_m from the frame's own zero."""

    frame: str  # "map", or "mat:<pass code>"
    cell_m: float

    def __post_init__(self) -> None:
        _require(self.cell_m > 0, f"Lattice: cell_m must be above 0, not {self.cell_m}")


@dataclass(frozen=True, eq=False, slots=True)
class Raster:
    """A rectangular block of cells. Map frame: row 0 is the NORTHERNMOST. Mat frame: row 0 has the smallest offset.

    `row0, col0` are lattice indices of the array's [0, 0] cell: in the map frame (northing index of the
    top row, easting index), in the mat frame (offset index, station index).
    """

    lattice: Lattice
    row0: int
    col0: int
    temp_c: np.ndarray  # float32 (row, col), NaN = empty
    laid_s: np.ndarray  # float32 (row, col) seconds after Rasters.origin_utc
    sigma_m: np.ndarray  # float32 (row, col) position sigma

    def __post_init__(self) -> None:
        _require(self.temp_c.shape == self.laid_s.shape == self.sigma_m.shape, "Raster: shapes differ")
        _freeze(self)


TILE_CELLS = 512


@dataclass(frozen=True, eq=False, slots=True)
class Tile:
    """512 x 512 cells of the map frame, held as the cells that have a reading; row 0 is the northernmost.

    Reads like a Raster: `temp_c, laid_s, sigma_m` are float32 (512, 512), NaN = empty, drawn anew at each
    asking, so that a day's tiles need the memory of its cells and not of its area.
    """

    lattice: Lattice
    row0: int  # northing index of the top row
    col0: int  # easting index of the first column
    cell: np.ndarray  # int32 (cell): row x 512 + column, ascending
    bands: np.ndarray  # float32 (3, cell): temp_c, laid_s, sigma_m

    def __post_init__(self) -> None:
        _require(self.bands.shape == (3, len(self.cell)), "Tile: three values for each cell")
        _freeze(self)

    def _drawn(self, band: int) -> np.ndarray:
        drawn = np.full(TILE_CELLS * TILE_CELLS, np.nan, np.float32)
        drawn[self.cell] = self.bands[band]
        return drawn.reshape(TILE_CELLS, TILE_CELLS)

    @property
    def temp_c(self) -> np.ndarray:
        return self._drawn(0)

    @property
    def laid_s(self) -> np.ndarray:
        """Seconds after Rasters.origin_utc."""
        return self._drawn(1)

    @property
    def sigma_m(self) -> np.ndarray:
        return self._drawn(2)


@dataclass(frozen=True, eq=False, slots=True)
class Rasters:
    """The mat in both frames."""

    origin_utc: np.datetime64  # time origin of laid_s, whole second
    mat: tuple[Raster, ...]  # one a pass, in their order; 0 x 0 for a pass without mat
    tiles: tuple[Tile, ...]  # only tiles the mat touches, from north to south, then west to east
    overlap_m2: float  # ground area where a later pass covers an earlier one


@dataclass(frozen=True, eq=False, slots=True)
class Findings:
    """What was found: one frame a layer (map CRS, SI), and a verdict for every reading."""

    reason: np.ndarray  # int8 (line, spot): index into REASONS, 0 = kept, -1 = not a row
    frames: dict[str, gpd.GeoDataFrame]  # by layer name of tables.LAYERS, finding columns only
    counts: dict[str, Any]  # for quality.json
    doubts: tuple[Doubt, ...] = ()

    def __post_init__(self) -> None:
        _freeze(self)


@dataclass(frozen=True, eq=False, slots=True)
class LotRecord:
    """All of one run, as the publisher takes it."""

    config: LotConfig
    inputs: LotInputs
    trajectory: Trajectory
    swath: Swath
    stations: Stations
    rasters: Rasters
    findings: Findings
    started: datetime | None = None  # wall clock at the start of the run, for run.json alone

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """All doubts in the order of the stages."""
        nouns = (self.inputs, self.trajectory, self.swath, self.stations, self.findings)
        return tuple(doubt for noun in nouns for doubt in noun.doubts)


@dataclass(frozen=True, eq=False, slots=True)
class Products:
    """Files of a published result: frame with role, path, sha256, bytes, checked_by."""

    folder: Path
    files: pd.DataFrame
    summary: dict[str, Any]  # the numbers of the closing table


@dataclass(frozen=True, slots=True)
class EquipmentCheck:
    """What a check of the rig found: value and tolerance with their units, verdict, one sentence, the key it backs."""

    subject: str  # "wheel", "thermometer", "antenna", "reach"
    measured: float
    unit: str  # SI
    tolerance: float
    tolerance_unit: str  # SI, or "share"
    verdict: str  # "pass", "look", "fail"
    finding: str
    key: str | None = None  # key of lot.toml that the value stands for

    def __post_init__(self) -> None:
        _require(self.verdict in ("pass", "look", "fail"), f"EquipmentCheck: verdict {self.verdict}")
