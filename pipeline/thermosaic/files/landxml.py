"""Alignments of a LandXML file as fine lines: straights, arcs kept as arcs, clothoids.

Elements are matched by local name, since the namespaces of the versions differ only in their address.
Points are northing before easting. Nothing outside the file is fetched; a DOCTYPE is refused. Not done
here: profiles, spirals other than clothoids.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

import numpy as np

from ..errors import InputError
from ..units import FOOT_M, US_SURVEY_FOOT_M, StationEquation
from .settings import printable
from .sources import check_file, refuse

LARGEST_BYTES = 64 << 20
DEEPEST = 64
STEP_RAD = 0.0002  # of turn between two vertices of a curve: 10 m beside it stations are right to 1 mm
LONGEST_CURVE = 1e6
JOIN_M = 0.01  # elements must meet
BACK_M = 0.01  # staBack must be the label that the line arrives with
LINEAR_UNITS = {  # LandXML 1.2, enumerations metLinear and impLinear (from memory)
    "millimeter": 1e-3, "centimeter": 1e-2, "meter": 1.0, "kilometer": 1000.0,
    "foot": FOOT_M, "USSurveyFoot": US_SURVEY_FOOT_M, "inch": 0.0254, "mile": 1609.344,
}  # fmt: skip
_PLAIN = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,2})?")
_Points = dict[str | None, Element]


@dataclass(frozen=True, slots=True)
class Design:
    """One alignment: fine vertices in the file's unit, its first station in metres."""

    name: str
    vertices: np.ndarray  # (vertex, 2) easting, northing
    unit: str
    epsg: int | None
    start_m: float | None
    equations: tuple[StationEquation, ...] = ()  # stations counted on from `start_m` along the vertices
    caution: str = ""  # how they had to be read, where the file leaves that open

    @property
    def unit_m(self) -> float:
        return LINEAR_UNITS[self.unit]

    @property
    def length_m(self) -> float:
        return float(np.hypot(*np.diff(self.vertices, axis=0).T).sum()) * self.unit_m


def read_designs(path: Path) -> list[Design]:
    """Read all alignments with a horizontal geometry.

    Raises
    ------
    InputError
        Not LandXML, a DOCTYPE, no linear unit, an element that is not read here or does not fit its
        neighbours; with the alignment and the element's number.
    """
    root = _parsed(path)
    if _local(root) != "LandXML":
        raise refuse(path, f"is XML but not LandXML: its root is {printable(_local(root))[:40]}")
    unit, epsg = _unit(path, root), _epsg(root)
    points = {item.get("name"): item for item in root.iter() if _local(item) == "CgPoint"}
    designs = []
    for item in root.iter():
        geometry = _child(item, "CoordGeom") if _local(item) == "Alignment" else None
        if geometry is None:
            continue
        name = item.get("name") or f"alignment {len(designs) + 1}"
        start = item.get("staStart")
        start_m = None if start is None else _number(path, start, f"{name}: staStart") * LINEAR_UNITS[unit]
        vertices = _vertices(path, name, geometry, points, LINEAR_UNITS[unit])
        design = Design(name, vertices, unit, epsg, start_m)
        designs.append(_with_equations(path, design, item))
    return designs


# ------------------------------------------------------------------------------------------------- XML


def _parsed(path: Path) -> Element:
    """Build the tree without entities; InputError for a DOCTYPE, deep nesting and what is not XML."""
    if check_file(path) > LARGEST_BYTES:
        raise refuse(path, f"is larger than {LARGEST_BYTES >> 20} MB: export the alignment alone")
    builder, parser = TreeBuilder(), expat.ParserCreate()
    depth = 0

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal depth
        depth += 1
        if depth > DEEPEST:
            raise refuse(path, f"is nested more than {DEEPEST} deep: not LandXML", parser.CurrentLineNumber)
        builder.start(tag, attributes)

    def end(tag: str) -> None:
        nonlocal depth
        depth -= 1
        builder.end(tag)

    def doctype(*_: object) -> None:
        raise refuse(path, "DOCTYPE is not allowed: export the file without one", parser.CurrentLineNumber)

    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.CharacterDataHandler, parser.StartDoctypeDeclHandler = builder.data, doctype
    try:
        parser.Parse(path.read_bytes(), True)
        return builder.close()
    except (expat.ExpatError, ValueError, LookupError, AssertionError) as error:
        if isinstance(error, InputError):
            raise
        raise refuse(path, f"is not well-formed XML: {printable(str(error))[:120]}") from None


def _local(item: Element) -> str:
    return str(item.tag).rpartition(":")[2]


def _child(item: Element, name: str) -> Element | None:
    return next((part for part in item if _local(part) == name), None)


def _unit(path: Path, root: Element) -> str:
    units = next((item for item in root.iter() if _local(item) in ("Metric", "Imperial")), None)
    unit = None if units is None else units.get("linearUnit")
    if unit not in LINEAR_UNITS:
        found = "states no linear unit" if unit is None else f"counts in {printable(unit)[:30]}"
        raise refuse(path, f"{found}: Units with linearUnit meter, foot or USSurveyFoot is expected")
    return unit


def _epsg(root: Element) -> int | None:
    system = next((item for item in root.iter() if _local(item) == "CoordinateSystem"), None)
    code = "" if system is None else system.get("epsgCode") or ""
    return int(code) if re.fullmatch(r"[0-9]{4,6}", code) else None


def _number(path: Path, text: str | None, what: str) -> float:
    if text is None or not _PLAIN.fullmatch(text.strip()):
        raise refuse(path, f"{what} is {printable(str(text))[:30]}: a number is expected")
    return float(text)


# -------------------------------------------------------------------------------------------- equations


@dataclass(frozen=True, slots=True)
class _Stated:
    """A station equation as the file has it, metres."""

    internal_m: float
    back_m: float | None
    ahead_m: float
    rising: bool


def _with_equations(path: Path, design: Design, item: Element) -> Design:
    """Add the station equations of an alignment.

    `staInternal` is the station counted on from `staStart`. Where that contradicts `staBack` or leaves the
    line, and the plain distance from the start does not, it was written as that distance.
    """
    what = printable(design.name)[:60]
    parts = [part for part in item if _local(part) == "StaEquation"]
    if not parts:
        return design
    if design.start_m is None:
        raise refuse(path, f"{what}: staStart is missing: its station equations have no beginning")
    stated = sorted((_stated(path, part, what, design.unit_m) for part in parts), key=lambda e: e.internal_m)
    readings = {shift_m: _misfit(stated, shift_m, design) for shift_m in dict.fromkeys((0.0, design.start_m))}
    fitting = [shift_m for shift_m, misfit in readings.items() if not misfit]
    if not fitting:
        raise refuse(path, f"{what}: {readings[0.0]}")
    caution = ""
    if len(readings) > 1 and (fitting[0] or (len(fitting) > 1 and all(e.back_m is None for e in stated))):
        how = "the plain distance from the start" if fitting[0] else "the station counted on from staStart"
        caution = (
            f"staInternal of the station equations of {what} was read as {how}, which the file leaves open: "
            "compare one label beyond an equation with the plans"
        )
    equations = tuple(StationEquation(e.internal_m + fitting[0], e.ahead_m, e.rising) for e in stated)
    return replace(design, equations=equations, caution=caution)


def _stated(path: Path, part: Element, what: str, unit_m: float) -> _Stated:
    back = part.get("staBack")
    word = part.get("staIncrement", "increasing")
    if word not in ("increasing", "decreasing"):
        raise refuse(path, f"{what}: staIncrement is {printable(word)[:30]}: increasing or decreasing fits")
    internal_m, ahead_m = (
        _number(path, part.get(key), f"{what}: StaEquation {key}") * unit_m
        for key in ("staInternal", "staAhead")
    )
    back_m = None if back is None else _number(path, back, f"{what}: StaEquation staBack") * unit_m
    return _Stated(internal_m, back_m, ahead_m, word == "increasing")


def _misfit(stated: list[_Stated], shift_m: float, design: Design) -> str:
    """Say what does not fit when `shift_m` is added to each staInternal; empty where all fits."""
    start_m, before = design.start_m or 0.0, StationEquation(0.0, 0.0)
    for number, item in enumerate(stated, 1):
        here_m = item.internal_m + shift_m
        if not start_m - BACK_M <= here_m <= start_m + design.length_m + BACK_M:
            return f"station equation {number} lies {here_m - start_m:.3f} m from the start, off the line"
        arriving_m = before.label_m(here_m)
        if item.back_m is not None and abs(item.back_m - arriving_m) > BACK_M:
            return (
                f"station equation {number}: staBack is {item.back_m:.3f} m, but the line arrives there with "
                f"{arriving_m:.3f} m"
            )
        if number > 1 and not here_m > before.internal_m:
            return f"station equations {number - 1} and {number} stand at one place"
        before = StationEquation(here_m, item.ahead_m, item.rising)
    return ""


# --------------------------------------------------------------------------------------------- geometry


def _vertices(path: Path, name: str, geometry: Element, points: _Points, unit_m: float) -> np.ndarray:
    """Fine vertices of an alignment's elements, each beginning where the one before ends."""
    pieces: list[np.ndarray] = []
    makers = {"Line": _line, "Curve": _curve, "Spiral": _spiral, "IrregularLine": _irregular}
    for number, item in enumerate((part for part in geometry if _local(part) != "Feature"), 1):
        what = f"{printable(name)[:60]}: element {number} ({_local(item)})"
        if _local(item) not in makers:
            raise refuse(path, f"{what} is not read here: Line, Curve, Spiral and IrregularLine are")
        piece = makers[_local(item)](path, item, points, what)
        gap_m = float(np.hypot(*(piece[0] - pieces[-1][-1]))) * unit_m if pieces else 0.0
        if not gap_m <= JOIN_M:
            raise refuse(path, f"{what} begins {gap_m:.3f} m from the end before it: elements must join")
        pieces.append(piece if not pieces else piece[1:])
    if not pieces:
        raise refuse(path, f"{printable(name)[:60]}: its CoordGeom is empty")
    return np.concatenate(pieces)


def _point(path: Path, item: Element, kind: str, points: _Points, what: str) -> np.ndarray:
    """Easting and northing of a point given as northing, easting, or by the name of a CgPoint."""
    place = _child(item, kind)
    if place is not None and place.get("pntRef") is not None:
        place = points.get(place.get("pntRef"))
    if place is None:
        raise refuse(path, f"{what}: {kind} is missing")
    words = (place.text or "").split()
    if len(words) < 2:
        raise refuse(path, f"{what}: {kind} needs northing and easting")
    northing, easting = (_number(path, word, f"{what}: {kind}") for word in words[:2])
    return np.array([easting, northing])


def _line(path: Path, item: Element, points: _Points, what: str) -> np.ndarray:
    return np.array([_point(path, item, kind, points, what) for kind in ("Start", "End")])


def _irregular(path: Path, item: Element, points: _Points, what: str) -> np.ndarray:
    listed = next((part for part in item if _local(part) in ("PntList2D", "PntList3D")), None)
    size = 3 if listed is not None and _local(listed) == "PntList3D" else 2
    numbers = [
        _number(path, word, what) for word in ((listed.text or "").split() if listed is not None else ())
    ]
    if len(numbers) < 2 * size or len(numbers) % size:
        raise refuse(path, f"{what}: a list of northings and eastings is expected")
    return np.array(numbers).reshape(-1, size)[:, 1::-1]


def _curve(path: Path, item: Element, points: _Points, what: str) -> np.ndarray:
    """An arc from Start to End around Center; without `rot` the shorter way round."""
    start, centre, end = (_point(path, item, kind, points, what) for kind in ("Start", "Center", "End"))
    (from_e, from_n), (to_e, to_n) = start - centre, end - centre
    radius, other = math.hypot(from_e, from_n), math.hypot(to_e, to_n)
    if not 0 < radius < LONGEST_CURVE or abs(radius - other) > 1e-4 * radius + 0.01:
        raise refuse(path, f"{what}: Start and End lie {radius:.3f} and {other:.3f} from Center, not evenly")
    turn = math.atan2(from_n * to_e - from_e * to_n, from_e * to_e + from_n * to_n)  # clockwise +
    clockwise = item.get("rot", "cw" if turn >= 0 else "ccw") == "cw"
    turn = turn % (2 * math.pi) if clockwise else -((-turn) % (2 * math.pi))
    part = np.linspace(0, 1, max(math.ceil(abs(turn) / STEP_RAD), 1) + 1)
    bearing = math.atan2(from_e, from_n) + part * turn
    away = radius + part * (other - radius)
    arc = centre + np.column_stack((away * np.sin(bearing), away * np.cos(bearing)))
    arc[0], arc[-1] = start, end
    return arc


def _spiral(path: Path, item: Element, points: _Points, what: str) -> np.ndarray:
    """A clothoid from Start towards PI, its curvature changing evenly over `length`; it must reach End."""
    kind = item.get("spiType", "clothoid")
    if kind != "clothoid":
        raise refuse(path, f"{what}: a {printable(kind)[:30]} spiral is not read here: clothoids are")
    start, corner, end = (_point(path, item, kind, points, what) for kind in ("Start", "PI", "End"))
    length = _number(path, item.get("length"), f"{what}: length")
    first, last = (_curvature(path, item.get(key), f"{what}: {key}") for key in ("radiusStart", "radiusEnd"))
    if not 0 < length < LONGEST_CURVE:
        raise refuse(path, f"{what}: length {length:g}: a positive length is expected")
    sign = {"cw": 1.0, "ccw": -1.0}.get(item.get("rot", ""))
    if sign is None:
        raise refuse(path, f"{what}: rot is missing: cw or ccw is expected")
    count = max(math.ceil(length * max(first, last) / STEP_RAD), 8)
    along, bearing = np.linspace(0, length, count + 1), math.atan2(*(corner - start))
    middle = (along[1:] + along[:-1]) / 2
    gauss = length / count / 2 / math.sqrt(3)  # two-point rule: exact to the fifth power of a step
    steps = sum(
        np.column_stack((np.sin(turned), np.cos(turned)))
        for at in (middle - gauss, middle + gauss)
        for turned in [bearing + sign * (first * at + (last - first) * at**2 / 2 / length)]
    )
    curve = start + np.concatenate((np.zeros((1, 2)), np.cumsum(steps, axis=0) * (length / count / 2)))
    missed = end - curve[-1]
    if float(np.hypot(*missed)) > 0.02 + 1e-4 * length:
        raise refuse(
            path, f"{what}: its clothoid ends {np.hypot(*missed):.3f} from End: length, radii or PI are wrong"
        )
    return curve + np.linspace(0, 1, count + 1)[:, None] * missed


def _curvature(path: Path, text: str | None, what: str) -> float:
    if text is not None and text.strip().upper() == "INF":
        return 0.0
    radius = _number(path, text, what)
    if not radius > 0:
        raise refuse(path, f"{what} is {radius:g}: a positive radius or INF is expected")
    return 1 / radius
