"""Lots in several processes: Dask is used here and nowhere else.

One thread a process, since rasters may not be read by two; as many lots under way as there are workers, so that of a
worker that dies no other lot is blamed. A lot whose worker is killed is tried again, and fails by its name if that
happens again and again.
"""

from __future__ import annotations

import contextlib
import logging
import os
import signal
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from multiprocessing import resource_tracker
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import ConfigError, ProductError
from ..files.manifest import plain, versions
from .one_lot import Outcome, Task, refused, run_one

if TYPE_CHECKING:
    from distributed import Client

DEATHS = 2  # of a worker that a lot survives
WAIT_S = 60  # for the first worker of a scheduler
ALONE_S, LOOK_S = 600.0, 10.0  # without any worker, and how often that is looked at
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS")
LOCAL = {
    "distributed.scheduler.allowed-failures": DEATHS,
    "distributed.scheduler.work-stealing": False,
    "distributed.worker.memory.target": False,  # a result is a few words: there is nothing to spill
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": False,  # a paused worker would wait for ever
    "distributed.worker.memory.terminate": 0.95,
    "distributed.worker.profile.enabled": False,
    "distributed.worker.multiprocessing-method": "spawn",
    "distributed.nanny.pre-spawn-environ": dict.fromkeys((*ONE_THREAD, "MKL_NUM_THREADS"), "1"),
    "distributed.scheduler.worker-saturation": 1.0,
    "distributed.comm.timeouts.connect": "60 s",  # a busy machine starts interpreters slowly
}


@dataclass(frozen=True, slots=True)
class Crew:
    """Workers that are ready."""

    client: Client
    workers: Callable[[], int]  # that are there now
    most: int  # lots under way at once
    said: str  # who they are, for the log

    @property
    def width(self) -> int:
        """Lots that may be under way now: one waits where there is no worker for the moment."""
        return max(min(self.workers(), self.most), 1)


def require_dask() -> None:
    """Say how to get Dask where it is missing."""
    import importlib.util

    missing = [name for name in ("dask", "distributed") if importlib.util.find_spec(name) is None]
    if missing:
        raise ConfigError(
            f"several lots at once need {' and '.join(missing)}, not installed here: pip install "
            '"thermosaic[season]", or run one after another with --jobs 1'
        )


@contextlib.contextmanager
def own_processes(jobs: int) -> Iterator[Crew]:
    """Start `jobs` processes on this machine, share its memory among them, and stop them whatever happens.

    They listen on the loopback interface only, and leave nothing in the folder of temporary files.
    """
    require_dask()
    import dask
    from distributed import Client, LocalCluster
    from distributed.system import MEMORY_LIMIT

    share = MEMORY_LIMIT // jobs
    with contextlib.ExitStack() as stack:
        working = stack.enter_context(
            tempfile.TemporaryDirectory(prefix="thermosaic-", ignore_cleanup_errors=True)
        )
        stack.enter_context(_unheard())
        stack.enter_context(dask.config.set(LOCAL | {"temporary-directory": working}))
        with _interrupts_held_back():
            cluster = stack.enter_context(LocalCluster(
                n_workers=jobs, threads_per_worker=1, processes=True, host="127.0.0.1", memory_limit=share,
                dashboard_address=None, scheduler_kwargs={"dashboard_address": "127.0.0.1:0"}, local_directory=working,
                env={"TMPDIR": working}, silence_logs=logging.CRITICAL,
            ))  # fmt: skip
        client = stack.enter_context(Client(cluster, set_as_default=False))
        yield Crew(client, lambda: jobs, jobs, f"{jobs} processes, {share / 1e9:.1f} GB of memory each")


@contextlib.contextmanager
def _interrupts_held_back() -> Iterator[None]:
    """Start processes that Ctrl-C does not reach, whenever they are started again: this one stops them.

    A thread, and a process, begins with the signal mask of the thread that starts it (POSIX).
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # it lets interrupts through again when it starts
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextlib.contextmanager
def _unheard() -> Iterator[None]:
    """Let the libraries' own records not reach the screen: what matters of them is an outcome."""
    own = ("distributed", "tornado", "asyncio")
    logs = [logging.getLogger(name) for name in logging.root.manager.loggerDict if name.split(".")[0] in own]
    before = [log.level for log in logs]
    for log in logs:
        log.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for log, level in zip(logs, before, strict=True):
            log.setLevel(level)


@contextlib.contextmanager
def scheduled(address: str, jobs: int | None, token: Path, paths: tuple[Path, ...]) -> Iterator[Crew]:
    """Use the workers of a Dask scheduler that is running, once they have shown that they can do it.

    Parameters
    ----------
    jobs : int, optional
        At most so many lots at once.
    token : Path
        A file in RESULTS that each worker must find with the same content.
    paths : tuple of Path
        Lots that each worker must see.

    Raises
    ------
    ConfigError
        The scheduler does not answer, has no worker, or its workers do not see these folders, have another version,
        or run several threads.
    """
    require_dask()
    from distributed import Client

    with _unheard(), _answering(address):
        client = Client(address, set_as_default=False, timeout=WAIT_S / 4)
    with _unheard(), client:
        with _answering(address):
            client.wait_for_workers(1, timeout=WAIT_S)
            seen = client.run(_look_around, str(token), [str(path) for path in paths])
        _require_fit(address, seen, token)

        said = f"{len(seen)} workers of {address}"
        try:
            yield Crew(client, lambda: len(client.nthreads()), jobs or len(paths), said)
        except OSError as error:
            raise ProductError(
                f"--scheduler {address}: does not answer any more ({str(error)[:200]}): lots that were done are kept; "
                "call the season again once it runs"
            ) from error


@contextlib.contextmanager
def _answering(address: str) -> Iterator[None]:
    try:
        yield
    except (OSError, ValueError, TimeoutError, ImportError) as error:
        raise ConfigError(
            f"--scheduler {address}: cannot be used: {str(error)[:200]}: name a running `dask scheduler`, like "
            "tcp://10.0.0.5:8786, whose workers have this version of thermosaic"
        ) from error


def _look_around(token: str, paths: list[str], dask_worker: Any = None) -> dict[str, Any]:
    """Tell, from inside a worker, what matters of it."""
    try:
        held = Path(token).read_text(encoding="utf-8")
    except OSError:
        held = ""
    return {
        "versions": plain(versions()),
        "threads": dask_worker.state.nthreads,
        "one_thread": all(os.environ.get(name) == "1" for name in ONE_THREAD),
        "token": held,
        "unseen": [path for path in paths if not os.path.exists(path)],
        "writes": os.access(os.path.dirname(token), os.W_OK),
    }


def _require_fit(address: str, seen: dict[str, dict[str, Any]], token: Path) -> None:
    held, results, ours = token.read_text(encoding="utf-8"), token.parent, plain(versions())
    for worker, found in seen.items():
        trouble = ""
        if found["versions"] != ours:
            trouble = f"has {_other(found['versions'], ours)}: install the same version and constraints.txt everywhere"
        elif found["token"] != held or not found["writes"]:
            trouble = f"does not see, or may not write, {results}: name a folder that all workers share"
        elif found["unseen"]:
            trouble = f"does not see {found['unseen'][0]}: put the lots on a folder that all workers share"
        elif found["threads"] != 1 or not found["one_thread"]:
            trouble = (
                f"runs {found['threads']} threads, BLAS {'one' if found['one_thread'] else 'several'}: start it with "
                "OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1 dask worker --nthreads 1"
            )
        if trouble:
            raise ConfigError(f"--scheduler {address}: worker {worker} {trouble}")


def _other(theirs: dict[str, Any], ours: dict[str, Any]) -> str:
    """Name the first version that differs."""
    for group, own in ours.items():
        their = theirs.get(group)
        for name in own if isinstance(own, dict) else [""]:
            pair = (their[name], own[name]) if name else (their, own)
            if pair[0] != pair[1]:
                return f"{name or group} {pair[0]}, here is {pair[1]}"
    return "other libraries"


def as_they_finish(crew: Crew, tasks: list[Task]) -> Iterator[Outcome]:
    """Run lots, as many at once as there are workers; give each outcome as it comes."""
    from distributed import as_completed

    waiting, under_way = list(reversed(tasks)), {}
    finished = as_completed(loop=crew.client.loop, with_results=True, raise_errors=False)

    def start() -> None:
        while waiting and len(under_way) < crew.width:
            task = waiting.pop()
            future = crew.client.submit(run_one, task, pure=False, retries=DEATHS)
            under_way[future.key] = task
            finished.add(future)

    start()
    while under_way:
        _await(finished, crew)
        future, found = next(finished)
        task = under_way.pop(future.key)
        start()
        yield found if future.status == "finished" else _lost(task, found)


def _await(finished: Any, crew: Crew) -> None:
    """Wait for the next lot, but not for ever without any worker."""
    seen = looked = time.monotonic()
    while not finished.has_ready():
        time.sleep(0.1)
        if time.monotonic() - looked > LOOK_S:
            looked = time.monotonic()
            seen = looked if crew.workers() else seen
        if looked - seen > ALONE_S:
            raise ProductError(
                f"no worker is left since {ALONE_S / 60:.0f} minutes: lots that were done are kept; start workers and "
                "call the season again"
            )


def _lost(task: Task, found: Any) -> Outcome:
    """Tell of a lot whose worker gave no answer."""
    from distributed import KilledWorker

    error = found[1] if isinstance(found, tuple) else found
    if isinstance(error, KilledWorker):
        text = (
            f"the process that ran it was killed {error.allowed_failures + 1} times, as when memory runs out: run with "
            "fewer --jobs, or cut the lot by day with [lot] limits"
        )
    else:
        text = f"its worker gave no answer ({type(error).__name__}: {str(error)[:200]}): run the season again"
    return refused(task, ProductError(text), task.lot.id)
