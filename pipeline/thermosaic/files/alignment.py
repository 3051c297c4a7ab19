"""A road's reference line from a vector or LandXML file, as a fine line in the metres of the map.

The line is chosen by name where a file holds several, brought into the map by a pinned operation, and
made fine enough for its curves. Not done here: stations of points on it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely

from .. import datum
from ..config import CrsSection
from ..delivery import tell
from ..errors import MismatchError
from ..kernels import curves
from ..model import Alignment, Doubt, Tally
from ..units import FOOT_M, US_SURVEY_FOOT_M, StationEquation
from .landxml import LARGEST_BYTES, Design, read_designs
from .settings import printable
from .sources import check_file, refuse
from .vectors import VectorLayer, dxf_unit, pin_frame, read_layers, true_frame

LARGEST_OFFSET_M = 15.0  # of a spot from the line: four lanes
CELL_M = 0.1  # a station must not be wrong by more than a quarter of this at a vertex
KINK_RAD = CELL_M / 2 / LARGEST_OFFSET_M  # kink x largest offset / 2 <= cell / 4
REPEATED_M = 0.001
ASIDE_M = 5.0  # offset at which what a corner does to stations is told
MOVED_M = 0.3  # a curve this far from its chords was sampled coarsely
SHORTEST_M = 1.0
ANY_EPOCH = 2020.0  # moves a line as a whole: its lengths are the same
_NAMES = ("name", "alignment", "layer", "id", "label", "title", "route")
_UNITS = {"inch": 0.0254, "foot": FOOT_M, "millimetre": 1e-3, "centimetre": 1e-2, "metre": 1.0,
          "US survey foot": US_SURVEY_FOOT_M}  # fmt: skip


def station_equations(path: Path, name: str | None, frames: CrsSection) -> tuple[StationEquation, ...]:
    """Read only the station equations of an alignment; empty where the file states none.

    Parameters and errors as `read_alignment`; labels need them before any log is read.
    """
    if path.suffix.lower() != ".xml" or check_file(path) > LARGEST_BYTES:
        return ()
    if b"StaEquation" not in path.read_bytes().replace(b"\0", b""):
        return ()
    frames = frames if frames.epoch else frames.model_copy(update={"epoch": ANY_EPOCH})
    return read_alignment(path, name, frames)[0].equations


@dataclass(frozen=True, slots=True)
class _Line:
    """A candidate: the words it may be chosen by, its parts in the file's own numbers, its frame."""

    words: tuple[str, ...]
    feature: int
    parts: tuple[np.ndarray, ...]  # (vertex, 2) each
    crs: pyproj.CRS | None
    unit: str | None = None  # length unit of a drawing's numbers, where it states one
    unit_m: float | None = None  # length unit of a design's numbers
    start_m: float | None = None  # station of the first vertex, where the file has it
    equations: tuple[StationEquation, ...] = ()  # stations along the design, counted on from its start
    length_m: float = 0.0  # of a design with equations, in its own frame
    caution: str = ""


def read_alignment(
    path: Path, name: str | None, frames: CrsSection, start_m: float | None = None
) -> tuple[Alignment, dict[str, Any] | None, tuple[Doubt, ...], Tally]:
    """Read one alignment.

    Parameters
    ----------
    path : Path
        GeoJSON, GeoPackage, Shapefile, DXF, FlatGeobuf or LandXML; vertices run upstation.
    name : str, optional
        Which line, where the file holds several: a value of its name column, or its layer.
    frames : CrsSection
        `alignment` is the true frame of the numbers where the file names none or plain WGS 84; with the
        lot's epoch.
    start_m : float, optional
        Station of the first vertex, metres, where the file has none; 0 where not given.

    Returns
    -------
    alignment : Alignment
        Vertices in metres of the map CRS, stations in map lengths.
    operation : dict
        The pinned operation into the map CRS.
    doubts : tuple of Doubt
    tally : Tally
        Of its vertices.

    Raises
    ------
    InputError
        No usable line, or several; with file and feature.
    ConfigError
        The frame of the numbers, or a usable operation from it, is missing.
    MismatchError
        The line lies outside the map CRS, or its unit is not that of its frame.
    """
    line = _chosen(path, _candidates(path), name)
    frame = true_frame(path, line.crs, frames.alignment)
    parts = _in_frame_units(path, line, frame)
    first = float(parts[0][0, 0]), float(parts[0][0, 1])
    operation = pin_frame(path, frame, first, frames)
    moved = [np.column_stack(operation.forward(*part.T)) for part in parts]
    vertices, repeated = _one_line(path, line.feature, moved)
    smooth = curves.smooth((vertices[:, 0], vertices[:, 1]), KINK_RAD)
    steps = np.hypot(np.diff(smooth.easting_m), np.diff(smooth.northing_m))
    begin_m = line.start_m if line.start_m is not None else start_m or 0.0
    station_m = begin_m + np.concatenate(([0.0], np.cumsum(steps)))
    alignment = Alignment(
        name or line.words[0], smooth.easting_m, smooth.northing_m, station_m, _equations(line, station_m)
    )
    doubts = _frame_doubts(operation.caution) + _start_doubts(line, start_m)
    doubts += _shape_doubts(alignment.name, smooth, station_m)
    return (
        alignment,
        operation.as_dict(),
        doubts,
        _tally(len(vertices), repeated, alignment, operation.source),
    )


def _equations(line: _Line, station_m: np.ndarray) -> tuple[StationEquation, ...]:
    """Bring equations from lengths of the design to lengths of the map: each at its share of the line."""
    if not line.equations:
        return ()
    share = (station_m[-1] - station_m[0]) / line.length_m
    return tuple(
        replace(item, internal_m=float(station_m[0] + (item.internal_m - station_m[0]) * share))
        for item in line.equations
    )


def _tally(used: int, repeated: int, alignment: Alignment, frame: str) -> Tally:
    length_m = float(alignment.station_m[-1] - alignment.station_m[0])
    notes = {"frame": frame, "length_m": length_m, "vertices": len(alignment.station_m)}
    rejected = {"repeated vertex": repeated} if repeated else {}
    return Tally("alignment", used + repeated, used, rejected, notes=notes)


# --------------------------------------------------------------------------------------------- the line


def _candidates(path: Path) -> list[_Line]:
    """All lines of a file; InputError where it has none."""
    if path.suffix.lower() == ".xml":
        lines = [_from_design(design) for design in read_designs(path)]
        if not lines:
            raise refuse(path, "holds no Alignment with a CoordGeom: export the horizontal geometry")
        return lines
    layers = read_layers(path)
    unit = dxf_unit(path) if path.suffix.lower() == ".dxf" else None
    lines = [line for layer in layers for line in _lines(path, layer, unit)]
    if not lines:
        raise refuse(path, f"has no line: {_found(layers)}; a line of two vertices or more is expected")
    return lines


def _from_design(design: Design) -> _Line:
    crs = None if design.epsg is None else datum.read_crs(f"EPSG:{design.epsg}")
    return _Line(
        words=(design.name,),
        feature=1,
        parts=(design.vertices,),
        crs=crs,
        unit_m=design.unit_m,
        start_m=design.start_m,
        equations=design.equations,
        length_m=design.length_m,
        caution=design.caution,
    )


def _chosen(path: Path, lines: list[_Line], name: str | None) -> _Line:
    """Choose the only line, or the one of a name; a layer's name takes all its lines."""
    if name is None:
        if len(lines) > 1:
            raise refuse(
                path,
                f"holds {len(lines)} lines: choose one by name, [stationing] alignment = {_names(lines)}",
            )
        return lines[0]
    fitting = [line for line in lines if name in line.words]
    if not fitting:
        raise refuse(path, f'has no line named "{printable(name)}": it holds {_names(lines)}')
    parts = tuple(part for line in fitting for part in line.parts)
    return replace(fitting[0], words=(name,), parts=parts)


def _lines(path: Path, layer: VectorLayer, unit: str | None) -> list[_Line]:
    lines = []
    for record in layer.records:
        if record.geometry is None or record.geometry.geom_type not in ("LineString", "MultiLineString"):
            continue
        parts = tuple(shapely.get_coordinates(part) for part in shapely.get_parts(record.geometry))
        if not parts or any(len(part) < 2 for part in parts):
            raise refuse(path, f"feature {record.number}: its line is empty")
        columns = {key.lower(): value for key, value in record.columns.items()}
        words = [str(columns[key]).strip() for key in _NAMES if columns.get(key) not in (None, "")]
        lines.append(_Line((*words, layer.name), record.number, parts, layer.crs, unit))
    return lines


def _found(layers: tuple[VectorLayer, ...]) -> str:
    kinds = {
        "a feature without geometry" if record.geometry is None else record.geometry.geom_type
        for layer in layers
        for record in layer.records
    }
    return f"it holds {', '.join(sorted(kinds))}" if kinds else "it holds no feature"


def _names(lines: list[_Line]) -> str:
    names = list(dict.fromkeys(f'"{printable(line.words[0])[:60]}"' for line in lines))
    return ", ".join(names[:8]) + (" .." if len(names) > 8 else "")


def _in_frame_units(path: Path, line: _Line, frame: pyproj.CRS) -> tuple[np.ndarray, ...]:
    """Bring a design's numbers into the unit of their frame; a drawing must be in it already."""
    if line.unit is not None:
        _require_unit(path, line.unit, frame)
    if line.unit_m is None:
        return line.parts
    axis = frame.axis_info[0]
    ratio = line.unit_m / axis.unit_conversion_factor
    if not frame.is_projected or 1e-9 < abs(ratio - 1) < 1e-5:
        raise MismatchError(
            f"{path.name}: its unit is {line.unit_m:.10g} m, but {frame.name} counts in {axis.unit_name} of "
            f"{axis.unit_conversion_factor:.10g}: one of them names the wrong foot or frame"
        )
    return tuple(part * ratio for part in line.parts)


def _require_unit(path: Path, stated: str, frame: pyproj.CRS) -> None:
    """Raise MismatchError where a file's stated unit is not its frame's; a foot may be either foot."""
    axis, length = frame.axis_info[0], _UNITS.get(stated)
    if frame.is_geographic or length is None or abs(length / axis.unit_conversion_factor - 1) > 1e-5:
        raise MismatchError(
            f"{path.name}: its unit is the {stated}, but {frame.name} counts in {axis.unit_name}: export it "
            "in the unit of its frame, or state the true frame as alignment in [crs]"
        )


def _one_line(path: Path, feature: int, parts: list[np.ndarray]) -> tuple[np.ndarray, int]:
    """Join parts end to end, drop repeated vertices, and require one plain line; metres (vertex, 2)."""
    if len(parts) > 1:
        merged = shapely.line_merge(
            shapely.MultiLineString([np.round(part, 4) for part in parts]), directed=True
        )
        if merged.geom_type != "LineString":
            raise refuse(
                path,
                f"feature {feature}: its {len(parts)} parts do not follow on one another end to end "
                f"({len(shapely.get_parts(merged))} pieces): join them upstation into one line",
            )
        vertices = shapely.get_coordinates(merged)
    else:
        vertices = parts[0]
    keep = np.concatenate(([True], np.hypot(*np.diff(vertices, axis=0).T) > REPEATED_M))
    kept = vertices[keep]
    length_m = float(np.hypot(*np.diff(kept, axis=0).T).sum()) if len(kept) > 1 else 0.0
    if length_m < SHORTEST_M:
        raise refuse(
            path,
            f"feature {feature}: its line is {length_m:.3f} m long: {SHORTEST_M:g} m at least is expected",
        )
    _require_plain(path, feature, kept)
    return kept, int(len(vertices) - len(kept))


def _require_plain(path: Path, feature: int, vertices: np.ndarray) -> None:
    """Raise InputError where a line closes or crosses itself: stations would be ambiguous."""
    if np.hypot(*(vertices[0] - vertices[-1])) < REPEATED_M:
        raise refuse(path, f"feature {feature}: its line is closed: where do stations begin? cut it open")
    line = shapely.LineString(vertices)
    if line.is_simple:
        return
    pieces = shapely.get_parts(shapely.node(line))
    ends = np.array([shapely.get_coordinates(piece)[0] for piece in pieces])
    away = np.hypot(*(ends - vertices[0]).T) > REPEATED_M
    east, north = ends[away][0] if away.any() else vertices[0]
    raise refuse(
        path,
        f"feature {feature}: its line crosses or doubles itself near {east:.2f} m east, "
        f"{north:.2f} m north of the map CRS: stations would be ambiguous; draw it again",
    )


# ----------------------------------------------------------------------------------------------- doubts


def _frame_doubts(caution: str) -> tuple[Doubt, ...]:
    return (Doubt("s1", "alignment_frame", "alignment: " + caution),) if caution else ()


def _start_doubts(line: _Line, start_m: float | None) -> tuple[Doubt, ...]:
    """Doubts about stations that the file gives in another way than they are used."""
    doubts = []
    if None not in (line.start_m, start_m) and abs(line.start_m - start_m) > REPEATED_M:  # type: ignore[operator]
        text = tell(
            "[stationing] start is {stated_m:.3f}, but the alignment's file says {found_m:.3f}, which was taken",
            stated_m=start_m, found_m=line.start_m,
        )  # fmt: skip
        doubts.append(Doubt("s1", "alignment_start", text, line.start_m - start_m, "m"))  # type: ignore[operator]
    if line.caution:
        doubts.append(Doubt("s1", "station_equations", line.caution))
    return tuple(doubts)


def _shape_doubts(name: str, smooth: curves.SmoothLine, station_m: np.ndarray) -> tuple[Doubt, ...]:
    """Doubts about a coarsely sampled line, and about corners that a road does not have."""
    doubts = []
    if smooth.moved_m > MOVED_M:
        text = tell(
            'alignment "{name}" is sampled coarsely: its curves were rounded up to {moved_m:.2f} away from its '
            "chords; use the design's arcs, or a denser line",
            name=name, moved_m=smooth.moved_m,
        )  # fmt: skip
        doubts.append(Doubt("s1", "alignment_coarse", text, smooth.moved_m, "m"))
    if len(smooth.corner):
        worst = int(np.argmax(np.abs(smooth.corner_rad)))
        angle = float(np.degrees(np.abs(smooth.corner_rad[worst])))
        text = tell(
            'alignment "{name}" has {count} corners, the sharpest of {angle_deg:.2f}, {along_m:.1f} from its start: '
            "stations of spots beside them jump by up to {jump_m:.2f} at an offset of {aside_m:.0f}",
            name=name, count=len(smooth.corner), angle_deg=angle, jump_m=np.radians(angle) * ASIDE_M,
            along_m=station_m[smooth.corner[worst]] - station_m[0], aside_m=ASIDE_M,
        )  # fmt: skip
        doubts.append(Doubt("s1", "alignment_corners", text, angle, "deg"))
    return tuple(doubts)
