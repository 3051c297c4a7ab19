"""What an estimate says in a sentence or two: minutes, what they were reckoned under, and what they are not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from ...delivery import Sentence, tell, together
from .conditions import Conditions, Moment
from .estimate import LONGEST_S, OF_PART, available, utc_of
from .spread import RANGES

WORDS = {
    "cold_zones": {"zone": "the zone", "around": "the mat around it"},
    "profiles": {"low": "its low end", "mean": "its mean"},
}
NOT_NEEDED = "An estimate of what weather and thickness allow, not of what compaction needs."


class Part(NamedTuple):
    """A piece of mat laid at one temperature."""

    key: str  # of its facts
    words: str
    laid_c: float
    laid_utc: np.datetime64


class Told(NamedTuple):
    """A sentence, and the facts it stands on: key (suffix = unit, SI), value, meaning."""

    sentence: str
    facts: tuple[tuple[str, Any, str], ...]


def parts_of(row: pd.Series, layer: str) -> tuple[Part, ...]:
    """Parts of one row of the layer of profiles or of cold zones."""
    first, last = utc_of(row[["laid_from_utc", "laid_to_utc"]])
    laid = first + (last - first) // 2
    return tuple(Part(key, words, float(row[OF_PART[key]]), laid) for key, words in WORDS[layer].items())


def parts_of_place(laid_utc: pd.Timestamp, cell_c: float, profile_c: float | None) -> tuple[Part, ...]:
    """Parts of a place: its cell and the mean of its profile; NaN and None where there is none."""
    laid = utc_of(pd.Series([laid_utc]))[0]
    parts = (
        Part("cell", "its cell", cell_c, laid),
        Part("profile", "the mean of its profile", profile_c, laid),
    )
    return tuple(part for part in parts if part.laid_c is not None)


def minutes(low_s: float, high_s: float) -> str:
    """Write an interval of times in whole minutes, outward.

    >>> minutes(541.0, 830.0), minutes(0.0, 0.0), minutes(9000.0, float("inf"))
    ('9 to 14 min', 'none: it was laid no warmer', '150 min to over 4 h')
    """
    if high_s <= 0:
        return "none: it was laid no warmer"
    low = math.floor(low_s / 60) if math.isfinite(low_s) else None
    over = f"over {LONGEST_S / 3600:g} h"
    if low is None:
        return over
    return f"{low} to {math.ceil(high_s / 60)} min" if math.isfinite(high_s) else f"{low} min to {over}"


def moment_words(moment: Moment, zone: str, is_stated: bool) -> Sentence:
    """Air, wind and sky of a moment, and when they were read."""
    local = np.datetime64(moment.time_utc, "s").astype(object).replace(tzinfo=ZoneInfo("UTC"))
    when = "as stated" if is_stated else f"read at {local.astimezone(ZoneInfo(zone)):%H:%M}"
    sky = f", {moment.sky}" if moment.sky else ", sky not known"
    return tell("air {air_c:.0f}, wind {wind_mps:.0f}{sky}, {when}", air_c=moment.air_c, wind_mps=moment.wind_mps,
                sky=sky, when=when)  # fmt: skip


def tell_parts(conditions: Conditions, parts: Sequence[Part], zone: str) -> Told | None:
    """Tell how long each part stays warm; None where none has weather within an hour.

    `zone` is the lot's time zone, for the time of the reading.
    """
    laid_c = np.array([part.laid_c for part in parts])
    found = available(conditions, laid_c, np.array([part.laid_utc for part in parts], "M8[ns]"))
    told = [k for k in range(len(parts)) if found["moment"][k] >= 0]
    if not told:
        return None
    moment = conditions.moments[found["moment"][told[0]]]
    texts = [
        tell("{words}, laid at {laid_c:.0f}: {time}", words=parts[k].words, laid_c=parts[k].laid_c,
             time=minutes(found["mean_low_s"][k], found["mean_high_s"][k]))
        for k in told
    ]  # fmt: skip
    sentence = tell(
        "Estimated time until the mean through the mat is {cessation_c:.0f}: {texts} ({weather}). {caution}",
        cessation_c=conditions.cessation_c, texts=together(texts, "; "), caution=NOT_NEEDED,
        weather=moment_words(moment, zone, conditions.is_stated),
    )  # fmt: skip
    return Told(sentence, (*_conditions(conditions, moment), *_times(parts, told, found)))


def span_words(name: str) -> Sentence:
    """Write a range of differences of temperature."""
    span = RANGES[name]
    return tell("{low_delta_c:+.0f} to {high_delta_c:+.0f}", low_delta_c=span.low, high_delta_c=span.high)


def _conditions(conditions: Conditions, moment: Moment) -> tuple[tuple[str, Any, str], ...]:
    is_stated = conditions.base_c is not None
    base = span_words("base_stated_delta_c" if is_stated else "base_off_delta_c")
    return (
        ("cessation_c", conditions.cessation_c, "temperature to fall to"),
        ("thickness_m", conditions.thickness_m, "compacted thickness as stated, 10 % either way"),
        ("air_c", moment.air_c, "air"),
        ("wind_mps", moment.wind_mps, "wind"),
        ("sky", moment.sky or "not known: any", "sky"),
        ("sun_up_deg", moment.sun_up_deg, "elevation of the sun"),
        ("base", base, f"base against {'what is stated' if is_stated else 'the air'}"),
        (
            "laid_as",
            span_words("laid_off_delta_c"),
            "one temperature through the mat, against its surface reading",
        ),
    )


def _times(
    parts: Sequence[Part], told: list[int], found: dict[str, np.ndarray]
) -> tuple[tuple[str, Any, str], ...]:
    facts = []
    for k in told:
        key, words = parts[k].key, parts[k].words
        facts.append((f"{key}_laid_c", parts[k].laid_c, f"{words}: laid at"))
        for where, meaning in (("mean", "mean through the mat"), ("middle", "half way down")):
            for end, percent in (("low", 10), ("high", 90)):
                value = float(found[f"{where}_{end}_s"][k])
                facts.append((f"{key}_{where}_{end}_s", value, f"{words}: {meaning}, {percent} % take less"))
    return tuple(facts)
