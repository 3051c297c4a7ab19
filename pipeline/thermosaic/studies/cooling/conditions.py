"""What a mat cools under: weather read or stated, base, thickness, the temperature to fall to. Nothing is invented."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...kernels.sun import elevation_deg
from ...model import WEATHER_NEAR, WeatherReading
from ...published import Published
from ...units import parse_quantity

CESSATION_C = (
    175 - 32
) / 1.8  # rule of thumb for dense-graded mixes, 175 degF (Pavement Interactive, glossary; read)
CLOUDS = {  # share of the sky, by the words of a sky: few 1-2, scattered 3-4, broken 5-7 eighths (WMO, from memory)
    "few": (0.125, 0.25), "scattered": (0.375, 0.5), "part": (0.25, 0.75), "broken": (0.625, 0.875),
    "mostly": (0.625, 0.875), "overcast": (1.0, 1.0), "rain": (0.9, 1.0), "drizzle": (0.9, 1.0), "fog": (0.9, 1.0),
    "clear": (0.0, 0.125), "sun": (0.0, 0.25), "fair": (0.0, 0.25), "cloud": (0.375, 1.0),
}  # fmt: skip
UNKNOWN_SKY = (0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Moment:
    """Weather that holds for mat laid near its time."""

    time_utc: np.datetime64
    air_c: float
    wind_mps: float
    sky: str
    sun_up_deg: float  # elevation of the sun; 90 where the place is not known, with any cloud

    @property
    def cloud_frac(self) -> tuple[float, float]:
        """Least and most of the sky under cloud, as its word says; anything where it is not known."""
        return clouds_of(self.sky)


@dataclass(frozen=True, slots=True)
class Conditions:
    """All that a mat cools under."""

    moments: tuple[Moment, ...]  # in order of time
    is_stated: bool  # weather stated by who asks, else read on site
    thickness_m: float
    base_c: float | None  # None: as the air, within its range
    cessation_c: float

    def moment_of(self, time_utc: np.ndarray) -> np.ndarray:
        """Place of the weather of each time, int; -1 where none was read within an hour."""
        times = np.array([item.time_utc for item in self.moments], "M8[ns]")
        if not len(times) or not len(time_utc):
            return np.full(len(time_utc), -1)
        apart = np.abs(np.asarray(time_utc, "M8[ns]")[:, None] - times)
        nearest = np.argmin(np.where(np.isnat(apart), np.timedelta64(10**6, "D"), apart), axis=1)
        near = apart[np.arange(len(apart)), nearest] <= WEATHER_NEAR
        return np.where(near, nearest, -1)


def clouds_of(sky: str) -> tuple[float, float]:
    """Least and most of the sky under cloud that a word allows.

    >>> clouds_of("few clouds"), clouds_of("Overcast, rain"), clouds_of("")
    ((0.125, 0.25), (1.0, 1.0), (0.0, 1.0))
    """
    found = [span for word, span in CLOUDS.items() if word in sky.lower()]
    return found[0] if found else UNKNOWN_SKY


def parse_weather(text: str) -> tuple[float, float, str]:
    """Read `"64 degF, 7 mph, clear"`: air in degC, wind in m/s, a word for the sky or nothing.

    Raises
    ------
    ValueError
        With the expected form.

    >>> parse_weather("18 degC, 3 m/s, few clouds")
    (18.0, 3.0, 'few clouds')
    """
    parts = [part.strip() for part in text.split(",")]
    if len(parts) not in (2, 3):
        raise ValueError(
            f'"{text[:60]}" is no weather: write air, wind and sky, like "64 degF, 7 mph, clear"'
        )
    air_c, wind_mps = parse_quantity(parts[0], "temperature"), parse_quantity(parts[1], "speed")
    if not (-50 <= air_c <= 60 and 0 <= wind_mps <= 80):
        raise ValueError(f'"{text[:60]}": air is expected within -50 .. 60 degC, wind within 0 .. 80 m/s')
    return air_c, wind_mps, parts[2] if len(parts) == 3 else ""


def conditions_of(
    published: Published,
    weather: tuple[float, float, str] | None = None,
    base_c: float | None = None,
    cessation_c: float = CESSATION_C,
) -> Conditions:
    """Take conditions from a published lot, or its weather as stated, which then holds at every hour."""
    if weather is None:
        held = published.weather
        read = [item for item in held if np.isfinite(item.air_c) and np.isfinite(item.wind_mps)]
    else:
        read = [WeatherReading(time_utc, *weather) for time_utc in _hours(published)]
    lon_deg, lat_deg = _place(published)
    moments = tuple(
        Moment(item.time_utc, item.air_c, item.wind_mps, item.sky, _sun_up(item.time_utc, lon_deg, lat_deg))
        for item in read
    )
    thickness_m = float(published.config["lot"]["thickness_m"])
    return Conditions(moments, weather is not None, thickness_m, base_c, cessation_c)


def _hours(published: Published) -> list[np.datetime64]:
    """Every hour from the first mat laid to the last, both included."""
    mats = published.frames["mat"]
    first, last = (mats[name].dropna() for name in ("laid_from_utc", "laid_to_utc"))
    if first.empty or last.empty:
        return []
    ends = [np.datetime64(item.tz_convert(None), "ns") for item in (first.min(), last.max())]
    return [*np.arange(ends[0], ends[1], WEATHER_NEAR), ends[1]]


def _place(published: Published) -> tuple[float, float]:
    """Middle of the lot's profiles, NaN where none has a place: a lot is small beside the sun's way."""
    profiles = published.frames["profiles"]
    return tuple(float(profiles[name].median()) for name in ("start_lon_deg", "start_lat_deg"))


def _sun_up(time_utc: np.datetime64, lon_deg: float, lat_deg: float) -> float:
    return 90.0 if np.isnan(lon_deg) else float(elevation_deg(time_utc, lon_deg, lat_deg))
