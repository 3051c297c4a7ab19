"""All lots of a season: run what needs it, add to the archive, leave a table and a page beside the results.

Results lie in RESULTS/<lot id>, each published by a rename, so whoever stops a season keeps the lots that were done,
and the next call does the rest. Only run.json knows clock and host.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager, ExitStack, closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path

from .. import archive as archives
from ..errors import ConfigError, ProductError
from ..files import manifest, publishing, season_page, season_table
from .lots import find_lots
from .one_lot import DONE, REFUSED, TO_DO, Outcome, Task, look_at, refused, run_one
from .workers import Crew, as_they_finish, own_processes, require_dask, scheduled


@dataclass(frozen=True, slots=True)
class Season:
    """What became of the lots, in the order in which they were named."""

    folder: Path
    outcomes: tuple[Outcome, ...]

    @property
    def refused(self) -> tuple[Outcome, ...]:
        """Lots that were refused, by `run` or by the archive."""
        return tuple(outcome for outcome in self.outcomes if outcome.state == REFUSED)

    def count(self, state: str) -> int:
        """Lots in one state: done, up to date, refused, to do."""
        return sum(outcome.state == state for outcome in self.outcomes)


def run_season(
    lots: Path | str | Iterable[Path | str],
    results: Path | str,
    *,
    jobs: int | None = None,
    scheduler: str | None = None,
    archive: Path | str | None = None,
    report: bool = True,
    overwrite: bool = False,
    dry_run: bool = False,
) -> Season:
    """Run every lot that needs it, each by itself, and publish a table and a page of all.

    A lot whose result is what a run now would give (inputs hashed afresh, configuration, program and libraries) is
    left alone; one that is out of date is run again and replaced. In a script of your own call this below
    `if __name__ == "__main__":`, since processes are started.

    Parameters
    ----------
    lots : Path or paths
        Lot folders, or folders whose subfolders hold lot.toml.
    results : Path
        Folder of the results, made where it is missing; a lot's lies in it under its id.
    jobs : int, optional
        Lots at once; by default as many as there are cores. With 1 no process is started.
    scheduler : str, optional
        Address of a Dask scheduler that is running; its workers must see `lots` and `results` under these paths.
    archive : Path, optional
        Each lot that is done is added to this archive too, with its logs.
    report : bool
        Make pages, cards, waypoints and tables too.
    overwrite : bool
        Replace results that somebody changed since, and those of a later revision.
    dry_run : bool
        Say what would be done, and write nothing.

    Raises
    ------
    ConfigError
        No lot, two lots of one id, or no Dask where it is needed. Whatever is wrong with a lot is its outcome.
    ProductError
        `results` cannot be written, or another season is writing there.
    """
    started, top = datetime.now(UTC), Path(os.path.abspath(results))
    tasks = [Task(lot, top, report, overwrite) for lot in find_lots(lots, top)]
    held = {outcome.lot.path: outcome for outcome in _looked_at(tasks)}
    if dry_run:
        return Season(top, tuple(held.values()))
    needed = [task for task in tasks if held[task.lot.path].state == TO_DO]
    width = _jobs(jobs, len(needed))
    if scheduler or width > 1:
        require_dask()
    if archive is not None:
        archives.require_libraries()
    _make_folder(top)
    with publishing.locked(top / season_table.NAME) as token, ExitStack() as stack:
        stack.callback(_clear_away, needed)
        finished: Iterator[Outcome] = map(run_one, needed)
        if needed and (scheduler or width > 1):
            crew = stack.enter_context(_crew(needed, width, jobs, scheduler, token))
            logging.getLogger("thermosaic").info("%d lots by %s", len(needed), crew.said)
            finished = stack.enter_context(closing(as_they_finish(crew, needed)))
        settled = [outcome for outcome in held.values() if outcome.state != TO_DO]
        for outcome in _counted(_archived(archive, top, chain(finished, settled)), len(tasks)):
            held[outcome.lot.path] = outcome
        stack.close()
        _publish(top, tuple(held.values()), started)
    return Season(top, tuple(held.values()))


def _looked_at(tasks: list[Task]) -> Iterator[Outcome]:
    """Say of each lot whether it needs a run, and tell whoever listens how far that is."""
    for done, task in enumerate(tasks, 1):
        yield look_at(task)
        logging.getLogger("thermosaic").debug("looked at", extra={"done": done, "total": len(tasks)})


def _jobs(jobs: int | None, count: int) -> int:
    """Processes on this machine: what is asked for, else its cores, at most one a lot."""
    if jobs is not None and jobs < 1:
        raise ConfigError(f"--jobs {jobs}: at least one lot at a time")
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(min(jobs or cores, count), 1)


def _make_folder(top: Path) -> None:
    if not top.parent.is_dir():
        raise ProductError(f"{top.parent}: is no folder: make it first, the results are published inside it")
    if top.exists() and not top.is_dir():
        raise ProductError(f"{top}: is a file, not a folder for results: choose another name")
    with publishing.surroundings(top.parent):
        top.mkdir(exist_ok=True)


def _crew(
    needed: list[Task], width: int, jobs: int | None, scheduler: str | None, token: Path
) -> AbstractContextManager[Crew]:
    """Whoever runs the lots: workers of a scheduler, or processes of our own."""
    if scheduler:
        return scheduled(scheduler, jobs, token, tuple(task.lot.path for task in needed))
    return own_processes(width)


def _archived(archive: Path | str | None, top: Path, outcomes: Iterable[Outcome]) -> Iterator[Outcome]:
    """Add each result, with its logs, to the archive; what that refuses is the lot's outcome."""
    for outcome in outcomes:
        if archive is None or not outcome.is_whole:
            yield outcome
            continue
        result = top / str(outcome.lot_id)
        try:
            if not archives.holds(archive, result):
                archives.add(archive, result, outcome.lot.path)
            told = replace(outcome, archived=True)
        except Exception as error:
            no = refused(Task(outcome.lot, top), error, outcome.lot_id, outcome.duration_s)
            told = replace(no, error=f"not archived: {no.error}", why=outcome.why, is_whole=True)
        yield told


def _counted(outcomes: Iterable[Outcome], total: int) -> Iterator[Outcome]:
    """Pass outcomes on, and tell whoever listens how far the season is."""
    for done, outcome in enumerate(outcomes, 1):
        what = outcome.error or outcome.why or "nothing to do"
        logging.getLogger("thermosaic").info(
            "%s: %s (%s)", outcome.lot.name, outcome.state, what, extra={"done": done, "total": total}
        )
        yield outcome


def _clear_away(tasks: list[Task]) -> None:
    """Remove what workers that were killed left half built."""
    for task in tasks:
        if task.lot.id is not None:
            publishing.clear_away(task.results / task.lot.id)


def _publish(top: Path, outcomes: tuple[Outcome, ...], started: datetime) -> None:
    """Write table, page and run.json, read them back, and give them their names."""
    entries = [_entry(top, outcome) for outcome in outcomes]
    named = {outcome.lot_id for outcome in outcomes}
    entries += [
        season_table.entry(season_table.DONE, folder)
        for folder in season_table.result_folders(top)
        if folder.name not in named
    ]
    season = season_table.gather(entries)
    facts = manifest.run_facts(started) | {"lots": [_facts(outcome) for outcome in outcomes]}
    with publishing.replacements(top) as partial:
        season_table.write_table(partial, season)
        season_page.write_page(partial, season)
        manifest.write_json(partial / manifest.RUN, facts)
        publishing.accept(season_table.check_table(partial, season) + season_page.check_page(partial, season))


def _entry(top: Path, outcome: Outcome) -> season_table.Entry:
    """What the table says of a lot: done, whether in this call or before, or refused."""
    state = REFUSED if outcome.state == REFUSED else DONE
    result = top / str(outcome.lot_id) if outcome.is_whole else None
    return season_table.entry(
        state, result, outcome.lot.name, outcome.lot_id, outcome.exit_code, outcome.error
    )


def _facts(outcome: Outcome) -> dict[str, object]:
    """What of this call is no part of the table."""
    return {
        "lot": outcome.lot.name,
        "lot_id": outcome.lot_id,
        "state": outcome.state,
        "why": outcome.why,
        "exit_code": outcome.exit_code,
        "error": outcome.error,
        "archived": outcome.archived,
        "duration_s": round(outcome.duration_s, 2),
    }
