"""Open a lot: read lot.toml, resolve what it names, and check what no single section can see.

Here a lot folder becomes a `LotConfig`; the logs themselves are not touched. Also the two views of a
configuration that people use: its schema, and every value in effect with where it came from.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from .config import (
    SIDE_FILES,
    CrsSection,
    LotConfig,
    LotFile,
    LotStatement,
    Section,
    StationingSection,
    disagreements,
    one_line,
    passes_in_time,
    stated_values,
)
from .datum import map_foot_m
from .errors import ConfigError
from .files.alignment import station_equations
from .files.catalogue import find_settings, read_format, read_rules, shipped
from .files.settings import (
    Loc,
    Settings,
    key_text,
    read_toml,
    refusal,
    validated,
)
from .units import FOOT_M, StationLabels
from .values import path_inside

Parts = dict[str, tuple[Any, Settings]]  # by key prefix: rule, format.scan, ..
_SI_OF_ENDING = {
    "_kg_m2": "kg/m2", "_delta_c": "degC of difference", "_m2": "m2", "_mps": "m/s", "_c": "degC", "_m": "m",
    "_deg": "deg", "_s": "s",
}  # fmt: skip


@dataclass(frozen=True, eq=False, slots=True)
class Opened:
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


# ------------------------------------------------------------------------------------------- resolving


def _open(lot: Path) -> Opened:
    path = lot if lot.suffix == ".toml" else lot / "lot.toml"
    if not os.path.lexists(path):
        raise refusal(
            f"{path}: not there: a lot is a folder with lot.toml in it, or that file; `thermosaic new` writes one"
        )
    return resolved(read_toml(path), Path(os.path.abspath(path.parent)))


def resolved(settings: Settings, folder: Path) -> Opened:
    """Resolve what a lot file names, from the folder that it stands in, and check the whole.

    Raises
    ------
    ConfigError
        As `load_config`.
    """
    labels = _with_equations(_labels(settings.data), settings.data, folder)
    file = validated(LotFile, settings, folder=folder, labels=labels)
    found, complaints = _parts(file, settings, folder)
    sections = {key: section for key, (section, _) in found.items()}
    complaints = settings.describe(list(disagreements(file, sections))) + complaints
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
    return Opened(config, file, settings, tuple((key, *part) for key, part in found.items()))


def _labels(data: dict[str, Any]) -> StationLabels:
    """Take station labels and their foot from the file before it is checked; the checks follow."""
    stationing, delivery, crs = (
        value if isinstance(value, dict) else {}
        for value in (data.get("stationing"), data.get("delivery"), data.get("crs"))
    )
    unit = stationing.get("labels", "100 ft" if delivery.get("units") == "us" else "100 m")
    try:
        foot = map_foot_m(crs.get("map"))
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


# ------------------------------------------------------------------------------------------- showing


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
    return f"{stated} ({f'{value:.9g} {unit}'.rstrip()})"


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
