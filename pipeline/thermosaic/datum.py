"""One pinned coordinate operation of known accuracy, or a refusal.

PROJ picks silently among operations, falls back to "ballpark" ones, and treats plain WGS 84 as any
frame. Here the operation is chosen once, its accuracy is required, and its pipeline is kept so that a
manifest can repeat it. Not done here: heights are never transformed.
"""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyproj
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType, TransformDirection
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import Transformer, TransformerGroup

from .delivery import tell
from .errors import ConfigError, MismatchError
from .units import FOOT_M

ENSEMBLE_ACCURACY_M = 0.1  # an ensemble whose members agree this well (ETRS89) is as good as a frame
AREA_MARGIN_DEG = 0.5  # paving runs over the edge of a zone; half a degree is some 40 km
FOOTPRINT_ACCURACY_M = 25.0  # worst operation taken for an outline by which a lot is found
WIDEST_ZONE = 400.0  # square degrees: a zone, not a continent
FEWEST_LETTERS, MOST_NAMED = 4, 3  # of a name that is no system: looked for in the names of EPSG
LARGEST_DISTORTION = 0.01  # of lengths, in any direction, where a map CRS is still taken
_WGS_84 = {"worldgeodeticsystem1984", "worldgeodeticsystem1984ensemble", "wgs1984", "dwgs1984", "wgs84"}
_WGS_84_ACCURACY_M = 2.0  # EPSG's own figure for the ensemble


@dataclass(frozen=True, slots=True)
class Operation:
    """A pinned coordinate operation to the map CRS.

    `pipeline` alone repeats it: always_xy order, degrees or source units in, target CRS units out.
    `caution` is a plain sentence for the reader of the result, empty where nothing is doubtful.
    """

    name: str
    accuracy_m: float  # as EPSG states it; of the ensemble where plain WGS 84 was taken as equal
    pipeline: str
    source: str
    target: str
    epoch: float | None  # decimal year of the source coordinates, only where the operation depends on time
    unit_m: float = 1.0  # metres in one unit of the target
    caution: str = ""
    _transformer: Transformer = field(default=None, repr=False, compare=False)  # type: ignore[assignment]

    @classmethod
    def stored(cls, values: Mapping[str, Any], unit_m: float) -> Operation:
        """Make the operation again from the plain values of `as_dict`; `unit_m` is that of its target."""
        return cls(**values, unit_m=unit_m, _transformer=Transformer.from_pipeline(values["pipeline"]))

    def forward(self, lon_or_e: Any, lat_or_n: Any) -> tuple[np.ndarray, np.ndarray]:
        """Bring positions into the map CRS.

        Parameters
        ----------
        lon_or_e, lat_or_n : array_like
            Degrees (geographic source) or eastings and northings in source CRS units; NaN stays NaN.

        Returns
        -------
        easting_m, northing_m : numpy.ndarray
            Metres: map coordinate times the target's unit factor.

        Raises
        ------
        MismatchError
            Where a finite position has no image in the map CRS.
        """
        east, north = self._transform(lon_or_e, lat_or_n, TransformDirection.FORWARD)
        return east * self.unit_m, north * self.unit_m

    def inverse(self, easting_m: Any, northing_m: Any) -> tuple[np.ndarray, np.ndarray]:
        """Bring map positions in metres back to degrees, or to source CRS units."""
        easting, northing = np.asarray(easting_m, float), np.asarray(northing_m, float)
        return self._transform(easting / self.unit_m, northing / self.unit_m, TransformDirection.INVERSE)

    def _transform(
        self, first: Any, second: Any, direction: TransformDirection
    ) -> tuple[np.ndarray, np.ndarray]:
        """Transform positions, NaN to NaN; MismatchError where a finite one has no image."""
        first, second = np.broadcast_arrays(np.asarray(first, float), np.asarray(second, float))
        points = [np.array(first), np.array(second)]
        if self.epoch is not None:
            points += [np.zeros(first.shape), np.full(first.shape, self.epoch)]
        result = self._transformer.transform(*points, direction=direction)
        east, north = np.asarray(result[0]), np.asarray(result[1])
        lost = np.isfinite(first) & np.isfinite(second) & ~(np.isfinite(east) & np.isfinite(north))
        if np.any(lost):
            where = int(np.flatnonzero(np.atleast_1d(lost))[0])
            raise MismatchError(
                f"position {where + 1} of {first.size} ({np.atleast_1d(first)[where]:.6g}, "
                f"{np.atleast_1d(second)[where]:.6g}) cannot be brought from {self.source} to {self.target}: "
                "check the frame of the numbers"
            )
        unknown = ~(np.isfinite(first) & np.isfinite(second))
        return np.where(unknown, np.nan, east), np.where(unknown, np.nan, north)

    def as_dict(self) -> dict[str, Any]:
        """Give what a manifest needs to repeat the operation."""
        return {
            "name": self.name,
            "accuracy_m": self.accuracy_m,
            "pipeline": self.pipeline,
            "source": self.source,
            "target": self.target,
            "epoch": self.epoch,
            "caution": self.caution,
        }


def pin_operation(
    source: Any,
    target: Any,
    accuracy_m: float,
    epoch: float | None = None,
    accept_ensemble: bool = False,
    where: tuple[float, float] | None = None,
) -> Operation:
    """Choose the one operation from a frame to the map CRS, or refuse.

    Parameters
    ----------
    source : str or pyproj.CRS
        Geographic frame (2-D or 3-D, heights are ignored), or a projected CRS.
    target : str or pyproj.CRS
        Projected CRS of the map, any linear unit.
    accuracy_m : float
        Worst accuracy taken.
    epoch : float, optional
        Decimal year of the source coordinates; needed, and used, where the operation depends on time.
    accept_ensemble : bool
        Take plain WGS 84 as equal to the other frame; accuracy is then waived and `caution` says so.
    where : tuple of float, optional
        Longitude and latitude, degrees, of a point of the lot, in any frame.

    Raises
    ------
    ConfigError
        A frame must be stated better: unknown, plain WGS 84, no epoch, no operation of that accuracy.
    MismatchError
        The point lies outside the map CRS.
    """
    pyproj.network.set_network_enabled(active=False)
    source_crs, target_crs = source_frame(source), map_crs(target)
    if where is not None:
        check_area(target_crs, *where)
    vague = [
        crs
        for crs in (source_crs, target_crs)
        if _ensemble_accuracy(crs) > min(ENSEMBLE_ACCURACY_M, accuracy_m)
    ]
    if not vague:
        return _best_operation(source_crs, target_crs, accuracy_m, epoch, where)
    if not accept_ensemble:
        raise ConfigError(_ensemble_message(vague[0]))
    return _taken_as_equal(source_crs, target_crs, vague)


def footprint_operation(target: Any, where: tuple[float, float], epoch: float | None = None) -> Operation:
    """Choose the operation between longitude and latitude of plain WGS 84 (OGC:CRS84) and a map CRS.

    For outlines by which a lot is found, never for places: plain WGS 84 is itself known to metres only, and
    `accuracy_m` says so.

    Raises
    ------
    ConfigError
        No operation of known accuracy.
    """
    pyproj.network.set_network_enabled(active=False)
    return _best_operation(pyproj.CRS("OGC:CRS84"), map_crs(target), FOOTPRINT_ACCURACY_M, epoch, where)


def decimal_year(moment: np.datetime64) -> float:
    """Return a moment as a year with the part of it gone by: the epoch of positions in a frame that moves.

    >>> decimal_year(np.datetime64("2026-07-02T12:00:00", "ns"))
    2026.5
    """
    year = moment.astype("M8[Y]")
    gone = (moment - year.astype("M8[ns]")) / ((year + 1).astype("M8[ns]") - year.astype("M8[ns]"))
    return float(year.astype(int) + 1970 + gone)


def read_crs(text: Any) -> pyproj.CRS:
    """Read a CRS from `EPSG:n`, WKT or PROJJSON; only its horizontal part. Raise ConfigError."""
    try:
        crs = pyproj.CRS.from_user_input(text)
    except CRSError as error:
        reason = _same_name(text) or str(error).split("\n")[0][:200]
        raise ConfigError(
            f'"{_short(text)}" is not a coordinate reference system: {reason}; write EPSG:n or WKT'
        ) from None
    if crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    if crs.is_compound:
        crs = next((part for part in crs.sub_crs_list if part.is_geographic or part.is_projected), crs)
    return crs


def _same_name(text: Any) -> str:
    """Name the systems of EPSG that hold the words of a text in their name, NAD 83(2011) first; at most three."""
    words = str(text).lower().replace("/", " ").split()
    if len("".join(words)) < FEWEST_LETTERS:
        return ""
    kinds = [PJType.PROJECTED_CRS, PJType.GEOGRAPHIC_2D_CRS]
    found = [
        item for item in query_crs_info("EPSG", kinds) if all(word in item.name.lower() for word in words)
    ]
    found.sort(key=lambda item: ("(2011)" not in item.name, int(item.code)))
    return ", ".join(f"EPSG:{item.code} is {item.name}" for item in found[:MOST_NAMED])


def source_frame(text: Any) -> pyproj.CRS:
    """Read the frame of logged numbers: geographic or projected, with a named datum. Raise ConfigError."""
    crs = read_crs(text)
    if not (crs.is_geographic or crs.is_projected):
        raise ConfigError(
            f"{_name(crs)} is a {crs.type_name}: positions need a geographic or projected one, like EPSG:6318"
        )
    _require_datum(crs)
    if crs.is_projected:
        _require_axes(crs)
    return crs


def map_crs(text: Any) -> pyproj.CRS:
    """Read the projected CRS of the products: eastings and northings on a named datum. Raise ConfigError."""
    crs = read_crs(text)
    if not crs.is_projected:
        raise ConfigError(
            f"{_name(crs)} is a {crs.type_name}: the map needs a projected CRS, like EPSG:6448 or a UTM zone"
        )
    _require_axes(crs)
    _require_datum(crs)
    return crs


def is_vague(crs: pyproj.CRS) -> bool:
    """Whether a frame is a family of frames, like plain WGS 84, that differ by more than a decimetre."""
    return _ensemble_accuracy(crs) > ENSEMBLE_ACCURACY_M


def unit_factor(crs: Any) -> float:
    """Metres in one unit of a projected CRS."""
    return float(read_crs(crs).axis_info[0].unit_conversion_factor)


def map_foot_m(crs: Any) -> float:
    """Length of the foot that goes with a map CRS: its own, else the international foot.

    >>> round(map_foot_m("EPSG:6505"), 10), map_foot_m("EPSG:6344")
    (0.3048006096, 0.3048)
    """
    factor = unit_factor(crs)
    return factor if abs(factor / FOOT_M - 1) < 1e-4 else FOOT_M


def point_scale(crs: Any, lon: float, lat: float) -> float:
    """Grid length over ellipsoid length at a point (degrees, in the CRS's own frame)."""
    along, across, _ = _factors(read_crs(crs), lon, lat)
    return math.sqrt(along * across)


def convergence_deg(crs: Any, lon: float, lat: float) -> float:
    """Meridian convergence at a point, degrees: grid bearing = true bearing - convergence."""
    return _factors(read_crs(crs), lon, lat)[2]


def own_lon_lat(crs: Any, easting: float, northing: float) -> tuple[float, float]:
    """Give longitude and latitude, degrees, of a point of a projected CRS (its units) in its own frame."""
    projected = read_crs(crs)
    if projected.is_geographic:
        return easting, northing
    lon, lat = Transformer.from_crs(projected, projected.geodetic_crs, always_xy=True).transform(
        easting, northing
    )
    if not (math.isfinite(lon) and math.isfinite(lat)):
        raise MismatchError(
            f"({easting:.6g}, {northing:.6g}) is no place of {_name(projected)}: check the frame"
        )
    return lon, lat


def check_area(crs: pyproj.CRS, lon: float, lat: float) -> None:
    """Raise MismatchError where a point (degrees) lies outside what a map CRS serves."""
    place = f"the lot lies at {lat:.4f} deg, {lon:.4f} deg (latitude, longitude)"
    area = crs.area_of_use
    if area is not None and not _contains(area, lon, lat):
        raise MismatchError(
            f"{place}, outside {_name(crs)}, which serves {area.south:g} to {area.north:g} deg north and "
            f"{area.west:g} to {area.east:g} deg east: choose the map CRS of the place{_maps_of(crs, lon, lat)}, or "
            "check the fixes"
        )
    along, across, _ = _factors(crs, lon, lat)
    worst = max(along, across, key=lambda scale: abs(scale - 1))
    if not abs(worst - 1) <= LARGEST_DISTORTION:
        raise MismatchError(
            f"{place}, where {_name(crs)} stretches lengths to {worst:.3f} times (within 1 % is expected): "
            "choose a map CRS made for surveying there, like a state plane or UTM zone"
        )


def _maps_of(crs: pyproj.CRS, lon: float, lat: float) -> str:
    """Name map systems of a CRS's own frame that serve a place, the one made for the smallest area first."""
    frame, _, grid = crs.name.partition(" / ")
    if not (grid and math.isfinite(lon) and math.isfinite(lat)):
        return ""
    here = AreaOfInterest(lon, lat, lon, lat)
    known = query_crs_info("EPSG", [PJType.PROJECTED_CRS], here, contains=True)
    spans = {item: _span(item.area_of_use) for item in known if item.name.startswith(f"{frame} / ")}
    near = sorted((item for item, span in spans.items() if span <= WIDEST_ZONE), key=lambda item: spans[item])
    named = " or ".join(f"EPSG:{item.code} ({item.name})" for item in near[:3])
    return f", like {named}" if named else ""


def _span(area: Any) -> float:
    """Size of an area of use in square degrees."""
    return ((area.east - area.west) % 360 or 360.0) * (area.north - area.south)


def _contains(area: Any, lon: float, lat: float) -> bool:
    """Whether a point lies in an area of use or its margin, across the antimeridian too."""
    width = (area.east - area.west) % 360 or 360.0
    eastward = (lon - area.west + AREA_MARGIN_DEG) % 360
    inside_lon = width + 2 * AREA_MARGIN_DEG >= 360 or eastward <= width + 2 * AREA_MARGIN_DEG
    return inside_lon and area.south - AREA_MARGIN_DEG <= lat <= area.north + AREA_MARGIN_DEG


def _factors(crs: pyproj.CRS, lon: float, lat: float) -> tuple[float, float, float]:
    """Meridional scale, parallel scale and convergence (degrees) at a point."""
    try:
        factors = pyproj.Proj(crs).get_factors(lon, lat, errcheck=True)
    except ProjError:
        raise MismatchError(
            f"{lat:.4f} deg, {lon:.4f} deg is no place of {_name(crs)}: check the frame"
        ) from None
    return factors.meridional_scale, factors.parallel_scale, factors.meridian_convergence


def _best_operation(
    source: pyproj.CRS,
    target: pyproj.CRS,
    accuracy_m: float,
    epoch: float | None,
    where: tuple[float, float] | None,
) -> Operation:
    """First of PROJ's operations whose accuracy is known and good enough; ConfigError without one."""
    area = None if where is None else AreaOfInterest(where[0], where[1], where[0], where[1])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # missing grids: judged below
        group = TransformerGroup(source, target, always_xy=True, area_of_interest=area)
    floor = max(_ensemble_accuracy(source), _ensemble_accuracy(target), 0.0)
    usable = [
        item for item in group.transformers if _is_known(item) and max(item.accuracy, floor) <= accuracy_m
    ]
    if not usable:
        raise ConfigError(_refusal(source, target, accuracy_m, group))
    chosen = usable[0]
    timed = "t_epoch=" in chosen.definition
    if timed and epoch is None:
        raise ConfigError(
            f"{_name(source)} to {_name(target)} depends on time: state the epoch of the positions (year)"
        )
    return Operation(
        name=chosen.description,
        accuracy_m=max(float(chosen.accuracy), floor),
        pipeline=chosen.definition,
        source=_name(source),
        target=_name(target),
        epoch=epoch if timed else None,
        unit_m=unit_factor(target),
        _transformer=Transformer.from_pipeline(chosen.definition),
    )


def _is_known(transformer: Transformer) -> bool:
    """Whether an operation states its accuracy and is no ballpark."""
    return transformer.accuracy >= 0 and "ballpark" not in transformer.description.lower()


def _taken_as_equal(source: pyproj.CRS, target: pyproj.CRS, vague: list[pyproj.CRS]) -> Operation:
    """Use the source's numbers as if its frame were the target's: projection only, no datum shift."""
    steps = [] if source.is_geographic else [_own_projection(source, inverse=True)]
    steps.append(_own_projection(target, inverse=False))
    pipeline = "proj=pipeline " + " ".join(step.removeprefix("proj=pipeline ") for step in steps)
    accuracy_m = max(_ensemble_accuracy(crs) for crs in vague)
    return Operation(
        name=f"{_name(source)} taken as equal to the frame of {_name(target)}",
        accuracy_m=accuracy_m,
        pipeline=pipeline,
        source=_name(source),
        target=_name(target),
        epoch=None,
        unit_m=unit_factor(target),
        caution=tell(
            "{vague} is a family of frames known to about {accuracy_m:g} and was taken as equal: all positions may "
            "be shifted by that much against other {target} data; state the true frame",
            vague=_name(vague[0]),
            accuracy_m=accuracy_m,
            target=_name(target),
        ),
        _transformer=Transformer.from_pipeline(pipeline),
    )


def _own_projection(crs: pyproj.CRS, inverse: bool) -> str:
    """PROJ text of the step between a projected CRS and its own geographic frame."""
    ends = (crs, crs.geodetic_crs) if inverse else (crs.geodetic_crs, crs)
    return Transformer.from_crs(*ends, always_xy=True).definition


def _ensemble_accuracy(crs: pyproj.CRS) -> float:
    """Accuracy in metres of a datum ensemble, -1 for a single frame. WKT writes plain WGS 84 as a frame."""
    datum = crs.geodetic_crs.datum
    if re.sub(r"[^a-z0-9]", "", datum.name.lower()) in _WGS_84:
        return _WGS_84_ACCURACY_M
    if datum.type_name != "Datum Ensemble":
        return -1.0
    return float(datum.to_json_dict().get("accuracy", math.inf))


def _ensemble_message(crs: pyproj.CRS) -> str:
    return (
        f"{_name(crs)} is a family of frames known to about {_ensemble_accuracy(crs):g} m, not one frame: "
        "state the frame the base or correction service works in (EPSG:6318 for NAD 83(2011), EPSG:9000 for "
        "ITRF2014, EPSG:7844 for GDA2020), or set accept_ensemble = true in [crs] and live with the shift"
    )


def _refusal(source: pyproj.CRS, target: pyproj.CRS, accuracy_m: float, group: TransformerGroup) -> str:
    """Say which operations there are, and what would help."""
    stated = [item.accuracy for item in group.transformers if _is_known(item)]
    found = (
        f"the best one here is good to {min(stated):g} m" if stated else "only a ballpark offset is at hand"
    )
    grids = sorted(
        {
            grid.short_name
            for item in group.unavailable_operations
            for grid in item.grids
            if not grid.available
        }
    )
    advice = f"; better ones need the grid {', '.join(grids[:4])} in the PROJ data folder" if grids else ""
    return (
        f"no operation from {_name(source)} to {_name(target)} is known to {accuracy_m:g} m: {found}{advice}"
        "; state the true frame of the numbers, or a map CRS on the same frame"
    )


def _require_datum(crs: pyproj.CRS) -> None:
    geodetic = crs.geodetic_crs
    datum = None if geodetic is None else geodetic.datum
    if datum is None or datum.name.lower().startswith("unknown") or "not specified" in datum.name.lower():
        raise ConfigError(f"{_name(crs)} names no datum: state a reference frame, like EPSG:6318")


def _require_axes(crs: pyproj.CRS) -> None:
    directions = {axis.direction for axis in crs.axis_info}
    if directions != {"east", "north"}:
        raise ConfigError(
            f"{_name(crs)} counts {' and '.join(sorted(directions))}: eastings and northings are needed"
        )


def _name(crs: pyproj.CRS) -> str:
    """Name a CRS for a message or a manifest: its name, with its code where it has one."""
    authority = crs.to_authority(min_confidence=100)
    return f"{crs.name} ({':'.join(authority)})" if authority else crs.name


def _short(text: Any) -> str:
    words = str(text)
    return words if len(words) <= 60 else words[:57] + "..."
