"""The reader's units: numbers by the suffix of their name, sentences by the numbers in them.

Inside everything is SI. Here is the one place where US units are made, so that layers, tables, rasters,
checks and sentences agree. A sentence is made in SI by `tell`, is a `str` in SI wherever it is used as one
(quality.json, logs, tests), and is written in another unit by `in_units` where a person reads it.
"""

from __future__ import annotations

import contextlib
import re
import string
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

from .errors import ThermosaicError
from .tables import US_SUFFIX, suffix
from .units import F_PER_C, FOOT_M, UNITS

UNIT_IN_TEXT = {
    "m": "m", "m2": "m2", "c": "degC", "delta_c": "degC", "mps": "m/min", "s": "s", "deg": "deg",
    "ft": "ft", "ft2": "ft2", "f": "degF", "delta_f": "degF", "ftpmin": "ft/min", "kg_m3": "kg/m3", "lb_ft3": "lb/ft3",
}  # fmt: skip
POUND_KG = UNITS["mass"]["lb"]
AS_READ = {  # amounts that people read in another unit than columns hold: that unit, and its size in SI
    "wind_mps": {"si": ("m/s", 1.0), "us": ("mph", UNITS["speed"]["mph"])},
    "mass_t": {"si": ("t", 1.0), "us": ("tons", UNITS["mass"]["ton"] / UNITS["mass"]["t"])},
    "rate_kg_m2": {"si": ("kg/m2", 1.0), "us": ("lb/yd2", UNITS["area_mass"]["lb/yd2"])},
}
PER_MINUTE = 60.0  # speeds are read in metres a minute, and stored in metres a second
SHORT = "mm"  # after a form: lengths of a wheel's count or a bracket, in millimetres or inches
LONGEST_SHORT_M = 0.5
_NUMBER = r"([+-]?)[0-9]+(?:\.([0-9]+))?"
_STORED = re.compile(rf"{_NUMBER} (degC|mm|m)(?![\w/])")
_STORED_RANGE = re.compile(rf"({_NUMBER}) to ({_NUMBER} (degC|mm|m)(?![\w/]))")


class Reader(NamedTuple):
    """Units, `si` or `us`, and the foot in metres, of whoever reads; what the functions here take last."""

    units: str = "si"
    foot_m: float = FOOT_M


def delivered_name(name: str, units: str) -> str:
    """Name of a column in a delivery.

    >>> delivered_name("deficit_max_delta_c", "us"), delivered_name("stopped_s", "us")
    ('deficit_max_delta_f', 'stopped_s')
    """
    ending = suffix(name)
    if units == "si" or ending not in US_SUFFIX:
        return name
    return name.removesuffix(ending) + US_SUFFIX[ending]


def deliver(values: Any, name: str, units: str, foot_m: float) -> Any:
    """Convert SI numbers to a delivery's unit by the suffix of their SI name.

    >>> round(deliver(129.44, "low_c", "us", 0.3048), 1)
    265.0
    >>> round(deliver(13.889, "drop_delta_c", "us", 0.3048), 1)
    25.0
    """
    ending = suffix(name)
    if units == "si" or ending not in US_SUFFIX:
        return values
    if ending == "c":
        return values * F_PER_C + 32
    factor = {"m": 1 / foot_m, "m2": 1 / foot_m**2, "mps": 60 / foot_m, "delta_c": F_PER_C,
              "kg_m3": foot_m**3 / POUND_KG}[ending]  # fmt: skip
    return values * factor


def wind(wind_mps: float, units: str) -> tuple[float, str]:
    """Wind as a delivery's weather service tells it, and its unit: a paver's ft/min means nothing there.

    >>> wind(4.4704, "us"), wind(4.4704, "si")
    ((10.0, 'mph'), (4.4704, 'm/s'))
    """
    unit, size = AS_READ["wind_mps"][units]
    return wind_mps / size, unit


def unit_in_text(name: str, units: str) -> str:
    """Unit beside a number of a delivery, by its SI name.

    >>> unit_in_text("right_m", "si"), unit_in_text("mean_c", "us")
    ('m', 'degF')
    """
    return UNIT_IN_TEXT[suffix(delivered_name(name, units))]


def as_read(name: str, units: str) -> tuple[str, float] | None:
    """Unit that people read an amount in, and its size in SI; None where that is the column's own.

    >>> as_read("wind_mps", "us")[0], as_read("load_mass_t", "si"), as_read("speed_mps", "us")
    ('mph', ('t', 1.0), None)
    """
    return next((unit[units] for ending, unit in AS_READ.items() if name.endswith(ending)), None)


def deliver_columns(frame: Any, units: str, foot_m: float) -> Any:
    """Return a table with its numbers in a delivery's units, and names to match."""
    columns = {name: deliver(frame[name], name, units, foot_m) for name in frame.columns}
    return frame.assign(**columns).rename(columns=lambda name: delivered_name(name, units))


@dataclass(frozen=True, slots=True)
class Amount:
    """A number of a sentence: its name says its unit (suffix, SI), `form` how it is written in SI.

    A length under half a metre whose form ends in `mm` is written in millimetres, or in inches.
    """

    name: str
    value: float
    form: str

    def written(self, units: str, foot_m: float) -> str:
        """Number and unit in a delivery; feet and square feet take one decimal less than metres, tenths at most
        where metres have hundredths.

        >>> Amount("length_m", 2.514, ".2f").written("us", FOOT_M)
        '8.2 ft'
        >>> count = Amount("count_m", 0.000508, ".4gmm")
        >>> count.written("si", FOOT_M), count.written("us", FOOT_M)
        ('0.508 mm', '0.02 in')
        """
        plain = self.form.removesuffix(SHORT)
        if plain != self.form and abs(self.value) < LONGEST_SHORT_M:
            scale, unit = (1000, "mm") if units == "si" else (12 / foot_m, "in")
            return f"{self.value * scale:{plain if units == 'si' else _form(plain, unit)}} {unit}"
        read = as_read(self.name, units)
        if read is not None:
            return f"{self.value / read[1]:{plain}} {read[0]}"
        name = delivered_name(self.name, units)
        value = deliver(self.value, self.name, units, foot_m)
        if name == self.name and suffix(name) == "mps":
            value *= PER_MINUTE
        form = plain if name == self.name else _form(plain, suffix(name))
        return f"{value:{form}} {unit_in_text(self.name, units)}"


def _form(form: str, ending: str) -> str:
    """Form of a number in US units that says as much as that in SI: a tenth of a foot for a hundredth of a metre.

    >>> _form(".2f", "ft"), _form(".1f", "ft2"), _form(".4f", "in"), _form(".1f", "f")
    ('.1f', '.0f', '.5f', '.1f')
    """
    if form == "g":
        return ".3g"
    head, point, rest = form.partition(".")
    if not point or not rest[:-1].isdigit() or rest[-1] != "f" or ending not in ("ft", "ft2", "in"):
        return form
    decimals = int(rest[:-1])
    if ending == "in":
        return f"{head}.{decimals + 1}f"
    fewer = min(decimals, 1) if ending == "ft" and decimals < 3 else max(decimals - 1, 0)
    return f"{head}.{fewer}f"


class Sentence(str):
    """A text in SI that remembers its numbers, so that it can be written in another unit."""

    parts: tuple[str | Amount, ...]

    def __new__(cls, parts: tuple[str | Amount, ...]) -> Sentence:
        text = "".join(part if isinstance(part, str) else part.written("si", FOOT_M) for part in parts)
        made = super().__new__(cls, text)
        made.parts = parts
        return made

    def __getnewargs__(self) -> tuple[tuple[str | Amount, ...]]:  # type: ignore[override]
        return (self.parts,)

    def __add__(self, other: str) -> Sentence:
        return Sentence((*self.parts, *_parts_of(other)))

    def __radd__(self, other: str) -> Sentence:
        return Sentence((*_parts_of(other), *self.parts))


def _parts_of(text: str) -> tuple[str | Amount, ...]:
    """Parts of a sentence, or a plain text as its only part."""
    return text.parts if isinstance(text, Sentence) else (text,)


def tell(template: str, **values: Any) -> Sentence:
    """Make a sentence: `{length_m:.1f}` is written with its unit, other names plainly, sentences as they are.

    A name that ends in a unit (`_m _m2 _c _delta_c _mps _s _deg`) and holds a number is an amount; speeds
    are given in m/s and written by the minute, those of `AS_READ` as people read them.

    >>> text = tell("{count} stops, {length_m:.1f} apart, {drop_delta_c:.1f} colder", count=2, length_m=41.3,
    ...             drop_delta_c=5)
    >>> text
    '2 stops, 41.3 m apart, 5.0 degC colder'
    >>> in_units(text, "us", 0.3048)
    '2 stops, 135.5 ft apart, 9.0 degF colder'
    """
    parts: list[str | Amount] = []
    for literal, name, form, _ in string.Formatter().parse(template):
        parts.append(literal)
        if name is None:
            continue
        value = values[name]
        if (suffix(name) in UNIT_IN_TEXT or as_read(name, "si")) and not isinstance(value, str):
            parts.append(Amount(name, float(value), form or ""))
        else:
            parts.extend(
                _parts_of(value) if isinstance(value, str) and not form else (f"{value:{form or ''}}",)
            )
    return Sentence(tuple(part for part in parts if part))


def together(texts: list[str] | tuple[str, ...], between: str = " ") -> str:
    """Join sentences and plain texts without losing their numbers."""
    parts: list[str | Amount] = []
    for number, text in enumerate(texts):
        parts += [*((between,) if number else ()), *_parts_of(text)]
    return Sentence(tuple(parts))


def in_units(text: Any, units: str, foot_m: float) -> Any:
    """Write a sentence in a delivery's units, as a plain text; what is no sentence stays as it is."""
    if not isinstance(text, Sentence):
        return text
    return "".join(part if isinstance(part, str) else part.written(units, foot_m) for part in text.parts)


def stored(text: str) -> Sentence:
    """Make a sentence again of one that was stored as text in SI: its lengths and its differences in degC.

    >>> text = stored("bias -0.28 degC, limits -0.80 to +0.24 degC, forward +0.031 m, 0.508 mm a count")
    >>> in_units(text, "us", 0.3048)
    'bias -0.50 degF, limits -1.44 degF to +0.43 degF, forward +0.10 ft, 0.02 in a count'
    """
    text = _STORED_RANGE.sub(r"\1 \7 to \4", text)
    parts: list[str | Amount] = []
    end = 0
    for found in _STORED.finditer(text):
        sign, decimals, unit = found.groups(default="")
        value = float(found[0].partition(" ")[0])
        name = "off_delta_c" if unit == "degC" else "off_m"
        form = f"{'+' if sign else ''}.{len(decimals)}f"
        amount = Amount(name, value / 1000, ".5g" + SHORT) if unit == "mm" else Amount(name, value, form)
        parts += [text[end : found.start()], amount]
        end = found.end()
    return Sentence((*parts, text[end:]))


@contextlib.contextmanager
def errors_in_units(units: str, foot_m: float) -> Iterator[None]:
    """Write the sentences of an error of ours in a delivery's units."""
    try:
        yield
    except ThermosaicError as error:
        error.args = tuple(in_units(arg, units, foot_m) for arg in error.args)
        raise
