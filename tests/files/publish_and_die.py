"""Overwrite a small result again and again, each time killed one system step later than before.

Run as `publish_and_die.py FOLDER exchange|renames`; leaves FOLDER/1, FOLDER/2 .. as the kills left them
and prints how many there are. A step is an event that Python's audit hooks see (open, mkdir, rename,
remove ..), an fsync or an exchange.
"""

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path

import test_publishing

from thermosaic.files import publishing

COUNT = {"left": 0}
STEPS = ("open", "os.", "shutil.", "ctypes.call")


def step() -> None:
    """Count one step and die at the last."""
    COUNT["left"] -= 1
    if COUNT["left"] == 0:
        os.kill(os.getpid(), signal.SIGKILL)


def counted(real: Callable) -> Callable:
    """Wrap a call that no audit event announces."""

    def call(*arguments: object) -> object:
        step()
        done = real(*arguments)
        step()
        return done

    return call


def dies_at(number: int, result: Path) -> bool:
    """Overwrite `result` in a child that is killed at step `number`; False if it completed before."""
    child = os.fork()
    if child == 0:
        COUNT["left"] = number
        sys.addaudithook(lambda event, _: step() if event.startswith(STEPS) else None)
        test_publishing.publish(result, "two", overwrite=True)
        os._exit(0)
    return os.WIFSIGNALED(os.waitpid(child, 0)[1])


def main(folder: Path, way: str) -> None:
    """Kill at step 1, 2, 3 .. until a run completes."""
    publishing.exchange = counted(publishing.exchange) if way == "exchange" else lambda first, second: False
    publishing.os.fsync = counted(os.fsync)
    number, died = 0, True
    while died:
        number += 1
        result = folder / str(number) / "result"
        result.parent.mkdir()
        test_publishing.publish(result, "one")
        died = dies_at(number, result)
    print(number)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
