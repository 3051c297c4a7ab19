"""Yields against published worked examples."""

from __future__ import annotations

import pytest

from thermosaic.kernels import yields
from thermosaic.units import FOOT_M, parse_quantity

TON_KG = 907.18474  # short ton, exact by definition of the pound
LB_YD2_KG_M2 = parse_quantity("1 lb/yd2", "area_mass")
LB_FT3_KG_M3 = 0.45359237 / FOOT_M**3


def test_mass_of_a_course():
    """110 ft x 650 ft x 2 in at 147 lb/ft3 is 875.875 tons (formula and data: US Army course EN5459)."""
    rate = yields.spread_rate_kg_m2(2 / 12 * FOOT_M, 147 * LB_FT3_KG_M3)
    assert yields.mass_kg(110 * 650 * FOOT_M**2, rate) / TON_KG == pytest.approx(875.875, abs=1e-3)


@pytest.mark.parametrize(
    ("tons", "feet"),
    [(12.5, 85.2), (20, 136.4), (24, 163.6), (22.0, 150.0)],
)
def test_length_of_a_load(tons, feet):
    """12 ft, 2 in, 110 lb/yd2 per inch: 12.5 t cover 85.2 ft (a contractor's yield guide), others derived."""
    length = yields.load_length_m(tons * TON_KG, 12 * FOOT_M, 220 * LB_YD2_KG_M2)
    assert length / FOOT_M == pytest.approx(feet, abs=0.05)


def test_length_of_a_metric_load():
    """20 t at 3.5 m x 50 mm and 2400 kg/m3 cover 47.6 m (derived by hand: 20000 / (3.5 x 120))."""
    rate = yields.spread_rate_kg_m2(0.05, 2400)
    assert yields.load_length_m(20_000, 3.5, rate) == pytest.approx(47.6, abs=0.05)


def test_speed_for_a_delivery():
    """250 t/h at 12 ft, 2 in, 110 lb/yd2 per inch needs 28.4 ft/min (derived from the formula of EN5459)."""
    speed = yields.speed_mps(250 * TON_KG / 3600, 12 * FOOT_M, 220 * LB_YD2_KG_M2)
    assert speed * 60 / FOOT_M == pytest.approx(28.4, abs=0.05)
    dense = yields.spread_rate_kg_m2(2 / 12 * FOOT_M, 145 * LB_FT3_KG_M3)
    faster = yields.speed_mps(250 * TON_KG / 3600, 12 * FOOT_M, dense)
    assert faster * 60 / FOOT_M == pytest.approx(28.7, abs=0.05)  # at 145 lb/ft3
    back = yields.delivery_kg_s(speed, 12 * FOOT_M, 220 * LB_YD2_KG_M2)
    assert back * 3600 / TON_KG == pytest.approx(250)


def test_spread_rate_and_density():
    """110 lb/yd2 per inch is 146 to 147 lb/ft3 (Navy EN/14080, p. 8-31) and 2349 kg/m3."""
    density = 110 * LB_YD2_KG_M2 / (FOOT_M / 12)
    assert density == pytest.approx(2349, abs=1)
    assert 146 <= density / LB_FT3_KG_M3 <= 147
    assert density / 110 == pytest.approx(21.358, abs=1e-3)  # 1 lb/yd2 per inch, derived
    cover_m2 = TON_KG / (110 * LB_YD2_KG_M2)  # of a ton, one inch thick
    assert cover_m2 / (3 * FOOT_M) ** 2 == pytest.approx(18.2, abs=0.05)  # yd2: a contractor's yield guide


def test_hours_by_mile():
    """A = 0.22 W T UW / M hours by mile, W ft, T in, UW lb/ft3, M tons/h (US Army course EN5459)."""
    for width, thick, weight, delivery in ((12, 2, 147, 250), (10, 1.5, 145, 180)):
        rate = yields.spread_rate_kg_m2(thick / 12 * FOOT_M, weight * LB_FT3_KG_M3)
        speed = yields.speed_mps(delivery * TON_KG / 3600, width * FOOT_M, rate)
        assert 5280 * FOOT_M / speed / 3600 == pytest.approx(0.22 * width * thick * weight / delivery)


def test_spread_rate_of_a_target_by_maximum_density():
    """43.3 Gmm lb/yd2 per inch: 101.28 at Gmm 2.339, 152 lb/yd2 for 1.5 in (FDOT training slides, 330-2.2).

    43.3 is 0.925 of the mass of an inch of water on a square yard (derived: 62.4 lb/ft3 x 0.75 ft3 x 0.925).
    """
    density = 0.925 * 62.4 * 2.339 * LB_FT3_KG_M3
    inch = yields.spread_rate_kg_m2(FOOT_M / 12, density) / LB_YD2_KG_M2
    course = yields.spread_rate_kg_m2(1.5 / 12 * FOOT_M, density) / LB_YD2_KG_M2
    assert inch == pytest.approx(101.28, abs=0.05)
    assert round(course) == 152


def test_a_load_on_too_short_a_length():
    """12.5 t on 70 ft instead of 85.5 ft are 22 % too heavy (a contractor's yield guide)."""
    stated = yields.mass_kg(70 * 12 * FOOT_M**2, 220 * LB_YD2_KG_M2)
    excess = 12.5 * TON_KG / stated
    assert excess == pytest.approx(1.22, abs=0.005)
