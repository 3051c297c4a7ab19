"""The commented lot.toml that answers make."""

from __future__ import annotations

import json
import re
from typing import Any

from ..config import SIDE_FILES, LotFile, Section
from .keys import fields_of, sections_of

_WORTH_SHOWING = {  # optional keys that a new file names in a comment
    "lot": ("course", "mix", "warm_mix", "laydown_target", "spread_rate", "paved_width", "shift", "note", "limits"),
    "files": ("wheel", "alignment", "exclusions", *SIDE_FILES),
    "crs": ("epoch", "alignment"),
    "rig": ("cross_slope", "heading_offset", "wheel_per_count", "evidence"),
    "stationing": ("start", "mat_offsets", "labels"),
    "delivery": ("display_low", "display_high"),
}  # fmt: skip
_TITLES = {
    "lot": "contract and road", "files": "logs, by path from this folder", "formats": "what their columns mean",
    "crs": "frames of reference",
    "rig": "where things sit on the paver, from C, the point of the mat straight below the scanner",
    "scanner": "the line of spots, and the edges of the paved mat under it",
    "stationing": "how stations run", "rules": "how the mat is judged", "grid": "cells of the pictures",
    "accept": "when to stop rather than go on", "delivery": "what the agency receives",
}  # fmt: skip


def lot_text(answers: dict[str, Any], heading: str, scanner_notes: tuple[str, ...] = ()) -> str:
    """Write lot.toml: every key answered with its meaning, and the optional ones worth knowing as comments."""
    parts = [f"# {line}" for line in heading.splitlines()]
    for name, info in LotFile.model_fields.items():
        key = info.alias or name
        if isinstance(answers.get(key), list | tuple):
            parts += [
                "",
                *(
                    line
                    for entry in answers[key]
                    for line in (f"[[{key}]]", *_lines(entry, sections_of(info)[-1]))
                ),
            ]
        elif key in _TITLES and (answers.get(key) or key in _WORTH_SHOWING):
            notes = [f"# {note}" for note in scanner_notes] if key == "scanner" else []
            parts += [
                "",
                f"[{key}]  # {_TITLES[key]}",
                *_lines(answers.get(key, {}), sections_of(info)[0]),
                *notes,
            ]
            parts += _hints(key, answers.get(key, {}), sections_of(info)[0])
            if key == "lot" and answers["lot"].get("agency"):
                agency = answers["lot"]["agency"]
                parts += ["", "[lot.agency]  # what the agency asks for"]
                parts += [f"{_toml_key(name)} = {toml_value(value)}" for name, value in agency.items()]
    return "\n".join(parts) + "\n"


def _lines(entry: dict[str, Any], model: type[Section]) -> list[str]:
    """Write the answered keys of one table in the order of `config`, each with its meaning."""
    lines = []
    for name, info in model.model_fields.items():
        key = info.alias or name
        if key in entry and key != "agency":
            lines.append(_with_comment(f"{key} = {toml_value(entry[key])}", info.description))
    return lines


def _hints(section: str, entry: dict[str, Any], model: type[Section]) -> list[str]:
    """Name optional keys that are not set, as comments."""
    by_key = fields_of(model)
    names = [name for name in _WORTH_SHOWING.get(section, ()) if name not in entry]
    return [_with_comment(f"# {name} =", by_key[name].description) for name in names]


def _with_comment(text: str, meaning: str | None) -> str:
    return f"{text:<44}  # {meaning}" if meaning else text


def _toml_key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else json.dumps(name, ensure_ascii=False)


def toml_value(value: Any) -> str:
    """Write a plain value as TOML.

    >>> toml_value({"first": "-5.5 ft", "last": "5.5 ft"})
    '{ first = "-5.5 ft", last = "5.5 ft" }'
    """
    if isinstance(value, dict):
        return (
            "{ " + ", ".join(f"{_toml_key(key)} = {toml_value(item)}" for key, item in value.items()) + " }"
        )
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    if isinstance(value, str) and "\x7f" not in value:
        return json.dumps(value, ensure_ascii=False)
    return json.dumps(value)
