"""The folder of a comparison: layers, raster, tables, page and manifest, published whole or not at all.

Everything is in the map, the units and the station labels of the first result named. Each file is read back
before the folder gets its name.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from .. import __version__
from ..datum import Operation
from ..delivery import Sentence, in_units, tell, together
from ..errors import ProductError
from ..tables import COMPARED
from . import compared_page, csv_tables, geopackage, manifest, publishing
from .compared_looks import compared_looks
from .difference import check_difference, write_difference
from .dressing import column_values, delivered_table, to_crs_units
from .facts import CAUTIONS
from .parquet import SPOTS_FILE
from .sheets.lift_sheet import LiftSheet
from .sheets.lot_sheet import LotSheet
from .styles import layer_styles

PACKAGE = "compare.gpkg"
TABLES = tuple(table.name for table in COMPARED)
BYTES_NEEDED = 200_000_000
NOT_A_CAUSE = (
    "A coincidence is a place to look, not a cause: loads that repeat, joints and edges put cold places of two lifts "
    "over each other too, and some do by chance."
)


@dataclass(frozen=True, eq=False, slots=True)
class Pair:
    """What was found between the first result and another; SI, geometries in metres of the first one's map."""

    sheets: tuple[LotSheet, LotSheet]  # the first result named, the other
    frames: dict[str, pd.DataFrame]  # by `tables.COMPARED`, without labels
    mat: shapely.Geometry
    difference_at: Callable[
        [np.ndarray, np.ndarray], np.ndarray
    ]  # deficit of the upper less that of the lower
    drawn: tuple[LiftSheet, ...]
    operation: Operation | None
    frame_sigma_m: float

    @property
    def numbers(self) -> pd.Series:
        """The row of the layer `common_mat`."""
        return self.frames["common_mat"].iloc[0]

    @property
    def raster(self) -> str:
        return f"difference_{self.numbers['lot_id']}_{self.numbers['other_lot_id']}.tif"


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
    inputs = [entry for sheet in _sheets(pairs) for entry in _inputs(sheet)]
    with publishing.publication(out, overwrite, BYTES_NEEDED) as folder:
        frames = _delivered(pairs, first)
        roles = _layers(folder, pairs, first, frames) | _rasters(folder, pairs, first)
        csv_tables.write_tables(frames, folder, TABLES)
        _accept(csv_tables.check_tables(frames, folder, TABLES))
        roles |= {f"{csv_tables.FOLDER}/{name}.csv": "table" for name in TABLES}
        (folder / compared_page.PAGE).write_text(_page(pairs, first), encoding="utf-8")
        _accept(compared_page.check_page(folder / compared_page.PAGE))
        roles[compared_page.PAGE] = "page"
        manifest.write_json(folder / manifest.MANIFEST, _manifest(folder, pairs, first, inputs, roles))
        manifest.read_json(folder / manifest.MANIFEST)


def _accept(differences: list[str]) -> None:
    if differences:
        raise ProductError(
            "a product failed its own check; nothing was published: " + "; ".join(differences[:10])
        )


def _sheets(pairs: list[Pair]) -> list[LotSheet]:
    return [pairs[0].sheets[0], *(pair.sheets[1] for pair in pairs)]


def _inputs(sheet: LotSheet) -> list[dict[str, Any]]:
    """What was compared: the files of a result that were read, each as its manifest says."""
    stated = {item["path"]: item["sha256"] for item in sheet.manifest["products"]}
    read = [name for name in (geopackage.PACKAGE, SPOTS_FILE, manifest.QUALITY) if name in stated]
    found = []
    for name in (*read, manifest.MANIFEST):
        digest = manifest.sha256_of(sheet.folder / name)
        if stated.get(name, digest) != digest:
            raise ProductError(
                f"{sheet.folder / name}: is not what the result's manifest says: find out with `thermosaic verify`"
            )
        lot = sheet.config["lot"]
        found.append({"lot_id": lot["id"], "revision": lot["revision"], "path": name, "sha256": digest})
    return found


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
    _accept(geopackage.check_geopackage(folder / PACKAGE, tables, first.crs, frames))
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


# --------------------------------------------------------------------------------------------- sentences


def statements(pair: Pair) -> list[Sentence]:
    """What was found between two lots, in plain sentences, each number beside what chance gives."""
    row, to = pair.numbers, pair.sheets[0].measures
    over = "over" if row["lift"] != row["other_lift"] else "at"
    said = [
        tell(
            "{lot} (lift {lift}) and {other} (lift {other_lift}) have {area_m2:,.1f} of mat in common, station {low} "
            "to {high}; one place on both is known to {sigma_m:.3f} (one sigma)",
            lot=row["lot_id"], lift=row["lift"], other=row["other_lot_id"], other_lift=row["other_lift"],
            area_m2=row["area_m2"], low=to.station(row["station_from_m"]), high=to.station(row["station_to_m"]),
            sigma_m=row["sigma_m"],
        ),
        _counted(row, "zones_on", f"{{count:.0f}} of {{all}} cold zones of {{lot}} {over} one of the {{others}} of "
                 "{other}", ("zone_count", "other_zone_count")),
    ]  # fmt: skip
    if row["zone_count"]:
        said.append(
            f"{row['overlap_frac']:.1%} of the area of its cold zones {over} one of the other"
            + _held(row, "overlap", "_frac", "{:.1%}")
        )
    said.append(_counted(row, "stops_on", "{count:.0f} of {all} stops of {lot} at one of the {others} of {other}",
                         ("stop_count", "other_stop_count")))  # fmt: skip
    if np.isfinite(row["correlation"]):
        said.append(_correlated(row))
    return [text if isinstance(text, Sentence) else together([text]) for text in said]


def _correlated(row: pd.Series) -> Sentence:
    alone = f"; {row['cell_count']:,} cells scatter like {row['effective_count']:,.0f} independent ones"
    return tell(
        "deficits of both below their own mats correlate by {r:+.2f} over cells of {cell_m:.3f}{held}{alone}",
        cell_m=row["cell_m"], r=row["correlation"], held=_held(row, "correlation", "", "{:+.2f}"),
        alone=alone if np.isfinite(row["effective_count"]) else "",
    )  # fmt: skip


def _counted(row: pd.Series, name: str, template: str, counts: tuple[str, str]) -> str:
    text = template.format(
        count=row[name],
        all=row[counts[0]],
        others=row[counts[1]],
        lot=row["lot_id"],
        other=row["other_lot_id"],
    )
    return text + (_held(row, name, "", "{:.2g}") if row[counts[0]] and row[counts[1]] else "")


def _held(row: pd.Series, name: str, end: str, form: str) -> str:
    """What chance gives, and whether the number observed lies outside it."""
    low, high, expected = (row[f"{name}_{what}{end}"] for what in ("low", "high", "expected"))
    if not np.isfinite(expected):
        return "; too little mat in common to say what chance gives"
    observed = row[name + end]
    word = "more than chance gives" if observed > high else "less than chance gives" if observed < low else (
        "no more than chance gives")  # fmt: skip
    ends = " to ".join(form.format(value) for value in (low, high))
    return f": {word} ({form.format(expected)}, {ends} in 95 % of {row['shift_count']} shifts along station)"


# ------------------------------------------------------------------------------------- raster, page, list


def _rasters(folder: Path, pairs: list[Pair], first: LotSheet) -> dict[str, str]:
    roles = {}
    for pair in pairs:
        raster = write_difference(folder / pair.raster, pair, first)
        _accept(check_difference(folder / pair.raster, raster))
        roles |= {pair.raster: "difference of deficits", pair.raster.replace(".tif", ".qml"): "style"}
    return roles


def _page(pairs: list[Pair], first: LotSheet) -> str:
    to = first.measures
    told = [
        [in_units(text, to.delivery, to.foot_m) for text in (*statements(pair), _operation(pair))]
        for pair in pairs
    ]
    return compared_page.page_text(pairs, told, to, (NOT_A_CAUSE, *CAUTIONS))


def _manifest(
    folder: Path, pairs: list[Pair], first: LotSheet, inputs: list[dict[str, Any]], roles: dict[str, str]
) -> dict[str, Any]:
    operations = [None if pair.operation is None else pair.operation.as_dict() for pair in pairs]
    return {
        "program": publishing.PROGRAM,
        "version": __version__,
        "inputs": inputs,
        "operations": operations,
        "crs": {"map": first.crs.to_json_dict(), "unit_m": first.factor},
        "delivery": {"units": first.measures.delivery, "foot_m": first.measures.foot_m},
        "versions": manifest.versions(),
        "products": [
            {"role": role, "path": path, "sha256": manifest.sha256_of(folder / path),
             "bytes": (folder / path).stat().st_size}
            for path, role in sorted(roles.items())
        ],
    }  # fmt: skip
