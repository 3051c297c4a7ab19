"""Add a lot to an archive again and again, each time killed some system steps later than before.

Run as `archive_and_die.py RESULT FOLDER`; leaves FOLDER/1, FOLDER/2 .. as the kills left them and prints how many
there are. A step is a rename, an exchange, an fsync, a chmod, or an event that audit hooks see.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path

from thermosaic import archive
from thermosaic.files import publishing

COUNT = {"left": 0}
EVERY = 17  # opens, reads and makings of folders come by the hundred: of these every 17th
RENAMES = ("os.rename", "os.chmod", "os.mkdir", "os.rmdir", "os.remove")


def counted(real: Callable) -> Callable:
    """Die before and after a call, at the right count."""

    def call(*arguments: object, **named: object) -> object:
        step(EVERY)
        done = real(*arguments, **named)
        step(EVERY)
        return done

    return call


def step(weight: int = 1) -> None:
    """Count one step; kill without any chance to clean up at the last."""
    COUNT["left"] -= weight
    if COUNT["left"] <= 0:
        os.kill(os.getpid(), signal.SIGKILL)


def dies_at(number: int, result: Path, top: Path) -> bool:
    """Add in a child that is killed after `number` counts; False if it completed before."""
    child = os.fork()
    if child == 0:
        COUNT["left"] = number * EVERY
        publishing.exchange = counted(publishing.exchange)
        os.rename, os.replace = counted(os.rename), counted(os.replace)
        sys.addaudithook(lambda event, _: step() if event in RENAMES else None)
        archive.add(top, result)
        os._exit(0)
    return os.WIFSIGNALED(os.waitpid(child, 0)[1])


def main(result: Path, folder: Path) -> None:
    """Kill at 1, 2, 3 .. until an addition completes; that the result is sound is verified once for all."""
    verified = archive.verify_result(result)
    archive.verify_result = lambda _: verified
    number, died = 0, True
    while died:
        number += 1
        died = dies_at(number, result, folder / str(number))
    print(number)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
