"""What people noted and changed on site, as the trade says it: weather, mass by ticket, changes of the set-up."""

from __future__ import annotations

from typing import Any

import pandas as pd

from ...delivery import delivered_name
from ...tables import suffix
from ...units import UNITS
from .lot_sheet import LotSheet
from .measures import Measures, number

WIND = {"wind_mph": ("mph", 0), "wind_mps": ("m/s", 1)}
MASS = {"us": "ton", "si": "t"}  # of 2000 lb, of 1000 kg
MASS_WORDS = {"us": "ton = 2000 lb", "si": "t = 1000 kg"}


def weather_line(sheet: LotSheet) -> str:
    """Air, wind and sky at the start, the middle and the end of the shift, empty where none was read."""
    facts = sheet.facts("weather.")
    said: dict[str, list[str]] = {}
    for key, value in zip(facts["key"], facts["value"], strict=True):
        moment, name = key.split(".")[1:]
        said.setdefault(moment, []).append(_weather_words(name, value, sheet.measures))
    return "; ".join(f"{moment} {', '.join(words)}" for moment, words in said.items())


def _weather_words(name: str, value: str, to: Measures) -> str:
    """One of air, wind and sky; `value` is in the unit of its name."""
    if name == delivered_name("air_c", to.delivery):
        unit = to.unit("temp")
        return f"{number(float(value), unit.decimals)}\N{NO-BREAK SPACE}{unit.name}"
    if name in WIND:
        unit, decimals = WIND[name]
        return f"wind {number(float(value), decimals)}\N{NO-BREAK SPACE}{unit}"
    return str(value)


def mass(mass_t: float, to: Measures) -> str:
    """Mass by a ticket, from tonnes.

    >>> mass(18.14369, Measures("us")), mass(18.14369, Measures("si"))
    ('20.0', '18.1')
    """
    if mass_t is None or pd.isna(mass_t):
        return number(mass_t, 1)
    return number(mass_t * UNITS["mass"]["t"] / UNITS["mass"][MASS[to.delivery]], 1)


def change_rows(sheet: LotSheet) -> list[dict[str, str]]:
    """Changes of the set-up within the lot: local time, and each new value with the one before."""
    facts, to = sheet.facts("change."), sheet.measures
    found = []
    for place in dict.fromkeys(key.split(".")[1] for key in facts["key"]):
        own = facts[facts["key"].str.startswith(f"change.{place}.")]
        start, *values = own.to_dict("records")
        at = pd.Timestamp(start["value"])
        stated = "; ".join(_stated(row) for row in values)
        found.append({"at": f"{to.day(at)} {to.clock(at)}", "meaning": start["meaning"], "stated": stated})
    return found


def _stated(row: dict[str, Any]) -> str:
    """A key of lot.toml, its new value and the one before; the unit is said once, behind the number."""
    name = row["key"].split(".", 2)[2]
    ending = suffix(name)
    key = name.removesuffix(f"_{ending}") if ending else name
    value = f"{row['value']} {row['unit'] or ''}".strip()
    return f"{key} {value} ({row['meaning'].split('; ')[-1].strip()})"
