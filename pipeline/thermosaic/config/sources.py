"""Where each number of a rule comes from: every number names one, and every source a number."""

from __future__ import annotations

import difflib
import re
from typing import Any, Literal

from pydantic import Field

from ..values import Line
from .section import Section

Standing = Literal[
    "confirmed in a fetched text",
    "second-hand",
    "from memory, to be checked",
    "from memory and unsure, to be checked",
    "common practice, no source",
    "derived",
]


class SourceNote(Section):
    """Where a number comes from and how sure that is."""

    source: Line = Field(description="Document, clause, or reason")
    standing: Standing = Field(description="How sure the number is")


def stated_values(rules: dict[str, Any]) -> dict[str, tuple[tuple[str | int, ...], bool]]:
    """List what a rule file states in its sections, as source keys.

    Parameters
    ----------
    rules : dict
        The rule file as read.

    Returns
    -------
    dict
        Source key (`stop.ahead`, `classes.severe.up_to`) to its path in the file and whether the value is
        a number (with or without unit) rather than a word.
    """
    stated: dict[str, tuple[tuple[str | int, ...], bool]] = {}
    for section, keys in rules.items():
        if section == "sources" or not isinstance(keys, dict):
            continue
        for key, value in keys.items():
            if section == "classes" and key == "words":
                stated.update(_class_limits(value))
                continue
            values = value if isinstance(value, tuple | list) else (value,)
            stated[f"{section}.{key}"] = ((section, key), any(_is_number(item) for item in values))
    return stated


def _class_limits(words: Any) -> dict[str, tuple[tuple[str | int, ...], bool]]:
    entries = enumerate(words if isinstance(words, tuple | list) else ())
    return {
        f"classes.{entry.get('word')}.{key}": (("classes", "words", index, key), True)
        for index, entry in entries
        if isinstance(entry, dict)
        for key in entry
        if key != "word"
    }


def _is_number(value: Any) -> bool:
    is_text_number = isinstance(value, str) and re.match(r" *[+-]?\.?[0-9]", value) is not None
    return is_text_number or (isinstance(value, int | float) and not isinstance(value, bool))


def unsourced(rules: dict[str, Any]) -> list[tuple[tuple[str | int, ...], str]]:
    """Find numbers of a rule file without a source, and sources that name nothing in it.

    Returns
    -------
    list of (path in the file, sentence)
    """
    stated, sources = stated_values(rules), rules.get("sources", {})
    sources = sources if isinstance(sources, dict) else {}
    problems: list[tuple[tuple[str | int, ...], str]] = [
        (path, f'the number has no source: add "{key}" with source and standing to [sources]')
        for key, (path, is_number) in stated.items()
        if is_number and key not in sources
    ]
    for key in sources:
        if key not in stated:
            near = difflib.get_close_matches(key, stated, 1)
            hint = f'; did you mean "{near[0]}"?' if near else ""
            problems.append((("sources", key), f"names no value of this file{hint}"))
    return problems
