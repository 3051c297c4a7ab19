"""lot.gpkg: write it once, whole and the same bytes each time; check it by three other readers.

GeoPackage 1.3 (OGC 12-128r17) through pyogrio, then plain SQLite for what a data frame does not carry:
default styles, column descriptions and domains (schema extension), `lot_info` and `data_dictionary`.
Journal mode is DELETE. The file is built on a local disk and copied, since SQLite must not write to a
network share. Not done here: spots, which go to GeoParquet.
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyogrio.errors
import pyogrio.raw
import pyproj
import shapely

from ..errors import ProductError
from ..tables import Column, Table
from .looks.styles import alias
from .looks.symbols import Look

PACKAGE = "lot.gpkg"  # its name in a result
VERSION = "1.3"
INFO_COLUMNS = ("key", "value", "unit", "meaning")
DICTIONARY_COLUMNS = ("table_name", "column_name", "unit", "meaning")
ATTRIBUTE_TABLES = {
    "lot_info": ("Facts of the lot: rule, frames, set-up, limits, doubts, cautions", INFO_COLUMNS),
    "data_dictionary": ("Every column of every layer: unit and meaning", DICTIONARY_COLUMNS),
}
RANGES = {
    "_frac": (0.0, 1.0),
    "azimuth_deg": (0.0, 360.0),
    "_lat_deg": (-90.0, 90.0),
    "_lon_deg": (-180.0, 180.0),
}
FIONA_TYPES = {
    "text": "str",
    "int32": "int32",
    "int64": "int",
    "float32": "float",
    "float64": "float",
    "bool": "bool",
    "datetime": "datetime",
}

CREATE_STYLES = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
  f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
  update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')))
"""
INSERT_STYLE = """
INSERT INTO layer_styles (
  f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, styleQML, styleSLD,
  useAsDefault, description, owner, ui, update_time)
VALUES ('', '', ?, 'geom', ?, ?, '', 1, ?, '', NULL, ?)
"""
CREATE_COLUMNS = """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT,
  mime_type TEXT, constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name))
"""
CREATE_CONSTRAINTS = """
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC,
  min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value))
"""


@dataclass(frozen=True, eq=False)
class Package:
    """Content of one lot.gpkg.

    `tables` in layer order and `frames` by name as delivered (dressed, geometries in CRS units, CRS set);
    `looks` how each layer is drawn and `styles` the same as QML; `domains` (layer, column) -> words that the
    rule and not the table decides; `stamp` ISO 8601 UTC with milliseconds and Z, the lot's own time.
    """

    tables: tuple[Table, ...]
    frames: dict[str, gpd.GeoDataFrame]
    looks: dict[str, Look]
    styles: dict[str, str]
    lot_info: pd.DataFrame
    domains: dict[tuple[str, str], tuple[str, ...]]
    stamp: str


def write_geopackage(path: Path, package: Package) -> None:
    """Write the package under `path`; the folder holding it must exist.

    Raise OSError, sqlite3.Error or pyogrio's errors where the disk refuses.
    """
    with tempfile.TemporaryDirectory(prefix="thermosaic-") as folder:
        local = Path(folder) / PACKAGE
        with _fixed_date(package.stamp):
            for table in package.tables:
                _write_layer(local, table, package.frames[table.name])
        with closing(sqlite3.connect(local)) as base:
            base.execute("PRAGMA synchronous = OFF")
            _add_tables(base, package)
            _add_styles(base, package)
            _add_columns(base, package)
            base.commit()
            base.execute("PRAGMA journal_mode = DELETE")
            base.execute("VACUUM")
        shutil.copyfile(local, path)


@contextmanager
def _fixed_date(stamp: str) -> Iterator[None]:
    """Let GDAL write the lot's own time as last_change; the file is synced once, when it is whole."""
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": stamp, "OGR_SQLITE_SYNCHRONOUS": "OFF"})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None, "OGR_SQLITE_SYNCHRONOUS": None})


def _write_layer(path: Path, table: Table, frame: gpd.GeoDataFrame) -> None:
    """Write one layer; the first makes the file."""
    options = {} if path.exists() else {"dataset_options": {"VERSION": VERSION}}
    pyogrio.write_dataframe(
        frame,
        path,
        layer=table.name,
        driver="GPKG",
        geometry_type=table.geometry,
        use_arrow=False,
        layer_options={
            "GEOMETRY_NAME": "geom",
            "FID": "fid",
            "SPATIAL_INDEX": "YES",
            "IDENTIFIER": table.name,
            "DESCRIPTION": table.meaning,
        },
        **options,
    )


def _register(base: sqlite3.Connection, name: str, meaning: str, stamp: str) -> None:
    base.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id) "
        "VALUES (?, 'attributes', ?, ?, ?, 0)",
        (name, name, meaning, stamp),
    )


def _add_tables(base: sqlite3.Connection, package: Package) -> None:
    """Add lot_info and data_dictionary as registered attribute tables."""
    rows = {"lot_info": package.lot_info, "data_dictionary": data_dictionary(package.tables)}
    for name, (meaning, columns) in ATTRIBUTE_TABLES.items():
        fields = ", ".join(f'"{column}" TEXT' for column in columns)
        base.execute(f'CREATE TABLE "{name}" (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, {fields})')
        marks = ", ".join("?" * len(columns))
        names = ", ".join(f'"{column}"' for column in columns)
        base.executemany(
            f'INSERT INTO "{name}" ({names}) VALUES ({marks})', rows[name][list(columns)].values.tolist()
        )
        _register(base, name, meaning, package.stamp)


def data_dictionary(tables: tuple[Table, ...]) -> pd.DataFrame:
    """Table, column, unit and meaning of every column, as delivered; empty column = the table itself."""
    rows: list[tuple[str, ...]] = []
    for table in tables:
        rows.append((table.name, "", "", table.meaning))
        rows += [(table.name, column.name, column.unit, column.meaning) for column in table.columns]
    return pd.DataFrame(rows, columns=list(DICTIONARY_COLUMNS))


def _add_styles(base: sqlite3.Connection, package: Package) -> None:
    """Add layer_styles as QGIS lays it out, each style its layer's default."""
    base.execute(CREATE_STYLES)
    for table in package.tables:
        style = (table.name, table.name, package.styles[table.name], table.meaning, package.stamp)
        base.execute(INSERT_STYLE, style)
    _register(base, "layer_styles", "Default styles of the layers", package.stamp)


def _domain_of(
    table: Table, column: Column, domains: dict[tuple[str, str], tuple[str, ...]]
) -> tuple[str, tuple[Any, ...]] | None:
    """Kind and content of a column's domain: ("enum", words) or ("range", (low, high)); None without one."""
    words = column.values or domains.get((table.name, column.name), ())
    if words:
        return "enum", words
    if column.name.endswith("_cv_frac"):
        return None
    return next(
        (("range", limits) for ending, limits in RANGES.items() if column.name.endswith(ending)), None
    )


def _add_columns(base: sqlite3.Connection, package: Package) -> None:
    """Describe columns and state their domains (schema extension, OGC 12-128r17 annex F.9)."""
    base.execute(CREATE_COLUMNS)
    base.execute(CREATE_CONSTRAINTS)
    definition = "http://www.geopackage.org/spec/#extension_schema"
    for name in ("gpkg_data_columns", "gpkg_data_column_constraints"):
        base.execute(
            "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')", (name, definition)
        )
    stated: set[str] = set()
    for table in package.tables:
        for column in table.columns:
            constraint = _add_domain(base, table, column, package.domains, stated)
            base.execute(
                "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, ?)",
                (
                    table.name,
                    column.name,
                    column.name,
                    alias(column.meaning, column.unit),
                    column.meaning,
                    constraint,
                ),
            )


def _add_domain(
    base: sqlite3.Connection,
    table: Table,
    column: Column,
    domains: dict[tuple[str, str], tuple[str, ...]],
    stated: set[str],
) -> str | None:
    """State a column's domain once and return its name."""
    domain = _domain_of(table, column, domains)
    if domain is None:
        return None
    kind, content = domain
    name = (
        f"{table.name}_{column.name}"
        if kind == "enum"
        else "range_{:g}_{:g}".format(*content).replace("-", "minus_")
    )
    if name in stated:
        return name
    stated.add(name)
    insert = "INSERT INTO gpkg_data_column_constraints VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
    if kind == "range":
        base.execute(insert, (name, "range", None, content[0], 1, content[1], 1, column.unit))
    for word in content if kind == "enum" else ():
        base.execute(insert, (name, "enum", word, None, None, None, None, word.replace("_", " ")))
    return name


@contextmanager
def _as_it_is(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a file with plain SQLite, read-only, nothing made beside it."""
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)) as base:
        yield base


def read_layer(path: Path, name: str) -> gpd.GeoDataFrame:
    """Read one layer as written: columns in order, times UTC, geometries in CRS units.

    Raises
    ------
    ProductError
        The file has no such layer: another version of the program made it.
    """
    try:
        return pyogrio.read_dataframe(path, layer=name)
    except pyogrio.errors.DataLayerError as error:
        raise ProductError(
            f"{path}: has no layer {name}, which this version expects: run the lot again with it"
        ) from error


def read_stamp(path: Path) -> str:
    """The lot's own time, which every table carries as its last change: ISO 8601 UTC with Z."""
    with _as_it_is(path) as base:
        return str(base.execute("SELECT max(last_change) FROM gpkg_contents").fetchone()[0])


def read_table(path: Path, name: str) -> pd.DataFrame:
    """Read one of the tables without geometry."""
    return pyogrio.read_dataframe(path, layer=name, read_geometry=False)


# ------------------------------------------------------------------------------------------- the checker


def check_geopackage(
    path: Path, tables: tuple[Table, ...], crs: pyproj.CRS, frames: dict[str, gpd.GeoDataFrame] | None = None
) -> list[str]:
    """Re-read a lot.gpkg with sqlite3, fiona and pyogrio and return every difference in plain words.

    Parameters
    ----------
    tables : tuple of Table
        As delivered.
    frames : dict of GeoDataFrame, optional
        The rows that were meant; without them only structure and validity are checked.
    """
    try:
        found = _check_base(path, tables)
        found += [] if found else _check_with_fiona(path, tables, crs)
        if not found:
            found += [
                text for table in tables for text in _check_rows(path, table, (frames or {}).get(table.name))
            ]
    except (sqlite3.Error, OSError, RuntimeError, ValueError) as error:
        return [f"{path.name}: cannot be read: {error}"]
    return found


def _check_base(path: Path, tables: tuple[Table, ...]) -> list[str]:
    """Check the SQLite file itself: soundness, version, journal, registered tables, styles, descriptions."""
    found = [
        f"{path.name}: {extra.name} lies beside it: it is open in another program, close that"
        for extra in _journals(path)
    ]
    with _as_it_is(path) as base:
        verdict = base.execute("PRAGMA integrity_check").fetchone()[0]
        if verdict != "ok":
            return [*found, f"{path.name}: SQLite says {verdict}"]
        facts = {
            name: base.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version")
        }
        if facts != {"application_id": 0x47504B47, "user_version": 10300}:
            found.append(f"{path.name}: application_id and user_version are {facts}, expected GPKG 1.3")
        if path.read_bytes()[18:20] != b"\x01\x01":
            found.append(f"{path.name}: journal mode is WAL, expected DELETE")
        contents = {row[0] for row in base.execute("SELECT table_name FROM gpkg_contents")}
        wanted = {table.name for table in tables} | set(ATTRIBUTE_TABLES) | {"layer_styles"}
        if contents != wanted:
            return [*found, f"{path.name}: tables registered differ: {sorted(contents ^ wanted)}"]
        return [*found, *(f"{path.name}: {text}" for text in _check_descriptions(base, tables))]


def _check_descriptions(base: sqlite3.Connection, tables: tuple[Table, ...]) -> list[str]:
    """Every layer has its default style and every column its description."""
    styles = "SELECT f_table_name FROM layer_styles WHERE useAsDefault AND styleQML LIKE '%<qgis%'"
    styled = {row[0] for row in base.execute(styles)}
    found = [f"layer {table.name} has no default style" for table in tables if table.name not in styled]
    described = set(base.execute("SELECT table_name, column_name FROM gpkg_data_columns"))
    missing = {(table.name, c.name) for table in tables for c in table.columns} - described
    return found + [f"column {column} of {table} is not described" for table, column in sorted(missing)]


def _journals(path: Path) -> list[Path]:
    return [
        extra for end in ("-wal", "-shm", "-journal") if (extra := path.with_name(path.name + end)).exists()
    ]


def _check_with_fiona(path: Path, tables: tuple[Table, ...], crs: pyproj.CRS) -> list[str]:
    """Check layer order, geometry types, columns and CRS with another reader than the writer."""
    import fiona

    found = []
    layers = [name for name in fiona.listlayers(path) if name in {table.name for table in tables}]
    if layers != [table.name for table in tables]:
        found.append(f"{path.name}: layers are {layers}, expected {[table.name for table in tables]}")
    for table in tables:
        with fiona.open(path, layer=table.name) as layer:
            found += [f"{path.name}: layer {table.name} {text}" for text in _check_schema(layer, table, crs)]
    return found


def _check_schema(layer: Any, table: Table, crs: pyproj.CRS) -> list[str]:
    """Check one layer that fiona has opened."""
    found = []
    if layer.schema["geometry"] != table.geometry:
        found.append(f"is {layer.schema['geometry']}, expected {table.geometry}")
    types = {name: kind.split(":")[0] for name, kind in layer.schema["properties"].items()}
    wanted = {column.name: FIONA_TYPES[column.dtype] for column in table.columns}
    if types != wanted:
        found.append(f"has other columns: {sorted(set(types.items()) ^ set(wanted.items()))}")
    if not _same_crs(layer.crs_wkt, crs):
        found.append(f"is not in {crs.name}")
    return found


def _same_crs(wkt: str, crs: pyproj.CRS) -> bool:
    return pyproj.CRS.from_wkt(wkt).is_exact_same(crs) or pyproj.CRS.from_wkt(wkt).equals(
        crs, ignore_axis_order=True
    )


def _check_rows(path: Path, table: Table, meant: gpd.GeoDataFrame | None) -> list[str]:
    """Check validity of geometries, uniqueness of identities, and row contents against what was meant."""
    meta, _, wkb, values = pyogrio.raw.read(path, layer=table.name)
    fields = dict(zip(meta["fields"], values, strict=True))
    where, found = f"{path.name}: layer {table.name}", []
    geometries = shapely.from_wkb(wkb)
    bad = np.flatnonzero(~shapely.is_valid(geometries) & ~shapely.is_missing(geometries))
    found += [f"{where}: row {row + 1}: {shapely.is_valid_reason(geometries[row])}" for row in bad]
    if len(set(fields["feature_uid"])) < len(wkb):
        found.append(f"{where}: feature_uid is used twice")
    if meant is None:
        return found
    if len(wkb) != len(meant):
        return [*found, f"{where}: {len(wkb)} rows, expected {len(meant)}"]
    plain = pd.DataFrame(meant)
    for column in table.columns:
        if not _same_values(fields[column.name], plain[column.name], column.dtype):
            found.append(f"{where}: column {column.name} reads back differently")
    if not _same_geometries(geometries, meant.geometry.to_numpy()):
        found.append(f"{where}: geometries read back differently")
    return found


def _same_values(read: np.ndarray, meant: pd.Series, dtype: str) -> bool:
    if dtype == "text":
        return read.tolist() == meant.to_numpy(object, na_value=None).tolist()
    if dtype == "datetime":
        left, right = read.astype("datetime64[ms]"), meant.dt.tz_convert(None).to_numpy("datetime64[ms]")
        return bool(np.all((left == right) | (np.isnat(left) & np.isnat(right))))
    return np.array_equal(read.astype(float), meant.to_numpy(float, na_value=np.nan), equal_nan=True)


def _same_geometries(read: np.ndarray, meant: np.ndarray) -> bool:
    none = shapely.is_missing(read) & shapely.is_missing(meant)
    return bool(np.all(shapely.equals_identical(read, meant) | none))
