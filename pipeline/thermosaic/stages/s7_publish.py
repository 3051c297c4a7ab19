"""Publish a lot: write every product beside RESULT, read each back, then give the folder its name.

A file counts as a product only after its own checker has re-read it; a failed check publishes nothing.
Not done here: numbers. Everything written was found by the stages before.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..datum import map_foot_m
from ..delivery import in_units
from ..errors import ProductError
from ..files import cog, exports, geopackage, layers, manifest, parquet, project, publishing
from ..files.looks import sld
from ..model import NOT_A_ROW, TILE_CELLS, LotRecord, Products

BYTES_PER_READING, BYTES_PER_CELL, BYTES_FIXED = 60, 16, 20_000_000  # generous: measured about 20 and 8


@dataclass(frozen=True, slots=True)
class Written:
    """One file of the result: what it is, and which readers found it right."""

    role: str
    path: str
    checked_by: str


def publish_lot(
    record: LotRecord,
    result: Path,
    overwrite: bool = False,
    report: bool = True,
    also: tuple[str, ...] = (),
) -> Products:
    """Write, read back and publish all products of a lot; `result` is absent or whole at any time.

    Parameters
    ----------
    record : LotRecord
        All nouns of one run.
    result : Path
        Folder to publish; its parent exists.
    overwrite : bool
        Replace an older result of this program; foreign files are never touched.
    report : bool
        Make the page, card, waypoints and tables too.
    also : tuple of str
        Copies of the layers in other formats: fgb, kml.

    Raises
    ------
    ConfigError
        `result` exists and `overwrite` is not set.
    ProductError
        A product failed its own check, or the surroundings refused: space, permission, lock.
    """
    started = record.started or datetime.now(UTC)
    _require_rows(record)
    with publishing.publication(result, overwrite, _needed_bytes(record)) as folder:
        written = _write_and_check(folder, record) + _also(folder, also)
        _write_manifest(folder, record, written)
        if report:
            written += _report(folder)
            _write_manifest(folder, record, written)
        manifest.write_json(folder / manifest.RUN, manifest.run_facts(started))
        files = _files_frame(folder, written)
    return Products(result, files, closing_numbers(record))


def _require_rows(record: LotRecord) -> None:
    """Every reading on the mat has a verdict and no other has one, or the counts of a lot mean nothing."""
    wrong = (record.findings.reason > NOT_A_ROW) != manifest.expected_rows(record)
    if wrong.any():
        line, spot = np.argwhere(wrong)[0]
        raise ProductError(
            f"{int(wrong.sum())} readings lack a verdict or have one off the mat, first at scan line "
            f"{record.swath.line[line]}, spot {spot + 1}: this is a fault of the program, report it"
        )


def _needed_bytes(record: LotRecord) -> int:
    """Room for every product at once, with the older result still there."""
    cells = sum(block.temp_c.size for block in record.rasters.mat)
    cells += TILE_CELLS**2 * len(record.rasters.tiles)
    return BYTES_FIXED + BYTES_PER_READING * record.findings.reason.size + BYTES_PER_CELL * cells


def _write_and_check(folder: Path, record: LotRecord) -> list[Written]:
    """Write each product and read it back, two at a time; none knows another's file."""
    steps = (_layers, _tiles, _mat, _spots, _quality)
    written: list[Written] = []
    with ThreadPoolExecutor(2) as pool:
        for made in pool.map(lambda step: step(folder, record), steps):
            written += made
    publishing.accept(project.check_project(folder / project.NAME, bool(record.rasters.tiles)))
    return written


def _layers(folder: Path, record: LotRecord) -> list[Written]:
    package = layers.lot_package(record)
    path = folder / geopackage.PACKAGE
    geopackage.write_geopackage(path, package)
    publishing.accept(geopackage.check_geopackage(path, package.tables, record.swath.crs, package.frames))
    return [Written("layers", path.name, "sqlite3, fiona, pyogrio"), *_looks(folder, record, package)]


def _looks(folder: Path, record: LotRecord, package: geopackage.Package) -> list[Written]:
    """Write what draws the layers: a project beside the data, checked when all is there; styles for servers."""
    ramp = layers.lot_ramp(record)
    project.write_project(folder / project.NAME, layers.lot_project(record, package, ramp))
    styles = sld.write_styles(folder, package.looks, ramp)
    columns = {table.name: {column.name for column in table.columns} for table in package.tables}
    publishing.accept(sld.check_styles(folder, columns, ramp))
    written = [Written("style", path.relative_to(folder).as_posix(), "xml.etree") for path in styles]
    return [Written("project", project.NAME, "zipfile, xml.etree"), *written]


def _also(folder: Path, kinds: tuple[str, ...]) -> list[Written]:
    """Make copies of the layers in other formats, from the GeoPackage already checked."""
    package = folder / geopackage.PACKAGE
    paths = exports.write_also(package, folder, kinds)
    publishing.accept(exports.check_also(package, folder, kinds))
    return [Written("copy", path.relative_to(folder).as_posix(), "fiona, xml.etree") for path in paths]


def _spots(folder: Path, record: LotRecord) -> list[Written]:
    path = folder / parquet.SPOTS_FILE
    parquet.write_spots(path, record)
    publishing.accept(parquet.check_spots(path, record.swath.crs, manifest.reading_counts(record)))
    return [Written("spots", path.name, "pyarrow")]


def _tiles(folder: Path, record: LotRecord) -> list[Written]:
    paths, differences = cog.make_tiles(folder, record.rasters, _dress(record))
    publishing.accept(differences)
    return _as_rasters(folder, paths)


def _mat(folder: Path, record: LotRecord) -> list[Written]:
    dress, ids = _dress(record), [item.id for item in record.inputs.passes]
    paths = cog.write_mat(folder, record.rasters, dress, ids, record.stations.zero_m)
    publishing.accept(cog.check_mat(folder, record.rasters, dress))
    return _as_rasters(folder, paths)


def _dress(record: LotRecord) -> cog.RasterDress:
    lot, delivery = record.config.lot, record.config.delivery
    tags = {"LOT_ID": lot.id, "REVISION": str(lot.revision), "ROUTE": lot.route, "LIFT": str(lot.lift)}
    return cog.RasterDress(record.swath.crs, delivery.units, tags, display_c=delivery.display_c)


def _as_rasters(folder: Path, paths: list[Path]) -> list[Written]:
    return [Written(_raster_role(path), path.relative_to(folder).as_posix(), "rasterio") for path in paths]


def _raster_role(path: Path) -> str:
    if path.suffix == ".qml":
        return "style"
    return {cog.MOSAIC: "mosaic", cog.MAT: "mat frame"}.get(path.name, "tile")


def _quality(folder: Path, record: LotRecord) -> list[Written]:
    path = folder / manifest.QUALITY
    counts = {name: len(frame) for name, frame in record.findings.frames.items()}
    manifest.write_json(path, manifest.quality(record, counts))
    manifest.read_json(path)
    return [Written("quality", path.name, "json")]


def _report(folder: Path) -> list[Written]:
    """Make what people look at from the products already checked: it needs their manifest, not its list."""
    from ..files import report  # here, since drawing takes long to load

    paths, differences = report.make_report(folder, folder)
    publishing.accept(differences)
    names = [path.relative_to(folder).as_posix() for path in paths]
    return [Written(report.ROLES.get(name, "table"), name, "html.parser, xml.etree, csv") for name in names]


def _write_manifest(folder: Path, record: LotRecord, written: list[Written]) -> None:
    path = folder / manifest.MANIFEST
    manifest.write_json(path, manifest.manifest(record, folder, {item.path: item.role for item in written}))
    manifest.read_json(path)


def _files_frame(folder: Path, written: list[Written]) -> pd.DataFrame:
    """Role, path, sha256, bytes, checked_by of every product."""
    listed = {item["path"]: item for item in manifest.read_json(folder / manifest.MANIFEST)["products"]}
    rows = [
        (item.role, item.path, listed[item.path]["sha256"], listed[item.path]["bytes"], item.checked_by)
        for item in written
    ]
    return pd.DataFrame(rows, columns=["role", "path", "sha256", "bytes", "checked_by"])


def closing_numbers(record: LotRecord) -> dict[str, Any]:
    """Return the numbers of the closing table, SI; its sentences in the lot's units."""
    lots = record.findings.frames["lot"]
    whole = lots[lots["pass_id"].isna()].iloc[0] if lots["pass_id"].isna().any() else lots.iloc[0]
    names = (
        "paved_m",
        "measured_m",
        "unmeasured_m",
        "area_m2",
        "profile_count",
        "insufficient_count",
        "zone_count",
        "zone_area_m2",
        "stop_count",
        "stopped_s",
        "speed_mean_mps",
        "sigma_p50_m",
        "sigma_p95_m",
    )
    words = [rule.word for rule in record.config.rules.classes.words]
    counts, units = manifest.reading_counts(record), record.config.delivery.units
    return {
        "lot_id": record.config.lot.id,
        "class_counts": {word: int(whole[f"class_{rank}_count"]) for rank, word in enumerate(words)},
        "kept": counts["kept"],
        "rows": counts["rows"],
        "doubts": [in_units(doubt.text, units, map_foot_m(record.swath.crs)) for doubt in record.doubts],
        **{name: _number(whole[name]) for name in names},
    }


def _number(value: Any) -> float | int:
    return int(value) if isinstance(value, int | np.integer) else float(value)
