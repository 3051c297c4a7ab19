"""An agency's naming pattern: the lot's name that it makes, and what it refuses in a lot."""

from __future__ import annotations

import re
from typing import Any

from ..config import AgencyPattern
from .answers import answer_of
from .keys import Key


def proposed_name(answers: dict[str, Any], agency: AgencyPattern | None) -> str | None:
    """Make the lot's name by an agency's pattern; None while a part of it is missing.

    >>> from thermosaic.config import AgencyPattern
    >>> part = {"key": "lot.route", "meaning": "m", "example": "e", "words": {"County Road": "CR"}}
    >>> agency = AgencyPattern(id="a", title="t", name="{route}-x", pattern="CR.*", parts={"route": part})
    >>> proposed_name({"lot": {"route": "County Road 12"}}, agency)
    'CR12-x'
    """
    if agency is None:
        return None
    values = {}
    for name, part in agency.parts.items():
        value = answer_of(answers, tuple(part.key.split(".")))
        if value is None:
            return None
        values[name] = _as_part(str(value), part.words)
    return agency.name.format(**values)


def _as_part(text: str, words: dict[str, str]) -> str:
    """Replace the agency's words and drop what no file name takes."""
    for word, short in words.items():
        text = text.replace(word, short)
    return re.sub(r"[^A-Za-z0-9]", "", text)


def agency_problems(answers: dict[str, Any], agency: AgencyPattern) -> list[tuple[Key, str]]:
    """Find what an agency's pattern refuses in a lot: (key path, sentence)."""
    problems: list[tuple[Key, str]] = []
    name = answer_of(answers, ("lot", "id"))
    made = proposed_name(answers, agency)
    if name is not None and not re.fullmatch(agency.pattern, str(name)):
        text = f'"{name}" is not a name that {agency.id} takes: {_what_it_takes(name, made, answers, agency)}'
        problems.append((("lot", "id"), text))
    elif name is not None and made is not None and name != made:
        text = f'"{name}" does not say what the lot states: by {agency.id} it is "{made}"'
        problems.append((("lot", "id"), text))
    for key, entry, required in agency.agency_keys():
        value = answer_of(answers, ("lot", "agency", key))
        if value is None and required:
            problems.append(
                (("lot", "agency", key), f"required by {agency.id}, but missing ({entry.meaning})")
            )
        elif value is not None and not re.fullmatch(entry.pattern, str(value)):
            text = f'"{value}" is not what {agency.id} expects ({entry.meaning}), like "{entry.example}"'
            problems.append((("lot", "agency", key), text))
    return problems


def _what_it_takes(name: str, made: str | None, answers: dict[str, Any], agency: AgencyPattern) -> str:
    """Say which part of a lot's name the agency's pattern refuses, or how such a name looks."""
    if made is not None and re.fullmatch(agency.pattern, made):
        return f'{agency.name}, like "{made}"'
    examples = {part: _as_part(entry.example, entry.words) for part, entry in agency.parts.items()}
    example = agency.name.format(**examples)
    like = f'{agency.name}, like "{example}"'
    if made != name or not re.fullmatch(agency.pattern, example):
        return like
    for part, entry in agency.parts.items():
        value = str(answer_of(answers, tuple(entry.key.split("."))))
        short = _as_part(value, entry.words)
        if not re.fullmatch(agency.pattern, agency.name.format(**(examples | {part: short}))):
            return f'{like}; {entry.key} "{value}" gives "{short}", expected is one like "{entry.example}"'
    return like
