"""publish_lot: every product there, read back, the same bytes again, or nothing at all."""

from __future__ import annotations

import dataclasses
import functools
import json
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

import builders
from thermosaic import model
from thermosaic.errors import ConfigError, ProductError
from thermosaic.files import cog, geopackage, parquet
from thermosaic.stages import s7_publish
from true_record import true_record

publish_lot = functools.partial(s7_publish.publish_lot, report=False)  # invented findings do not add up


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> model.LotRecord:
    """Give a lot in US units with its findings."""
    return true_record(tmp_path_factory.mktemp("lot"), builders.us_curve_lot())


@pytest.fixture(scope="module")
def products(record: model.LotRecord, tmp_path_factory: pytest.TempPathFactory) -> model.Products:
    """Give its published products; read them, never write them."""
    return publish_lot(record, tmp_path_factory.mktemp("out") / "result")


def content(folder: Path) -> dict[str, bytes]:
    """Bytes of every file but run.json, the only one that may differ."""
    files = (path for path in folder.rglob("*") if path.is_file() and path.name != "run.json")
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


def test_every_product_is_there_and_listed(products: model.Products) -> None:
    """The folder holds the files that the contract names, and the frame lists all but manifest and run."""
    names = set(content(products.folder))
    assert {
        "lot.gpkg",
        "spots.parquet",
        "mosaic.vrt",
        "mosaic.qml",
        "mat.tif",
        "mat.qml",
        "quality.json",
        "manifest.json",
    } <= names
    tiles = [name for name in names if name.startswith("tiles/") and name.endswith(".tif")]
    assert tiles
    assert all(name.removesuffix(".tif") + ".qml" in names for name in tiles)
    assert set(products.files["path"]) == names - {"manifest.json"}
    assert list(products.files.columns) == ["role", "path", "sha256", "bytes", "checked_by"]


def test_a_second_run_gives_the_same_bytes(
    record: model.LotRecord, products: model.Products, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another folder, time zone, start and day give the same bytes of every product."""
    monkeypatch.setenv("TZ", "Asia/Kathmandu")
    monkeypatch.chdir(tmp_path)
    publish_lot(dataclasses.replace(record, started=datetime(2031, 1, 1, tzinfo=UTC)), Path("other"))
    assert content(tmp_path / "other") == content(products.folder)


def test_run_json_alone_tells_when_and_where(record: model.LotRecord, tmp_path: Path) -> None:
    """Start, duration, host and command stand in run.json."""
    started = datetime(2026, 5, 14, 18, 0, tzinfo=UTC)
    publish_lot(dataclasses.replace(record, started=started), tmp_path / "result")
    facts = json.loads((tmp_path / "result" / "run.json").read_text())
    assert facts["started_utc"] == "2026-05-14T18:00:00+00:00"
    assert facts["host"] == os.uname().nodename
    assert {"duration_s", "command", "system"} <= set(facts)


def test_an_existing_result_needs_overwrite(record: model.LotRecord, products: model.Products) -> None:
    """The older result stays as it is."""
    before = content(products.folder)
    with pytest.raises(ConfigError):
        publish_lot(record, products.folder)
    assert content(products.folder) == before


SPOILS: dict[str, tuple[object, str, Callable]] = {
    "layers": (
        geopackage,
        "write_geopackage",
        lambda path, package: path.write_bytes(b"SQLite format 3\0" + bytes(5000)),
    ),
    "spots": (parquet, "write_spots", lambda path, record: path.write_bytes(b"PAR1")),
}


@pytest.mark.parametrize("product", ["layers", "spots"])
def test_a_product_that_does_not_read_back_publishes_nothing(
    record: model.LotRecord, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, product: str
) -> None:
    """A writer that writes rubbish is caught by the checker beside it, and no result appears."""
    module, name, spoilt = SPOILS[product]
    monkeypatch.setattr(module, name, spoilt)
    with pytest.raises(ProductError, match="failed its own check"):
        publish_lot(record, tmp_path / "result")
    assert list(tmp_path.iterdir()) == []


def test_a_tile_cut_short_publishes_nothing(
    record: model.LotRecord, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A raster that the disk cut in half is caught."""
    write = cog._write_cog

    def cut(path: Path, *rest: object) -> object:
        statistics = write(path, *rest)
        os.truncate(path, path.stat().st_size // 2)
        return statistics

    monkeypatch.setattr(s7_publish.cog, "_write_cog", cut)
    with pytest.raises(ProductError, match="failed its own check"):
        publish_lot(record, tmp_path / "result")
    assert list(tmp_path.iterdir()) == []


def test_a_verdict_off_the_mat_stops_the_run(record: model.LotRecord, tmp_path: Path) -> None:
    """A verdict on a reading that is no row, or a row without one, is a fault of the program and said so."""
    reason = record.findings.reason.copy()
    reason[40, np.flatnonzero(~record.swath.on_mat[40])[0]] = 0
    wrong = dataclasses.replace(record.findings, reason=reason)
    with pytest.raises(
        ProductError, match="1 readings lack a verdict or have one off the mat, first at scan line 41"
    ):
        publish_lot(dataclasses.replace(record, findings=wrong), tmp_path / "result")


def test_closing_numbers_are_those_of_the_lot_row(record: model.LotRecord, products: model.Products) -> None:
    """The closing table takes the row of the whole lot; readings are counted from the verdicts."""
    summary = products.summary
    assert summary["lot_id"] == "SYN-US"
    assert summary["kept"] == int(np.sum(record.findings.reason == 0))
    assert list(summary["class_counts"]) == ["none", "moderate", "severe"]
    assert summary["doubts"] == ["These findings are invented for a test"]


def test_a_lot_without_mat_or_findings_is_still_whole(record: model.LotRecord, tmp_path: Path) -> None:
    """No tile, no row, no zone: every other product is there and typed, nothing breaks."""
    none = dataclasses.replace(record.rasters, mat=(), tiles=())
    published = publish_lot(dataclasses.replace(record, rasters=none), tmp_path / "result")
    assert set(published.files["role"]) == {"layers", "project", "style", "spots", "quality"}


LIMITED = """
import resource, signal, sys, tempfile
from pathlib import Path
import true_record, builders
from thermosaic.errors import ProductError
from thermosaic.stages.s7_publish import publish_lot

folder = Path(sys.argv[1])
record = true_record.true_record(folder / "lot", builders.us_curve_lot())
tempfile.tempdir = str(folder)
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
for kilobytes in (5, 60, 600, 3000):
    resource.setrlimit(resource.RLIMIT_FSIZE, (kilobytes * 1024, resource.RLIM_INFINITY))
    try:
        publish_lot(record, folder / "result", report=False)
    except ProductError as error:
        print(error)
"""


def test_a_refusing_disk_is_a_product_error_whatever_library_meets_it(tmp_path: Path) -> None:
    """With files limited to 5 kB .. 3 MB (setrlimit), Python, SQLite, GDAL or Arrow fail: a plain line each.

    No result appears, and nothing is left beside it.
    """
    where = os.environ | {"PYTHONPATH": str(Path(builders.__file__).parent)}
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(tmp_path)], capture_output=True, text=True, check=True, env=where
    )
    lines = done.stdout.splitlines()
    assert len(lines) == 4
    assert all(line.startswith(f"{tmp_path}: ") and "make room" in line for line in lines), lines
    assert [path.name for path in tmp_path.iterdir()] == ["lot"]
