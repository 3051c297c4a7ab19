"""A difference as text for people: 80 columns, each part a line and what it names below, in the reader's units."""

from __future__ import annotations

import textwrap

from ...delivery import Reader, in_units
from .nouns import Differences, Part, counted

WIDE, NAME_WIDE, SHOWN = 80, 16, 12


def told(found: Differences, reader: Reader) -> str:
    """Write what changed; what did not change is one line at the end."""
    before, after = found.revisions
    revisions = f"revision {before}" if before == after else f"revision {before} and revision {after}"
    head = f"{found.lot_id}, {revisions}: "
    if found.is_same:
        return _wrapped(f"{head}the same bytes in all {found.file_count} files but run.json", "", "  ")
    changed = [part for part in found.parts if part.differs]
    lines = [_wrapped(f"{head}{_verdict(found)}", "", "  ")]
    for part in changed:
        lines += ["", *_part_lines(part, reader)]
    still = [part.name for part in found.parts if not part.differs]
    if still:
        lines += ["", _wrapped(f"Unchanged: {', '.join(still)}.", "", "  ")]
    return "\n".join(lines)


def _verdict(found: Differences) -> str:
    """Say the most important things first: whether a class changed, and a cold zone came or went."""
    parts = {part.name: part for part in found.parts}
    first = f"{parts['profiles'].sentences[0]}; "
    for word, what in (("gone", "vanished"), ("added", "appeared")):
        zones = parts["cold zones"].numbers.get(word, 0)
        first += f"{counted(zones, 'cold zone')} {what}; " if zones else ""
    count = sum(part.differs for part in found.parts)
    if not count:
        return f"{first}every number compared is the same, {_files(found)}"
    return f"{first}{_files(found)}"


def _files(found: Differences) -> str:
    named = ", ".join(found.files[:3]) + (f" and {len(found.files) - 3} more" if len(found.files) > 3 else "")
    return f"{len(found.files)} of {found.file_count} files differ ({named})"


def _part_lines(part: Part, reader: Reader) -> list[str]:
    first, *more = (in_units(text, *reader) for text in part.sentences)
    lines = [_wrapped(first, f"{part.name.capitalize():<{NAME_WIDE}}", " " * NAME_WIDE)]
    lines += [_wrapped(text, "  - ", "    ") for text in more[:SHOWN]]
    if len(more) > SHOWN:
        lines.append(f"  - and {len(more) - SHOWN} more: --json names all")
    return lines


def _wrapped(text: str, first: str, later: str) -> str:
    return textwrap.fill(
        text,
        WIDE,
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,
        break_on_hyphens=False,
    )
