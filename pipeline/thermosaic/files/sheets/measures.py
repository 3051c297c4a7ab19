"""Numbers as a reader of the sheets meets them: the lot's unit, its decimals, local time with UTC beside.

Inside stays SI. Deliberately not done here: layout.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
from markupsafe import Markup

from ...units import F_PER_C, FOOT_M, StationLabels

NARROW_SPACE, MINUS, NOTHING = "\N{NO-BREAK SPACE}", "\N{MINUS SIGN}", "\N{EN DASH}"


@dataclass(frozen=True, slots=True)
class Unit:
    """One way to write a kind of quantity: shown = SI x factor + shift."""

    name: str
    factor: float
    decimals: int
    shift: float = 0.0


def units_of(foot_m: float, length_decimals: int) -> dict[str, dict[str, Unit]]:
    """Units of every kind of quantity in each delivery; lengths get no more decimals than their sigma supports."""
    us_length, si_length = min(length_decimals, 1), min(length_decimals, 2)
    return {
        "length": {"us": Unit("ft", 1 / foot_m, us_length), "si": Unit("m", 1.0, si_length)},
        "distance": {"us": Unit("ft", 1 / foot_m, 0), "si": Unit("m", 1.0, 0)},
        "sigma": {"us": Unit("ft", 1 / foot_m, 2), "si": Unit("m", 1.0, 2)},
        "area": {"us": Unit("ft\N{SUPERSCRIPT TWO}", foot_m**-2, 0), "si": Unit("m\N{SUPERSCRIPT TWO}", 1.0, 1)},
        "temp": {"us": Unit("\N{DEGREE SIGN}F", F_PER_C, 0, 32.0), "si": Unit("\N{DEGREE SIGN}C", 1.0, 0)},
        "percentile": {"us": Unit("\N{DEGREE SIGN}F", F_PER_C, 1, 32.0), "si": Unit("\N{DEGREE SIGN}C", 1.0, 1)},
        "deficit": {"us": Unit("\N{DEGREE SIGN}F", F_PER_C, 0), "si": Unit("\N{DEGREE SIGN}C", 1.0, 0)},
        "delta": {"us": Unit("\N{DEGREE SIGN}F", F_PER_C, 1), "si": Unit("\N{DEGREE SIGN}C", 1.0, 1)},
        "speed": {"us": Unit("ft/min", 60 / foot_m, 1), "si": Unit("m/min", 60.0, 1)},
    }  # fmt: skip


def decimals_for(sigma_m: float) -> int:
    """Decimals of a length in a unit about as long as a foot or metre that its sigma supports, 0 to 2.

    >>> decimals_for(0.015), decimals_for(0.3), decimals_for(2.0), decimals_for(float("nan"))
    (2, 1, 0, 2)
    """
    if not math.isfinite(sigma_m) or sigma_m <= 0:
        return 2
    return min(max(-math.floor(math.log10(sigma_m)), 0), 2)


def number(value: float, decimals: int) -> str:
    """Write a number with thousands parted by commas and a true minus sign; nothing known is a dash.

    >>> number(1234.56, 1), number(-0.04, 1), number(float("nan"), 1)
    ('1,234.6', '0.0', '\N{EN DASH}')
    """
    if value is None or pd.isna(value):
        return NOTHING
    text = f"{value:,.{decimals}f}"
    if float(text.replace(",", "")) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


@dataclass(frozen=True, slots=True)
class Measures:
    """How one lot's numbers are written.

    Parameters
    ----------
    delivery : "us" or "si"
    foot_m : length of the delivery's foot
    zone : IANA time zone of the lot
    labels : form of station labels
    sigma_m : position sigma that the lot's lengths are printed by, NaN = unknown
    """

    delivery: str = "si"
    foot_m: float = FOOT_M
    zone: str = "UTC"
    labels: StationLabels = field(default_factory=StationLabels)
    sigma_m: float = math.nan

    @property
    def kinds(self) -> dict[str, dict[str, Unit]]:
        return units_of(self.foot_m, decimals_for(self.sigma_m))

    def unit(self, kind: str) -> Unit:
        return self.kinds[kind][self.delivery]

    def shown(self, value_si: Any, kind: str) -> Any:
        """Bring SI numbers or arrays to the unit they are shown in."""
        unit = self.unit(kind)
        return value_si * unit.factor + unit.shift

    def bare(self, value_si: float, kind: str) -> str:
        """Write a number without its unit, for table cells under a head that names it."""
        return number(self.shown(value_si, kind), self.unit(kind).decimals)

    def text(self, value_si: float, kind: str) -> str:
        """Write a quantity as plain text; square feet have square yards beside them."""
        written = f"{self.bare(value_si, kind)}{NARROW_SPACE}{self.unit(kind).name}"
        if kind == "area" and self.delivery == "us":
            yards = number(value_si / (9 * self.foot_m**2), 1)
            written += f" ({yards}{NARROW_SPACE}yd\N{SUPERSCRIPT TWO})"
        return written

    def html(self, value_si: float, kind: str, *, bare: bool = False) -> Markup:
        """Write a quantity that the page's unit switch can turn into the other unit."""
        if value_si is None or pd.isna(value_si):
            return Markup(NOTHING)
        written = self.bare(value_si, kind) if bare else self.text(value_si, kind)
        mark = Markup(' data-bare="1"') if bare else ""
        return Markup('<span class="q" data-k="{}" data-v="{}"{}>{}</span>').format(
            kind, f"{float(value_si):.6g}", mark, written
        )

    def station(self, station_m: float) -> str:
        """Write a station as a label, with tenths only where the sigma supports them."""
        if station_m is None or pd.isna(station_m):
            return NOTHING
        if decimals_for(self.sigma_m) > 0:
            return self.labels.text(float(station_m))
        return self.labels.whole_text(float(station_m))

    def local(self, time_utc: Any, form: str = "%H:%M:%S") -> str:
        """Write a time of day in the lot's zone."""
        return NOTHING if pd.isna(time_utc) else self._in_zone(time_utc).strftime(form)

    def clock(self, time_utc: Any) -> str:
        """Write a time of day in the lot's zone with UTC beside it."""
        if pd.isna(time_utc):
            return NOTHING
        return f"{self.local(time_utc)} ({self.utc(time_utc)}{NARROW_SPACE}UTC)"

    def utc(self, time_utc: Any) -> str:
        """Write a time of day in UTC."""
        return NOTHING if pd.isna(time_utc) else pd.Timestamp(time_utc).strftime("%H:%M:%S")

    def day(self, time_utc: Any) -> str:
        return NOTHING if pd.isna(time_utc) else self._in_zone(time_utc).strftime("%Y-%m-%d")

    def _in_zone(self, time_utc: Any) -> pd.Timestamp:
        return pd.Timestamp(time_utc).tz_convert(ZoneInfo(self.zone)).floor("s")


def duration(seconds: float) -> str:
    """Write a duration as minutes and seconds, or seconds alone under two minutes.

    >>> duration(96.0), duration(249.8), duration(7260.0)
    ('96 s', '4 min 10 s', '2 h 01 min')
    """
    if seconds is None or pd.isna(seconds):
        return NOTHING
    whole = round(float(seconds))
    if whole < 120:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"
