"""One lot of a season: whether it needs a run, running it, and what is told of it.

A task opens its files itself, publishes by a rename, and may run twice: a worker that dies takes nothing along. It
gives back a small `Outcome`, whatever happened, so that one bad lot never sinks a season.
"""

from __future__ import annotations

import contextlib
import logging
import os
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from .. import __version__
from ..config import LotConfig, config_as_used
from ..delivery import errors_in_units
from ..errors import MismatchError, ProductError, ThermosaicError
from ..files import publishing
from ..files.manifest import MANIFEST, plain, read_json, versions
from ..files.review import review_folder
from ..opening import load_config
from ..run import run_lot
from ..stages.s1_ingest import read_sources
from .lots import Lot

DONE, UP_TO_DATE, REFUSED, TO_DO = "done", "up to date", "refused", "to do"
NO_RESULT = "no result yet"
REPORT = "report.html"
SHOWN = 5  # changed files named in one line


@dataclass(frozen=True, slots=True)
class Task:
    """What a worker is told: a lot, where results lie (absolute), and how."""

    lot: Lot
    results: Path
    report: bool = True
    overwrite: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a lot."""

    lot: Lot
    state: str  # done, up to date, refused; in a dry run to do
    lot_id: str | None  # None: lot.toml could not be read
    why: str = ""  # why it was run
    exit_code: int = 0  # of a refused lot, what `run` would have returned
    error: str = ""  # one line
    duration_s: float = 0.0
    is_whole: bool = False  # its result is there, and is what a run now would give
    archived: bool = False


def look_at(task: Task) -> Outcome:
    """Say whether a lot needs a run, and why; nothing is written."""
    return _settled(task, run=False)


def run_one(task: Task) -> Outcome:
    """Run a lot where it is needed, and say what became of it."""
    return _settled(task, run=True)


def _settled(task: Task, run: bool) -> Outcome:
    """Make the outcome of a lot; only an interruption gets through."""
    began, lot_id = time.monotonic(), task.lot.id
    try:
        with _stages_unheard():
            config = load_config(task.lot.path)
            lot_id, result = config.lot.id, task.results / config.lot.id
            with errors_in_units(*config.reader):
                why = reason_to_run(config, result, task.report, task.overwrite)
                if why == NO_RESULT and not run:
                    read_sources(config)  # a log that is missing is better known before anything runs
                if why and run:
                    run_lot(config, result, overwrite=True, report=task.report)
    except Exception as error:
        return refused(task, error, lot_id, time.monotonic() - began)
    state = UP_TO_DATE if not why else DONE if run else TO_DO
    taken_s = time.monotonic() - began
    return Outcome(task.lot, state, lot_id, why, duration_s=taken_s, is_whole=state != TO_DO)


@contextlib.contextmanager
def _stages_unheard() -> Iterator[None]:
    """Keep the stages' own steps from the log: a season counts lots."""

    def is_no_step(record: logging.LogRecord) -> bool:
        return not hasattr(record, "total")

    log = logging.getLogger("thermosaic")
    log.addFilter(is_no_step)
    try:
        yield
    finally:
        log.removeFilter(is_no_step)


# ---------------------------------------------------------------------------------- what a lot needs


def reason_to_run(config: LotConfig, result: Path, report: bool, overwrite: bool) -> str:
    """Why a lot has to be run, in a few words; empty where a run now would give what is published.

    Inputs are hashed afresh, and so is every file of the result.

    Raises
    ------
    MismatchError
        `result` is of another lot, or (without `overwrite`) of a later revision.
    ProductError
        `result` is not ours, or (without `overwrite`) was changed since it was published.
    InputError
        An input cannot be read.
    """
    stated = _published(result)
    if stated is None:
        return NO_RESULT
    if stated["lot_id"] != config.lot.id:
        raise MismatchError(f"{result}: is a result of lot {stated['lot_id']}: move it away")
    if int(stated["revision"]) > config.lot.revision and not overwrite:
        raise MismatchError(
            f"{result}: is of revision {stated['revision']}, the lot states {config.lot.revision}: give the newer lot, "
            "or go back to the older one with --overwrite"
        )
    changed = review_folder(result, stated, lambda *_: [])  # its bytes alone
    if changed and not overwrite:
        raise ProductError(
            f"{result}: was changed since it was published: {_few(changed)}: move it away, or replace it with "
            "--overwrite"
        )
    return _few([*_differences(config, stated, report), *changed])


def _published(result: Path) -> dict[str, Any] | None:
    """Read what is stated of a published result; None where there is nothing in the way of one."""
    if result.is_symlink() or (result.exists() and not result.is_dir()):
        raise ProductError(f"{result}: is a file or a link, not a folder of results: move it away")
    try:
        stated = read_json(result / MANIFEST)
        if stated["program"] == publishing.PROGRAM:
            return {name: stated[name] for name in (*_MADE_OF, "lot_id", "revision", "products")}
    except (OSError, ValueError, KeyError, TypeError):
        pass
    foreign = publishing.foreign_files(result)
    if foreign:
        raise ProductError(
            f"{result}: holds files that this program did not write: {_few(foreign)}: move them away"
        )
    return None


_MADE_OF = ("version", "versions", "inputs", "configuration", "configuration_text")


def _differences(config: LotConfig, stated: dict[str, Any], report: bool) -> list[str]:
    """What a run now would be made of, and the result is not."""
    found = []
    if stated["version"] != __version__:
        found.append(f"program {stated['version']}")
    elif stated["versions"] != plain(versions()):
        found.append("libraries")
    if stated["configuration_text"] != config.source_text:
        found.append("lot.toml")
    now, then = (_as_stated(item) for item in (plain(config_as_used(config)), stated["configuration"]))
    found += [name for name in sorted(now.keys() | then.keys()) if now.get(name) != then.get(name)]
    found += _changed_inputs([asdict(source) for _, source in read_sources(config)], stated["inputs"])
    if report and REPORT not in [item["path"] for item in stated["products"]]:
        found.append("no report yet")
    return found


def _as_stated(configuration: dict[str, Any]) -> dict[str, Any]:
    """Take away the time that a run gives to a change stated by station."""
    changes = [
        {**change, "at": None} if change["at_station_m"] is not None else change
        for change in configuration["changes"]
    ]
    return {**configuration, "changes": changes}


def _changed_inputs(now: list[dict[str, Any]], then: list[dict[str, Any]]) -> list[str]:
    """Names of inputs that are new, gone or of other content."""
    names = dict.fromkeys(item["path"] for item in [*now, *then])
    return [
        name
        for name in names
        if [item for item in now if item["path"] == name] != [item for item in then if item["path"] == name]
    ]


def _few(texts: list[str]) -> str:
    """Name some of many."""
    more = f"; and {len(texts) - SHOWN} more" if len(texts) > SHOWN else ""
    return "; ".join(texts[:SHOWN]) + more


# --------------------------------------------------------------------------------------- what is told


def refused(task: Task, error: BaseException, lot_id: str | None, duration_s: float = 0.0) -> Outcome:
    """Make the outcome of a lot that could not be run."""
    code = error.exit_code if isinstance(error, ThermosaicError) else 1
    text = str(error)
    if isinstance(error, MemoryError):
        code, text = (
            5,
            "out of memory: cut the lot by day with [lot] limits, or give it more with fewer --jobs",
        )
    elif code == 1:
        logging.getLogger("thermosaic").debug("%s", task.lot.name, exc_info=error)
        text = (
            f"this is a bug in thermosaic ({type(error).__name__}: {text[:300]}): `run` the lot with --debug"
        )
    return Outcome(task.lot, REFUSED, lot_id, exit_code=code, error=told(text, task), duration_s=duration_s)


def told(text: str, task: Task) -> str:
    """Write an error on one line that reads the same wherever the season lies."""
    name = Path(task.lot.name)
    top = task.lot.path.parents[len(name.parts) - 1]
    for folder, word in ((task.results, "RESULTS/"), (top, "")):
        text = text.replace(f"{folder}{os.sep}", word)
    first, *others = text.strip().splitlines() or [""]
    return f"{first} (and {len(others)} more: `thermosaic check` names all)" if others else first
