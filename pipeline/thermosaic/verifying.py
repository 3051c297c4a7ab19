"""Verify any folder that the program writes.

`KINDS` is the table: a folder says in its manifest which command wrote it, and each has its own checker beside
its writer. Files are opened read-only.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .errors import ConfigError
from .files import geopackage, manifest, overlay_products, publishing
from .files.compared import folder as comparison
from .files.core_plan import folder as core_plan
from .files.made_from import differing_inputs
from .files.review import Check, review_folder
from .files.shelves import shelf
from .results import check_products

RESULT = "run"


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of folder: its main product, by which it is known where its manifest is damaged, and its checker."""

    package: str
    check: Check


KINDS = {  # by the command that writes it, as its manifest says under `study`; without that word it is a result
    RESULT: Kind(geopackage.PACKAGE, check_products),
    comparison.STUDY: Kind(comparison.PACKAGE, comparison.check_comparison),
    overlay_products.STUDY: Kind(overlay_products.PACKAGE, overlay_products.check_overlay),
    core_plan.STUDY: Kind(core_plan.PACKAGE, core_plan.check_plan),
}


@dataclass(frozen=True, slots=True)
class Verified:
    """What a verification found: the kind of folder, every difference, and what to know besides."""

    kind: str
    differences: tuple[str, ...]
    notes: tuple[str, ...] = ()


def verify_folder(path: Path | str, sources: tuple[Path, ...] = ()) -> Verified:
    """Re-read a published folder, whichever command wrote it, and list every difference.

    Parameters
    ----------
    sources : paths
        Results and files that a study was made from: one that changed since is a difference. Results that lie
        beside the folder are looked at too; of these a change is only noted.

    Raises
    ------
    ConfigError
        `path` is no folder of this program, or a source is none of this study's.
    """
    folder = Path(path)
    if not folder.is_dir():
        raise ConfigError(f"{folder}: is no folder: name one that {_commands()} published")
    kind, listed = _kind_of(folder)
    if isinstance(listed, str):
        return Verified(kind, (listed,))
    found = review_folder(folder, listed, KINDS[kind].check)
    if kind == RESULT:
        if sources:
            raise ConfigError("--from: a result is held against its lot by --rebuild LOT")
        return Verified(kind, tuple(found))
    try:
        differing, notes = _against_sources(folder, listed, sources)
    except (KeyError, TypeError, AttributeError) as error:
        differing, notes = [f"{manifest.MANIFEST}: its inputs cannot be read: {error}"], ()
    return Verified(kind, (*found, *differing), notes)


def _commands() -> str:
    return ", ".join(f"`{word}`" for word in KINDS)


def _kind_of(folder: Path) -> tuple[str, dict[str, Any] | str]:
    """Kind of a folder and its manifest, or what is wrong with that."""
    trouble = f"{manifest.MANIFEST}: is missing"
    if (folder / manifest.MANIFEST).is_file():
        try:
            listed = manifest.read_json(folder / manifest.MANIFEST)
            word = str(listed.get("study", RESULT))
            if word in KINDS and listed.get("program") == publishing.PROGRAM:
                return word, listed
            trouble = f'{manifest.MANIFEST}: says program "{listed.get("program")}", study "{word}"'
        except (OSError, ValueError) as error:
            trouble = f"{manifest.MANIFEST}: cannot be read: {error}"
    for word, kind in KINDS.items():
        if (folder / kind.package).is_file():
            return word, trouble
    if (folder / shelf.MARKER).is_file():
        raise ConfigError(f"{folder}: is an archive: `thermosaic archive verify {folder}` re-checks it")
    if (folder / "lot.toml").is_file():
        raise ConfigError(f"{folder}: is a lot, not a result: name the folder that `run` published from it")
    raise ConfigError(
        f"{folder}: is no folder of this program ({trouble}): expected one that {_commands()} published"
    )


# ------------------------------------------------------------------------------------- what it was made from


def _against_sources(
    folder: Path, listed: dict[str, Any], given: tuple[Path, ...]
) -> tuple[list[str], tuple[str, ...]]:
    """Hold what a study was made from against what is there: differences of what was given, notes of the rest."""
    inputs = listed["inputs"]
    results: dict[str, list[dict[str, Any]]] = {}
    for item in inputs:
        if "lot_id" in item:
            results.setdefault(f"{item['lot_id']} revision {item['revision']}", []).append(item)
    files = {item["path"]: item for item in inputs if "lot_id" not in item}
    differing, seen = [], set()
    for path in given:
        name = path.name if path.is_file() else _name_of(path)
        if name not in results and name not in files:
            of = ", ".join([*results, *files])
            raise ConfigError(f"--from {path}: {folder} was not made from it, but from {of}")
        seen.add(name)
        wrong = differing_inputs(path, results[name]) if name in results else (
            differing_inputs(path.parent, [files[name]]))  # fmt: skip
        differing += [f"{path}: {text} since {folder.name} was made from it" for text in wrong]
    left = {name: items for name, items in results.items() if name not in seen}
    return differing, (*_notes_beside(folder, left), *_not_at_hand(set(files) - seen))


def _name_of(folder: Path) -> str:
    """Lot and revision of a result."""
    try:
        listed = manifest.read_json(folder / manifest.MANIFEST)
        return f"{listed['lot_id']} revision {listed['revision']}" if "study" not in listed else ""
    except (OSError, ValueError, KeyError):
        return ""


def _notes_beside(folder: Path, results: dict[str, list[dict[str, Any]]]) -> list[str]:
    """Look at results that lie beside the folder, whatever their names; say of each whether it is as it was."""
    beside: dict[str, list[Path]] = {}
    with contextlib.suppress(OSError):  # what lies beside may be nobody's business
        for path in sorted(folder.absolute().parent.iterdir()):
            if path.is_dir():
                beside.setdefault(_name_of(path), []).append(path)
    notes = []
    for name, items in results.items():
        wrong = {path.name: differing_inputs(path, items) for path in beside.get(name, [])}
        if not wrong:
            notes += _not_at_hand({f"the result {name}"})
        elif all(wrong.values()):
            there, first = next(iter(wrong.items()))
            notes.append(f"{there} ({name}) beside it is not what it was made from: {', '.join(first)}")
    return notes


def _not_at_hand(names: set[str]) -> list[str]:
    return [f"{name} was not looked at: name it with --from" for name in sorted(names)]
