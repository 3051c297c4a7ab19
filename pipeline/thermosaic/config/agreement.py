"""Do the sections of a lot agree with each other, and with the rule and the formats that it names?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from .changes import ChangeSection, SetUp, changed_by, impossible
from .rig import one_line
from .stationing import passes_in_time, time_order
from .whole import LotFile

Loc = tuple[str | int, ...]
Problems = Iterator[tuple[Loc, str]]
Parts = Mapping[str, Any]  # RuleProfile and LogFormat by key prefix: rule, format.scan, ..


def disagreements(file: LotFile, found: Parts) -> Problems:
    """Find what no single section of a lot can see.

    Parameters
    ----------
    file : LotFile
        lot.toml as written, each section sound in itself.
    found : mapping
        The rule profile (`rule`) and the log formats (`format.scan`, ..) that it names, those that were read.

    Yields
    ------
    (key path in lot.toml, sentence)
    """
    for check in _CHECKS:
        yield from check(file, found)


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
    rules = found.get("rule")
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
    columns = part.columns if part else {}
    if "wheel_count" in columns and "wheel_m" not in columns and file.rig.wheel_per_count_m is None:
        yield ("rig", "wheel_per_count"), f"required by the format {part.id}: its wheel logs counts"


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
                "with several scanners none may move within a lot: make two lots of the same logs, one with [lot] "
                "limits to this moment and one from it, each with its own [[scanner]] tables",
            )
        if change.clock_offset_s is not None and any(part.clock_offset_s is not None for part in parts):
            text = (
                "several scanners with clocks of their own: make two lots, with [lot] limits at this moment"
            )
            yield ("change", index, "clock_offset"), text


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
    if "wheel_per_count_m" in stated and logged is not None and "wheel_count" not in logged.columns:
        text = "the wheel is logged in metres, not in counts: there is no constant to change"
        yield (*loc, "wheel_per_count"), text
    elif "wheel_per_count_m" in stated and old["wheel_per_count_m"] is None:
        yield (*loc, "wheel_per_count"), "needs [rig] wheel_per_count too: the constant before the change"


_CHECKS = (_check_stationing, _check_passes, _check_rules, _check_wheel, _check_scanners, _check_changes)
