"""Rebuild a result: run its lot anew and hold every byte against what was published.

In a folder of its own that is always removed; the result and the lot are only read.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from .checks.changes import key_changes
from .config import LotConfig, config_as_used
from .delivery import in_units
from .differing import diff_results, differing_files, tell_differences
from .errors import MismatchError, ThermosaicError
from .files import exports, manifest, report
from .files.made_from import differing_inputs
from .opening import load_config
from .results import open_result
from .run import run_lot
from .studies.diff_results.stated import flat
from .verifying import RESULT, Verified


def rebuild_result(path: Path | str, lot: Path) -> Verified:
    """Run a lot anew and hold every file of its result against what comes of it, run.json aside.

    Parameters
    ----------
    lot : Path
        The lot's folder, with the files that the result was made from.

    Returns
    -------
    Verified
        Each file that differs, and what differs in it; notes where versions are others than then.

    Raises
    ------
    MismatchError
        The lot is another one, or a file or key of it changed since: each is named.
    ConfigError, InputError, ProductError
        As `run_lot`; the result is not whole.
    """
    listed = open_result(path).manifest
    config = load_config(lot)
    _require_unchanged(config, listed, lot)
    made = {item["path"] for item in listed["products"]}
    copies = {Path(name).suffix[1:] for name in made if name.startswith(f"{exports.FOLDER}/")}
    also = tuple(kind for kind in exports.KINDS if kind in copies)
    with tempfile.TemporaryDirectory(prefix="thermosaic-") as working:
        anew = Path(working) / "result"
        run_lot(config, anew, report=report.PAGE in made, also=also)
        files, _ = differing_files(Path(path), anew)
        found = [f"{name}: {_differs(name, Path(path), anew)}" for name in files]
        found += _what_differs(Path(path), anew) if files else []
    return Verified(RESULT, tuple(found), tuple(_versions_since(listed)))


def _require_unchanged(config: LotConfig, listed: dict[str, Any], lot: Path) -> None:
    """Stop where the lot is not the one that the result was made from, naming every file and key."""
    if config.lot.id != listed["lot_id"]:
        raise MismatchError(
            f"{lot}: is lot {config.lot.id}, the result is of lot {listed['lot_id']}: name its own lot"
        )
    found = [
        f"{item['role']}: {text}"
        for item in listed["inputs"]
        for text in differing_inputs(config.folder, [item])
    ]
    changes = key_changes(listed["configuration"], config_as_used(config), config.labels, with_formats=True)
    found += [f"{item.key}: {in_units(item.text, *config.reader)}" for item in changes]
    if found:
        raise MismatchError(
            f"{lot}: is not what the result was made from; run it into a new folder and compare both with `thermosaic "
            "diff`:\n" + "\n".join(found)
        )


def _differs(name: str, old: Path, new: Path) -> str:
    if not (new / name).is_file():
        return "does not come of the lot run anew"
    return (
        "differs from the lot run anew"
        if (old / name).is_file()
        else "is missing, it comes of the lot run anew"
    )


def _what_differs(old: Path, new: Path) -> list[str]:
    """Say what differs within, where both can be read."""
    try:
        return ["", *tell_differences(diff_results(old, new), new).splitlines()]
    except ThermosaicError as error:
        return [f"what differs within cannot be said: {error}"]


def _versions_since(listed: dict[str, Any]) -> list[str]:
    """Versions that are others than when the result was made."""
    then, now = flat(listed["versions"]), flat(manifest.versions())
    return [
        f"made with {name} {then.get(name, 'none')}, here is {now.get(name, 'none')}: bytes may differ for that alone"
        for name in sorted(then.keys() | now.keys())
        if then.get(name) != now.get(name)
    ]
