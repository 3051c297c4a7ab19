"""What changed between two results of one lot: open both, lay them side by side, say it.

Not done here: what a change is (`studies/diff_results`) and what a key affects (`checks/changes`).
"""

from __future__ import annotations

import filecmp
from pathlib import Path

import numpy as np
import pandas as pd

from .checks.changes import NAMES, key_changes
from .datum import Operation
from .delivery import Reader, together
from .errors import MismatchError, ProductError
from .files.manifest import RUN
from .files.parquet import SPOTS_FILE
from .files.sheets.lot_sheet import LotSheet, read_sheet
from .files.sheets.onto import onto_map, shapes_on_map
from .files.side_by_side import Lines, lines_by_time, side_by_side
from .results import open_result
from .studies.diff_results import COLUMNS, Differences, Part, ReadingTally, Side, result_parts, told
from .studies.diff_results.found import Shapes, brought_back
from .studies.diff_results.nouns import counted

MANY_NAMES = "rules.sources"  # told as one: a sentence for each number of a rule


def diff_results(old: Path | str, new: Path | str) -> Differences:
    """Say what changed between two results of one lot, and why.

    Parameters
    ----------
    old, new : path
        Published results; places are compared on the map of the old one.

    Raises
    ------
    ConfigError
        A path is no folder.
    MismatchError
        They are results of different lots.
    ProductError
        A result is not whole.
    """
    folders = (Path(old), Path(new))
    listed = [open_result(folder).manifest for folder in folders]
    ids = [item["lot_id"] for item in listed]
    if ids[0] != ids[1]:
        raise MismatchError(
            f"{old} is of lot {ids[0]}, {new} of lot {ids[1]}: name two results of one lot; different lots are laid "
            "beside each other by `thermosaic compare`"
        )
    revisions = tuple(int(item["revision"]) for item in listed)
    files, count = differing_files(*folders)
    try:
        parts = _parts(read_sheet(folders[0]), read_sheet(folders[1])) if files else ()
    except KeyError as error:
        raise ProductError(
            f"{old}, {new}: one does not state {error}: another version made it; run the lot anew with this one"
        ) from error
    return Differences(ids[0], revisions, files, count, parts)  # type: ignore[arg-type]


def tell_differences(found: Differences, new: Path | str) -> str:
    """Write differences for people, 80 columns wide, in the units of the newer result."""
    delivery = open_result(new).manifest["delivery"]
    return told(found, Reader(delivery["units"], float(delivery["foot_m"])))


def differing_files(old: Path, new: Path) -> tuple[tuple[str, ...], int]:
    """Files of two folders that differ or are in one only, run.json left out; and how many there are."""
    names = [
        {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()} - {RUN}
        for folder in (old, new)
    ]
    differ = names[0] ^ names[1]
    differ |= {name for name in names[0] & names[1] if not filecmp.cmp(old / name, new / name, shallow=False)}
    return tuple(sorted(differ)), len(names[0] | names[1])


def _parts(old: LotSheet, new: LotSheet) -> tuple[Part, ...]:
    """All parts of the difference; places only where the maps can be brought together."""
    operation, refused = None, ""
    try:
        operation = onto_map(old, new)[0]
    except MismatchError as error:
        refused = str(error)
    sides = _side(old), _side(new)
    tally = ReadingTally(*sides, float(old.quality["grid"]["point_scale"]))
    paths = (old.folder / SPOTS_FILE, new.folder / SPOTS_FILE)
    for then, now in side_by_side(paths, COLUMNS, _lines(old, new, paths)):
        tally.add(then, now if operation is None else _moved(now, operation, new.factor))
    readings = tally.found()
    shapes = None if refused else _zones(old, new, operation, readings.lines)
    how = "" if operation is None else f"{operation.name}, known to {operation.accuracy_m:g} m"
    return result_parts(*sides, readings, _configuration(old, new), shapes, refused, how)


def _side(sheet: LotSheet) -> Side:
    return Side(sheet.manifest, sheet.quality, dict(sheet.frames), sheet.measures.labels)


def _lines(old: LotSheet, new: LotSheet, paths: tuple[Path, Path]) -> Lines:
    """Lines by their number where both read the same scan logs, else by the scan's own clock."""
    scans = [
        [item["sha256"] for item in sheet.manifest["inputs"] if item["role"] == "scan"]
        for sheet in (old, new)
    ]
    if scans[0] == scans[1]:
        return Lines()
    clocks = tuple(float(sheet.quality["clock"]["offset_s"]) for sheet in (old, new))
    return lines_by_time(paths, clocks)  # type: ignore[arg-type]


def _moved(now: pd.DataFrame, operation: Operation, factor: float) -> pd.DataFrame:
    """Bring places onto the older map."""
    east, north = (now[name].to_numpy() / factor for name in ("easting_m", "northing_m"))
    easting, northing = operation.forward(east, north)
    return now.assign(easting_m=easting, northing_m=northing)


def _zones(old: LotSheet, new: LotSheet, operation: Operation | None, lines: pd.DataFrame) -> Shapes:
    """Cold zones of both on the older map, the new ones moved back with the readings around them."""
    pass_id = new.frames["cold_zones"]["pass_id"].to_numpy(object)
    now = brought_back(shapes_on_map(new, "cold_zones", operation), pass_id, lines)
    return Shapes(np.asarray(old.frames["cold_zones"].geometry, dtype=object), now)


def _configuration(old: LotSheet, new: LotSheet) -> Part:
    """Keys with another value, as used; what check's table says they affect."""
    changes = key_changes(old.config, new.config, new.measures.labels, with_formats=True)
    rows = tuple(
        {"key": item.key, "old": item.then, "new": item.now, "affects": item.affects} for item in changes
    )
    texts = [
        together([f"{item.key}:", item.text, f"(affects {item.affects})"])
        for item in changes
        if not item.key.startswith(MANY_NAMES)
    ]
    notes = len(changes) - len(texts)
    if notes:
        texts.append(f"{MANY_NAMES}: {counted(notes, 'note')} on where numbers come from (affects {NAMES})")
    words = old.manifest["configuration_text"] != new.manifest["configuration_text"]
    first = f"{counted(len(changes), 'key')} with another value" if changes else (
        "the same values; the text of lot.toml is another one" if words else "the same values")  # fmt: skip
    return Part("configuration", bool(changes or words), (first, *texts), {"text_differs": words}, rows)
