"""Quantities with units, words for sides, and station labels; text at the edges, SI inside.

Deliberately small: one table of units instead of a library of dimensions. Feet are international
feet unless a caller passes the map's own foot (`ftUS` in a quantity is always the US survey foot).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

FOOT_M = 0.3048
US_SURVEY_FOOT_M = 1200 / 3937
F_PER_C = 1.8

UNITS = {
    "length": {
        "m": 1.0, "mm": 1e-3, "cm": 1e-2, "km": 1e3,
        "ft": FOOT_M, "in": FOOT_M / 12, "ftUS": US_SURVEY_FOOT_M, "yd": 3 * FOOT_M, "mi": 5280 * FOOT_M,
    },
    "time": {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0},
    "angle": {"deg": 1.0, "rad": 180 / math.pi, "gon": 0.9},
    "speed": {
        "m/s": 1.0, "m/min": 1 / 60, "km/h": 1 / 3.6, "ft/min": FOOT_M / 60, "ft/s": FOOT_M,
        "mph": 5280 * FOOT_M / 3600, "kn": 1852 / 3600,
    },
    "area": {"m2": 1.0, "ft2": FOOT_M**2, "yd2": 9 * FOOT_M**2},
    "area_mass": {"kg/m2": 1.0, "lb/yd2": 0.45359237 / (9 * FOOT_M**2)},
    "slope": {"%": 0.01, "m/m": 1.0, "ft/ft": 1.0, "in/ft": 1 / 12},
    "density": {"kg/m3": 1.0, "g/cm3": 1000.0, "lb/ft3": 0.45359237 / FOOT_M**3},
    "mass": {"kg": 1.0, "t": 1000.0, "ton": 907.18474, "lb": 0.45359237},
}  # fmt: skip
TEMPERATURES = {"degC": (1.0, 0.0), "degF": (1 / F_PER_C, -32 / F_PER_C), "K": (1.0, -273.15)}
DIFFERENCES = {"degC": 1.0, "degF": 1 / F_PER_C, "K": 1.0}
SIDE_WORDS = {
    "ahead": 1, "behind": -1, "right": 1, "left": -1, "before": 1, "past": -1,
    "down to the right": 1, "down to the left": -1,
}  # fmt: skip
KINDS = (*UNITS, "temperature", "temperature difference")
OTHER_SPELLINGS = {
    "foot": "ft", "feet": "ft", "'": "ft", "inch": "in", "inches": "in", '"': "in", "metre": "m",
    "metres": "m", "meter": "m", "meters": "m", "sec": "s",
    "F": "degF", "C": "degC", "°F": "degF", "°C": "degC", "°": "deg",
    "fpm": "ft/min", "pcf": "lb/ft3", "sqft": "ft2", "ft^2": "ft2", "m^2": "m2",
}  # fmt: skip

_DIGITS = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_QUANTITY = re.compile(rf"({_DIGITS}) *([^\s0-9.+-][^\s]*)(?: +([a-z]+(?: [a-z]+){{0,3}}))?")


def _factors(kind: str) -> dict[str, float]:
    """Return the units of a kind and their factor to SI (temperatures: of their degree)."""
    if kind == "temperature difference":
        return DIFFERENCES
    return (
        {unit: scale for unit, (scale, _) in TEMPERATURES.items()} if kind == "temperature" else UNITS[kind]
    )


def quantity_pattern(kind: str, words: tuple[str, ...]) -> str:
    """Return the regular expression of a quantity, for a JSON Schema."""
    units = "|".join(re.escape(unit) for unit in _factors(kind))
    side = f"( +({'|'.join(words)}))?" if words else ""
    return f"^ *{_DIGITS} *({units}){side} *$"


def _split(text: str, kind: str) -> tuple[float, str, str | None]:
    """Split a quantity into number, unit, side word."""
    units, shown = _factors(kind), text if len(text) <= 60 else text[:60] + ".."
    match = _QUANTITY.fullmatch(text.strip(" "))
    if match is None or match[2] not in units:
        unit = OTHER_SPELLINGS.get(match[2]) if match else None
        hint = f'; did you mean "{unit}"?' if unit in units else ""
        raise ValueError(
            f'"{shown}" is not a {kind} with a unit: write a number and one of {", ".join(units)}{hint}'
        )
    number = float(match[1])
    if not math.isfinite(number * units[match[2]]):
        raise ValueError(f'"{shown}" is not a finite number')
    return number, match[2], match[3]


def parse_quantity(text: str, kind: str, words: tuple[str, ...] = ()) -> float:
    """Read `"78 in ahead"` or `"265 degF"` as a number in SI (m, s, deg, m/s, m2, kg/m2, kg, 1, degC).

    Parameters
    ----------
    text : str
        A decimal number, a unit, and where `words` are given a side word.
    kind : str
        One of `KINDS`. A temperature has a zero point, a temperature difference has none.
    words : tuple of str
        Side words taken after the unit, keys of `SIDE_WORDS`; they carry the sign.

    Raises
    ------
    ValueError
        With what was found and what was expected.

    Examples
    --------
    >>> round(parse_quantity("78 in ahead", "length", ("ahead", "behind")), 4)
    1.9812
    >>> round(parse_quantity("-4 in", "length"), 4)
    -0.1016
    >>> round(parse_quantity("265 degF", "temperature"), 2)
    129.44
    >>> round(parse_quantity("25 degF", "temperature difference"), 2)
    13.89
    """
    number, unit, word = _split(text, kind)
    if word is not None:
        if word not in words:
            allowed = f"one of {', '.join(words)}" if words else "no word"
            raise ValueError(f'"{word}" is not understood after the unit: {allowed} is expected here')
        if number < 0:
            raise ValueError(f'"{text}" has a sign and a side word: give one of them')
        number *= SIDE_WORDS[word]
    if kind == "temperature":
        scale, shift = TEMPERATURES[unit]
        return number * scale + shift
    return number * _factors(kind)[unit]


@dataclass(frozen=True, slots=True)
class StationEquation:
    """A place where labels jump: stations run on inside, a new region of labels begins with `ahead_m`.

    A gap skips labels, an overlap uses them twice; labels may also fall after an equation.
    """

    internal_m: float  # station of the place, counted on without equations
    ahead_m: float  # its label as the new region begins, in metres
    rising: bool = True  # labels rise upstation in the new region

    def label_m(self, station_m: float) -> float:
        """Value of the label of a station in the region that begins here, metres."""
        beyond = station_m - self.internal_m
        return self.ahead_m + (beyond if self.rising else -beyond)

    def station_of(self, label_m: float) -> float:
        """Station of a label of that region, metres; it may lie outside the region."""
        beyond = label_m - self.ahead_m
        return self.internal_m + (beyond if self.rising else -beyond)


_WHOLE_LINE = StationEquation(0.0, 0.0)
_REGION_END_M = 1e-6


@dataclass(frozen=True)
class StationLabels:
    """How stations are written: `100 ft`, `100 m` or `1000 m`, and the length of the foot in metres.

    With station equations every label is written with its region, counted from 1 upstation, and a label
    that exists in several regions is read only with one.

    >>> us = StationLabels("100 ft")
    >>> us.text(us.parse("112+40.5"))
    '112+40.5'
    >>> us.parse("100+00") / 0.3048
    10000.0
    >>> StationLabels("1000 m").text(1256.02)
    '1+256.02'
    >>> us.text(-15.24)
    '-0+50.0'
    >>> gap = StationLabels("1000 m", equations=(StationEquation(450.725, 550.725),))
    >>> gap.text(450.0), gap.text(460.0), gap.parse("0+560")
    ('0+450.00:1', '0+560.00:2', 460.0)
    """

    unit: str = "100 m"
    foot_m: float = FOOT_M
    equations: tuple[StationEquation, ...] = ()  # upstation

    def __post_init__(self) -> None:
        if self.unit not in ("100 ft", "100 m", "1000 m"):
            raise ValueError(f'station labels are "100 ft", "100 m" or "1000 m", not "{self.unit}"')
        places = [item.internal_m for item in self.equations]
        if any(not low < high for low, high in pairwise(places)):
            raise ValueError("station equations must follow on one another upstation")

    @classmethod
    def stored(cls, values: Mapping[str, Any]) -> StationLabels:
        """Rebuild labels from the plain values that a manifest keeps of them."""
        equations = tuple(StationEquation(**item) for item in values.get("equations", ()))
        return cls(values["unit"], values["foot_m"], equations)

    @property
    def digits(self) -> int:
        return 3 if self.unit == "1000 m" else 2

    @property
    def decimals(self) -> int:
        return 1 if self.unit == "100 ft" else 2

    @property
    def length_m(self) -> float:
        """Length of one label unit (a foot or a metre) in metres."""
        return self.foot_m if self.unit == "100 ft" else 1.0

    @property
    def tick_m(self) -> float:
        """Distance of the ticks along a line, metres: 100 ft, or 20 m."""
        return 100 * self.foot_m if self.unit == "100 ft" else 20.0

    @property
    def example_m(self) -> float:
        """A station used as an example in messages, metres."""
        return 1240.5 * self.length_m

    def parse(self, label: str) -> float:
        """Turn a label into metres; raise ValueError with the expected form.

        A label that no region has, or that several have, is refused; the message names the regions.
        """
        match = re.fullmatch(
            rf"(-?)([0-9]{{1,6}})\+([0-9]{{{self.digits}}})(\.[0-9]{{1,6}})?(?::([0-9]{{1,3}}))?",
            label.strip(" "),
        )
        if match is None or (match[5] and not self.equations):
            shown = label if len(label) <= 60 else label[:60] + ".."
            like = self.text(self.example_m)
            raise ValueError(f'"{shown}" is not a station: with labels of {self.unit} write it like "{like}"')
        value = int(match[2]) * 10**self.digits + float(match[3] + (match[4] or ""))
        value_m = (-value if match[1] else value) * self.length_m
        return self._in_one_region(label.strip(" "), value_m, match[5] and int(match[5]))

    def text(self, station_m: float) -> str:
        """Write a station given in metres as a label; an unknown one (NaN) is an empty text."""
        return self._written(station_m, self.decimals)

    def whole_text(self, station_m: float) -> str:
        """Write a station to the nearest whole foot or metre, without decimals."""
        return self._written(station_m, 0)

    def whole_stations(self, from_m: float, to_m: float, step_m: float) -> list[float]:
        """Stations in [from, to] whose labels are whole multiples of a step, ascending, metres."""
        found = []
        for start, low_m, high_m in self._regions():
            ends = max(low_m, from_m), min(high_m, to_m)
            if ends[0] > ends[1]:
                continue
            low, high = sorted(start.label_m(end) for end in ends)
            numbers = range(math.ceil(low / step_m - 1e-9), math.floor(high / step_m + 1e-9) + 1)
            found += [start.station_of(number * step_m) for number in numbers]
        return sorted(set(found))

    def describe_equations(self) -> list[str]:
        """Write each equation as its back and ahead labels."""
        return [
            f"{self._label(before.label_m(after.internal_m), self.decimals)}:{number} back = "
            f"{self._label(after.ahead_m, self.decimals)}:{number + 1} ahead"
            for number, (before, after) in enumerate(pairwise((_WHOLE_LINE, *self.equations)), 1)
        ]

    def _regions(self) -> list[tuple[StationEquation, float, float]]:
        """Where the labels of each region begin, and the stations it reaches from and to."""
        places = [item.internal_m for item in self.equations]
        starts = (_WHOLE_LINE, *self.equations)
        return list(zip(starts, (-math.inf, *places), (*places, math.inf), strict=True))

    def _in_one_region(self, label: str, value_m: float, number: int | None) -> float:
        """Station of a label's value in the stated region, or in the only one that has it."""
        regions = self._regions()
        if number is not None and not 1 <= number <= len(regions):
            raise ValueError(f'"{label}": there is no region {number}: regions are 1 .. {len(regions)}')
        slack_m = _REGION_END_M if number is None else 0.5 * 10**-self.decimals * self.length_m
        held = {
            k: min(max(start.station_of(value_m), low_m), high_m)
            for k, (start, low_m, high_m) in enumerate(regions, 1)
            if number in (None, k) and low_m - slack_m <= start.station_of(value_m) <= high_m + slack_m
        }
        if len(held) > 1 and max(held.values()) - min(held.values()) > _REGION_END_M:
            ways = " or ".join(f"{label}:{k}" for k in held)
            raise ValueError(
                f'"{label}" stands in regions {" and ".join(str(k) for k in held)} of the alignment\'s '
                f"station equations: write {ways}"
            )
        if not held:
            where = "any region" if number is None else f"region {number}"
            raise ValueError(
                f'"{label}" does not exist in {where}: the station equations are '
                f"{'; '.join(self.describe_equations()) or 'none'}"
            )
        return next(iter(held.values()))

    def _written(self, station_m: float, decimals: int) -> str:
        if not math.isfinite(station_m):
            return ""
        number = sum(item.internal_m <= station_m for item in self.equations)
        start = (_WHOLE_LINE, *self.equations)[number]
        label = self._label(start.label_m(station_m), decimals)
        return f"{label}:{number + 1}" if self.equations else label

    def _label(self, value_m: float, decimals: int) -> str:
        value = round(abs(value_m) / self.length_m, decimals)
        sign = "-" if value_m < 0 and value > 0 else ""
        major, minor = divmod(value, 10**self.digits)
        width = self.digits + (1 + decimals if decimals else 0)
        return f"{sign}{int(major)}+{minor:0{width}.{decimals}f}"
