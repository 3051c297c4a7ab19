"""Rows of a plan to frames with the columns that a table declares."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import pandas as pd

from ...tables import Table


def plan_frame(rows: list[dict[str, Any]], table: Table) -> gpd.GeoDataFrame:
    """Make the frame of a table from rows that hold its columns (and more) and a geometry in metres."""
    names = [column.name for column in table.found()]
    shapes = gpd.GeoSeries([row["geometry"] for row in rows], dtype="geometry")
    frame = pd.DataFrame([{name: row[name] for name in names} for row in rows], columns=names)
    return gpd.GeoDataFrame(frame, geometry=shapes)
