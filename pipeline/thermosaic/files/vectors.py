"""Strangers' vector files, read-only: layers and records through fiona, or a plain refusal.

Only the drivers named here are used. Files that carry instructions (links to reference systems,
databases with views, journals of an open database) are judged before GDAL sees them, and databases are
read from a copy in memory so that nothing beside the file is made, locked or changed. Not done here:
choosing among features, and what they mean.
"""

from __future__ import annotations

import json
import logging
import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import fiona
import numpy as np
import pyproj
import shapely
import shapely.geometry
from fiona.io import MemoryFile

from .. import datum
from ..config import CrsSection
from ..errors import ConfigError, InputError
from ..model import Exclusion
from .settings import printable
from .sources import check_file, refuse

DRIVERS = {
    ".geojson": "GeoJSON", ".json": "GeoJSON", ".gpkg": "GPKG", ".shp": "ESRI Shapefile", ".dxf": "DXF",
    ".fgb": "FlatGeobuf",
}  # fmt: skip
LARGEST_BYTES = 256 << 20
MOST_FEATURES = 100_000
MOST_VERTICES = 2_000_000
SQLITE_STEPS = 50_000_000  # of SQLite's machine: seconds at most
# Offline, bounded, and arcs in steps of 0.1 deg where a format has arcs.
_GDAL = {
    "OGR_ARC_STEPSIZE": "0.1",
    "GDAL_HTTP_TIMEOUT": "1",
    "GDAL_HTTP_CONNECTTIMEOUT": "1",
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
    "OGR_GEOJSON_MAX_OBJ_SIZE": "256",
}
_DXF_UNITS = {1: "inch", 2: "foot", 4: "millimetre", 5: "centimetre", 6: "metre", 21: "US survey foot"}
logging.getLogger("fiona").addHandler(logging.NullHandler())  # its complaints become ours


@dataclass(frozen=True, slots=True)
class Record:
    """One feature: its number in the layer (1 = first), columns, geometry in the file's own numbers."""

    number: int
    columns: dict[str, Any]
    geometry: Any  # shapely geometry, or None


@dataclass(frozen=True, slots=True)
class VectorLayer:
    """A layer's records, and the frame the file names (None where it names none)."""

    name: str
    crs: pyproj.CRS | None
    records: tuple[Record, ...]


def read_layers(path: Path) -> tuple[VectorLayer, ...]:
    """Read all spatial layers of a vector file.

    Raises
    ------
    InputError
        The file is of no known kind, cut, locked by another program, hostile, or over a stated limit; with
        the file, and the feature where one is to blame.
    """
    driver = DRIVERS.get(path.suffix.lower())
    if driver is None:
        raise refuse(path, f"is not a vector file read here: {', '.join(DRIVERS)} are expected")
    if check_file(path) > LARGEST_BYTES:
        raise refuse(path, f"is larger than {LARGEST_BYTES >> 20} MB: export only the lines needed")
    crs = None
    if driver == "GeoJSON":
        content, crs = _judged_geojson(path)
    elif driver == "GPKG":
        content = _judged_geopackage(path)
    elif driver == "ESRI Shapefile":
        content = _judged_shapefile(path)
    else:
        content = _judged_dxf(path) if driver == "DXF" else path.read_bytes()
    with fiona.Env(**_GDAL), _opened(path, content) as source:
        return tuple(
            _read_layer(path, source, driver, name, crs) for name in _layer_names(path, source, driver)
        )


@contextmanager
def _opened(path: Path, content: bytes | None) -> Iterator[Any]:
    """Give what fiona opens: a copy in memory, or the path where a format lies in several files."""
    if content is None:
        yield path
        return
    with MemoryFile(content, ext=path.suffix.lower()) as memory:
        yield memory.name


def _layer_names(path: Path, source: Any, driver: str) -> list[str]:
    try:
        return list(fiona.listlayers(source, allow_unsupported_drivers=False))
    except Exception as error:  # GDAL's bindings raise many kinds for a file that is not one of theirs
        raise _unreadable(path, driver, error) from None


def _read_layer(path: Path, source: Any, driver: str, name: str, crs: pyproj.CRS | None) -> VectorLayer:
    """Read the records of one layer, within the limits of features and vertices."""
    records: list[Record] = []
    vertices = 0
    try:
        with fiona.open(source, layer=name, enabled_drivers=[driver]) as collection:
            named = crs or (_named_frame(collection.crs_wkt) if driver not in ("DXF", "GeoJSON") else None)
            if driver == "GeoJSON":
                named = named or pyproj.CRS("EPSG:4326")
            if collection.schema["geometry"] == "None":
                return VectorLayer(name, named, ())
            for number, feature in enumerate(collection, 1):
                geometry = _shape(path, number, feature.geometry)
                vertices += 0 if geometry is None else shapely.count_coordinates(geometry)
                if number > MOST_FEATURES or vertices > MOST_VERTICES:
                    raise refuse(
                        path, f"layer {name} has over {MOST_FEATURES} features or {MOST_VERTICES} vertices"
                    )
                records.append(Record(number, dict(feature.properties), geometry))
    except InputError:
        raise
    except Exception as error:  # as above; the record before the fault is named
        raise _unreadable(path, driver, error, f" after feature {len(records)} of layer {name}") from None
    return VectorLayer(name, named, tuple(records))


def _shape(path: Path, number: int, geometry: Any) -> Any:
    """Make a shapely geometry of finite numbers; None stays None."""
    if geometry is None:
        return None
    try:
        made = shapely.force_2d(shapely.geometry.shape(geometry))
    except (ValueError, TypeError, KeyError, AttributeError, shapely.errors.ShapelyError) as error:
        raise refuse(path, f"feature {number}: its geometry cannot be read: {_first_line(error)}") from None
    numbers = shapely.get_coordinates(made)
    if not np.all(np.abs(numbers) < 1e12):
        raise refuse(path, f"feature {number}: a coordinate is not a usable number")
    return made


def _unreadable(path: Path, driver: str, error: Exception, place: str = "") -> InputError:
    return refuse(path, f"cannot be read as {driver}{place}: {_first_line(error)}; export it again")


def _first_line(error: Exception) -> str:
    return printable(str(error).split("\n")[0])[:160] or type(error).__name__


def _named_frame(wkt: str) -> pyproj.CRS | None:
    """Read the frame a file names; None where it names none, or an undefined one."""
    if not wkt:
        return None
    try:
        crs = datum.read_crs(wkt)
    except ConfigError:
        return None
    known = (crs.is_geographic or crs.is_projected) and "undefined" not in crs.name.lower()
    return crs if known else None


# ------------------------------------------------------------------------- judged before GDAL sees them


def _judged_geojson(path: Path) -> tuple[bytes, pyproj.CRS | None]:
    """Return GeoJSON without its `crs` member (never followed), and the frame that member names."""

    def refuse_constant(word: str) -> NoReturn:
        raise refuse(path, f"has the number {word}: finite numbers are expected")

    def finite(text: str) -> float:
        number = float(text)
        return number if abs(number) < 1e300 else refuse_constant(text[:20])

    try:
        document = json.loads(
            path.read_bytes().decode("utf-8-sig"),
            parse_constant=refuse_constant,
            parse_float=finite,
            parse_int=lambda text: int(text) if len(text) < 19 else finite(text),
        )
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        raise refuse(path, f"is not JSON: {_first_line(error)}") from None
    except RecursionError:
        raise refuse(path, "is nested too deeply to be GeoJSON") from None
    if not isinstance(document, dict) or "type" not in document:
        raise refuse(path, 'is JSON but not GeoJSON: an object with a "type" is expected')
    member = document.pop("crs", None)
    return json.dumps(document).encode(), _geojson_frame(member)


def _geojson_frame(member: Any) -> pyproj.CRS | None:
    """Read an old GeoJSON's named frame by its EPSG code; links and other words are ignored."""
    properties = (
        member.get("properties") if isinstance(member, dict) and member.get("type") == "name" else None
    )
    name = properties.get("name") if isinstance(properties, dict) else None
    match = re.search(r"EPSG[:/]{1,2}(?:[0-9.]*[:/])?([0-9]{4,6})$", name) if isinstance(name, str) else None
    return None if match is None else _named_frame(f"EPSG:{match[1]}")


def _judged_geopackage(path: Path) -> bytes:
    """Return a GeoPackage's bytes; InputError where it is open elsewhere, cut, damaged or hides views."""
    for ending in ("-wal", "-journal", "-shm"):
        beside = path.with_name(path.name + ending)
        if beside.exists() and (ending == "-shm" or beside.stat().st_size > 0):
            raise refuse(path, f"is open in another program ({beside.name}): close it or export a copy")
    content = path.read_bytes()
    if not content.startswith(b"SQLite format 3\x00") or len(content) < 100:
        raise refuse(path, "is not a GeoPackage: its header is not SQLite's")
    page = int.from_bytes(content[16:18], "big")
    size = (65536 if page == 1 else page) * int.from_bytes(content[28:32], "big")
    if size > len(content):
        raise refuse(path, f"is cut: {len(content)} of {size} bytes are there; copy it again")
    content = content[:18] + b"\x01\x01" + content[20:]  # the log is folded in: no journal mode in the copy
    _judge_tables(path, content)
    return content


def _judge_tables(path: Path, content: bytes) -> None:
    """Refuse a damaged database, and one with a view in place of a table; by SQLite, on a copy in memory."""
    database = sqlite3.connect(":memory:")
    steps = iter(range(SQLITE_STEPS // 10_000))
    database.set_progress_handler(lambda: next(steps, None) is None, 10_000)
    try:
        database.deserialize(content)
        database.execute("PRAGMA trusted_schema = OFF")
        faults = [row[0] for row in database.execute("PRAGMA quick_check(1)")]
        views = {
            row[0].lower() for row in database.execute("SELECT name FROM sqlite_master WHERE type = 'view'")
        }
        own = sorted(name for name in views if name.startswith(("gpkg_", "rtree_", "sqlite_")))
        tables = [] if own else [row[0] for row in database.execute("SELECT table_name FROM gpkg_contents")]
    except (sqlite3.Error, MemoryError, AttributeError, TypeError) as error:
        raise refuse(path, f"is a damaged GeoPackage: {_first_line(error)}; export it again") from None
    finally:
        database.close()
    if faults != ["ok"]:
        raise refuse(path, f"is a damaged GeoPackage: {printable(str(faults[:1]))[:160]}; export it again")
    hidden = own or sorted(name for name in tables if str(name).lower() in views)
    if hidden:
        raise refuse(
            path, f"has a view in place of a table ({printable(str(hidden[0]))[:60]}): export it as a table"
        )


def _judged_shapefile(path: Path) -> None:
    """Raise InputError where the header's length is not the file's."""
    with path.open("rb") as file:
        header = file.read(100)
    if len(header) < 100 or header[:4] != b"\x00\x00\x27\x0a":
        raise refuse(path, "is not a Shapefile: its header is another")
    stated, found = 2 * int.from_bytes(header[24:28], "big"), path.stat().st_size
    if stated > found:
        raise refuse(path, f"is cut: {found} of {stated} bytes are there; copy it again")
    for ending in (".shx", ".dbf"):
        if not any(path.with_suffix(item).is_file() for item in (ending, ending.upper())):
            raise refuse(path, f"lacks its {ending} file: a Shapefile is several files, copy all of them")


def _judged_dxf(path: Path) -> bytes:
    """Return a text DXF whose pairs of code and value are complete up to EOF."""
    content = path.read_bytes()
    if content.startswith(b"AutoCAD Binary DXF"):
        raise refuse(path, "is a binary DXF: save it as text (ASCII)")
    lines = content.decode("latin-1").splitlines()
    while lines and not lines[-1].strip():
        lines.pop()
    if [line.strip() for line in lines[-2:]] != ["0", "EOF"]:
        raise refuse(path, "is cut: the last pair of a DXF is 0, EOF; export it again")
    for number, code in enumerate(lines[0::2]):
        if not re.fullmatch(r"\s*-?[0-9]{1,4}\s*", code):
            raise refuse(path, f"is no pair of code and value: {printable(code)[:40]}", 2 * number + 1)
    return content


def dxf_unit(path: Path) -> str | None:
    """Name the length unit a DXF's header states ($INSUNITS), None where it states none."""
    text = path.read_bytes().decode("latin-1")
    match = re.search(r"\$INSUNITS\s*?\n\s*70\s*?\n\s*([0-9]{1,3})\s*?\n", text.replace("\r", ""))
    code = int(match[1]) if match else 0
    return _DXF_UNITS.get(code, f"unit {code}" if code else None)


# ----------------------------------------------------------------------------------- frames, exclusions


STATE_IT = 'state it as alignment = "EPSG:..." in [crs]'


def true_frame(
    path: Path, named: pyproj.CRS | None, stated: str | None, advice: str = STATE_IT
) -> pyproj.CRS:
    """Choose the frame of a file's numbers: the file's own, or the stated one where it names none.

    Plain WGS 84 counts as none: GeoJSON always says it. Raise ConfigError where nothing is left.
    """
    if named is not None and not datum.is_vague(named):
        return named
    if stated is not None:
        return datum.source_frame(stated)
    if named is None:
        raise ConfigError(f"{path.name} does not say the frame of its numbers: {advice}")
    return named


def pin_frame(
    path: Path,
    frame: pyproj.CRS,
    first: tuple[float, float],
    frames: CrsSection,
    key: str = "key alignment in [crs]",
) -> datum.Operation:
    """Pin the operation from a file's frame to the map; `first` is one of its positions, for the place.

    `key` is where the user states the frame.
    """
    if frame.is_geographic and not (abs(first[0]) <= 360 and abs(first[1]) <= 90):
        turned = abs(first[0]) <= 90 and abs(first[1]) <= 180
        advice = "write longitude first" if turned else f"state their true frame ({key})"
        raise InputError(
            f"{path.name}: {first[0]:g}, {first[1]:g} is no longitude and latitude in degrees, but "
            f"{frame.name} is the frame of its numbers: {advice}"
        )
    where = datum.own_lon_lat(frame, *first)
    try:
        return datum.pin_operation(
            frame, frames.map, frames.accuracy_m, frames.epoch, frames.accept_ensemble, where
        )
    except ConfigError as error:
        raise ConfigError(f"{path.name}: {error} ({key})") from None


def read_exclusions(path: Path, frames: CrsSection) -> tuple[Exclusion, ...]:
    """Read polygons with a `reason` column, in metres of the map CRS.

    Parameters
    ----------
    path : Path
        GeoJSON, GeoPackage, Shapefile, DXF or FlatGeobuf; all its layers are read.
    frames : CrsSection
        `alignment` is the true frame of the numbers where the file names none or plain WGS 84; with the
        lot's epoch.

    Raises
    ------
    InputError, ConfigError, MismatchError
        With the file and the feature to blame.
    """
    exclusions: list[Exclusion] = []
    for layer in read_layers(path):
        operation = None
        for record in layer.records:
            polygon = _polygon(path, record)
            if operation is None:
                first = tuple(shapely.get_coordinates(polygon)[0])
                frame = true_frame(path, layer.crs, frames.alignment)
                operation = pin_frame(path, frame, first, frames)
            moved = shapely.transform(
                polygon, lambda xy, pinned=operation: np.column_stack(pinned.forward(*xy.T))
            )
            exclusions.append(Exclusion(reason=_reason(path, record), polygon=moved))
    if not exclusions:
        raise refuse(path, "has no polygon: draw the parts to leave out, or take the key away")
    return tuple(exclusions)


def _polygon(path: Path, record: Record) -> Any:
    geometry = record.geometry
    if geometry is None or geometry.is_empty or geometry.geom_type not in ("Polygon", "MultiPolygon"):
        found = "no geometry" if geometry is None else f"a {geometry.geom_type}"
        raise refuse(path, f"feature {record.number}: a polygon is expected, not {found}")
    if not geometry.is_valid:
        why = shapely.is_valid_reason(geometry)
        raise refuse(path, f"feature {record.number}: its polygon is not valid: {why}; draw it again")
    return geometry


def _reason(path: Path, record: Record) -> str:
    for name, value in record.columns.items():
        if name.lower() == "reason":
            return printable(str(value)).strip() if value not in (None, "") else "no reason given"
    raise refuse(
        path,
        f"feature {record.number}: has no column reason; columns are {', '.join(record.columns) or 'none'}",
    )
