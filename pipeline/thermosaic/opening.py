"""Open a lot: read lot.toml, resolve what it names, and check what no single section can see.

Here a lot folder becomes a `LotConfig`; the logs themselves are not touched. Also a new lot from a rig, a
rule profile and an agency's naming pattern, and the two views of a configuration that people use: its
schema, and every value in effect with where it came from.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from . import questions
from .config import (
    SIDE_FILES,
    AgencyPattern,
    ChangeSection,
    CrsSection,
    LotConfig,
    LotFile,
    LotStatement,
    Section,
    SetUp,
    StationingSection,
    changed_by,
    impossible,
    one_line,
    passes_in_time,
    stated_values,
    time_order,
)
from .datum import foot_m
from .errors import ConfigError
from .files.alignment import station_equations
from .files.catalogue import find_settings, load_agency, load_rig, read_format, read_rules, shipped
from .files.logs import count_spots
from .files.recognise import recognise_logs
from .files.settings import (
    Loc,
    Settings,
    key_text,
    read_toml,
    refusal,
    refusals,
    toml_settings,
    validated,
    write_settings,
)
from .kernels.scan_geometry import on_mat, spot_pitches
from .stages.s1_ingest import spot_centres
from .units import FOOT_M, StationLabels
from .values import path_inside

Problems = Iterator[tuple[Loc, str]]
Parts = dict[str, tuple[Any, Settings]]  # by key prefix: rule, format.scan, ..
_SI_OF_ENDING = {
    "_kg_m2": "kg/m2", "_delta_c": "degC of difference", "_m2": "m2", "_mps": "m/s", "_c": "degC", "_m": "m",
    "_deg": "deg", "_s": "s",
}  # fmt: skip


@dataclass(frozen=True, eq=False, slots=True)
class _Opened:
    """A lot with the files that its values came from."""

    config: LotConfig
    file: LotFile
    settings: Settings
    parts: tuple[tuple[str, Section, Settings], ...]  # (key prefix, section, its own file)


def load_config(lot: Path) -> LotConfig:
    """Read the configuration of a lot, with everything it names resolved.

    Parameters
    ----------
    lot : Path
        The lot folder, or its lot.toml.

    Returns
    -------
    LotConfig
        Paths absolute, log formats and rule profile read, passes in order of time, each with an id.

    Raises
    ------
    ConfigError
        One line for each error found: `FILE:LINE: key: what was found, what was expected`.
    """
    return _open(Path(lot)).config


def config_schema() -> dict[str, Any]:
    """Return the JSON Schema of lot.toml as a user writes it: quantities are strings with units."""
    schema = LotFile.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": "lot.toml"}


def config_show(lot: Path) -> dict[str, tuple[str, str]]:
    """List every value in effect and where it came from.

    Returns
    -------
    dict
        Key as written in the file (`rule.` and `format.` before those of the rule profile and the log
        formats) to the value as stated, with its SI value, and its origin: `lot.toml:12`, `default`, or the
        rule's or format's own file and line, with source and standing of a rule's number.
    """
    opened = _open(Path(lot))
    shown = dict(_values((), opened.file, opened.settings))
    if opened.file.stationing.labels is None:
        units = opened.file.delivery.units
        shown["stationing.labels"] = (opened.config.labels.unit, f"default for {units}")
    for prefix, section, settings in opened.parts:
        shown.update({f"{prefix}.{key}": value for key, value in _values((), section, settings)})
    return shown


def demo_lots() -> list[Path]:
    """List the shipped demonstration lots."""
    return sorted(path.parent for path in shipped("demo_project").glob("*/lot.toml"))


# ------------------------------------------------------------------------------------------- a new lot

_OWN = {  # what one lot never takes over from another: its name, its hours, its marks, its own story
    "lot": ("id", "revision", "supersedes", "reason", "limits", "note", "shift"),
    "pass": (), "mark": (), "exclude": (), "change": (),
}  # fmt: skip


def first_answers(
    rig: str | None, rules: str | None, agency: str | None, like: Path | None, folder: Path
) -> tuple[dict[str, Any], AgencyPattern | None]:
    """Gather what a new lot takes over: another lot's settings, a rig file's tables, a rule profile's name.

    Parameters
    ----------
    rig, rules, agency : str or None
        Shipped names of configs/rigs, configs/rules, configs/agencies, or paths of own files in `folder`.
    like : Path or None
        A lot whose settings are taken over, without its name, limits, marks, passes and exclusions.
    folder : Path
        The folder of the new lot.

    Returns
    -------
    (nested answers by the keys of lot.toml, naming pattern or None)
    """
    answers: dict[str, Any] = {}
    if like is not None:
        answers = _taken_over(read_toml(like if like.suffix == ".toml" else like / "lot.toml").data)
    if rig is not None:
        load_rig(rig, folder)
        tables = read_toml(find_settings("rigs", rig, folder)).data
        answers = questions.merged(answers, {key: tables[key] for key in ("rig", "scanner")})
    if rules is not None:
        answers = questions.with_answer(answers, ("rules", "profile"), rules)
    named = agency or questions.answer_of(answers, ("lot", "agency", "naming"))
    pattern = load_agency(named, folder) if named else None
    if pattern is not None:
        answers = questions.with_answer(answers, ("lot", "agency", "naming"), named)
    return answers, pattern


def _taken_over(data: dict[str, Any]) -> dict[str, Any]:
    kept = {key: value for key, value in data.items() if key not in _OWN or _OWN[key]}
    lot = {key: value for key, value in kept.get("lot", {}).items() if key not in _OWN["lot"]}
    agency = {key: value for key, value in lot.get("agency", {}).items() if "date" not in key}
    return kept | {"lot": lot | ({"agency": agency} if agency else {})}


def read_answers(path: Path) -> dict[str, Any]:
    """Read a TOML file of answers: the keys of lot.toml, as many as are known."""
    return read_toml(path).data


def propose(folder: Path) -> dict[str, Any]:
    """Propose answers: the logs found in the folder, and usual values that a person confirms."""
    usual = {"rules.profile": "differential-150ft", "delivery.units": "us", "rig.clock_offset": "auto"}
    return usual | recognise_logs(folder)


def new_lot(folder: Path, answers: dict[str, Any], agency: AgencyPattern | None = None) -> str:
    """Make the text of a lot.toml from answers; nothing is written.

    Parameters
    ----------
    folder : Path
        Where it will stand; the logs it names need not be there yet.
    answers : dict
        Nested mapping of the keys of lot.toml.
    agency : AgencyPattern or None
        Naming pattern; the lot's name is made by it where the answers have none.

    Raises
    ------
    ConfigError
        One line for each answer that is missing (with unit, range and why) or not taken.
    """
    made = questions.proposed_name(answers, agency)
    if made and questions.answer_of(answers, ("lot", "id")) is None:
        answers = questions.with_answer(answers, ("lot", "id"), made)
    missing = [item for item in questions.open_questions(answers, agency, {}) if item.required]
    if missing:
        lines = [f"{item.key_text}: {item.meaning}: {item.expects} ({item.why})" for item in missing]
        raise refusals([f"{len(missing)} answers are missing; give them with --set KEY=VALUE:", *lines])
    text = questions.lot_text(answers, _heading(agency))
    path = folder / "lot.toml"
    opened = _resolved(toml_settings(path, text), Path(os.path.abspath(folder)))
    if agency is not None:
        problems = questions.agency_problems(opened.settings.data, agency)
        if problems:
            opened.settings.refuse(problems)
    return questions.lot_text(answers, _heading(agency), tuple(describe_mat(opened.config)))


def write_lot_file(path: Path, text: str) -> None:
    """Write a lot file; its folder is made where it is not there."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_settings(path, text)


def _heading(agency: AgencyPattern | None) -> str:
    named = f" Named by the pattern {agency.id}." if agency else ""
    return (
        "A lot: what was laid, its logs, the rig that saw it, and how it is judged. `thermosaic check` reads it.\n"
        "Every quantity carries its unit; a wrong or missing key is named with its line."
        f"{named}"
    )


def describe_mat(config: LotConfig) -> list[str]:
    """Say which spots lie wholly on the mat, and the scanned and the paved width; [] before a scan is there."""
    scanner, path = config.scanner, config.files.scan[0]
    paved_m = scanner.mat_right_m - scanner.mat_left_m
    widths = f"paved width under the scanner {paved_m:.3f} m ({paved_m / FOOT_M:.2f} ft)"
    if config.scanners:
        return [f"{widths}; {len(config.scanners)} scanners: `check` tells which of their spots lie on it"]
    if not path.is_file():
        return [f"{widths}; which spots lie on it is told once {path.name} is there"]
    count = count_spots(path, config.scan_format)
    pitch_m = spot_pitches(spot_centres(scanner, count, path.name))
    inside = on_mat(pitch_m, scanner.mat_left_m, scanner.mat_right_m)
    if not inside.any():
        return [f"{widths}; none of {count} spots lies wholly on it: check spots_right and the edges"]
    scanned_m = float(pitch_m[inside].max() - pitch_m[inside].min())
    first, last = (int(index) + 1 for index in inside.nonzero()[0][[0, -1]])
    return [
        f"{widths}; spots {first} to {last} of {count} lie wholly on it: scanned width {scanned_m:.3f} m "
        f"({scanned_m / FOOT_M:.2f} ft)"
    ]


# ------------------------------------------------------------------------------------------- resolving


def _open(lot: Path) -> _Opened:
    path = lot if lot.suffix == ".toml" else lot / "lot.toml"
    if not os.path.lexists(path):
        raise refusal(
            f"{path}: not there: a lot is a folder with lot.toml in it, or that file; `thermosaic new` writes one"
        )
    return _resolved(read_toml(path), Path(os.path.abspath(path.parent)))


def _resolved(settings: Settings, folder: Path) -> _Opened:
    labels = _with_equations(_labels(settings.data), settings.data, folder)
    file = validated(LotFile, settings, folder=folder, labels=labels)
    found, complaints = _parts(file, settings, folder)
    problems = [problem for check in _CHECKS for problem in check(file, found)]
    complaints = settings.describe(problems) + complaints
    if complaints:
        raise ConfigError("\n".join(complaints))
    stated = {name: getattr(file, name) for name in LotStatement.model_fields}
    stated["passes"] = passes_in_time(file.passes)
    if isinstance(file.scanner, tuple):
        stated["scanner"], stated["scanners"] = one_line(file.scanner), file.scanner
        stated["files"] = file.files.model_copy(update={"scan": file.scanner[0].file})
    config = LotConfig(
        **stated,
        rules=found["rule"][0],
        scan_format=found["format.scan"][0],
        fixes_format=found["format.fixes"][0],
        **{
            f"{role}_format": found[f"format.{role}"][0]
            for role in ("wheel", *SIDE_FILES)
            if f"format.{role}" in found
        },
        labels=labels,
        folder=folder,
        source_text=settings.text,
    )
    return _Opened(config, file, settings, tuple((key, *part) for key, part in found.items()))


def _labels(data: dict[str, Any]) -> StationLabels:
    """Take station labels and their foot from the file before it is checked; the checks follow."""
    stationing, delivery, crs = (
        value if isinstance(value, dict) else {}
        for value in (data.get("stationing"), data.get("delivery"), data.get("crs"))
    )
    unit = stationing.get("labels", "100 ft" if delivery.get("units") == "us" else "100 m")
    try:
        foot = foot_m(crs.get("map"))
    except (ConfigError, IndexError):
        foot = FOOT_M
    return StationLabels(unit if unit in ("100 ft", "100 m", "1000 m") else "100 m", foot)


def _with_equations(labels: StationLabels, data: dict[str, Any], folder: Path) -> StationLabels:
    """Add the alignment's station equations: without them labels of several regions cannot be read.

    A lot whose sections do not stand is left to the checks that follow.
    """
    try:
        name = data["files"]["alignment"]
        frames = CrsSection.model_validate(data["crs"])
        line = StationingSection.model_validate(
            {key: value for key, value in data.get("stationing", {}).items() if key == "alignment"}
        )
        path = folder / path_inside(name)
    except (KeyError, TypeError, AttributeError, ValueError):
        return labels
    if not path.is_file():
        return labels
    equations = station_equations(path, line.alignment, frames)
    return replace(labels, equations=equations)


def _parts(file: LotFile, settings: Settings, folder: Path) -> tuple[Parts, list[str]]:
    """Read the rule profile and the log formats; return what was read, and the lines of what was wrong."""
    wanted: list[tuple[str, Loc, str, str, Callable[[Path], Any]]] = [
        ("rule", ("rules", "profile"), "rules", file.rules.profile, read_rules),
        ("format.scan", ("formats", "scan"), "formats", file.formats.scan, read_format),
        ("format.fixes", ("formats", "fixes"), "formats", file.formats.fixes, read_format),
    ]
    for role in ("wheel", *SIDE_FILES):
        if getattr(file.files, role):
            name = getattr(file.formats, role)
            wanted.append((f"format.{role}", ("formats", role), "formats", name, read_format))
    found, complaints = {}, []
    for key, loc, kind, name, read in wanted:
        try:
            found[key] = read(find_settings(kind, name, folder))
        except ConfigError as error:
            complaints.append(str(error))
            continue
        except ValueError as error:
            complaints += settings.describe([(loc, str(error))])
            continue
        if kind == "formats" and found[key][0].kind != loc[-1]:
            text = f'"{name}" is a format of {found[key][0].kind}, not of {loc[-1]}'
            complaints += settings.describe([(loc, text)])
    return found, complaints


# ---------------------------------------------------------------------------------------- cross checks


def _check_stationing(file: LotFile, found: Parts) -> Problems:
    """Stations start from an alignment or from a mark with a direction."""
    has_alignment = file.files.alignment is not None
    if not has_alignment and not file.marks:
        text = "stations need a start: give [files] alignment, or one [[mark]] with a direction"
        yield ("stationing",), text
    in_passes = bool(file.passes) and all(item.direction for item in file.passes)
    if not has_alignment and file.marks and file.stationing.direction is None and not in_passes:
        yield ("stationing", "direction"), "required without an alignment, here or in every [[pass]]"
    for key in ("alignment", "start"):
        stated = getattr(file.stationing, "start_m" if key == "start" else key)
        if not has_alignment and stated is not None:
            yield ("stationing", key), "belongs to an alignment, and [files] names none"


def _check_passes(file: LotFile, found: Parts) -> Problems:
    """Passes have different names, do not overlap in time, and marks name passes that exist."""
    order, ordered = time_order(file.passes), passes_in_time(file.passes)
    names = [str(item.id) for item in ordered]
    for number, item in enumerate(ordered):
        before = ordered[number - 1] if number else None
        if names[number].lower() in [name.lower() for name in names[:number]]:
            yield ("pass", order[number], "id"), f'two passes are called "{item.id}": each needs its own id'
        if before is not None and (before.to is None or item.from_ is None or before.to > item.from_):
            text = f'passes "{before.id}" and "{item.id}" overlap in time: end one before the next begins'
            yield ("pass", order[number], "from"), text
    for index, mark in enumerate(file.marks):
        known = names or ["1"]
        if mark.pass_id is not None and mark.pass_id not in known:
            yield ("mark", index, "pass"), f'"{mark.pass_id}" is not a pass: there is {", ".join(known)}'


def _check_rules(file: LotFile, found: Parts) -> Problems:
    """What a rule needs from the lot is there."""
    rules = found["rule"][0] if "rule" in found else None
    if rules is None:
        return
    if rules.profile.anchor == "whole_station" and file.files.alignment is None:
        yield (
            ("rules", "profile"),
            f"{rules.id} cuts profiles at whole stations: that needs [files] alignment",
        )
    if rules.statistic.kind == "below_target" and file.lot.laydown_target_c is None:
        yield ("lot", "laydown_target"), f"required by {rules.id}: its statistic is taken from the target"
    elif rules.zone.reference == "laydown_target" and file.lot.laydown_target_c is None:
        yield ("lot", "laydown_target"), f"required by {rules.id}: its zones are found against the target"


def _check_wheel(file: LotFile, found: Parts) -> Problems:
    """A wheel that only counts needs the travel of one count; where both are possible the log decides."""
    part = found.get("format.wheel" if file.files.wheel else "format.scan")
    columns = part[0].columns if part else {}
    if "wheel_count" in columns and "wheel_m" not in columns and file.rig.wheel_per_count_m is None:
        yield ("rig", "wheel_per_count"), f"required by the format {part[0].id}: its wheel logs counts"


def _check_scanners(file: LotFile, found: Parts) -> Problems:
    """One scanner has its log in [files]; several have one each, and state each edge of the mat once."""
    parts = file.scanner if isinstance(file.scanner, tuple) else ()
    if not parts and not file.files.scan:
        yield ("files", "scan"), "required, but missing (Scan log: one row a line of spots)"
    if not isinstance(file.scanner, tuple):
        return
    if len(parts) < 2:
        yield ("scanner",), "[[scanner]] is for several scanners: write one as [scanner]"
        return
    if file.files.scan:
        yield ("files", "scan"), "each [[scanner]] names its own file: leave this one out"
    for key, name in (("mat_left", "mat_left_m"), ("mat_right", "mat_right_m")):
        stated = [index for index, part in enumerate(parts) if getattr(part, name) is not None]
        if len(stated) != 1:
            loc = ("scanner", stated[1], key) if stated else ("scanner", 0, key)
            yield loc, f"stated {len(stated)} times: exactly one [[scanner]] states this edge of the mat"
    names = [part.id.casefold() for part in parts]
    for index, part in enumerate(parts):
        if names.index(names[index]) != index:
            yield ("scanner", index, "id"), f'two scanners are called "{part.id}": each needs its own id'
        if part.clock_offset_s is not None and file.rig.clock_offset_s == "auto":
            text = 'needs [rig] clock_offset stated too: "auto" finds one offset for all'
            yield ("scanner", index, "clock_offset"), text
    for index, change in enumerate(file.changes):
        if change.spots_right is not None:
            yield (
                ("change", index, "spots_right"),
                "several scanners: state two lots where one of them is moved",
            )


def _check_changes(file: LotFile, found: Parts) -> Problems:
    """Changes stand in order, change something, and leave a set-up that can be."""
    if isinstance(file.scanner, tuple):
        scanner = one_line(file.scanner)
        if None in (scanner.mat_left_m, scanner.mat_right_m):
            return
    else:
        scanner = file.scanner
    known = [str(item.id) for item in passes_in_time(file.passes)] or ["1"]
    last, before = None, SetUp.model_construct(at=None, rig=file.rig, scanner=scanner, taper_m=0.0)
    for index, change in enumerate(file.changes):
        yield from _check_change(("change", index), change, before, found)
        if change.at is not None and last is not None and change.at <= last:
            yield (
                ("change", index, "at"),
                "not later than the change before it: state changes in order of time",
            )
        if change.pass_id is not None and change.pass_id not in known:
            text = f'"{change.pass_id}" is not a pass: there is {", ".join(known)}'
            yield ("change", index, "pass"), text
        last, before = change.at or last, changed_by(before, change)


def _check_change(loc: Loc, change: ChangeSection, before: SetUp, found: Parts) -> Problems:
    stated, old = change.stated, {**dict(before.rig), **dict(before.scanner)}
    if all(old[name] == value for name, value in stated.items()):
        yield loc, "changes nothing: every key has the value that held before it"
    wrong = impossible(changed_by(before, change))
    if wrong:
        yield loc, wrong
    if "clock_offset_s" in stated and old["clock_offset_s"] == "auto":
        yield (*loc, "clock_offset"), 'needs [rig] clock_offset stated too: "auto" finds one offset for all'
    logged = found.get("format.wheel", found.get("format.scan"))
    if "wheel_per_count_m" in stated and logged is not None and "wheel_count" not in logged[0].columns:
        text = "the wheel is logged in metres, not in counts: there is no constant to change"
        yield (*loc, "wheel_per_count"), text
    elif "wheel_per_count_m" in stated and old["wheel_per_count_m"] is None:
        yield (*loc, "wheel_per_count"), "needs [rig] wheel_per_count too: the constant before the change"


_CHECKS = (_check_stationing, _check_passes, _check_rules, _check_wheel, _check_scanners, _check_changes)


# ------------------------------------------------------------------------------------------ showing


def _values(path: Loc, section: Section, settings: Settings) -> Iterator[tuple[str, tuple[str, str]]]:
    """Walk through a section's values: key, (value as text, origin)."""
    for name, info in type(section).model_fields.items():
        loc, value = (*path, info.alias or name), getattr(section, name)
        if isinstance(value, Section):
            yield from _values(loc, value, settings)
        elif isinstance(value, tuple) and value and isinstance(value[0], Section):
            for index, item in enumerate(value):
                yield from _values((*loc, index), item, settings)
        elif value not in (None, (), {}) and name != "sources":
            stated = _at(loc, settings)
            text = info.default if stated is None else stated
            yield key_text(loc), (_text(name, value, text), _origin(loc, stated is not None, settings))


def _at(loc: Loc, settings: Settings) -> Any:
    """Return what a file states at a key path, or None."""
    value: Any = settings.data
    for part in loc:
        inside = part in value if isinstance(value, dict) else isinstance(value, tuple)
        value = value[part] if inside else None
    return value


def _text(name: str, value: Any, stated: Any) -> str:
    """Write a value as stated, and in SI where a unit was read."""
    if isinstance(stated, tuple):
        return ", ".join(str(item) for item in stated)
    if isinstance(stated, bool | dict):
        return json.dumps(stated, ensure_ascii=False)
    unit = next((unit for ending, unit in _SI_OF_ENDING.items() if name.endswith(ending)), "")
    if not isinstance(value, float) or not isinstance(stated, str) or stated == f"{value:g} {unit}":
        return str(stated)
    return f"{stated} ({value:.9g} {unit})"


def _origin(loc: Loc, is_stated: bool, settings: Settings) -> str:
    """Tell where a value comes from; for a number of a rule profile also its source."""
    if not is_stated:
        return "default"
    place = f"{settings.path.name}:{settings.line(loc)}"
    note = _source(loc, settings)
    return f"{place}; {note['source']} ({note['standing']})" if note else place


def _source(loc: Loc, settings: Settings) -> dict[str, str] | None:
    """Return the source note of a rule's number."""
    paths = {path: key for key, (path, _) in stated_values(settings.data).items()}
    sources = settings.data.get("sources")
    return sources.get(paths.get(loc)) if isinstance(sources, dict) else None
