"""Sections of the configuration: types, units, ranges, words; what is refused and what is kept as text."""

from __future__ import annotations

import json
import pickle
import re
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import jsonschema
import numpy as np
import pytest
from pydantic import ValidationError

from thermosaic import config
from thermosaic.config import (
    AcceptSection,
    ExcludeSection,
    LimitsSection,
    LogFormat,
    LotSection,
    MarkSection,
    PassSection,
    RigSection,
    ScannerSection,
    passes_in_time,
)
from thermosaic.files.catalogue import load_rules
from thermosaic.units import StationLabels

FEET = StationLabels("100 ft")
LOT = {
    "id": "KR12-L2-20260514", "route": "County Road 12", "lane": "1", "lift": 2, "thickness": "2 in",
    "time_zone": "America/Boise",
}  # fmt: skip
RIG = {
    "antenna_forward": "78 in ahead", "antenna_right": "4 in left", "antenna_up": "11 ft",
    "screed_forward": "3 ft", "non_slip_forward": "9 ft", "clock_offset": "auto",
}  # fmt: skip
SCANNER = {"spots_right": {"first": "-6.5 ft", "last": "4.5 ft"}, "mat_left": "-7 ft", "mat_right": "5 ft"}
MARK = {"station": "100+00", "at": "first line", "point": "screed", "distance": "50 ft before"}
DEVICES = ["CON", "con", "PRN", "aux", "NUL", "nul.txt", "COM1", "com9.csv", "LPT1"]


def test_a_rig_comes_in_metres_with_its_signs():
    """Ahead and right of C are positive; the numbers are those of the stated feet and inches."""
    rig = RigSection.model_validate(RIG)
    assert rig.antenna_forward_m == pytest.approx(78 * 0.0254)
    assert rig.antenna_right_m == pytest.approx(-4 * 0.0254)
    assert (rig.antenna_up_m, rig.screed_forward_m) == pytest.approx((11 * 0.3048, 3 * 0.3048))
    assert rig.clock_offset_s == "auto"
    assert RigSection.model_validate(RIG | {"clock_offset": "-400 ms"}).clock_offset_s == pytest.approx(-0.4)


def test_defaults_are_the_documented_ones():
    """Sigmas by quality, the largest sigma, cells and limits of acceptance stand where nothing is stated."""
    rig = RigSection.model_validate(RIG)
    sigma = rig.fix_sigma
    assert (sigma.fixed_m, sigma.float_m, sigma.differential_m, sigma.autonomous_m) == (0.02, 0.3, 1.0, 3.0)
    assert (rig.max_sigma_m, rig.heading_offset_deg, rig.wheel_per_count_m) == (1.0, 0.0, None)
    assert (config.GridSection().map_cell_m, config.GridSection().mat_cell_m) == (0.1, 0.3048)
    accept = AcceptSection()
    assert (accept.rejected_frac, accept.autonomous_frac, accept.wheel_gnss_frac) == (0.2, 0.1, 0.03)
    assert (accept.alignment_distance_m, config.DeliverySection().units) == (30.0, "si")


@pytest.mark.parametrize("key", [key for key in RIG])
def test_nothing_that_a_site_must_measure_has_a_default(key):
    """Each measure of the rig is required."""
    with pytest.raises(ValidationError, match="required"):
        RigSection.model_validate({name: value for name, value in RIG.items() if name != key})


@pytest.mark.parametrize(
    "value", [2, 2.0, True, False, float("nan"), float("inf"), None, (), {}, "2", "true m", "nan m"]
)
def test_what_is_not_a_quantity_never_passes_as_one(value):
    """Bare numbers, truth values, nan and infinity are refused where a length is expected."""
    with pytest.raises(ValidationError):
        RigSection.model_validate(RIG | {"antenna_up": value})


@pytest.mark.parametrize("value", [True, "0.2", float("nan"), float("inf"), -0.01, 1.01, None, 10**400])
def test_a_share_is_a_number_from_0_to_1(value):
    """Neither truth values nor nan pass a range check."""
    with pytest.raises(ValidationError):
        AcceptSection.model_validate({"rejected_frac": value})


@pytest.mark.parametrize("value", [0, 21, -1, 10**30, True, 2.0, "2", float("nan")])
def test_a_lift_is_a_whole_number_from_1_to_20(value):
    """Lifts are counted from the bottom."""
    with pytest.raises(ValidationError, match=r"allowed range 1 \.\. 20|whole number"):
        LotSection.model_validate(LOT | {"lift": value})


@pytest.mark.parametrize(
    "name", ["", ".x", "-x", "a b", "a/b", "../a", "a\\b", "a\nb", "a\0b", "a\u202eb", "é", "a.", "a" * 65,
             "<b>", "=1+1", "$(id)", "a;b", *DEVICES]
)  # fmt: skip
def test_an_id_that_is_no_file_name_everywhere_is_refused(name):
    """Ids become file names: separators, control and direction characters, devices, shell text never pass."""
    with pytest.raises(ValidationError, match="file name"):
        LotSection.model_validate(LOT | {"id": name})


@pytest.mark.parametrize(
    "text", ["<script>alert(1)</script>", '=HYPERLINK("x")', "'; DROP TABLE lots; --", "Straße 12 – Süd"]
)
def test_text_is_kept_as_text(text):
    """HTML, formulas and SQL in a name of a road are kept as they are: the sinks escape them."""
    assert LotSection.model_validate(LOT | {"route": text}).route == text


@pytest.mark.parametrize(
    "text", ["", "  ", "a\0b", "a\x07", "a\u202eb", "a\u2028b", "x" * 201, 5, True, None]
)
def test_text_with_control_characters_is_refused(text):
    """Control characters and invisible ones that turn the direction of text do not reach a product."""
    with pytest.raises(ValidationError):
        LotSection.model_validate(LOT | {"route": text})


def test_logs_are_a_path_or_a_list_in_order():
    """One path is a list of one; an empty list or a file twice is refused; the wheel may be missing."""
    files = config.FilesSection.model_validate(
        {"scan": ("b.csv", "a.csv"), "fixes": "g.nmea"}, context={"folder": "/l"}
    )
    assert files.scan == (Path("/l/b.csv"), Path("/l/a.csv"))
    assert (files.fixes, files.wheel, files.alignment) == ((Path("/l/g.nmea"),), (), None)
    for bad in ((), ("a", "a"), ("a", "b/../a"), ("a", 5)):
        with pytest.raises(ValidationError):
            config.FilesSection.model_validate({"scan": bad, "fixes": "g"})


def test_local_time_is_that_of_the_site():
    """Boise keeps UTC - 6 h in May and - 7 h in December (tz database): 05:30 UTC is the day before."""
    lot = LotSection.model_validate(LOT)
    for moment, local in (("2026-05-15T05:30", "2026-05-14 23:30"), ("2026-12-15T05:30", "2026-12-14 22:30")):
        assert f"{lot.local(np.datetime64(moment, 'ns')):%Y-%m-%d %H:%M}" == local


@pytest.mark.parametrize(
    "zone", ["Mars/Base", "America", "../etc/passwd", "localtime", "", "\0", "america/boise", 5, "/etc"]
)
def test_an_unknown_time_zone_is_refused(zone):
    """Only IANA names, and none that means another zone on another machine."""
    with pytest.raises(ValidationError, match="IANA"):
        LotSection.model_validate(LOT | {"time_zone": zone})


@pytest.mark.parametrize(
    ("said", "zone"),
    [("Mountain", "America/Denver"), ("CDT", "America/Chicago"), ("pacific time", "America/Los_Angeles")],
)
def test_a_zone_as_people_say_it_names_the_place(said, zone):
    """Zone words of the United States are answered by the IANA name that keeps their summer time (tzdata, backward)."""
    with pytest.raises(ValidationError, match=f'did you mean "{zone}"'):
        LotSection.model_validate(LOT | {"time_zone": said})


@pytest.mark.parametrize(
    ("said", "places"),
    [
        ("MST", ("America/Denver", "America/Phoenix")), ("EST", ("America/New_York", "America/Panama")),
        ("HST", ("America/Adak", "Pacific/Honolulu")), ("EST5EDT", ("America/New_York", "America/Panama")),
        ("PST8PDT", ("America/Los_Angeles",)), ("Etc/GMT+7", ("America/Denver", "America/Phoenix")),
        ("GMT", ("Europe/London", "Atlantic/Reykjavik")),
    ],
)  # fmt: skip
def test_an_offset_is_no_place(said, places):
    """A name of an offset is refused for a site, naming a place with daylight time and one without: "MST" stays at
    UTC - 7 h in a summer where Denver has UTC - 6 h (tzdata). Each named place has that offset in January, and the
    first alone another in July. A logger's clock may well be set so: its format takes the name."""
    with pytest.raises(ValidationError) as refused:
        LotSection.model_validate(LOT | {"time_zone": said})
    named = re.findall(r'"([A-Z][a-z]+/[A-Za-z_]+)"', str(refused.value))
    assert tuple(named) == places
    offsets = [
        tuple(datetime(2026, month, 15, 12, tzinfo=ZoneInfo(zone)).utcoffset() for month in (1, 7))
        for zone in named
    ]
    winter = datetime(2026, 1, 15, 12, tzinfo=ZoneInfo(said)).utcoffset()
    assert {january for january, _ in offsets} == {winter}
    assert [january == july for january, july in offsets] == [False, True][: len(offsets)]
    LogFormat.model_validate(FORMAT | {"time_scale": "local", "time_zone": said})


def test_utc_is_a_choice():
    """UTC for a site is no slip of a daylight time."""
    assert LotSection.model_validate(LOT | {"time_zone": "UTC"}).time_zone == "UTC"


def test_a_paved_width_is_that_of_a_mat():
    """A width is taken up to 60 m, the mat's two edges; a length of road in its place is refused."""
    assert LotSection.model_validate(LOT | {"paved_width": "12 ft"}).paved_width_m == pytest.approx(3.6576)
    with pytest.raises(ValidationError, match=r"0\.1 \.\. 60 m"):
        LotSection.model_validate(LOT | {"paved_width": "1200 ft"})


def test_limits_are_two_times_or_two_stations():
    """One of each is refused, as is an end before its start; one open end is fine."""
    labels = {"labels": FEET}
    limits = LimitsSection.model_validate({"from": "100+00", "to": "112+40.5"}, context=labels)
    assert (limits.from_, limits.to) == pytest.approx((3048.0, 11240.5 * 0.3048))
    assert LimitsSection.model_validate({"to": "2026-05-14T13:20:00Z"}).from_ is None
    for bad in (
        {"from": "100+00", "to": "2026-05-14T13:20:00Z"},
        {"from": "112+00", "to": "100+00"},
        {"from": "100+00", "to": "100+00"},
        {"from": "2026-05-14T13:20:00Z", "to": "2026-05-14T13:20:00+01:00"},
        {"from": 100.0},
    ):
        with pytest.raises(ValidationError):
            LimitsSection.model_validate(bad, context=labels)


@pytest.mark.parametrize(
    ("distance", "ahead_ft"), [("50 ft before", 50), ("50 ft past", -50), ("0 ft", 0), ("0 m before", 0)]
)
def test_a_mark_before_lies_ahead(distance, ahead_ft):
    """50 ft before = not yet reached in travel, 50 ft past = already passed."""
    mark = MarkSection.model_validate(MARK | {"distance": distance}, context={"labels": FEET})
    assert mark.distance_m == pytest.approx(ahead_ft * 0.3048)


@pytest.mark.parametrize(("upstation", "label"), [(True, "99+50.0"), (False, "100+50.0")])
def test_a_whole_station_50_ft_before_the_paver(upstation, label):
    """Station 100 lies 50 ft before: at 99+50 upstation, 100+50 downstation (common practice)."""
    mark = MarkSection.model_validate(MARK, context={"labels": FEET})
    assert (
        FEET.text(mark.station_m - mark.distance_m if upstation else mark.station_m + mark.distance_m)
        == label
    )


@pytest.mark.parametrize("distance", ["50 ft", "-50 ft", "50 ft ahead", 50])
def test_a_mark_must_say_before_or_past(distance):
    """A distance without its word could mean either; only 0 needs none."""
    with pytest.raises(ValidationError, match="before"):
        MarkSection.model_validate(MARK | {"distance": distance}, context={"labels": FEET})


@pytest.mark.parametrize("at", [0, -1, True, 1.5, "last line", "1", "2026-05-14T13:20:00", None, 2**70])
def test_a_mark_is_at_a_line_or_a_time(at):
    """Lines count from 1; a time needs its zone."""
    with pytest.raises(ValidationError):
        MarkSection.model_validate(MARK | {"at": at}, context={"labels": FEET})


def test_exclusions_and_passes_run_forward():
    """from < to in stations and in time."""
    exclude = {"from": "2+00", "to": "1+00", "reason": "bridge"}
    with pytest.raises(ValidationError, match="smaller station"):
        ExcludeSection.model_validate(exclude, context={"labels": FEET})
    with pytest.raises(ValidationError, match="earlier"):
        PassSection.model_validate({"from": "2026-05-14T13:20:00Z", "to": "2026-05-14T13:20:00Z"})


def test_passes_are_numbered_in_order_of_time():
    """A pass without id gets its number in time, whatever its place in the file; stated ids stay."""
    times = ["2026-05-14T15:00:00Z", "2026-05-14T13:00:00Z", "2026-05-14T14:00:00+00:00"]
    stated = [
        PassSection.model_validate({"from": time} | ({"id": "b"} if n == 2 else {}))
        for n, time in enumerate(times)
    ]
    ordered = passes_in_time(tuple(stated))
    assert [(item.id, item.from_.hour) for item in ordered] == [("1", 13), ("b", 14), ("3", 15)]
    assert passes_in_time(ordered) == ordered


@pytest.mark.parametrize(
    "spots",
    [
        {"first": "1 m", "last": "1 m"},
        {"first": "1 m"},
        ("1 m",),
        ("1 m", "2 m", "1.5 m"),
        ("1 m", "1 m"),
        {"height": "3 m", "angle_first": "10 deg left", "angle_last": "-10 deg"},
        {"height": "0 m", "angle_first": "10 deg left", "angle_last": "10 deg"},
        {"height": "3 m", "angle_first": "89 deg left", "angle_last": "10 deg"},
        {"first": "8 m", "last": "9 m"},
        "1 m",
        5,
        None,
    ],
)
def test_spots_that_are_no_line_across_the_mat_are_refused(spots):
    """Spots run in one direction, are two at least, lie over the mat, and angles stay below 80 degrees."""
    with pytest.raises(ValidationError):
        ScannerSection.model_validate(SCANNER | {"spots_right": spots})


def test_spots_may_be_stated_in_three_ways():
    """First and last, a list, or height and angles; a mirrored scanner runs from right to left."""
    by_angle = {"height": "3.5 m", "angle_first": "38 deg left", "angle_last": "38 deg right"}
    assert (
        ScannerSection.model_validate(SCANNER | {"spots_right": by_angle}).spots_right.angle_first_deg == -38
    )
    listed = ScannerSection.model_validate(SCANNER | {"spots_right": ("1 m right", "0 m", "1 m left")})
    assert listed.spots_right == (1.0, 0.0, -1.0)


def test_agency_keys_are_free_but_plain():
    """Texts, numbers and truth values pass; lists, dates, nan and control characters do not."""
    agency = {"contract": "C-17", "item": 403, "night": True, "price": 1.5}
    assert LotSection.model_validate(LOT | {"agency": agency}).agency == agency
    for bad in ((1,), datetime(2026, 1, 1), float("nan"), 10**30, "a\0", {"b": 1}):
        with pytest.raises(ValidationError):
            LotSection.model_validate(LOT | {"agency": {"key": bad}})


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        ("map", "EPSG:4326"), ("map", "EPSG:99999"), ("map", "nowhere"), ("map", ""), ("map", 6448),
        ("map", "EPSG:4978"), ("fixes", "EPSG:6448"), ("fixes", "EPSG:4978"), ("alignment", "EPSG:5703"),
        ("epoch", True), ("epoch", 26.5), ("accuracy", "0 m"), ("accuracy", 0.1), ("accept_ensemble", 1),
        ("accept_ensemble", "true"),
    ],
)  # fmt: skip
def test_frames_are_of_the_right_kind(kind, value):
    """The map is projected, fixes are geographic, a height system is no frame, numbers are in range."""
    with pytest.raises(ValidationError):
        config.CrsSection.model_validate({"fixes": "EPSG:6318", "map": "EPSG:6448", kind: value})


def test_nothing_changes_after_loading():
    """Sections are frozen, unknown keys are refused at every level."""
    rig = RigSection.model_validate(RIG)
    with pytest.raises(ValidationError, match="frozen"):
        rig.antenna_up_m = 1.0
    with pytest.raises(ValidationError, match="extra"):
        RigSection.model_validate(RIG | {"fix_sigma": {"fixd": "1 m"}})
    assert pickle.loads(pickle.dumps(rig)) == rig


def test_class_limits_survive_the_change_of_units():
    """25.0 and 50.0 degF are whole multiples of the rounding: a value at the limit is classed exactly."""
    classes = load_rules("differential-150ft").classes
    steps = [round(word.up_to_delta_c / classes.rounded_to_delta_c, 9) for word in classes.words[:-1]]
    assert steps == [250.0, 500.0]
    assert [word.word for word in classes.words] == ["none", "moderate", "severe"]


def test_the_shipped_rules_hold_the_published_numbers():
    """150 ft and 50 m profiles, 98.5 less 1 by R-7 of 1 ft cells; 1 % of 1200 cells is 12 square feet."""
    feet, metres = load_rules("differential-150ft"), load_rules("differential-50m")
    assert (feet.profile.length_m, metres.profile.length_m) == (pytest.approx(45.72), 50.0)
    for rules in (feet, metres):
        pair = rules.statistic
        assert (pair.kind, pair.high_percentile, pair.low_percentile) == ("percentile_pair", 98.5, 1.0)
        assert (pair.sample, pair.percentile_method) == ("cell_mean", "R-7")
        assert [round(word.up_to_delta_c, 1) for word in rules.classes.words[:-1]] == [13.9, 27.8]
        assert rules.speed.bands_mps == pytest.approx([1.5 / 60, 3 / 60, 6 / 60, 10 / 60])
    trimmed_ft2 = (12 - 2 * feet.edge_trim.free_m / 0.3048) * feet.profile.length_m / 0.3048
    assert 0.01 * trimmed_ft2 == pytest.approx(12.0)


FORMAT = {
    "id": "x",
    "kind": "scan",
    "container": "csv",
    "title": "X",
    "columns": {"time_utc": "t"},
    "spots": "t_{n}",
}


@pytest.mark.parametrize(
    "change",
    [
        {"container": "nmea"},
        {"columns": {}},
        {"spots": "t"},
        {"spots": "{n}{n}"},
        {"time_scale": "local"},
        {"time_zone": "UTC"},
        {"decimal": ","},
        {"delimiter": ""},
        {"counter_bits": 12},
        {"temperature_unit": "F"},
        {"code": "import os"},
    ],
)
def test_a_format_that_cannot_be_read_is_refused(change):
    """A format file is data that fits together; it has no place for code."""
    LogFormat.model_validate(FORMAT)
    with pytest.raises(ValidationError):
        LogFormat.model_validate(FORMAT | change)


def test_the_schema_describes_every_key():
    """Each key of the lot file has a plain sentence, and quantities are strings with a pattern."""
    schema = config.LotFile.model_json_schema()
    for name, section in schema["$defs"].items():
        for key, value in section["properties"].items():
            assert value.get("description") or "$ref" in value, (name, key)
    thickness = schema["$defs"]["LotSection"]["properties"]["thickness"]
    jsonschema.validate("2 in", thickness)
    for bad in (2, "2", "2 degF", "2 in left"):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(bad, thickness)
    json.dumps(schema, allow_nan=False)
