"""Every command's help ends in an example, and every example runs as it stands there."""

from __future__ import annotations

import itertools
import json
import re
import shlex
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

import builders
import test_rig_antenna as antenna
from thermosaic.cli.entry import app, main
from thermosaic.opening import demo_lots

TYPED = {  # what a person types when `new` asks; everything else is taken as proposed
    "lot.route": "County Road 12", "lot.lane": "1", "lot.lift": "1", "lot.mix": "SP3", "lot.thickness": "2.5 in",
    "lot.time_zone": "America/Boise", "lot.agency.contract": "C-2026-03", "lot.agency.reference_line": "CL",
    "lot.agency.paving_date": "2026-05-14", "crs.fixes": "EPSG:6318", "crs.map": "EPSG:6451",
    "crs.alignment": "EPSG:6318", "stationing.start": "112+00", "scanner.mat_left": "-6.5 ft",
    "scanner.mat_right": "5.5 ft", "scanner.spots_right": '{ first = "-7.25 ft", last = "6.25 ft" }',
}  # fmt: skip
RUNS = "course_ft,count,gnss_ft\n150,91440,150.1\n150,91395,149.9\n150,91485,150.0\n"
PAIRS = "spot,reference_f,scanner_f\n" + "".join(
    f"{spot},{value},{value + 0.5}\n" for spot in range(1, 25) for value in (200, 250, 300)
)
CORES = "core_id,station,offset_m,density,unit,gmm\nC1,113+50.0,1.2,93.1,%,2.51\n"
PATCHES = {"type": "Point", "coordinates": [-111.8731, 43.1883]}
FIRST = ("demo", "new", "check", "run")  # what others need comes first


def commands(group: click.Group = app, path: tuple[str, ...] = ()) -> Iterator[tuple[str, click.Command]]:
    """Every command with its words, groups left out."""
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            yield from commands(command, (*path, name))
        else:
            yield " ".join((*path, name)), command


def examples(command: click.Command) -> list[str]:
    """Lines of a command's help that begin with the program's name."""
    return re.findall(r"(?:^|\s{2,}|Example: )(thermosaic \S[^\n]*)", command.help or "", flags=re.M)


COMMANDS = dict(commands())


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_has_an_example_of_itself(name):
    """The help of each command shows at least one line that calls this command."""
    assert any(line.startswith(f"thermosaic {name} ") or line == f"thermosaic {name}"
               for line in examples(COMMANDS[name]))  # fmt: skip


@pytest.fixture
def site(tmp_path, monkeypatch) -> Path:
    """Give a folder with what the examples name, and stand in it."""
    shutil.copytree(demo_lots()[0], tmp_path / "lift1")
    shutil.copytree(demo_lots()[1], tmp_path / "lots" / "lift2")
    (tmp_path / "my_lot").mkdir()
    for name in ("scan.csv", "gnss.nmea", "centreline.geojson"):
        shutil.copy(demo_lots()[0] / name, tmp_path / "my_lot" / name)
    (tmp_path / "runs.csv").write_text(RUNS)
    (tmp_path / "pairs.csv").write_text(PAIRS)
    (tmp_path / "cores.csv").write_text(CORES)
    (tmp_path / "patches.geojson").write_text(json.dumps(PATCHES))
    drive = antenna.drive()
    builders.write_lot(tmp_path / "drive", drive)
    antenna.table(tmp_path, drive, antenna.marks_of(drive)).rename(tmp_path / "sightings.csv")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def typed(question: str, **_: object) -> str:
    """Answer one question of `new` as a person would; nothing takes what is proposed."""
    return TYPED.get(question.split()[0], "")


@pytest.mark.slow
def test_every_example_runs(site, monkeypatch, capfd):
    """Each line, from a folder that holds the lots and tables it names, ends with exit code 0 and writes its file."""
    monkeypatch.setattr(click, "prompt", typed)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    lines = list(dict.fromkeys(line for command in (app, *COMMANDS.values()) for line in examples(command)))
    lines.sort(key=lambda line: FIRST.index(line.split()[1]) if line.split()[1] in FIRST else len(FIRST))
    assert len(lines) >= len(COMMANDS)
    for line in lines:
        words = shlex.split(line)
        monkeypatch.setattr(sys, "argv", words)
        try:
            main()
            code = 0
        except SystemExit as stopped:
            code = stopped.code or 0
        assert code == 0, f"{line}\n{capfd.readouterr().err}"
        for option, value in itertools.pairwise(words):
            assert option not in ("-o", "--plot") or (site / value).exists(), line
