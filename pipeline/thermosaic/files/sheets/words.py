"""Words of the sheets by language, and the sentences that are made of them."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
import pandas as pd

from ...errors import ConfigError
from .lot_sheet import LotSheet
from .measures import duration
from .places import Place


@cache
def _texts() -> dict[str, dict[str, Any]]:
    source = resources.files("thermosaic.files") / "templates" / "texts.toml"
    return tomllib.loads(source.read_text(encoding="utf-8"))


@dataclass(frozen=True, slots=True)
class Words:
    """Texts of one language."""

    language: str = "en"

    def __post_init__(self) -> None:
        if self.language not in _texts():
            raise ConfigError(f'there is no language "{self.language}": choose one of {", ".join(_texts())}')

    def __call__(self, key: str, **values: Any) -> str:
        return str(_texts()[self.language][key]).format(**values)

    def cautions(self, sheet: LotSheet) -> list[str]:
        """Cautions of the result, in this language where it has them."""
        stated = sheet.facts("caution.")["value"].tolist()
        return list(_texts()[self.language].get("caution_texts", stated))


@dataclass(frozen=True, slots=True)
class PlaceWords:
    """One place to look at, in words."""

    anchor: str
    title: str
    where: str
    when: str
    doing: str
    size: str
    doubt: str


def place_words(sheet: LotSheet, place: Place, words: Words) -> PlaceWords:
    """Write pass and lane of several, station, distance from which edge, local time, what was done, size, doubt."""
    to, lane = sheet.measures, pass_words(sheet, place.pass_id, words)
    station = words(
        "station_range", low=to.station(place.station_from_m), high=to.station(place.station_to_m)
    )
    if np.isfinite(place.edge_from_m) and place.edge_side:
        low, high = to.bare(place.edge_from_m, "length"), to.text(place.edge_to_m, "length")
        across = words("edge_range", low=low, high=high, side=words(place.edge_side))
    else:
        across = words("whole_width")
    when = f"{to.day(place.from_utc)} {to.clock(place.from_utc)}" if pd.notna(place.from_utc) else ""
    return PlaceWords(
        anchor=f"{place.kind}-{place.number}",
        title=words(f"place_{place.kind}", number=place.number),
        where=f"{lane}: {station}; {across}" if lane else f"{station}; {across}",
        when=words("laid", time=when) if place.kind == "zone" and when else when,
        doing=_doing(sheet, place, words),
        size=_size(sheet, place, words),
        doubt=words("doubt_words", sigma=to.text(place.sigma_m, "sigma"))
        if np.isfinite(place.sigma_m)
        else "",
    )


def pass_words(sheet: LotSheet, pass_id: str, words: Words) -> str:
    """Write pass and lane of a place, empty where the lot is a single pass."""
    own = sheet.passes[sheet.passes["pass_id"] == pass_id]
    if len(sheet.passes) < 2 or own.empty:
        return ""
    return words("pass_lane", name=pass_id, lane=own["lane"].iloc[0])


def _doing(sheet: LotSheet, place: Place, words: Words) -> str:
    if place.kind == "stop" and place.stop is not None:
        return words("stood", time=duration(place.stop["duration_s"]))
    if place.stop is not None:
        stop = place.stop
        return words("stood_at", time=duration(stop["duration_s"]), number=int(stop["stop_id"]))
    if np.isfinite(place.speed_mps):
        return words("moving", speed=sheet.measures.text(place.speed_mps, "speed"))
    return words("unknown_motion")


def _size(sheet: LotSheet, place: Place, words: Words) -> str:
    to = sheet.measures
    if place.kind == "gap":
        length = to.text(place.length_m, "distance")
        return words("gap_words", length=length, kind=place.pattern.replace("_", " "))
    deficit = to.text(place.deficit_c, "deficit")
    if place.kind == "stop":
        cold = np.isfinite(place.deficit_c) and place.deficit_c > 0
        return words("stop_drop", deficit=deficit) if cold else words("stop_rise")
    return words(
        "deficit", deficit=deficit, low=to.text(place.low_c, "temp"), area=to.text(place.area_m2, "area")
    )
