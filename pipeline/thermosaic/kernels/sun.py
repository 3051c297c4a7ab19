"""How high the sun stands, what a cloudless or clouded sky sends down, and how cold the sky is."""

from __future__ import annotations

import numpy as np

from .radiation import KELVIN

J2000 = np.datetime64("2000-01-01T12:00:00", "ns")


def elevation_deg(time_utc: np.ndarray | np.datetime64, lon_deg: float, lat_deg: float) -> np.ndarray:
    """Elevation of the sun's middle above the horizon, without refraction, to about 0.02 deg in 1950 .. 2050.

    The low-precision formulae of the Astronomical Almanac (page C24 of its editions since 1984), from memory.

    Parameters
    ----------
    time_utc : datetime64
    lon_deg, lat_deg : float
        East and north positive.
    """
    days = (np.asarray(time_utc, "M8[ns]") - J2000) / np.timedelta64(1, "D")
    anomaly = np.radians(357.528 + 0.9856003 * days)
    longitude = np.radians(280.460 + 0.9856474 * days + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly))
    tilt = np.radians(23.439 - 4e-7 * days)
    ascension = np.arctan2(np.cos(tilt) * np.sin(longitude), np.cos(longitude))
    declination = np.arcsin(np.sin(tilt) * np.sin(longitude))
    sidereal = np.radians((18.697374558 + 24.06570982441908 * days) * 15 + lon_deg)
    latitude = np.radians(lat_deg)
    up = np.sin(latitude) * np.sin(declination)
    up += np.cos(latitude) * np.cos(declination) * np.cos(sidereal - ascension)
    return np.degrees(np.arcsin(up))


def sun_w_m2(up_deg: np.ndarray | float, cloud_frac: np.ndarray | float) -> np.ndarray:
    """Irradiance of a level surface at an elevation of the sun, under clouds that cover a share of the sky.

    Cloudless 1098 s exp(-0.057 / s), s the sine of the elevation (Haurwitz 1945); clouds take 0.75 N^3.4 of it
    (Kasten and Czeplak 1980); both from memory.

    >>> [round(float(value)) for value in sun_w_m2(90.0, np.array([0.0, 0.5, 1.0]))]
    [1037, 963, 259]
    """
    high = np.maximum(np.sin(np.radians(up_deg)), 1e-3)
    clear = np.where(np.asarray(up_deg) > 0, 1098 * high * np.exp(-0.057 / high), 0.0)
    return clear * (1 - 0.75 * np.asarray(cloud_frac, float) ** 3.4)


def sky_c(air_c: np.ndarray | float, cloud_frac: np.ndarray | float) -> np.ndarray:
    """Temperature of a sky that radiates as the real one does, degC.

    Cloudless 0.0552 T^1.5, T of the air in kelvin (Swinbank 1963, from memory); clouds radiate as the air does.

    >>> [round(float(value), 1) for value in sky_c(20.0, np.array([0.0, 1.0]))]
    [3.9, 20.0]
    """
    air = np.asarray(air_c, float) + KELVIN
    share = np.asarray(cloud_frac, float)
    return ((1 - share) * (0.0552 * air**1.5) ** 4 + share * air**4) ** 0.25 - KELVIN
