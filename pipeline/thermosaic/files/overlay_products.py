"""What an overlay leaves: layers, tables, one sheet, and the sentences; checked before they count.

In the units of the result's delivery, as its own layers. Not done here: finding anything.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyproj

from .. import __version__
from ..delivery import Reader, delivered_name, in_units
from ..tables import ASBUILT_AREAS, ASBUILT_LINES, CORES, DENSITIES, LINE_OFFSETS, OVERLAY, TOUCHES, Table
from . import csv_tables, dressing, geopackage, manifest, publishing
from .geopackage import Package, check_geopackage, write_geopackage
from .looks import styles
from .looks.symbols import Label, Look, Rule, fill, hatch, marker, stroke
from .made_from import result_inputs
from .review import review_package, review_picture, review_tables
from .sheets.lot_sheet import LotSheet
from .sheets.overlay_sheet import draw_overlay
from .study_layers import study_layer

PACKAGE, SHEET, NOTES, TABLES = "overlay.gpkg", "overlay.png", "overlay.txt", "tables"
STUDY = "overlay"
ROLES = {PACKAGE: "layers", SHEET: "sheet", NOTES: "notes"}


@dataclass(frozen=True, eq=False, slots=True)
class Overlay:
    """What was found, SI, geometry in metres; `notes` are its sentences, `sources` path, role and digest."""

    frames: dict[str, pd.DataFrame]  # by the names of tables.OVERLAY, and touches and densities
    notes: tuple[str, ...]
    sources: tuple[dict[str, Any], ...]
    operations: tuple[dict[str, Any], ...]
    stated: dict[str, Any]  # what the user stated: sigma, frame


def write_overlay(folder: Path, sheet: LotSheet, overlay: Overlay) -> None:
    """Write and read back every product of an overlay in an empty folder.

    Raises
    ------
    ProductError
        A product differs from what was meant.
    """
    units, foot_m = _reader(sheet)
    layers = {table.name: study_layer(overlay.frames[table.name], table, sheet) for table in OVERLAY}
    plain = {
        table.name: pd.DataFrame(dressing.column_values(overlay.frames[table.name], table, units, foot_m))
        for table in (TOUCHES, DENSITIES)
    }
    tables = tuple(dressing.delivered_table(table, units) for table in OVERLAY)
    package = _package(sheet, overlay, tables, layers)
    write_geopackage(folder / PACKAGE, package)
    (folder / TABLES).mkdir()
    for name, frame in (layers | plain).items():
        csv_tables.write_table(folder / TABLES / f"{name}.csv", frame)
    draw_overlay(folder / SHEET, sheet, overlay.frames[CORES.name], overlay.frames[ASBUILT_AREAS.name])
    texts = [in_units(note, units, foot_m) for note in overlay.notes]
    (folder / NOTES).write_text("\n".join(texts) + "\n", encoding="utf-8")
    found = check_geopackage(folder / PACKAGE, tables, sheet.crs, layers)
    for name, frame in (layers | plain).items():
        found += csv_tables.check_table(folder / TABLES / f"{name}.csv", frame, name)
    publishing.accept(found)
    _list(folder, sheet, overlay)


def _reader(sheet: LotSheet) -> Reader:
    return Reader(sheet.measures.delivery, sheet.measures.foot_m)


def _package(
    sheet: LotSheet, overlay: Overlay, tables: tuple[Table, ...], layers: dict[str, gpd.GeoDataFrame]
) -> Package:
    looks = _looks(sheet.measures.delivery)
    return Package(
        tables=tables,
        frames=layers,
        looks=looks,
        styles=styles.layer_styles(tables, looks),
        lot_info=_info(sheet, overlay),
        domains={},
        stamp=geopackage.read_stamp(sheet.folder / geopackage.PACKAGE),
    )


def _info(sheet: LotSheet, overlay: Overlay) -> pd.DataFrame:
    """Facts that go with the layers: the lot, what was read, and every sentence."""
    lot, reader = sheet.config["lot"], _reader(sheet)
    rows = [
        ("lot_id", lot["id"], "", "Lot of the result"),
        ("revision", str(lot["revision"]), "", "Its revision"),
    ]
    rows += [
        (f"source.{i}", item["path"], "", f"{item['role']}, sha256 {item['sha256']}")
        for i, item in enumerate(overlay.sources, 1)
    ]
    rows += [
        (f"operation.{i}", item["name"], "", f"accuracy {item['accuracy_m']:g} m: {item['pipeline']}")
        for i, item in enumerate(overlay.operations, 1)
    ]
    rows += [(f"note.{i}", in_units(text, *reader), "", "Note") for i, text in enumerate(overlay.notes, 1)]
    return pd.DataFrame(rows, columns=list(geopackage.INFO_COLUMNS))


def _looks(units: str) -> dict[str, Look]:
    """Marks for points, hatching and dashes for polygons and lines; all read over any mat."""
    marks = {"core": "circle", "gauge": "diamond", "point": "cross"}
    deficit = delivered_name("deficit_delta_c", units)
    text = f"\"core_id\" || coalesce(': ' || format_number(\"{deficit}\", 1) || ' {styles.DEGREE[units]} below', '')"
    return {
        CORES.name: Look(
            "marker",
            tuple(
                Rule(kind, (marker(shape, "#ffffff", 3.6, styles.INK, 0.5),), value=kind)
                for kind, shape in marks.items()
            ),
            "value",
            "kind",
            Label(text, "around", 2500, 9, styles.INK, 7.5, column="core_id"),
        ),
        ASBUILT_AREAS.name: Look(
            "fill",
            (Rule("as-built polygon", (fill(None, "#ffffff", 1.0), fill(None, styles.INK, 0.5, dash="dash"),
                                       hatch(45, 3.0))),),
            label=Label('"name"', "inside", 2500, 7, styles.INK, 7.5, column="name"),
        ),
        ASBUILT_LINES.name: Look(
            "line", (Rule("as-built line", (stroke("#ffffff", 1.0), stroke(styles.INK, 0.5))),)
        ),
        LINE_OFFSETS.name: Look("marker", (Rule("place on an as-built line", (marker("circle", styles.INK, 1.2),)),)),
    }  # fmt: skip


def check_overlay(folder: Path, listed: dict[str, Any]) -> list[str]:
    """Re-read every product of an overlay and compare counts between them; `listed` is its manifest."""
    crs, units = pyproj.CRS.from_json_dict(listed["crs"]["map"]), listed["delivery"]["units"]
    tables = tuple(dressing.delivered_table(table, units) for table in OVERLAY)
    plain = [dressing.delivered_table(table, units) for table in (TOUCHES, DENSITIES)]
    found, rows = review_package(folder / PACKAGE, tables, crs)
    return found + review_tables(folder, [*tables, *plain], rows) + review_picture(folder / SHEET)


def _list(folder: Path, sheet: LotSheet, overlay: Overlay) -> None:
    """Write manifest.json: what was read, how it was brought here, and every product with its digest."""
    paths = [path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()]
    content = {
        "program": publishing.PROGRAM, "version": __version__, "study": STUDY,
        "lot_id": sheet.config["lot"]["id"], "revision": sheet.config["lot"]["revision"],
        "inputs": [*overlay.sources, *result_inputs(sheet.folder, sheet.manifest)],
        "operations": list(overlay.operations), "stated": overlay.stated,
        "crs": sheet.manifest["crs"], "delivery": sheet.manifest["delivery"],
        "products": manifest.listed(folder, {path: ROLES.get(path, "table") for path in paths}),
    }  # fmt: skip
    manifest.write_json(folder / manifest.MANIFEST, content)
