"""What opening a lot asks for, place by place: which keys are open, what each expects, how an answer is read."""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from ..config import SIDE_FILES, AgencyPattern
from ..delivery import deliver, unit_in_text
from ..units import FOOT_M, StationLabels
from .answers import answer_of, labels_of, units_of
from .keys import Key, adapter_of, field_of
from .names import proposed_name

PLACES = {  # where a person finds the answers, in the order of the work
    "contract": "what the contract documents say",
    "road": "where the lot lies, and what was laid",
    "machine": "where things sit on the paver, from C: the point of the mat straight below the scanner",
    "instrument": "the logs, and where the scanner's spots look, from C",
    "checks": "what the lot is held against",
}


@dataclass(frozen=True, slots=True)
class Question:
    """One thing asked: where it stands, what it means, why it matters, what is expected, what is proposed."""

    place: str
    key: Key
    meaning: str
    why: str
    expects: str
    proposal: Any = None
    required: bool = True

    @property
    def key_text(self) -> str:
        """The key as written in lot.toml, list entries without a number."""
        return ".".join(str(part) for part in self.key if isinstance(part, str))


_ASKED: tuple[tuple[str, str, bool, str], ...] = (  # place, key, required, why
    ("contract", "rules.profile", True, "decides how profiles are cut and classed; the agency names the document"),
    ("contract", "delivery.units", True, "units of layers, tables and report; inside everything is metric"),
    ("road", "lot.route", True, "stands in every layer; use the agency's own name"),
    ("road", "lot.lane", True, "a lot is found again by route, lane and lift"),
    ("road", "lot.lift", True, "lifts are compared in space by their number"),
    ("road", "lot.mix", False, "a reader asks for it; warm mix has other limits"),
    ("road", "lot.thickness", True, "thin mat cools faster; needed for yield and time to compact"),
    ("road", "lot.paved_width", False, "checked against the mat edges under the scanner"),
    ("road", "lot.time_zone", True, "local times in layers and the date of paving"),
    ("road", "crs.fixes", True, "NMEA does not say it; a wrong frame moves a lot in the US by 1 to 1.6 m"),
    ("road", "crs.map", True, "the agency's own map system, so that layers overlay its as-builts"),
    ("road", "files.alignment", False, "with the road's line stations are the road's own; else a mark is needed"),
    ("road", "crs.alignment", False, "GeoJSON says WGS 84 whatever was measured; a wrong frame moves all stations"),
    ("road", "stationing.start", False, "station of the alignment's first vertex where the file has none"),
    ("road", "stationing.mat_offsets", False, "where the plans put the mat: a wrong lane or side then shows"),
    ("machine", "rig.antenna_forward", True, "a wrong sign moves the whole mat along by twice this"),
    ("machine", "rig.antenna_right", True, "a wrong sign moves the mat across by twice this, and back on the return"),
    ("machine", "rig.antenna_up", True, "on a grade a high antenna leans ahead of or behind its place"),
    ("machine", "rig.cross_slope", False, "on a crowned road a high antenna leans downhill; else it is in the sigma"),
    ("machine", "rig.screed_forward", True, "tells when a place was laid before a spot saw it"),
    ("machine", "rig.non_slip_forward", True, "in a curve the machine turns about this point"),
    ("machine", "rig.wheel_per_count", False, "needed where the wheel logs counts; `rig wheel` finds it"),
    ("machine", "rig.clock_offset", True, 'the logger\'s clock drifts; "auto" finds it from the motion and says so'),
    ("instrument", "files.scan", True, "the scan log, in the lot folder"),
    ("instrument", "formats.scan", True, "which column is what, and in which unit"),
    ("instrument", "files.fixes", True, "the GNSS log, in the lot folder"),
    ("instrument", "formats.fixes", True, "which sentences or columns hold the fixes"),
    ("instrument", "files.wheel", False, "without it the scan's own column is the wheel"),
    ("instrument", "scanner.spots_right", True, "where the columns look: first and last swapped mirrors the mat"),
    ("instrument", "scanner.mat_left", True, "spots that are not wholly on the mat are left out; left is negative"),
    ("instrument", "scanner.mat_right", True, "the other edge of the paved mat, from the same point"),
    ("checks", "lot.laydown_target", False, "the level is compared with it, and some rules need it"),
    ("checks", "delivery.display_low", False, "the same ends of the colours for every lot of a job; pictures only"),
    ("checks", "delivery.display_high", False, "the same ends of the colours for every lot of a job; pictures only"),
    ("checks", "rig.evidence", False, "checks of wheel and thermometer that are valid today"),
    ("checks", "files.diary", False, "trucks, rain, reasons of stops: a layer, and the reason beside each stop"),
    ("checks", "files.weather", False, "air, wind and sky beside the profiles"),
    ("checks", "files.control", False, "rover points and hand readings: held against what was placed and read"),
    ("checks", "files.tickets", False, "loads by their tickets: yield, and profiles by load"),
)  # fmt: skip

_MARK = (  # key, why
    ("station", "the station of a place that a person read on the ground"),
    ("at", "when the paver was noted there"),
    ("point", "which part of the paver was beside the mark"),
    ("distance", "how far that part still was before the mark, or past it"),
)


def open_questions(
    answers: dict[str, Any], agency: AgencyPattern | None, proposals: dict[str, Any]
) -> tuple[Question, ...]:
    """List what is not answered yet, in the order of the places.

    Parameters
    ----------
    answers : dict
        Nested mapping of the keys of lot.toml.
    agency : AgencyPattern or None
        Its parts and keys are asked for with the contract; its pattern proposes the lot's name.
    proposals : dict
        By key text (`files.scan`): what was found or is usual, offered and never taken unasked.
    """
    found = [*_of_agency(answers, agency), *_of_lot(answers, agency, proposals)]
    if "files.alignment" not in proposals:
        found += _of_mark(answers)
    found.sort(key=lambda question: list(PLACES).index(question.place))
    return (*found, *_name_question(answers, agency))


def _of_lot(
    answers: dict[str, Any], agency: AgencyPattern | None, proposals: dict[str, Any]
) -> Iterator[Question]:
    has_alignment = answer_of(answers, ("files", "alignment")) is not None
    named = {part.key for part in agency.parts.values()} if agency else set()
    only_with_alignment = ("crs.alignment", "stationing.start")
    only_where_found = {f"files.{name}" for name in SIDE_FILES} - set(proposals)
    several = isinstance(answers.get("scanner"), list | tuple)  # each [[scanner]] has its own log and places
    for place, text, required, why in _ASKED:
        key = tuple(text.split("."))
        if answer_of(answers, key) is not None or (text in only_with_alignment and not has_alignment):
            continue
        if text in only_where_found:
            continue
        if several and (key[0] == "scanner" or text == "files.scan"):
            continue
        needed = required or text in named or (text == "crs.alignment" and _says_wgs_84(answers))
        yield question_of(place, key, why, needed, proposals.get(text), labels_of(answers), units_of(answers))


def _says_wgs_84(answers: dict[str, Any]) -> bool:
    """Whether the alignment is GeoJSON, which is WGS 84 by its own standard (RFC 7946), whatever was measured."""
    return str(answer_of(answers, ("files", "alignment"))).lower().endswith(".geojson")


def _of_mark(answers: dict[str, Any]) -> Iterator[Question]:
    """Without an alignment stations start from a mark and a direction."""
    if answer_of(answers, ("files", "alignment")) is not None:
        return
    usual = {"at": "first line", "point": "screed", "distance": "0 ft"}
    for name, why in _MARK:
        if answer_of(answers, ("mark", 0, name)) is None:
            yield question_of(
                "road", ("mark", 0, name), why, True, usual.get(name), labels_of(answers), units_of(answers)
            )
    if answer_of(answers, ("stationing", "direction")) is None:
        why = "whether stations rise or fall as the paver goes"
        yield question_of("road", ("stationing", "direction"), why, True, None, labels_of(answers))


def _of_agency(answers: dict[str, Any], agency: AgencyPattern | None) -> Iterator[Question]:
    if agency is None:
        return
    wanted = {tuple(part.key.split(".")): (part, True) for part in agency.parts.values()}
    wanted |= {("lot", "agency", name): (entry, True) for name, entry in agency.required.items()}
    wanted |= {("lot", "agency", name): (entry, False) for name, entry in agency.optional.items()}
    asked = {text for _, text, _, _ in _ASKED}
    for key, (entry, required) in wanted.items():
        if answer_of(answers, key) is None and ".".join(key) not in asked:
            expects = f'like "{entry.example}"'
            yield Question(
                "contract", key, entry.meaning, f"{agency.title} asks for it", expects, None, required
            )


def _name_question(answers: dict[str, Any], agency: AgencyPattern | None) -> Iterator[Question]:
    """Ask for the lot's name last, when the parts that make it are known."""
    if answer_of(answers, ("lot", "id")) is None:
        why = "names the result's files and is what others look for"
        yield question_of(
            "contract", ("lot", "id"), why, True, proposed_name(answers, agency), StationLabels()
        )


def question_of(
    place: str, key: Key, why: str, required: bool, proposal: Any, labels: StationLabels, units: str = "si"
) -> Question:
    """Make the question of a key of lot.toml from its own description, unit and range."""
    info = field_of(key)
    return Question(place, key, info.description or "", why, expected(key, labels, units), proposal, required)


def range_in_units(text: str, units: str) -> str:
    """Write the allowed ranges in a text in a delivery's units, rounded inwards to three digits.

    >>> range_in_units("outside the allowed range -30 .. 30 m", "us")
    'outside the allowed range -98.4 .. 98.4 ft'
    """

    def written(found: re.Match[str]) -> str:
        name = _RANGES[found[3]]
        ends = [float(deliver(float(end), name, units, FOOT_M)) for end in found.group(1, 2)]
        steps = [10.0 ** (math.floor(math.log10(abs(end))) - 2) if end else 1.0 for end in ends]
        low = math.ceil(ends[0] / steps[0] - 1e-9) * steps[0]
        high = math.floor(ends[1] / steps[1] + 1e-9) * steps[1]
        return f"{low:.6g} .. {high:.6g} {unit_in_text(name, units)}"

    return text if units == "si" else _RANGE.sub(written, text)


def expected(key: Key, labels: StationLabels, units: str = "si") -> str:
    """Say in a few words what a key takes: unit, allowed range in those of the delivery, words, an example."""
    schema = adapter_of(key).json_schema()
    if "anyOf" in schema:
        schema = next(item for item in schema["anyOf"] if item.get("type") != "null") | {
            name: schema[name] for name in ("examples",) if name in schema
        }
    if "enum" in schema:
        return " or ".join(json.dumps(word) for word in schema["enum"])
    text = ".".join(str(part) for part in key if isinstance(part, str))
    if "$comment" in schema:
        between = range_in_units(schema["$comment"], units)
        return f'with its unit, {between}, like "{_LIKE.get(text, schema["examples"][0])}"'
    if "minimum" in schema and "maximum" in schema:
        return f"{schema['minimum']:g} .. {schema['maximum']:g}"
    if key[-1] in ("station", "start"):
        return f'a station, like "{labels.text(labels.example_m)}"'
    return _EXPECTED.get(text, _example(schema))


_RANGES = {  # a name in each unit that ranges are given in and deliveries differ in
    "m": "range_m", "m2": "range_m2", "m/s": "range_mps", "degC": "range_c",
    "degC of difference": "range_delta_c",
}  # fmt: skip
_RANGE = re.compile(r"(-?[0-9.e+-]+) \.\. (-?[0-9.e+-]+) (degC of difference|degC|m/s|m2|m)(?![\w/])")
_LIKE = {
    "lot.thickness": "2 in", "lot.paved_width": "12 ft", "rig.antenna_forward": "78 in ahead",
    "rig.antenna_right": "4 in left", "rig.antenna_up": "11 ft", "rig.screed_forward": "3 ft ahead",
    "rig.non_slip_forward": "9 ft ahead", "rig.wheel_per_count": "0.5 mm", "scanner.mat_left": "-6 ft",
    "scanner.mat_right": "6 ft", "mark.distance": "50 ft before",
}  # fmt: skip
_EXPECTED = {
    "files.alignment": 'a file in the lot folder, like "centreline.geojson"',
    "files.fixes": 'a file in the lot folder, like "gnss.nmea"',
    "files.scan": 'a file in the lot folder, like "scan.csv"',
    "files.wheel": 'a file in the lot folder, like "wheel.csv"',
    **{f"files.{name}": f'a file in the lot folder, like "{name}.csv"' for name in SIDE_FILES},
    "crs.fixes": 'geographic, like "EPSG:6318"; ask the operator of the correction service',
    "stationing.mat_offsets": 'left and right edge, like "0 ft, 12 ft right"',
    "mark.at": '"first line", the number of a scan line, or a time with its zone',
    "scanner.spots_right": '{ first = "-5.5 ft", last = "5.5 ft" }, a list, or { height, angle_first, angle_last }',
    "lot.time_zone": 'IANA name, like "America/Boise"',
    "crs.map": 'projected, like "EPSG:6448"',
    "rules.profile": 'like "differential-150ft", or a .toml file in the lot folder',
    "formats.scan": 'a shipped one, like "wide-csv", or a .toml file in the lot folder',
    "formats.fixes": 'a shipped one, like "nmea-0183", or a .toml file in the lot folder',
    "rig.evidence": "names of files written by `rig ...`, a comma between them",
    "lot.id": 'like "KR12-L2-20260514"',
}  # fmt: skip


def _example(schema: dict[str, Any]) -> str:
    examples = schema.get("examples")
    return f"like {json.dumps(examples[0])}" if examples else "text"


def read_answer(key: Key, text: str, labels: StationLabels, units: str = "si") -> Any:
    """Turn what a person typed into the value that stands in lot.toml.

    Raises
    ------
    ValueError
        In plain words: what was found and what is expected.
    """
    value = _value_of(key, text.strip())
    if key[:2] == ("lot", "agency"):
        return value
    try:
        adapter_of(key).validate_python(value, context={"labels": labels})
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        cause = first.get("ctx", {}).get("error")
        said = str(cause) if cause else f'"{text}" is not {expected(key, labels)}'
        raise ValueError(range_in_units(said, units)) from None
    return value


def _value_of(key: Key, text: str) -> Any:
    """Read numbers, lists and tables as TOML has them; everything else is text."""
    if key in (("rig", "evidence"), ("stationing", "mat_offsets")) and not text.startswith("["):
        return [item.strip() for item in text.split(",")]
    is_plain_number = key in (("lot", "lift"), ("lot", "revision"), ("crs", "epoch")) or key[-1] == "at"
    if text[:1] in "{[" or (is_plain_number and re.fullmatch(r"[0-9]+(\.[0-9]+)?", text)):
        try:
            return tomllib.loads(f"value = {text}")["value"]
        except tomllib.TOMLDecodeError:
            raise ValueError(f'"{text}" cannot be read: {expected(key, StationLabels())}') from None
    return text
