"""Fixtures for the whole session: one synthetic lot with its truth, and a guard against opened files."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import builders
from thermosaic.synthetic import SyntheticLot

_GUARD = {"on": False}
_CODE = (sys.prefix, sys.base_prefix, "/proc/", "/sys/", "/dev/")  # interpreter, libraries, the system


def _refuse_open(event: str, arguments: tuple) -> None:
    """Refuse to open data files while the guard is on; code and its caches pass."""
    if not _GUARD["on"] or event != "open" or not isinstance(arguments[0], str):
        return
    path = arguments[0]
    is_code = path.startswith(_CODE) or "__pycache__" in path or path.endswith((".py", ".pyc"))
    if not is_code:
        raise AssertionError(f"a stage in the middle opened {path}")


sys.addaudithook(_refuse_open)


@pytest.fixture(scope="session")
def lot() -> SyntheticLot:
    """Give a seeded lot of one bend and one stop."""
    return builders.bend_and_stop_lot()


@pytest.fixture(scope="session")
def lot_folder(lot: SyntheticLot, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give that lot as a folder; read it, never write into it."""
    return builders.write_lot(tmp_path_factory.mktemp("lot"), lot)


PERSONS = (  # invented; on no other page
    "Zebulon Quarrington", "Ottoline Vex", "Hyacinth Umberfield", "Peregrine Oxtoby", "Isolde Marchbanks",
)  # fmt: skip
CREW_TEXT = f'''
[lot.agency]
contract = "C-2026-03"
reference_line = "CL"
paving_date = "2026-05-14"
inspector = "{PERSONS[0]}"
night_crew = "{PERSONS[1]}"
'''


@pytest.fixture(scope="session")
def crew_lot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a US lot with a curve, a stop, cold patches, a diary and control points, whose lot file names persons."""
    made = builders.us_curve_lot()
    folder = builders.write_lot(tmp_path_factory.mktemp("crew_lot"), made)
    builders.write_site_files(folder, made, PERSONS[3:])
    text = (folder / "lot.toml").read_text()
    for kind in ("diary", "control", "tickets"):
        text = text.replace("[files]", f'[files]\n{kind} = "{kind}.csv"', 1)
    text = text.replace("[files]", f'note = "{PERSONS[2]} was there"\n{CREW_TEXT}\n[files]', 1)
    (folder / "lot.toml").write_text(text)
    return folder


@pytest.fixture(scope="session")
def crew_result(crew_lot: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give its published result with all copies; read it, never write it."""
    from thermosaic.opening import load_config
    from thermosaic.run import run_lot

    out = tmp_path_factory.mktemp("crew_result") / "result"
    run_lot(load_config(crew_lot), out, also=("fgb", "kml"))
    return out


@pytest.fixture(scope="module")
def sheets_read_once() -> Iterator[None]:
    """Let many explanations of one result share one reading of it; a result that changes needs another folder."""
    from thermosaic.files.sheets import lot_sheet

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(lot_sheet, "read_sheet", cache(lot_sheet.read_sheet))
        yield


@pytest.fixture
def no_files(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Let the test fail when anything opens a data file: by Python, or by GDAL, which the hook cannot see."""
    import fiona
    import pyogrio
    import rasterio

    def refuse(*arguments: object, **_: object) -> None:
        raise AssertionError(f"a stage in the middle opened {arguments[0]}")

    for module, name in (
        (rasterio, "open"),
        (fiona, "open"),
        (pyogrio, "read_dataframe"),
        (pyogrio, "write_dataframe"),
    ):
        monkeypatch.setattr(module, name, refuse)
    _GUARD["on"] = True
    yield
    _GUARD["on"] = False
