"""What a perfect program would say about a synthetic lot."""

from __future__ import annotations

from collections.abc import Callable, Iterator, MutableMapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pyproj
import shapely

from .plan import LotPlan

if TYPE_CHECKING:
    from .motion import Motion
    from .road import Site


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


class LotFiles(MutableMapping[str, bytes]):
    """Files of a lot by name, written when the first is asked for: who takes the arrays alone waits for no text.

    >>> files = LotFiles(lambda: {"scan.csv": b"time_utc"})
    >>> files | {"gnss.nmea": b""}
    {'scan.csv': b'time_utc', 'gnss.nmea': b''}
    """

    def __init__(self, write: Callable[[], dict[str, bytes]]) -> None:
        self._write = write

    @cached_property
    def _written(self) -> dict[str, bytes]:
        return self._write()

    def __getitem__(self, name: str) -> bytes:
        return self._written[name]

    def __setitem__(self, name: str, content: bytes) -> None:
        self._written[name] = content

    def __delitem__(self, name: str) -> None:
        del self._written[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._written)

    def __len__(self) -> int:
        return len(self._written)

    def __or__(self, other: dict[str, bytes]) -> dict[str, bytes]:
        return self._written | other


@dataclass(frozen=True, eq=False)
class SyntheticLot:
    """A lot folder as bytes, the arrays in it, its truth, and the closed form behind it."""

    plan: LotPlan
    files: MutableMapping[str, bytes]
    truth: Truth
    logged: Logged
    site: Site
    motions: tuple[Motion, ...]
