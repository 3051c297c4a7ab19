"""Positions and readings line by line, as a CSV for those who want the measurement itself.

Made from spots.parquet: a row is a scan line with readings on the mat. Readings left out of the statistics
stand there too; why they were left out stands in spots.parquet. Not done here: raw logs.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyproj

from ..delivery import deliver, delivered_name
from ..tables import LINES
from ..units import StationLabels
from . import csv_tables, parquet
from .dressing import local_text

NEEDED = (
    "line", "spot", "pass_id", "seen_utc", "station_m", "offset_m", "easting_m", "northing_m", "temp_c", "speed_mps",
    "position_sigma_m", "placed",
)  # fmt: skip


def write_lines(
    path: Path,
    spots: Path,
    manifest: dict[str, Any],
    units: str,
    columns: dict[str, str],
    readings: str | None,
) -> int:
    """Write the table and return the number of its rows.

    Parameters
    ----------
    manifest : dict
        Of the same result: its CRS, foot, labels and time zone.
    units : "us" or "si"
        Units of the table.
    columns : dict
        Name in the header = column of `tables.LINES`; empty for all of them under their own names.
    readings : str, optional
        Name of a column of readings with {spot}, the number of the spot; t_{spot}_c or _f without it.
    """
    foot_m = float(manifest["delivery"]["foot_m"])
    rows = parquet.read_columns(spots, NEEDED)
    lines = _lines(rows, manifest)
    chosen = columns or {delivered_name(name, units): name for name in lines}
    head, cells = list(chosen), []
    for name in chosen.values():
        delivered = deliver(lines[name], name, units, foot_m)
        cells.append([csv_tables.cell(value, delivered_name(name, units)) for value in delivered])
    unit = delivered_name("temp_c", units).removeprefix("temp_")
    temps = deliver(_readings(rows, len(lines)), "temp_c", units, foot_m)
    for spot, temp in enumerate(temps.T, start=1):
        head.append((readings or f"t_{{spot}}_{unit}").replace("{spot}", f"{spot:02d}"))
        cells.append(["" if np.isnan(value) else f"{value:.2f}" for value in temp.tolist()])
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([head, *zip(*cells, strict=True)])
    return len(lines)


def _lines(rows: pd.DataFrame, manifest: dict[str, Any]) -> pd.DataFrame:
    """One row a line, columns of `tables.LINES` in SI; places are the middle of its first and last spot."""
    config, crs = manifest["configuration"], pyproj.CRS.from_json_dict(manifest["crs"]["map"])
    grouped = rows.groupby("line", sort=True)
    first, last = grouped.first(), grouped.last()
    middle = {
        name: ((first[name].astype(float) + last[name].astype(float)) / 2).to_numpy()
        for name in ("station_m", "offset_m", "easting_m", "northing_m", "position_sigma_m")
    }
    factor = float(manifest["crs"]["unit_m"])
    easting, northing = middle["easting_m"] / factor, middle["northing_m"] / factor
    back = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    lon, lat = back.transform(easting, northing)
    labels = StationLabels.stored(config["labels"])
    seen = pd.DatetimeIndex(first["seen_utc"])
    naive = (seen if seen.tz is None else seen.tz_convert(None)).to_numpy("datetime64[ms]")
    values: dict[str, Any] = {
        "line": first.index, "pass_id": first["pass_id"].to_numpy(),
        "seen_utc": pd.DatetimeIndex(naive).tz_localize("UTC"),
        "seen_local": local_text(naive, config["lot"]["time_zone"]),
        "station_m": middle["station_m"], "station_label": [labels.text(v) for v in middle["station_m"]],
        "offset_m": middle["offset_m"], "map_easting": easting, "map_northing": northing,
        "lon_deg": lon, "lat_deg": lat, "speed_mps": first["speed_mps"].to_numpy(float),
        "position_sigma_m": middle["position_sigma_m"], "placed": first["placed"].to_numpy(),
    }  # fmt: skip
    return pd.DataFrame({column.name: values[column.name] for column in LINES.columns})


def _readings(rows: pd.DataFrame, count: int) -> np.ndarray:
    """Readings as (line, spot) [degC], NaN off the mat and without a reading."""
    temps = np.full((count, int(rows["spot"].max()) if count else 0), np.nan)
    _, row = np.unique(rows["line"].to_numpy(), return_inverse=True)
    temps[row, rows["spot"].to_numpy() - 1] = rows["temp_c"].to_numpy()
    return temps
