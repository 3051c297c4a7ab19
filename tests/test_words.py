"""Words are kept honest: tables are printed from the code, files name no host and no machine."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
import re
import shutil
import subprocess
from pathlib import Path

import pytest

import thermosaic
from thermosaic import load_config, tables

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
TEXT = {".py", ".md", ".toml", ".txt", ".json", ".ipynb", ".geojson", ".qml", ".cff", ""}


def own_files() -> list[Path]:
    """Return the project's text files: what git tracks, or all but the environment where there is no git."""
    done = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode == 0:
        paths = [ROOT / line for line in done.stdout.splitlines()]
    else:
        tops = ("pipeline", "configs", "tests", "demo_project", "notebooks", ".ci")
        paths = [p for top in tops for p in (ROOT / top).rglob("*") if p.is_file()] + list(ROOT.glob("*.*"))
    return [p for p in paths if p.suffix in TEXT and p.is_file() and "__pycache__" not in p.parts]


PUBLISHED = (
    *tables.LAYERS, *tables.COMPARED, *tables.OVERLAY, *tables.PLANNED, tables.TOUCHES, tables.DENSITIES,
    tables.RANDOM_NUMBERS, tables.SPOTS, tables.LOTS, tables.SEASON,
)  # fmt: skip


@pytest.mark.parametrize("table", PUBLISHED, ids=lambda table: table.name)
def test_readme_tables_are_printed_from_the_code(table):
    """The README's column table of each layer is the one that tables.py declares."""
    assert tables.markdown(table) in README


@pytest.mark.parametrize("table", PUBLISHED, ids=lambda table: table.name)
def test_column_names_are_plain(table):
    """Column names fit every GIS: lower case, at most 30 characters, once each, text or a declared unit."""
    names = [column.name for column in table.columns]
    assert len(set(names)) == len(names)
    for column in table.columns:
        assert re.fullmatch(r"[a-z][a-z0-9_]{0,29}", column.name)
        assert column.meaning


def test_the_readmes_lot_is_one(tmp_path):
    """The lot.toml that the README shows opens, beside the demonstration's logs of these names."""
    (tmp_path / "lot.toml").write_text(re.search(r"```toml\n(.*?)```", README, re.S)[1])
    for name in ("scan.csv", "gnss.nmea", "centreline.geojson"):
        shutil.copy(ROOT / "demo_project" / "lift1" / name, tmp_path / name)
    config = load_config(tmp_path)
    assert config.lot.thickness_m == pytest.approx(0.0635)
    assert config.rules.id == "differential-150ft"


def test_version_is_the_newest_change():
    """The version of the package, of the project file and of the newest change are one."""
    newest = re.search(r"## Changes\s+### (\S+)", README)[1]
    project = re.search(r'^version = "([^"]+)"', (ROOT / "pyproject.toml").read_text(), re.M)[1]
    assert thermosaic.__version__ == newest == project


def test_pins_name_no_host():
    """constraints.txt pins versions and names no address."""
    text = (ROOT / "constraints.txt").read_text()
    assert "://" not in text
    assert len(re.findall(r"^[a-z0-9._-]+==\S+$", text, re.M | re.I)) > 50


def test_files_name_no_machine():
    """No file carries an absolute path of a machine or the host of a package registry."""
    hosts = ("pypi" + ".org", "python" + "hosted", "npm" + "js.org", "deb.debian" + ".org")
    folders = re.compile(r"(?<![\w.~])/(?:home|root|work|Users)/[\w.-]+")
    bad = []
    for path in own_files():
        text = path.read_text(encoding="utf-8", errors="replace")
        if folders.search(text) or any(host in text for host in hosts):
            bad.append(path.relative_to(ROOT).as_posix())
    assert not bad


def test_cautions_stand_in_the_readme():
    """The README prints the cautions that every product carries."""
    for words in (
        "never walk on the mat",
        "a licensed engineer decides",
        "not for setting out",
        "not density",
    ):
        assert words in " ".join(README.split())


def _modules() -> list[str]:
    found = pkgutil.walk_packages(thermosaic.__path__, "thermosaic.")
    return [module.name for module in found if not module.name.endswith("__main__")]


@pytest.mark.parametrize("name", _modules())
def test_examples_in_docstrings_are_true(name):
    """Every example in a docstring gives the result it shows, and every module says what it is for."""
    module = importlib.import_module(name)
    assert module.__doc__ is not None
    assert doctest.testmod(module).failed == 0
