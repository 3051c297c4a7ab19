"""What was noted and changed on site is said in the trade's units, once."""

from __future__ import annotations

from types import SimpleNamespace

import pandas as pd
import pytest

from thermosaic.files.sheets.measures import Measures
from thermosaic.files.sheets.site_notes import change_rows, mass, weather_line


def _sheet(rows: list[tuple[str, str, str, str]], **measures: str) -> SimpleNamespace:
    facts = pd.DataFrame(rows, columns=["key", "value", "unit", "meaning"])
    return SimpleNamespace(facts=lambda _: facts, measures=Measures(**measures))


@pytest.mark.parametrize(
    ("delivery", "air", "wind", "line"),
    [
        ("us", ("air_f", "58.6"), ("wind_mph", "8.95"), "start 59 °F, wind 9 mph, clouds"),
        ("si", ("air_c", "14.8"), ("wind_mps", "4"), "start 15 °C, wind 4.0 m/s, clouds"),
    ],
)
def test_wind_is_in_the_weather_services_unit(delivery, air, wind, line):
    """The page repeats what lot_info holds: 4.0 m/s is 8.95 mph (1 mph = 0.44704 m/s exactly, NIST SP 811 B.8)."""
    rows = [(f"weather.start.{name}", value, "", "") for name, value in (air, wind, ("sky", "clouds"))]
    assert weather_line(_sheet(rows, delivery=delivery)).replace("\N{NO-BREAK SPACE}", " ") == line


def test_tickets_are_in_tons_of_the_reader():
    """A load of 20 short tons is 18.14 t (1 ton of 2000 lb = 907.18474 kg, NIST SP 811 B.8)."""
    assert mass(18.1436948, Measures("us")) == "20.0"
    assert mass(18.1436948, Measures("si")) == "18.1"
    assert mass(float("nan"), Measures("us")) == "\N{EN DASH}"


def test_a_change_says_its_local_time_and_its_unit_once():
    """02:08:30 UTC in June is 21:08:30 the day before in Chicago (CDT, UTC - 5 h)."""
    rows = [
        ("change.1.at_utc", "2026-06-04T02:08:30.000Z", "UTC", "New set-up from here on"),
        ("change.1.mat_left_ft", "-4.9213", "ft", "From change 1 on; before: -5.9055 ft"),
    ]
    (change,) = change_rows(_sheet(rows, delivery="us", zone="America/Chicago"))
    assert change["at"].replace("\N{NO-BREAK SPACE}", " ") == "2026-06-03 21:08:30 (02:08:30 UTC)"
    assert change["stated"] == "mat_left -4.9213 ft (before: -5.9055 ft)"
