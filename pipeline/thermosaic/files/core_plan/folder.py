"""The folder of a core plan, published whole or not at all, each file read back before it counts.

In the units of the result's delivery. Random sites and places to look at are never in one layer, table, list or
file of waypoints. Not done here: choosing anything.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyproj

from ... import __version__
from ...delivery import Reader, in_units
from ...tables import (
    DENSITY_READINGS,
    PLANNED,
    RANDOM_CORES,
    RANDOM_NUMBERS,
    Table,
)
from .. import csv_tables, dressing, geopackage, gpx, manifest, publishing
from ..facts import CAUTIONS
from ..geopackage import Package, check_geopackage, write_geopackage
from ..looks.styles import layer_styles
from ..made_from import result_inputs
from ..pages import check_page
from ..review import review_package, review_tables
from ..sheets.lot_sheet import LotSheet
from ..study_layers import lon_lat, study_layer, study_table
from . import page
from .looks import plan_looks
from .plan import CorePlan

PACKAGE, STUDY = "cores.gpkg", "cores"
TO_FILL = {
    RANDOM_CORES: ("cores_to_fill.csv", "core"),
    DENSITY_READINGS: ("gauge_readings_to_fill.csv", "gauge"),
}
WAYPOINTS = {RANDOM_CORES: "random_cores.gpx", DENSITY_READINGS: "density_readings.gpx"}
TITLES = {
    RANDOM_CORES: "random core sites",
    DENSITY_READINGS: "places to look at, NOT RANDOM: gauge readings",
}


def publish(out: Path, overwrite: bool, sheet: LotSheet, plan: CorePlan) -> None:
    """Publish a core plan as a folder.

    Raises
    ------
    ConfigError
        `out` exists and `overwrite` is not set.
    ProductError
        A product fails its check, the result is not what its manifest says, or the surroundings refuse.
    """
    inputs = [*result_inputs(sheet.folder, sheet.manifest), *plan.sources]
    layers = {table.name: study_layer(plan.frames[table.name], table, sheet) for table in PLANNED}
    numbers = study_table(plan.frames[RANDOM_NUMBERS.name], RANDOM_NUMBERS, sheet)
    with publishing.publication(out, overwrite) as folder:
        roles = _package(folder, sheet, plan, layers)
        roles |= _tables(folder, layers | {RANDOM_NUMBERS.name: numbers})
        for table in TO_FILL:
            roles |= _list_to_fill(folder, sheet, plan, table)
            roles |= _waypoints(folder, sheet, plan, table)
        (folder / page.PAGE).write_text(page.page_text(sheet, plan), encoding="utf-8")
        publishing.accept(check_page(folder / page.PAGE))
        roles[page.PAGE] = "page"
        manifest.write_json(folder / manifest.MANIFEST, _listing(folder, sheet, plan, inputs, roles))


def check_plan(folder: Path, listed: dict[str, Any]) -> list[str]:
    """Re-read every product of a core plan and compare counts between them; `listed` is its manifest."""
    crs, units = pyproj.CRS.from_json_dict(listed["crs"]["map"]), listed["delivery"]["units"]
    tables = tuple(dressing.delivered_table(table, units) for table in PLANNED)
    found, rows = review_package(folder / PACKAGE, tables, crs)
    if rows:
        found += [text for table in TO_FILL for text in _check_lists(folder, table)]
    found += check_page(folder / page.PAGE) if (folder / page.PAGE).is_file() else []
    return found + review_tables(folder, [*tables, dressing.delivered_table(RANDOM_NUMBERS, units)], rows)


def _check_lists(folder: Path, table: Table) -> list[str]:
    """Check that a list to fill in and the waypoints name the places of their layer, in its order."""
    names = [str(name) for name in geopackage.read_layer(folder / PACKAGE, table.name)["core_id"]]
    found, (filled, _), points = [], TO_FILL[table], WAYPOINTS[table]
    if (folder / filled).is_file():
        with (folder / filled).open(encoding="utf-8", newline="") as file:
            listed = [row[0] for row in csv.reader(file) if row][1:]
        found += [] if listed == names else [f"{filled}: does not list the places of {table.name}"]
    if (folder / points).is_file():
        found += (
            [] if gpx.names_in(folder / points) == names else [f"{points}: other places than {table.name}"]
        )
    return found


# --------------------------------------------------------------------------------------- layers and tables


def _package(
    folder: Path, sheet: LotSheet, plan: CorePlan, layers: dict[str, gpd.GeoDataFrame]
) -> dict[str, str]:
    units = sheet.measures.delivery
    tables, looks = tuple(dressing.delivered_table(table, units) for table in PLANNED), plan_looks(units)
    package = Package(
        tables=tables,
        frames=layers,
        looks=looks,
        styles=layer_styles(tables, looks),
        lot_info=_facts(sheet, plan),
        domains={},
        stamp=geopackage.read_stamp(sheet.folder / geopackage.PACKAGE),
    )
    write_geopackage(folder / PACKAGE, package)
    publishing.accept(check_geopackage(folder / PACKAGE, tables, sheet.crs, layers))
    return {PACKAGE: "layers"}


def _facts(sheet: LotSheet, plan: CorePlan) -> pd.DataFrame:
    """Rows of lot_info: the lot, the rule of the random sites, what the places are, the cautions."""
    lot, reader = sheet.config["lot"], Reader(sheet.measures.delivery, sheet.measures.foot_m)
    rows = [
        ("program.version", __version__, "", "Version of thermosaic"),
        ("lot_id", lot["id"], "", "Lot of the result"),
        ("revision", str(lot["revision"]), "", "Its revision"),
        ("crs.map", sheet.crs.name, "", "Map of all layers"),
        ("delivery.units", reader.units, "", "Units of the layers"),
    ]
    for key, texts, meaning in (
        ("random", plan.notes, "How the random sites were drawn"),
        ("places", plan.place_notes, "What the places to look at are"),
        ("caution", (*plan.cautions, *CAUTIONS), "Caution"),
    ):
        rows += [(f"{key}.{i}", in_units(text, *reader), "", meaning) for i, text in enumerate(texts, 1)]
    return pd.DataFrame(rows, columns=list(geopackage.INFO_COLUMNS))


def _tables(folder: Path, frames: dict[str, pd.DataFrame]) -> dict[str, str]:
    names = tuple(frames)
    csv_tables.write_tables(frames, folder, names)
    publishing.accept(csv_tables.check_tables(frames, folder, names))
    return {f"{csv_tables.FOLDER}/{name}.csv": "table" for name in names}


# ---------------------------------------------------------------------------------------- lists, waypoints


def _list_to_fill(folder: Path, sheet: LotSheet, plan: CorePlan, table: Table) -> dict[str, str]:
    """Write a table that `overlay` reads once the densities stand in it, and read it back."""
    name, kind = TO_FILL[table]
    rows = to_fill(sheet, plan.frames[table.name], kind)
    with (folder / name).open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    with (folder / name).open(encoding="utf-8", newline="") as file:
        publishing.accept(
            [] if list(csv.reader(file)) == rows else [f"{name}: differs from what was written"]
        )
    return {name: "list to fill in"}


def fill_format(sheet: LotSheet) -> str:
    """The shipped format that reads a list to fill in: by station in the delivery's unit, else by map metres."""
    by_station = bool(sheet.quality["stations"]["line"])
    return "cores-us-csv" if by_station and sheet.measures.delivery == "us" else "cores-csv"


def to_fill(sheet: LotSheet, frame: gpd.GeoDataFrame, kind: str) -> list[list[str]]:
    """Rows of a list: by station and offset where an alignment tells places apart, else by map position in metres."""
    if sheet.quality["stations"]["line"]:
        foot_m = sheet.measures.foot_m
        offset, to_m = ("offset_ft", foot_m) if sheet.measures.delivery == "us" else ("offset_m", 1.0)
        label = sheet.measures.labels.text
        places = [[label(row.station_m), f"{row.offset_m / to_m:.3f}"] for row in frame.itertuples()]
        head = ["station", offset]
    else:
        places = [[f"{point.x:.3f}", f"{point.y:.3f}"] for point in frame.geometry]
        head = ["easting_m", "northing_m"]
    blank = {"density": "", "unit": "", "gmm": "", "kind": kind}
    rows = [[name, *place, *blank.values()] for name, place in zip(frame["core_id"], places, strict=True)]
    return [["core_id", *head, *blank], *rows]


def _waypoints(folder: Path, sheet: LotSheet, plan: CorePlan, table: Table) -> dict[str, str]:
    """Write points for a phone or handheld."""
    frame, to = plan.frames[table.name], sheet.measures
    caution = "A phone is good to 10 to 15 ft only: tape from station and edge."
    points = [
        (lon, lat, row.core_id,
         f"Sta {to.labels.text(row.station_m)}, {page.beside(row.offset_m, to)}, {page.length(row.edge_from_m, to)} "
         f"{to.unit('length').name} from the {row.edge_side} edge looking upstation. {caution}")
        for lon, lat, row in zip(*lon_lat(frame, sheet), frame.itertuples(), strict=True)
    ]  # fmt: skip
    path = folder / WAYPOINTS[table]
    title = f"{sheet.config['lot']['id']}: {TITLES[table]}"
    gpx.write_waypoints(path, title, f"Coordinates in {sheet.crs.geodetic_crs.name}. {caution}", points)
    publishing.accept(gpx.check_waypoints(path, [point[:3] for point in points]))
    return {path.name: "waypoints"}


def _listing(
    folder: Path, sheet: LotSheet, plan: CorePlan, inputs: list[dict[str, Any]], roles: dict[str, str]
) -> dict[str, Any]:
    """What was read, what was stated, and every product with its digest."""
    return {
        "program": publishing.PROGRAM,
        "version": __version__,
        "study": STUDY,
        "lot_id": sheet.config["lot"]["id"],
        "revision": sheet.config["lot"]["revision"],
        "inputs": inputs,
        "stated": plan.stated,
        "crs": sheet.manifest["crs"],
        "delivery": sheet.manifest["delivery"],
        "products": manifest.listed(folder, roles),
    }
