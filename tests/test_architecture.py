"""The house stands as drawn: imports point down, the run reads as a table of contents."""

from __future__ import annotations

import inspect
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


def test_imports_point_down(monkeypatch):
    """Every import contract of pyproject.toml holds."""
    from importlinter.cli import lint_imports

    monkeypatch.chdir(ROOT)
    assert lint_imports(config_filename="pyproject.toml", no_cache=True, no_logo=True) == 0


def test_run_is_a_table_of_contents():
    """run_lot calls each stage once, in the order of the stages' file names."""
    from thermosaic import run

    body = inspect.getsource(run.run_lot)
    imports = re.findall(r"from \.stages\.(s\d)_\w+ import (\w+)", inspect.getsource(run))
    assert [stage for stage, _ in imports] == [f"s{n}" for n in range(1, 8)]
    places = [body.index(f"{verb}(") for _, verb in imports]
    assert places == sorted(places)


def test_nobody_imports_the_source_root():
    """`import pipeline` would make a second copy of every class; nobody does it."""
    files = [p for top in ("pipeline", "tests", "demo_project") for p in (ROOT / top).rglob("*.py")]
    bad = [p.name for p in files if re.search(r"^\s*(import|from) pipeline\b", p.read_text(), re.M)]
    assert not bad


def test_config_is_one_page_to_others():
    """Others take `config` by what its page names, and nothing from its rooms behind it."""
    sources = [p for top in ("pipeline", "tests") for p in (ROOT / top).rglob("*.py")]
    others = [p for p in sources if p.parent.name != "config"]
    inside = re.compile(r"^\s*(from|import) \S*\bconfig\.\w+", re.M)
    assert [p.name for p in others if inside.search(p.read_text())] == []
    from thermosaic import config

    assert [name for name in config.__all__ if not hasattr(config, name)] == []


def test_import_is_light():
    """`import thermosaic` loads no geospatial or numerical library."""
    heavy = "numpy pandas rasterio geopandas numba"
    code = f"import sys, thermosaic; print([m for m in '{heavy}'.split() if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_foreign_proj_database_is_unset():
    """A PROJ database of another program is unset with one warning, and rasterio still works."""
    code = (
        "import thermosaic, os, rasterio.crs; assert 'PROJ_LIB' not in os.environ;"
        "print(rasterio.crs.CRS.from_epsg(6318).to_epsg())"
    )
    env = os.environ | {"PROJ_LIB": "/nowhere/proj"}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=env, check=True)
    assert done.stdout.strip() == "6318"
    assert done.stderr.count("belongs to another program") == 1


@pytest.mark.parametrize("module", ["files", "season"])
def test_middle_stages_stay_pure(module):
    """No source of stages s2 to s6 opens a file or mentions the layer that does."""
    stages = sorted((ROOT / "pipeline/thermosaic/stages").glob("s[2-6]_*.py"))
    assert len(stages) == 5
    for path in stages:
        text = path.read_text()
        assert not re.search(rf"\bopen\(|from \.\.{module}|rasterio\.open|fiona\.open", text), path.name
