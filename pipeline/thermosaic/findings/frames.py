"""Rows of findings to frames of declared columns and types, empty ones included."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from .. import tables

NULLABLE = {"int32": "Int32", "int64": "Int64"}
EMPTY_OF = {
    "text": None,
    "float64": np.nan,
    "float32": np.nan,
    "datetime": np.datetime64("NaT"),
    "bool": False,
}


def layer(name: str, rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    """Make the frame of a layer from rows; a key that a row lacks is empty.

    Geometry is in metres of the map CRS and the frame has no CRS (metres need not be its unit). Integer
    columns are nullable. Raise ValueError for a key that the layer does not declare.
    """
    columns = tables.LAYER[name].found()
    unknown = {key for row in rows for key in row} - {column.name for column in columns} - {"geometry"}
    if unknown:
        raise ValueError(f"layer {name} declares no {sorted(unknown)}")
    data = {column.name: _column(column, rows) for column in columns}
    frame = gpd.GeoDataFrame(data, geometry=[row.get("geometry", shapely.Polygon()) for row in rows])
    tables.LAYER[name].check(frame, dressed=False)
    return frame


def numbered(name: str, key: str, rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    """Make the frame of a layer whose rows are numbered from 1 in their order."""
    return layer(name, [{**row, key: number} for number, row in enumerate(rows, 1)])


def laid_between(laid_utc: np.ndarray) -> dict[str, Any]:
    """Give the first and last time of laying; nothing where none is known (NaT)."""
    known = laid_utc[~np.isnat(laid_utc)]
    return {"laid_from_utc": known.min(), "laid_to_utc": known.max()} if len(known) else {}


def _column(column: tables.Column, rows: list[dict[str, Any]]) -> pd.Series:
    values = [row.get(column.name, EMPTY_OF.get(column.dtype)) for row in rows]
    if column.dtype == "text":
        return pd.Series(values, dtype=object)
    if column.dtype == "datetime":
        return pd.Series(np.array(values, "datetime64[ns]"))
    return pd.Series(values, dtype=NULLABLE.get(column.dtype, column.dtype))


def edge_range(low_m: float, high_m: float, edges_m: np.ndarray, slack_m: float) -> dict[str, Any]:
    """Give the distance from the nearer mat edge, and its side looking upstation.

    `low_m`, `high_m` and `edges_m` (2,) are offsets; a feature that reaches within `slack_m` of both edges
    is mat wide: 0, the width, no side.
    """
    left, right = max(low_m - edges_m[0], 0.0), max(edges_m[1] - high_m, 0.0)
    if left <= slack_m and right <= slack_m:
        return {"edge_from_m": 0.0, "edge_to_m": float(edges_m[1] - edges_m[0]), "edge_side": None}
    if left <= right:
        return {"edge_from_m": float(left), "edge_to_m": float(high_m - edges_m[0]), "edge_side": "left"}
    return {"edge_from_m": float(right), "edge_to_m": float(edges_m[1] - low_m), "edge_side": "right"}
