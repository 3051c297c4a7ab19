"""A published result opens, and every change to it is found and named."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyarrow.parquet as pq
import pytest
import rasterio

import builders
from thermosaic.errors import ConfigError, ProductError
from thermosaic.model import LotRecord
from thermosaic.results import open_result, verify_result
from thermosaic.stages.s7_publish import publish_lot
from thermosaic.tables import LAYERS
from true_record import true_record


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> LotRecord:
    """Give a metric lot of two lanes."""
    return true_record(tmp_path_factory.mktemp("lot"), builders.two_lane_southern())


@pytest.fixture(scope="module")
def published(record: LotRecord, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give its published result; read it, never write it."""
    return publish_lot(record, tmp_path_factory.mktemp("out") / "result", report=False).folder


@pytest.fixture
def result(published: Path, tmp_path: Path) -> Path:
    """Give a copy to spoil."""
    return Path(shutil.copytree(published, tmp_path / "result"))


def test_layers_come_as_published(published: Path, record: LotRecord) -> None:
    """Each layer is a GeoDataFrame in the map CRS with the rows found; a wrong name is explained."""
    result = open_result(published)
    assert list(result.layers) == [table.name for table in LAYERS]
    for name, frame in record.findings.frames.items():
        assert len(result.layers[name]) == len(frame)
        assert result.layers[name].crs == record.swath.crs
    with pytest.raises(KeyError, match="cold_zones"):
        result.layers["zones"]


def test_spots_and_facts_come_with_it(published: Path, record: LotRecord) -> None:
    """Readings by column, lot_info, quality and manifest of the same lot."""
    result = open_result(published)
    spots = result.spots(["temp_c", "kept"])
    assert isinstance(spots, gpd.GeoDataFrame)
    assert (list(spots.columns), len(spots)) == (
        ["temp_c", "kept", "geometry"],
        result.quality["readings"]["rows"],
    )
    assert result.manifest["lot_id"] == record.config.lot.id
    assert (result.units, result.crs) == ("si", record.swath.crs)
    assert "caution.4" in set(result.lot_info["key"])


def test_a_published_result_has_no_difference(published: Path) -> None:
    """As published, nothing differs; and verifying leaves every byte as it is."""
    before = {path: path.read_bytes() for path in published.rglob("*") if path.is_file()}
    assert verify_result(published) == []
    assert {path: path.read_bytes() for path in published.rglob("*") if path.is_file()} == before


def test_no_folder_is_a_matter_of_usage(tmp_path: Path) -> None:
    """A name that is no folder, or a lot's, is refused by both; an empty folder is no whole result."""
    for call in (open_result, verify_result):
        with pytest.raises(ConfigError, match="is no folder"):
            call(tmp_path / "nowhere")
    with pytest.raises(ProductError, match="no whole result"):
        open_result(tmp_path)
    assert "manifest.json: cannot be read" in verify_result(tmp_path)[0]
    (tmp_path / "lot.toml").write_text("")
    for call in (open_result, verify_result):
        with pytest.raises(ConfigError, match="is a lot, not a result"):
            call(tmp_path)


def edit_json(name: str, change: Callable[[dict], None]) -> Callable[[Path], None]:
    """Change a JSON file."""

    def spoil(result: Path) -> None:
        content = json.loads((result / name).read_text())
        change(content)
        (result / name).write_text(json.dumps(content))

    return spoil


def drop_stop(result: Path) -> None:
    """Take one row out of the GeoPackage as a careless GIS user would."""
    with closing(sqlite3.connect(result / "lot.gpkg")) as base:
        for (trigger,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{trigger}"')
        base.execute("DELETE FROM stops WHERE stop_id = 1")
        base.commit()


def drop_readings(result: Path) -> None:
    """Write the readings again without the last ten."""
    table = pq.read_table(result / "spots.parquet")
    pq.write_table(table.slice(0, len(table) - 10), result / "spots.parquet")


def flip(result: Path) -> None:
    """Flip one bit in the middle of a tile, its size unchanged."""
    path = sorted((result / "tiles").glob("*.tif"))[0]
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2] ^= 1
    path.write_bytes(raw)


def retouch(result: Path) -> None:
    """Make the whole mat ten degrees warmer, as an image editor could."""
    with rasterio.open(result / "mat.tif", "r+", IGNORE_COG_LAYOUT_BREAK="YES") as file:
        values = file.read(1)
        file.write(np.where(values == file.nodata, values, values + 10), 1)


SPOILS: dict[str, tuple[Callable[[Path], object], tuple[str, ...]]] = {
    "file lost": (lambda result: (result / "mat.qml").unlink(), ("mat.qml: is missing",)),
    "run lost": (lambda result: (result / "run.json").unlink(), ("run.json: is missing",)),
    "file added": (lambda result: (result / "notes.txt").write_text("mine"), ("notes.txt: is not listed",)),
    "bit flipped": (flip, ("its bytes changed",)),
    "tile lost": (
        lambda result: sorted((result / "tiles").glob("*.tif"))[0].unlink(),
        ("is missing", "mosaic.vrt: band 1"),
    ),
    "raster retouched": (retouch, ("mat.tif: is no cloud optimised", "of temperature is")),
    "stop removed": (drop_stop, ("lot.gpkg: its bytes changed", "layer stops: 3 rows, quality.json says 4")),
    "readings removed": (drop_readings, ("spots.parquet: has", "spots.parquet: holds")),
    "quality edited": (
        edit_json("quality.json", lambda content: content["readings"].update(kept=1)),
        ("quality.json: has", "lot says reading_kept_count", "spots.parquet: holds"),
    ),
    "quality broken": (
        lambda result: (result / "quality.json").write_text("{"),
        ("quality.json: cannot be read",),
    ),
    "manifest edited": (
        edit_json("manifest.json", lambda content: content["products"].pop(0)),
        ("lot.gpkg: is not listed",),
    ),
    "manifest broken": (
        lambda result: (result / "manifest.json").write_text("[]"),
        ("manifest.json: cannot be read",),
    ),
    "package cut": (
        lambda result: (result / "lot.gpkg").write_bytes(b"cut"),
        ("lot.gpkg: has 3 bytes", "lot.gpkg: cannot be read"),
    ),
}


@pytest.mark.parametrize("spoil", SPOILS)
def test_each_change_is_named(result: Path, spoil: str) -> None:
    """A lost, added, changed or cut file, and counts that no longer agree, are each named."""
    change, texts = SPOILS[spoil]
    change(result)
    found = verify_result(result)
    for text in texts:
        assert any(text in line for line in found), found


def test_all_differences_are_listed_not_the_first(result: Path) -> None:
    """Three independent faults give at least three lines."""
    for name in ("file lost", "file added", "stop removed"):
        SPOILS[name][0](result)
    found = verify_result(result)
    for name in ("file lost", "file added", "stop removed"):
        assert all(any(text in line for line in found) for text in SPOILS[name][1])
