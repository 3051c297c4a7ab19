"""The folder of a comparison: layers, raster, tables, page and manifest, published whole or not at all.

Everything is in the map, the units and the station labels of the first result named. Each file is read back
before the folder gets its name.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from ... import __version__
from ...delivery import in_units
from ...tables import COMPARED
from .. import csv_tables, geopackage, manifest, publishing
from ..dressing import column_values, delivered_table, to_crs_units
from ..facts import CAUTIONS
from ..looks.styles import layer_styles
from ..made_from import result_inputs
from ..pages import check_page
from ..review import review_package, review_tables
from ..sheets.lot_sheet import LotSheet
from . import page
from .difference import check_difference, review_difference, write_difference
from .looks import compared_looks
from .pair import Pair
from .sentences import statements

PACKAGE, STUDY = "compare.gpkg", "compare"
TABLES = tuple(table.name for table in COMPARED)
BYTES_NEEDED = 200_000_000
NOT_A_CAUSE = (
    "A coincidence is a place to look, not a cause: loads that repeat, joints and edges put cold places of two lifts "
    "over each other too, and some do by chance."
)


def publish(pairs: list[Pair], out: Path, overwrite: bool) -> None:
    """Publish a comparison as a folder.

    Raises
    ------
    ConfigError
        `out` exists and `overwrite` is not set.
    ProductError
        A product fails its check, a result is not what its manifest says, or the surroundings refuse.
    """
    first = pairs[0].sheets[0]
    inputs = [entry for sheet in _sheets(pairs) for entry in result_inputs(sheet.folder, sheet.manifest)]
    with publishing.publication(out, overwrite, BYTES_NEEDED) as folder:
        frames = _delivered(pairs, first)
        roles = _layers(folder, pairs, first, frames) | _rasters(folder, pairs, first)
        csv_tables.write_tables(frames, folder, TABLES)
        publishing.accept(csv_tables.check_tables(frames, folder, TABLES))
        roles |= {f"{csv_tables.FOLDER}/{name}.csv": "table" for name in TABLES}
        (folder / page.PAGE).write_text(_page(pairs, first), encoding="utf-8")
        publishing.accept(check_page(folder / page.PAGE))
        roles[page.PAGE] = "page"
        manifest.write_json(folder / manifest.MANIFEST, _manifest(folder, pairs, first, inputs, roles))
        manifest.read_json(folder / manifest.MANIFEST)


def _sheets(pairs: list[Pair]) -> list[LotSheet]:
    return [pairs[0].sheets[0], *(pair.sheets[1] for pair in pairs)]


# ------------------------------------------------------------------------------------------------- layers


def _delivered(pairs: list[Pair], first: LotSheet) -> dict[str, gpd.GeoDataFrame]:
    """Every layer over all pairs, dressed: labels, units, geometries in CRS units."""
    to = first.measures
    dressed = {}
    for table in COMPARED:
        frame = pd.concat([pair.frames[table.name] for pair in pairs], ignore_index=True)
        for end in ("from", "to"):
            frame[f"station_{end}_label"] = [to.labels.text(metres) for metres in frame[f"station_{end}_m"]]
        frame["feature_uid"] = [
            f"{lot}+{other}:{table.name}:{i}"
            for i, (lot, other) in enumerate(zip(frame["lot_id"], frame["other_lot_id"], strict=True), 1)
        ]
        frame = frame[[*(column.name for column in table.columns), "geometry"]]
        table.check(frame)
        columns = column_values(frame, table, to.delivery, to.foot_m)
        shapes = to_crs_units(_polygons(frame["geometry"]), str(table.geometry), first.factor)
        dressed[table.name] = gpd.GeoDataFrame(columns, geometry=shapes, crs=first.crs)
    return dressed


def _polygons(shapes: pd.Series) -> np.ndarray:
    """Only areas: where two outlines merely touch, an overlap has points and lines too."""
    return np.array([
        shapely.union_all([part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"])
        if shape is not None and shape.geom_type == "GeometryCollection" else shape
        for shape in shapes
    ] or [], dtype=object)  # fmt: skip


def _layers(
    folder: Path, pairs: list[Pair], first: LotSheet, frames: dict[str, gpd.GeoDataFrame]
) -> dict[str, str]:
    units = first.measures.delivery
    tables = tuple(delivered_table(table, units) for table in COMPARED)
    looks = compared_looks(units)
    package = geopackage.Package(
        tables=tables, frames=frames, looks=looks, styles=layer_styles(tables, looks),
        lot_info=_facts(pairs, first), domains={}, stamp=max(
            geopackage.read_stamp(sheet.folder / geopackage.PACKAGE) for sheet in _sheets(pairs)
        ),
    )  # fmt: skip
    geopackage.write_geopackage(folder / PACKAGE, package)
    publishing.accept(geopackage.check_geopackage(folder / PACKAGE, tables, first.crs, frames))
    return {PACKAGE: "layers"}


def _facts(pairs: list[Pair], first: LotSheet) -> pd.DataFrame:
    """Rows of lot_info: what was compared, how, what came of it, and the cautions."""
    units, foot_m = first.measures.delivery, first.measures.foot_m
    rows = [("program.version", __version__, "", "Version of thermosaic"),
            ("crs.map", first.crs.name, "", "Map of all layers: that of the first result named"),
            ("delivery.units", units, "", "Units of the layers")]  # fmt: skip
    for i, pair in enumerate(pairs, 1):
        numbers = pair.numbers
        rows.append(
            (f"compared.{i}", f"{numbers['lot_id']} with {numbers['other_lot_id']}", "", "Lots compared")
        )
        rows.append((f"compared.{i}.operation", _operation(pair), "", "How the other came onto this map"))
        for j, text in enumerate(statements(pair), 1):
            rows.append((f"compared.{i}.found_{j}", in_units(text, units, foot_m), "", "What was found"))
    rows += [(f"caution.{i}", text, "", "Caution") for i, text in enumerate((NOT_A_CAUSE, *CAUTIONS), 1)]
    return pd.DataFrame(rows, columns=list(geopackage.INFO_COLUMNS))


def _operation(pair: Pair) -> str:
    if pair.operation is None:
        return "none: both have the same map"
    caution = f"; {pair.operation.caution}" if pair.operation.caution else ""
    return f"{pair.operation.name}, known to {pair.operation.accuracy_m:g} m{caution}"


# ------------------------------------------------------------------------------------- raster, page, list


def _rasters(folder: Path, pairs: list[Pair], first: LotSheet) -> dict[str, str]:
    roles = {}
    for pair in pairs:
        raster = write_difference(folder / pair.raster, pair, first)
        publishing.accept(check_difference(folder / pair.raster, raster))
        roles |= {pair.raster: "difference of deficits", pair.raster.replace(".tif", ".qml"): "style"}
    return roles


def _page(pairs: list[Pair], first: LotSheet) -> str:
    to = first.measures
    told = [
        [in_units(text, to.delivery, to.foot_m) for text in (*statements(pair), _operation(pair))]
        for pair in pairs
    ]
    return page.page_text(pairs, told, to, (NOT_A_CAUSE, *CAUTIONS))


def _manifest(
    folder: Path, pairs: list[Pair], first: LotSheet, inputs: list[dict[str, Any]], roles: dict[str, str]
) -> dict[str, Any]:
    operations = [None if pair.operation is None else pair.operation.as_dict() for pair in pairs]
    return {
        "program": publishing.PROGRAM,
        "version": __version__,
        "study": STUDY,
        "inputs": inputs,
        "operations": operations,
        "crs": {"map": first.crs.to_json_dict(), "unit_m": first.factor},
        "delivery": {"units": first.measures.delivery, "foot_m": first.measures.foot_m},
        "versions": manifest.versions(),
        "products": manifest.listed(folder, roles),
    }


# ------------------------------------------------------------------------------------------- the checker


def check_comparison(folder: Path, listed: dict[str, Any]) -> list[str]:
    """Re-read every product of a comparison and compare counts between them; `listed` is its manifest."""
    crs, units = pyproj.CRS.from_json_dict(listed["crs"]["map"]), listed["delivery"]["units"]
    tables = tuple(delivered_table(table, units) for table in COMPARED)
    found, rows = review_package(folder / PACKAGE, tables, crs)
    rasters = sorted(folder.glob("difference_*.tif"))
    if rows and rows["common_mat"] != len(rasters):
        found.append(
            f"{PACKAGE}: {rows['common_mat']} pairs of lots, and {len(rasters)} rasters of a difference"
        )
    found += [text for path in rasters for text in review_difference(path, crs, units)]
    found += check_page(folder / page.PAGE) if (folder / page.PAGE).is_file() else []
    return found + review_tables(folder, tables, rows)
