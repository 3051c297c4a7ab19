"""One profile worked in full: every value of its sample, and the steps a spreadsheet repeats.

The sample is gathered anew from spots.parquet, by the rule printed beside it, and must give the numbers of the
layer. Shown values are rounded to hundredths of a degree; the steps use the shown values.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow.compute as pc
import pyarrow.parquet as pq

from ..parquet import SPOTS_FILE
from .lot_sheet import LotSheet

DECIMALS = 2


@dataclass(frozen=True, slots=True)
class Step:
    """One percentile, or the end of the sample: what stands where, and the value between."""

    name: str
    percent: float
    place: float  # in ascending order, first = 1
    below: float
    above: float
    value: float


@dataclass(frozen=True, eq=False, slots=True)
class WorkedProfile:
    """Numbers in the delivery's unit."""

    profile: pd.Series
    table: np.ndarray  # (along, across) shown values, NaN = no kept reading; for readings one long column
    along: list[str]  # what stands before each row
    across: list[str]  # what stands above each column
    count: int
    readings: int
    low: Step | None
    high: Step | None
    differential: float
    stated: float  # as the layer has it


def pick_profile(sheet: LotSheet) -> pd.Series | None:
    """Choose the classed profile with the largest differential (largest cold share where there is none)."""
    profiles = sheet.frames["profiles"]
    classed = profiles[profiles["class_rank"].notna()]
    if len(classed) == 0:
        return None
    by = classed["differential_delta_c"].fillna(-1.0) + classed["share_cold_frac"].fillna(0) * 1e-6
    return classed.iloc[int(np.argmax(by.to_numpy()))]


def kept_readings(sheet: LotSheet, profile: pd.Series) -> pd.DataFrame:
    """Kept readings of a profile: station, offset, temperature, SI."""
    columns = ["station_m", "offset_m", "temp_c", "kept", "pass_id"]
    low, high = profile["station_from_m"], profile["station_to_m"]
    near = (pc.field("station_m") >= low - 1e-6) & (pc.field("station_m") < high - 1e-6)
    frame = pq.read_table(
        sheet.folder / SPOTS_FILE, columns=columns, filters=near & pc.field("kept")
    ).to_pandas()
    return frame[frame["pass_id"].astype(str) == profile["pass_id"]]


def work(sheet: LotSheet) -> WorkedProfile | None:
    """Work the chosen profile; None where no profile has a class or the rule needs more than its sample."""
    profile = pick_profile(sheet)
    statistic = sheet.config["rules"]["statistic"]
    if profile is None or statistic["kind"] not in ("percentile_pair", "max_minus_min", "below_target"):
        return None
    readings = kept_readings(sheet, profile)
    if statistic["sample"] == "cell_mean":
        table, along, across = _cells(sheet, profile, readings, statistic["cell_m"])
    else:
        table = np.sort(readings["temp_c"].to_numpy(dtype=float))[:, None]
        along, across = [str(i) for i in range(1, len(table) + 1)], ["reading"]
    table = np.round(sheet.measures.shown(table, "percentile"), DECIMALS)
    values = np.sort(table[np.isfinite(table)])
    low, high = _ends(values, statistic)
    target_c = sheet.config["lot"]["laydown_target_c"]
    top = high.value if high else float(sheet.measures.shown(target_c, "percentile"))
    stated = float(sheet.measures.shown(profile["differential_delta_c"], "delta"))
    return WorkedProfile(
        profile, table, along, across, len(values), len(readings), low, high, top - low.value, stated
    )


def _cells(
    sheet: LotSheet, profile: pd.Series, readings: pd.DataFrame, cell_m: float
) -> tuple[np.ndarray, list[str], list[str]]:
    """Mean of each cell, a row for each step along and a column for each step across, with their names."""
    zero_m = sheet.quality["mat_frames"][profile["pass_id"]]["zero_m"]
    along = np.floor(np.round(readings["station_m"].to_numpy() - zero_m, 6) / cell_m).astype(int)
    across = np.floor(readings["offset_m"].to_numpy(dtype=float) / cell_m).astype(int)
    first, left = along.min(), across.min()
    shape = (along.max() - first + 1, across.max() - left + 1)
    key = (along - first) * shape[1] + across - left
    count = np.bincount(key, minlength=shape[0] * shape[1])
    total = np.bincount(key, readings["temp_c"].to_numpy(dtype=float), minlength=shape[0] * shape[1])
    table = np.where(count > 0, total / np.maximum(count, 1), np.nan).reshape(shape)
    stations = [sheet.measures.labels.text(zero_m + (first + i) * cell_m) for i in range(shape[0])]
    offsets = [sheet.measures.text((left + j) * cell_m, "length") for j in range(shape[1])]
    return table, stations, offsets


def _ends(values: np.ndarray, statistic: dict) -> tuple[Step, Step | None]:
    """Low and high end of the sample by the rule; no high end where the rule takes the laydown target."""
    if statistic["kind"] == "max_minus_min":
        number = len(values)
        ends = ((0.0, 1, values[0], "lowest"), (100.0, number, values[-1], "highest"))
        low, high = (Step(name, percent, place, value, value, value) for percent, place, value, name in ends)
        return low, high
    low = _percentile(values, statistic["low_percentile"], statistic["percentile_method"])
    if statistic["kind"] == "below_target":
        return low, None
    return low, _percentile(values, statistic["high_percentile"], statistic["percentile_method"])


def _percentile(values: np.ndarray, percent: float, method: str) -> Step:
    """Percentile by Hyndman and Fan's R-6 or R-7, with the two values it lies between."""
    number = len(values)
    place = percent / 100 * (number + 1) if method == "R-6" else 1 + percent / 100 * (number - 1)
    place = min(max(place, 1.0), float(number))
    below = values[math.floor(place) - 1]
    above = values[min(math.floor(place), number - 1)]
    value = below + (place - math.floor(place)) * (above - below)
    return Step(f"{percent:g} %", percent, place, float(below), float(above), float(value))


def check_worked(worked: WorkedProfile) -> list[str]:
    """The readings gathered anew give the layer's count and, to the rounding of the shown values, its number."""
    found = []
    number = int(worked.profile["reading_count"])
    if worked.readings != number:
        found.append(f"the worked profile has {worked.readings} readings, its layer says {number}")
    if not abs(worked.differential - worked.stated) <= 2 * 10**-DECIMALS:
        found.append(
            f"the worked profile gives {worked.differential:.3f}, its layer says {worked.stated:.3f}"
        )
    return found
