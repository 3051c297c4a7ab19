"""As-built records of any vector format: polygons, lines and points, brought into the frame of a result."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from ..config import CrsSection
from ..errors import ConfigError, InputError
from ..model import AsBuilt, Core
from ..units import StationLabels
from .catalogue import load_format
from .logs.recognise import fitting_formats
from .manifest import sha256_of
from .settings import printable
from .side_files import CORE_FRAME, read_cores
from .sources import refuse
from .vectors import DRIVERS, Record, pin_frame, read_layers, true_frame

NAMES = (
    "name",
    "label",
    "title",
    "id",
    "text",
    "layer",
)  # of columns that may name a feature, the first that is there


@dataclass(frozen=True, eq=False, slots=True)
class Records:
    """What as-built files hold, in metres of the map CRS, and what to know about them."""

    cores: tuple[Core, ...] = ()  # cores, gauge readings and points
    areas: tuple[AsBuilt, ...] = ()
    lines: tuple[AsBuilt, ...] = ()
    operations: tuple[dict[str, Any], ...] = ()
    notes: tuple[str, ...] = ()
    sources: tuple[dict[str, Any], ...] = ()  # path, role, sha256, bytes

    def __add__(self, other: Records) -> Records:
        return Records(*(getattr(self, item.name) + getattr(other, item.name) for item in fields(self)))


def read_records(
    paths: tuple[Path, ...],
    frames: CrsSection,
    labels: StationLabels,
    cores_format: str,
    sigma_m: float | None,
) -> Records:
    """Read cores from CSV files, and everything else from vector files; errors as `read_cores`, `read_vectors`."""
    log_format = load_format(cores_format)
    if log_format.kind != "cores":
        raise ConfigError(f"--format {cores_format}: is a format of {log_format.kind}, not of cores")
    found = Records()
    for path in paths:
        if path.suffix.lower() in DRIVERS:
            read, role = read_vectors(path, frames, sigma_m), "asbuilt"
        else:
            try:
                cores, _, doubts, operation = read_cores(path, log_format, frames, labels, sigma_m)
            except InputError as error:
                others = [name for name in fitting_formats(path, "cores") if name != log_format.id]
                raise InputError(f"{error}; --format {others[0]} fits it" if others else str(error)) from None
            operations = () if operation is None else (operation,)
            read = Records(cores, operations=operations, notes=tuple(doubt.text for doubt in doubts))
            role = "cores"
        source = {"path": path.name, "role": role, "sha256": sha256_of(path), "bytes": path.stat().st_size}
        cautions = tuple(f"{path.name}: " + item["caution"] for item in read.operations if item["caution"])
        found = found + read + Records(notes=cautions, sources=(source,))
    return found


def read_vectors(path: Path, frames: CrsSection, sigma_m: float | None) -> Records:
    """Read every layer of a vector file.

    Parameters
    ----------
    frames : CrsSection
        `alignment` is the true frame of the numbers where the file names none or plain WGS 84.
    sigma_m : float, optional
        Sigma of a point's own position, one axis.

    Raises
    ------
    InputError, ConfigError, MismatchError
        With the file and the feature to blame; points without a sigma.
    """
    found: dict[str, list[AsBuilt]] = {"area": [], "line": []}
    points: list[Core] = []
    operations: list[dict[str, Any]] = []
    for layer in read_layers(path):
        pinned = None
        for record in layer.records:
            kind, geometry = _kind(path, record)
            if geometry is None:
                continue
            if pinned is None:
                frame = true_frame(path, layer.crs, frames.alignment, CORE_FRAME)
                first = tuple(shapely.get_coordinates(geometry)[0])
                pinned = pin_frame(path, frame, first, frames, CORE_FRAME)
                operations.append(pinned.as_dict())
            moved = shapely.transform(
                geometry, lambda xy, pinned=pinned: np.column_stack(pinned.forward(*xy.T))
            )
            name = _name(record)
            if kind == "point":
                points += _points(path, moved, name, sigma_m, pinned.accuracy_m)
            else:
                found[kind].append(AsBuilt(path.name, layer.name, name, moved, pinned.accuracy_m))
    if not (found["area"] or found["line"] or points):
        raise refuse(path, "has no polygon, line or point: nothing can be laid over the result")
    return Records(tuple(points), tuple(found["area"]), tuple(found["line"]), tuple(operations))


def _kind(path: Path, record: Record) -> tuple[str, Any]:
    """Kind of a feature and its geometry, None where it has none."""
    geometry = record.geometry
    if geometry is None or geometry.is_empty:
        return "", None
    kind = {
        "Polygon": "area", "MultiPolygon": "area", "LineString": "line", "MultiLineString": "line",
        "LinearRing": "line", "Point": "point", "MultiPoint": "point",
    }.get(geometry.geom_type)  # fmt: skip
    if kind is None:
        raise refuse(
            path,
            f"feature {record.number}: polygons, lines and points are expected, not {geometry.geom_type}",
        )
    if not geometry.is_valid:
        why = shapely.is_valid_reason(geometry)
        raise refuse(path, f"feature {record.number}: its geometry is not valid: {why}; draw it again")
    return kind, geometry


def _name(record: Record) -> str:
    """What the file calls a feature, else its number."""
    columns = {name.lower(): value for name, value in record.columns.items()}
    for name in NAMES:
        if columns.get(name) not in (None, ""):
            return printable(str(columns[name])).strip()[:80]
    return str(record.number)


def _points(path: Path, geometry: Any, name: str, sigma_m: float | None, accuracy_m: float) -> list[Core]:
    if sigma_m is None:
        raise ConfigError(
            f"{path.name}: holds points: state how well their places are known with --sigma, like --sigma '0.5 ft' "
            "(one axis)"
        )
    return [
        Core(name, "point", path.name, sigma_m, part.x, part.y, accuracy_m=accuracy_m)
        for part in shapely.get_parts(geometry)
    ]
