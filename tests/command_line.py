"""The command line in this process: what it prints and its exit code, without the start of an interpreter each."""

from __future__ import annotations

import logging
import signal
import sys
from dataclasses import dataclass

from click.testing import CliRunner

from thermosaic.cli.entry import main


@dataclass(frozen=True)
class Done:
    """A command that has ended."""

    returncode: int
    stdout: str
    stderr: str


def thermosaic(*words: object, given: str = "") -> Done:
    """Run `thermosaic WORDS` with `given` on its standard input, which is no terminal; log and signals as before."""
    log = logging.getLogger("thermosaic")
    handlers, level, argv = log.handlers[:], log.level, sys.argv
    on_terminate = signal.getsignal(signal.SIGTERM)
    with CliRunner().isolation(input=given) as (out, err, _):
        sys.argv = ["thermosaic", *map(str, words)]
        try:
            main()
            code = 0
        except SystemExit as stopped:
            code = int(stopped.code or 0)
        finally:
            sys.argv, log.handlers[:] = argv, handlers
            log.setLevel(level)
            signal.signal(signal.SIGTERM, on_terminate)
        sys.stdout.flush()
        sys.stderr.flush()
        return Done(code, out.getvalue().decode(), err.getvalue().decode())
