"""Quantities, side words and station labels against published conversions and worked stations."""

from __future__ import annotations

import json
import math
import re
from dataclasses import asdict

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj.database import get_units_map

from thermosaic.units import (
    KINDS,
    OTHER_SPELLINGS,
    SIDE_WORDS,
    TEMPERATURES,
    UNITS,
    US_SURVEY_FOOT_M,
    StationEquation,
    StationLabels,
    parse_quantity,
    quantity_pattern,
)

NUMBERS = st.floats(-1e6, 1e6, allow_nan=False).map(lambda value: round(value, 6))
STATIONS = [
    StationLabels("100 ft"),
    StationLabels("100 m"),
    StationLabels("1000 m"),
    StationLabels("100 ft", US_SURVEY_FOOT_M),
]


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        ("1 ft", "length", 0.3048),  # exact: NIST Handbook 44, appendix C
        ("12 in", "length", 0.3048),
        ("1 yd", "length", 0.9144),
        ("1 mi", "length", 1609.344),
        ("3937 ftUS", "length", 1200.0),  # definition of the US survey foot
        ("1 ton", "mass", 907.18474),  # short ton of 2000 lb, lb = 0.45359237 kg exactly
        ("400 gon", "angle", 360.0),
        ("1 mi", "length", 5280 * 0.3048),
        ("2 h", "time", 7200.0),
        ("1 ft2", "area", 0.09290304),
        ("36 km/h", "speed", 10.0),
    ],
)
def test_units_have_their_defined_size(text, kind, expected):
    """Each unit is as large as its definition says."""
    assert parse_quantity(text, kind) == pytest.approx(expected, rel=1e-14)


def test_the_us_survey_foot_is_that_of_the_epsg_registry():
    """The US survey foot equals EPSG unit 9003 as pyproj carries it."""
    assert get_units_map()["US survey foot"].conv_factor == pytest.approx(US_SURVEY_FOOT_M, rel=1e-14)


@pytest.mark.parametrize(
    ("text", "kind", "expected", "digits"),
    [  # Celsius values as public texts print them beside the Fahrenheit ones
        ("25 degF", "temperature difference", 13.9, 1),
        ("50 degF", "temperature difference", 27.8, 1),
        ("18 degF", "temperature difference", 10.0, 1),
        ("170 degF", "temperature", 76.7, 1),
        ("180 degF", "temperature", 82.2, 1),
        ("400 degF", "temperature", 204.4, 1),
        ("175 degF", "temperature", 79.4, 1),
        ("212 degF", "temperature", 100.0, 9),  # boiling and freezing point: definition of the scale
        ("32 degF", "temperature", 0.0, 9),
        ("273.15 K", "temperature", 0.0, 9),
    ],
)
def test_temperatures_and_differences_convert_as_published(text, kind, expected, digits):
    """A temperature moves with the scale's zero, a difference does not."""
    assert round(parse_quantity(text, kind), digits) == expected


def test_a_spread_rate_converts_to_the_published_density():
    """110 lb/yd2 for each inch of thickness is 2349 kg/m3 (derived from 146 to 147 lb/ft3)."""
    assert parse_quantity("110 lb/yd2", "area_mass") / parse_quantity("1 in", "length") == pytest.approx(
        2349, abs=0.5
    )


@given(a=NUMBERS, b=NUMBERS, unit=st.sampled_from(sorted(TEMPERATURES)))
def test_the_difference_of_two_temperatures_is_a_temperature_difference(a, b, unit):
    """T(a) - T(b) = D(a - b) in every unit."""
    apart = parse_quantity(f"{a} {unit}", "temperature") - parse_quantity(f"{b} {unit}", "temperature")
    assert apart == pytest.approx(parse_quantity(f"{a - b!r} {unit}", "temperature difference"), abs=1e-6)


@given(value=NUMBERS, kind=st.sampled_from(sorted(UNITS)), data=st.data())
def test_a_quantity_is_proportional_to_its_number(value, kind, data):
    """Any decimal number, written any way Python writes it, comes back times the size of its unit."""
    unit = data.draw(st.sampled_from(sorted(UNITS[kind])))
    assert parse_quantity(f"{value!r} {unit}", kind) == value * UNITS[kind][unit]
    assert parse_quantity(f" {value:.6f}{unit} ", kind) == pytest.approx(value * UNITS[kind][unit], abs=1e-5)


@pytest.mark.parametrize(("plus", "minus"), [("ahead", "behind"), ("right", "left"), ("before", "past")])
@given(value=st.floats(0, 1000))
def test_side_words_of_a_pair_are_opposite(plus, minus, value):
    """ahead and behind, right and left, before and past have the same size and opposite signs."""
    words = (plus, minus)
    assert parse_quantity(f"{value} ft {plus}", "length", words) == pytest.approx(value * 0.3048)
    assert parse_quantity(f"{value} ft {minus}", "length", words) == pytest.approx(-value * 0.3048)


@pytest.mark.parametrize(
    "text",
    [
        "", " ", "5", "ft", "5 furlong", "5 FT", "1_5 ft", "１５ ft", "nan ft", "inf ft",
        "-inf ft", "1e999 ft", "0x10 ft", "5,5 ft", "5 ft ahead", "5 ft ft", "--5 ft", "5. 5 ft", "5\nft",
        "5\u00a0ft", "1e400 mi", "1e308 mi", "5 ft;",
        "9" * 5000 + " ft", "ft" * 5000,
    ],
)  # fmt: skip
def test_what_is_not_a_length_is_refused_in_words(text):
    """Other digits, underscores, decimal commas, infinities, missing units never become a number."""
    with pytest.raises(ValueError, match=r"expected|write a number|finite") as refusal:
        parse_quantity(text, "length")
    assert len(str(refusal.value)) < 250


def test_a_sign_together_with_a_side_word_is_refused():
    """`-4 in left` could mean either side, so it is refused."""
    with pytest.raises(ValueError, match="sign and a side word"):
        parse_quantity("-4 in left", "length", ("right", "left"))


def test_a_side_word_of_another_pair_is_refused():
    """`ahead` is no answer to right or left."""
    with pytest.raises(ValueError, match='"ahead" is not understood after the unit: one of right, left'):
        parse_quantity("4 in ahead", "length", ("right", "left"))


@pytest.mark.parametrize(("other", "unit"), [("feet", "ft"), ("inches", "in"), ("meters", "m")])
def test_common_spellings_are_answered_with_the_unit(other, unit):
    """A unit spelt another way is not taken silently: the message names the right one."""
    with pytest.raises(ValueError, match=re.escape(f'did you mean "{unit}"?')):
        parse_quantity(f"5 {other}", "length")


def test_every_hint_names_a_known_unit():
    """No hint leads to another refusal."""
    known = {unit for table in UNITS.values() for unit in table} | set(TEMPERATURES)
    assert set(OTHER_SPELLINGS.values()) <= known


@pytest.mark.parametrize("kind", KINDS)
@given(data=st.data())
def test_the_published_pattern_takes_what_the_reader_takes(kind, data):
    """The pattern of the schema and the reader agree on texts near and far from a quantity."""
    words = tuple(SIDE_WORDS)[:2]
    units = sorted({"degC", "K", "degF", "m", "ft", "s", "m2", "deg", "feet"})
    parts = data.draw(
        st.tuples(st.sampled_from(["5", "-5.5", "+.5", "5e1", "x", ""]), st.sampled_from(units))
    )
    text = " ".join((*parts, data.draw(st.sampled_from(["", "ahead", "left"]))))
    try:
        parse_quantity(text, kind, words)
        taken = True
    except ValueError as refusal:
        taken = "sign and a side word" in str(refusal)  # a regular expression need not know this rule
    assert taken == (re.search(quantity_pattern(kind, words), text) is not None)


@pytest.mark.parametrize(
    ("unit", "label", "value"),
    [
        ("100 ft", "8+35.67", 835.67),  # open-access surveying text (Mahun, ch. VIII-A)
        ("1000 m", "1+256.02", 1256.02),  # the same station both ways
        ("100 m", "12+56.02", 1256.02),
        ("100 ft", "100+00", 10_000.0),
        ("100 ft", "-0+50.0", -50.0),
        ("100 ft", "0+00", 0.0),
    ],
)
def test_station_labels_read_as_worked(unit, label, value):
    """A label is whole stations plus the rest, in its own unit."""
    labels = StationLabels(unit)
    assert labels.parse(label) / labels.length_m == pytest.approx(value, abs=1e-9)


def test_the_distance_between_two_stations_is_their_difference():
    """12+38.28 to 16+56.85 is 418.57 ft (open-access surveying text)."""
    labels = StationLabels("100 ft")
    assert (labels.parse("16+56.85") - labels.parse("12+38.28")) / 0.3048 == pytest.approx(418.57, abs=1e-9)


@given(labels=st.sampled_from(STATIONS), station_m=st.floats(-50_000, 50_000))
def test_a_station_survives_its_label(labels, station_m):
    """Text and back moves a station by half of its last digit at most, and the second text is the first."""
    text = labels.text(station_m)
    again = labels.parse(text)
    assert abs(again - station_m) <= 0.5000001 * labels.length_m * 10**-labels.decimals
    assert labels.text(again) == text


@pytest.mark.parametrize(
    ("unit", "value", "text"),
    [
        ("100 ft", 99.96, "1+00.0"),  # rounds up into the next station, never 0+100.0
        ("100 ft", -0.04, "0+00.0"),  # no minus zero
        ("1000 m", 999.996, "1+000.00"),
        ("100 m", 0.0, "0+00.00"),
        ("100 ft", 11240.5, "112+40.5"),
    ],
)
def test_labels_are_rounded_before_they_are_split(unit, value, text):
    """Rounding may carry into the next whole station."""
    labels = StationLabels(unit)
    assert labels.text(value * labels.length_m) == text


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_an_unknown_station_has_an_empty_label(value):
    """No label is made up where there is no station."""
    assert StationLabels("100 ft").text(value) == ""


@pytest.mark.parametrize(
    "label",
    ["", "100", "100+0", "100+000", "100+00:2", "1+00+00", "+5+00", "1e3+00", "１+00", "100+00,5", "9" * 900],
)
def test_what_is_not_a_station_is_refused_with_an_example(label):
    """A label of another form is refused and the right form is shown."""
    with pytest.raises(ValueError, match=re.escape('write it like "12+40.5"')):
        StationLabels("100 ft").parse(label)


def test_labels_of_an_unknown_kind_are_refused():
    """Stations are written in 100 ft, 100 m or 1000 m."""
    with pytest.raises(ValueError, match='not "50 m"'):
        StationLabels("50 m")


# ----------------------------------------------------------------------------------- station equations

GAP = StationLabels("1000 m", equations=(StationEquation(450.725, 550.725),))
OVERLAP = StationLabels("1000 m", equations=(StationEquation(550.725, 450.725),))
FALLING = StationEquation(800.0, 600.0, rising=False)
THREE = (StationEquation(400.0, 900.0), StationEquation(700.0, 1000.0), FALLING)


class TestStationEquations:
    """Gap and overlap with the numbers of an instrument's road manual, p. 21 (ahead, back)."""

    def test_gap(self):
        """Ahead 0+550.725 = back 0+450.725: the labels between do not exist, and the place has two."""
        assert GAP.parse("0+450.725") == GAP.parse("0+550.725") == 450.725
        assert GAP.parse("0+560") == pytest.approx(460.0)
        assert GAP.text(460.0) == "0+560.00:2"
        with pytest.raises(ValueError, match=r'"0\+500" does not exist in any region'):
            GAP.parse("0+500")
        with pytest.raises(ValueError, match=r"0\+450\.7[23]:1 back = 0\+550\.7[23]:2 ahead"):
            GAP.parse("0+500")

    def test_overlap(self):
        """Ahead 0+450.725 = back 0+550.725: labels between exist twice and need their region."""
        assert OVERLAP.text(500.0) == "0+500.00:1"
        assert OVERLAP.text(600.0) == "0+500.00:2"
        assert OVERLAP.parse("0+500:1") == pytest.approx(500.0)
        assert OVERLAP.parse("0+500.00:2") == pytest.approx(600.0)
        assert OVERLAP.parse("0+300") == pytest.approx(300.0)
        assert OVERLAP.parse("0+700") == pytest.approx(800.0)

    def test_ambiguous_labels_name_their_regions(self):
        """A label of two regions is refused, and the message shows both ways to write it."""
        with pytest.raises(ValueError, match=r"stands in regions 1 and 2 .* write 0\+500:1 or 0\+500:2"):
            OVERLAP.parse("0+500")

    @pytest.mark.parametrize(
        ("label", "words"), [("0+300:2", "does not exist in region 2"), ("0+300:3", "no region 3")]
    )
    def test_regions_that_do_not_fit(self, label, words):
        """A region is checked even where the label alone would do."""
        with pytest.raises(ValueError, match=words):
            OVERLAP.parse(label)

    @settings(deadline=None)
    @given(st.floats(-500, 1500), st.sampled_from(["100 ft", "100 m", "1000 m"]))
    def test_printed_labels_are_read_back(self, station_m, unit):
        """Every printed label leads back to its place, to half of its last digit."""
        labels = StationLabels(unit, equations=THREE)
        back = labels.parse(labels.text(station_m))
        assert abs(back - station_m) <= 0.5 * 10**-labels.decimals * labels.length_m + 1e-6

    def test_whole_stations(self):
        """Ticks stand at whole labels: after an equation that is elsewhere than at whole lengths."""
        labels = StationLabels("100 m", equations=(StationEquation(130.0, 250.0),))
        places = labels.whole_stations(90.0, 300.0, 100.0)
        assert [labels.whole_text(place) for place in places] == ["1+00:1", "3+00:2", "4+00:2"]
        assert places == pytest.approx([100.0, 180.0, 280.0])
        plain = StationLabels("100 ft")
        assert plain.whole_stations(-1.0, 62.0, 30.48) == pytest.approx([0.0, 30.48, 60.96])

    def test_equations_out_of_order(self):
        """Regions follow on one another."""
        with pytest.raises(ValueError, match="follow on one another"):
            StationLabels("100 m", equations=(StationEquation(5.0, 0.0), StationEquation(5.0, 9.0)))

    def test_stored(self):
        """Labels come back from the plain values that a manifest holds."""
        labels = StationLabels("100 ft", equations=THREE)
        assert StationLabels.stored(json.loads(json.dumps(asdict(labels)))) == labels
