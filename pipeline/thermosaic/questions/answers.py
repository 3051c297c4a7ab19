"""Answers: a nested mapping of the keys of lot.toml, as many as are known."""

from __future__ import annotations

from typing import Any

from ..units import StationLabels
from .keys import Key


def answer_of(answers: Any, key: Key) -> Any:
    """Return what is answered at a key path, or None."""
    for part in key:
        inside = (
            part in answers
            if isinstance(answers, dict)
            else isinstance(answers, list | tuple) and isinstance(part, int) and part < len(answers)
        )
        answers = answers[part] if inside else None
    return answers


def with_answer(answers: dict[str, Any], key: Key, value: Any) -> dict[str, Any]:
    """Return the answers with one more; tables and lists on the way are made."""
    head, rest = key[0], key[1:]
    inner = answers.get(head) if isinstance(head, str) else None
    if not rest:
        return {**answers, head: value}
    if isinstance(rest[0], int):
        entries = [dict(item) for item in (inner or [])] or [{}]
        entries[rest[0]] = with_answer(entries[rest[0]], rest[1:], value)
        return {**answers, head: entries}
    return {**answers, head: with_answer(dict(inner or {}), rest, value)}


def merged(first: dict[str, Any], second: dict[str, Any]) -> dict[str, Any]:
    """Lay the second mapping over the first, table by table; lists and spots are replaced whole."""
    result = dict(first)
    for key, value in second.items():
        both = isinstance(value, dict) and isinstance(result.get(key), dict) and key != "spots_right"
        result[key] = merged(result[key], value) if both else value
    return result


def units_of(answers: dict[str, Any]) -> str:
    """Units that ranges are shown in: the delivery's, as far as the answers tell."""
    return "us" if answer_of(answers, ("delivery", "units")) == "us" else "si"


def labels_of(answers: dict[str, Any]) -> StationLabels:
    """How stations are written, as far as the answers tell."""
    units = answer_of(answers, ("delivery", "units"))
    stated = answer_of(answers, ("stationing", "labels")) or ("100 ft" if units == "us" else "100 m")
    return StationLabels(stated if stated in ("100 ft", "100 m", "1000 m") else "100 m")
