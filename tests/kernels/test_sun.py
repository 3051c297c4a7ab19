"""Where the sun stands and what the sky sends, against published and simple places."""

from __future__ import annotations

import numpy as np
import pytest

from thermosaic.kernels.sun import elevation_deg, sky_c, sun_w_m2


def test_published_example():
    """Golden, Colorado, 17 October 2003, 12:30:30 at UTC-7: 39.872 deg without refraction (Reda and Andreas 2004).

    NREL/TP-560-34302, table A5.1: zenith 50.11162 with refraction of 0.01633 deg; from memory, to be checked.
    """
    found = elevation_deg(np.datetime64("2003-10-17T19:30:30"), -105.1786, 39.742476)
    assert found == pytest.approx(90 - 50.11162 - 0.01633, abs=0.02)


@pytest.mark.parametrize(
    ("day", "lat_deg", "highest_deg"),
    [("2026-06-21", 45.0, 68.44), ("2026-12-21", 45.0, 21.56), ("2026-12-21", -33.0, 80.44)],
)
def test_noon_of_a_solstice(day, lat_deg, highest_deg):
    """At noon of a solstice the sun stands at 90 - |latitude -+ 23.44| deg (geometry)."""
    hours = np.datetime64(day, "m") + np.arange(0, 1440, 1)
    assert elevation_deg(hours, 0.0, lat_deg).max() == pytest.approx(highest_deg, abs=0.02)


def test_rises_in_the_east_sets_in_the_west():
    """Six hours before noon at a place is six hours of longitude: the sun follows 15 deg of longitude an hour."""
    noon = np.datetime64("2026-03-20T12:07")
    later = elevation_deg(noon + np.timedelta64(4, "h"), -60.0, 20.0)
    assert later == pytest.approx(float(elevation_deg(noon, 0.0, 20.0)), abs=0.1)


def test_no_sun_at_night_and_less_under_cloud():
    """Nothing below the horizon, a quarter under an overcast sky, more the higher the sun; clouds warm the sky."""
    assert sun_w_m2(-5.0, 0.0) == 0
    up = sun_w_m2(np.array([10.0, 30.0, 60.0]), 0.0)
    assert (np.diff(up) > 0).all()
    assert sun_w_m2(60.0, 1.0) == pytest.approx(0.25 * up[2])
    assert sky_c(20.0, 1.0) == pytest.approx(20.0)
    assert (np.diff(sky_c(20.0, np.array([0.0, 0.5, 1.0]))) > 0).all()
