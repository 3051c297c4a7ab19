"""Facts that were found: position, mass by rate and by tickets, pay, weather."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ...delivery import wind
from ...kernels import yields
from ..dressing import local_text
from ..weather import shift_weather
from .rows import Row, as_text, fact

if TYPE_CHECKING:
    from ...model import LotRecord

US_TON_KG = 907.18474


def position_rows(record: LotRecord) -> list[Row]:
    """How good positions are over the whole lot."""
    whole = _whole_lot(record)
    of = "of the position sigma of readings on the mat, one standard deviation"
    return [
        fact(record, f"position.{name}", float(value), f"{meaning} {of}")
        for name, meaning in (("sigma_p50_m", "Median"), ("sigma_p95_m", "95th percentile"))
        for value in whole[name].iloc[:1]
    ]


def yield_rows(record: LotRecord) -> list[Row]:
    """Mix on the measured area, and the rate it was placed at while moving, by the stated spread rate."""
    rate_kg_m2 = record.config.lot.spread_rate_kg_m2
    if rate_kg_m2 is None:
        return []
    lot = _whole_lot(record).iloc[0]
    kilograms, unit = (US_TON_KG, "ton") if record.config.delivery.units == "us" else (1000.0, "t")
    width_m = _mean_width_m(record)
    mass = float(yields.mass_kg(lot["area_m2"], rate_kg_m2)) / kilograms
    placed = float(yields.delivery_kg_s(lot["speed_mean_mps"], width_m, rate_kg_m2)) * 3600 / kilograms
    weighed = record.findings.counts.get("tickets", {}).get("on_mat", 0)
    estimate = "at the stated spread rate: an estimate" + ("" if weighed else ", no ticket was weighed")
    return [
        ("yield.mass", as_text(mass, 4), unit, f"Mix on the area measured, {estimate}"),
        ("yield.placed", as_text(placed, 3), f"{unit}/h", f"Mix placed while moving, {estimate}"),
    ]


def _mean_width_m(record: LotRecord) -> float:
    """Mean width of the mat measured, over the placed lines of new mat."""
    swath = record.swath
    new = swath.first_look & (swath.placed > 0) & (swath.pass_code >= 0)
    return float(np.diff(swath.edges_m[new if new.any() else slice(None)]).mean())


def ticket_rows(record: LotRecord) -> list[Row]:
    """Mass by tickets, and the whole loads' mass by area beside the stated spread rate."""
    counts = record.findings.counts.get("tickets", {})
    if not counts.get("on_mat"):
        return []
    meaning = f"Mass by {counts['on_mat']} tickets; t = 1000 kg"
    rows = [("tickets.mass", as_text(counts["mass_t"], 5), "t", meaning)]
    if counts["weighed_loads"]:
        stated = record.config.lot.spread_rate_kg_m2
        against = "" if stated is None else f"; stated: {stated:.4g} kg/m2"
        meaning = f"Spread rate of {counts['weighed_loads']} whole loads by their tickets{against}"
        rows.append(("tickets.spread_rate", as_text(counts["spread_kg_m2"], 4), "kg/m2", meaning))
    return rows


def pay_rows(record: LotRecord) -> list[Row]:
    """What the user's own pay table gives; only where the rule holds one."""
    found = record.findings.counts.get("pay")
    if not found:
        return []
    caution = "by the table that the user entered; the contract and its engineer decide"
    unit = found["currency"]
    rows = []
    for word, paid in found["by_class"].items():
        meaning = f"{paid['count']} profiles at {paid['each']:g} each, {caution}"
        rows.append((f"pay.{word}", as_text(paid["sum"]), unit, meaning))
    return [*rows, ("pay.total", as_text(float(found["total"])), unit, f"Sum {caution}")]


def weather_rows(record: LotRecord) -> list[Row]:
    """Air, wind and sky at the start, the middle and the end of the shift, each as read nearest to it."""
    rows = []
    for item in shift_weather(record):
        when, time_utc = item["moment"], np.array([item["time_utc"]], "M8[ms]")
        moment = local_text(time_utc, record.config.lot.time_zone)[0]
        meaning = f"at the {when} of the shift, read at {moment}"
        rows += [
            fact(record, f"weather.{when}.air_c", item["air_c"], f"Air {meaning}", 3),
            _wind_row(record, f"weather.{when}.wind", item["wind_mps"], f"Wind {meaning}"),
            (f"weather.{when}.sky", item["sky"], "", f"Sky {meaning}"),
        ]
    return [row for row in rows if row[1]]


def _wind_row(record: LotRecord, key: str, wind_mps: float, meaning: str) -> Row:
    """Wind in the unit of the delivery's weather service, not in that of a paver's speed."""
    value, unit = wind(wind_mps, record.config.delivery.units)
    return f"{key}_{'mph' if unit == 'mph' else 'mps'}", as_text(value, 3), unit, meaning


def _whole_lot(record: LotRecord) -> pd.DataFrame:
    """Row of the lot layer that holds for the whole lot."""
    whole = record.findings.frames["lot"]
    return whole[whole["pass_id"].isna()] if whole["pass_id"].isna().any() else whole.iloc[:1]
