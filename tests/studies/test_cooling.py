"""How long a mat stays warm: intervals, weather that is read or stated and never invented, and where it is told."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import builders
from command_line import thermosaic as command
from thermosaic import beside
from thermosaic.delivery import in_units
from thermosaic.errors import ConfigError
from thermosaic.kernels.cooling import Cases, film_w_m2k, time_to
from thermosaic.opening import load_config
from thermosaic.results import explain_result, open_result, published_result, tell
from thermosaic.run import run_lot
from thermosaic.studies.cooling import (
    CESSATION_C,
    Conditions,
    Moment,
    Part,
    assumptions,
    available,
    conditions_of,
    minutes,
    parse_weather,
    tell_parts,
)
from thermosaic.studies.cooling.conditions import clouds_of
from thermosaic.studies.cooling.estimate import KNOTS, TIMES, cases_of
from thermosaic.studies.cooling.spread import DRAWS, RANGES, draw

NOON = np.datetime64("2026-05-14T18:00:00", "ns")
CALM = (18.0, 3.0, "clear")
WEATHER = "time_utc,air_c,wind_mps,sky\n2026-05-14T13:15:00Z,11.0,2.0,clear\n2026-05-14T13:30:00Z,12.0,4.0,overcast\n"


def conditions(thickness_m: float = 0.05, **changes: object) -> Conditions:
    """Give noon's weather: 18 degC, 3 m/s, clear, the sun 60 deg up."""
    moment = replace(Moment(NOON, 18.0, 3.0, "clear", 60.0), **changes)
    return Conditions((moment,), True, thickness_m, None, CESSATION_C)


def middle_min(given: Conditions, laid_c: float = 145.0) -> np.ndarray:
    """Low, middle and high of the mean through the mat, minutes."""
    found = available(given, np.array([laid_c]), np.array([NOON]))
    return np.array([found[name][0] for name in TIMES[:3]]) / 60


@pytest.mark.parametrize(
    "slower",
    [{"thickness_m": 0.06}, {"air_c": 28.0}, {"wind_mps": 0.0}],
)
def test_thicker_warmer_calmer_is_slower(slower):
    """A thicker mat, warmer air or less wind: low end, middle and high end of the interval all later."""
    assert (middle_min(conditions(**slower)) > middle_min(conditions())).all()


def test_sun_and_heat_as_laid_make_it_slower():
    """Sun at 60 deg against night, 155 degC against 145, a lower temperature to fall to: all later."""
    night = conditions(sun_up_deg=-5.0)
    assert (middle_min(conditions()) > middle_min(night)).all()
    assert (middle_min(night, 155.0) > middle_min(night)).all()
    assert (middle_min(replace(night, cessation_c=70.0)) > middle_min(night)).all()


def test_interval_holds_the_best_known_numbers():
    """With k 1.21 W/(m K), 140 lb/ft3, 0.22 Btu/(lb degF), emissivity 0.95 the time lies inside.

    Corlew and Dickson 1968, from memory. The mat laid 3 degC above its reading, base as the air, is solved alone.
    """
    heat = 140 * 16.018463 * 0.22 * 4186.8
    single = Cases(**{
        name: np.array([value])
        for name, value in {
            "thickness_m": 0.05, "mat_w_mk": 1.21, "mat_j_m3k": heat, "base_w_mk": 2.2, "base_j_m3k": 1.5e6,
            "laid_c": 148.0, "base_c": 18.0, "air_c": 18.0, "sky_c": 8.0, "film_w_m2k": float(film_w_m2k(3.0)),
            "emissivity": 0.95, "sun_w_m2": 0.9 * 850,
        }.items()
    })  # fmt: skip
    low, _, high = middle_min(conditions())
    assert low < time_to(single, CESSATION_C, 4 * 3600)[0][0] / 60 < high


def test_interval_is_of_the_draws():
    """8 of 10 draws lie in the interval, 0.75 to 0.85 of those solved one by one; the middle is their median."""
    given = conditions()
    solved = (
        time_to(cases_of(given, given.moments[0], np.array([145.0]), draw()), CESSATION_C, 4 * 3600)[0] / 60
    )
    low, middle, high = middle_min(given)
    assert 0.75 <= np.mean((solved >= low) & (solved <= high)) <= 0.85
    assert middle == pytest.approx(np.median(solved), rel=0.02)


def test_draws_cover_every_range_evenly():
    """Each range is parted into as many strips as there are draws, one draw in each (McKay and others 1979)."""
    found = draw()
    for name, span in RANGES.items():
        strips = np.floor((found[name] - span.low) / (span.high - span.low) * DRAWS - 1e-9)
        assert sorted(strips.astype(int)) == list(range(DRAWS)), name
    assert np.corrcoef(found["base_w_mk"], found["base_mm2_s"])[0, 1] > 0.999  # drawn alike


def test_many_temperatures_are_interpolated_closely():
    """More temperatures than are solved for: times within 1 % of those solved for alone."""
    given, laid = conditions(), np.linspace(100.0, 160.0, 4 * KNOTS)
    together = available(given, laid, np.full(len(laid), NOON))["mean_s"]
    alone = [available(given, laid[k : k + 1], np.array([NOON]))["mean_s"][0] for k in (1, 9, 20)]
    assert together[[1, 9, 20]] == pytest.approx(alone, rel=0.01)


def test_weather_is_that_of_the_hour_or_none():
    """A reading an hour old at most is used, the nearest; older mat has no time, and a mat laid cold takes none."""
    given = replace(conditions(), moments=(
        Moment(NOON, 18.0, 3.0, "", 60.0), Moment(NOON + np.timedelta64(30, "m"), 25.0, 0.5, "", 60.0)))  # fmt: skip
    times = NOON + np.array([0, 29, 91, -60], "m8[m]")
    found = available(given, np.array([140.0, 140.0, 140.0, 60.0]), times)
    assert found["moment"].tolist() == [0, 1, -1, 0]
    assert found["mean_s"][1] > found["mean_s"][0]
    assert np.isnan(found["mean_s"][2])
    assert found["mean_s"][3] == 0


@pytest.mark.parametrize(
    ("text", "found"),
    [("64.4 degF, 10 mph, few clouds", (18.0, 4.4704, "few clouds")), ("18 degC, 3 m/s", (18.0, 3.0, ""))],
)
def test_weather_in_words(text, found):
    """Air, wind and sky with their units; a mile an hour is 0.44704 m/s."""
    assert parse_weather(text)[:2] == pytest.approx(found[:2])
    assert parse_weather(text)[2] == found[2]


@pytest.mark.parametrize(
    "text", ["18 degC", "18, 3 m/s", "18 degC, 3", "200 degC, 3 m/s", "18 degC, 3 m/s, clear, dry"]
)
def test_weather_that_cannot_be_read(text):
    """Too few parts or too many, no unit, or air that no air is: refused."""
    with pytest.raises(ValueError, match=r"weather|unit|expected"):
        parse_weather(text)


def test_a_sky_that_is_not_known_may_be_any():
    """No word, or one that says nothing, allows any cloud; an overcast sky none but all."""
    assert clouds_of("") == clouds_of("pretty") == (0.0, 1.0)
    assert clouds_of("OVERCAST") == (1.0, 1.0)


def test_minutes_are_told_outward():
    """An interval in whole minutes holds the one in seconds."""
    assert minutes(119.0, 601.0) == "1 to 11 min"
    assert minutes(np.inf, np.inf) == "over 4 h"


def test_a_sentence_with_its_caution():
    """Two parts with their minutes, what they were reckoned under, and what it is not; in the reader's units."""
    parts = (Part("zone", "the zone", 114.4, NOON), Part("around", "the mat around it", 132.8, NOON))
    told = tell_parts(conditions(), parts, "America/Boise")
    text = in_units(told.sentence, "us", 0.3048)
    assert "the zone, laid at 238 degF: " in text
    assert "the mat around it, laid at 271 degF: " in text
    assert "air 64 degF, wind 7 mph, clear, as stated" in text
    assert text.endswith("not of what compaction needs.")
    assert tell_parts(replace(conditions(), moments=()), parts, "UTC") is None


def test_every_range_has_a_source_and_a_standing():
    """What an interval stands on is printed with where it comes from; a base stated or not has its own range."""
    texts = assumptions(conditions())
    assert len(texts) == len(RANGES) - 1
    assert all(text.endswith(")") and ";" in text for text in texts)
    assert any("where it is not stated" in text for text in texts)
    assert any("against what is stated" in text for text in assumptions(replace(conditions(), base_c=20.0)))


# ------------------------------------------------------------------------------------------ on a result


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Give the session's lot with and without a weather file, published."""
    made = {}
    for name in ("read", "silent"):
        lot = builders.write_lot(tmp_path_factory.mktemp(name) / "lot", builders.bend_and_stop_lot())
        if name == "read":
            (lot / "weather.csv").write_text(WEATHER)
            text = (lot / "lot.toml").read_text().replace("[files]", '[files]\nweather = "weather.csv"', 1)
            (lot / "lot.toml").write_text(text)
        made[name] = lot.parent / "result"
        run_lot(load_config(lot), made[name], report=False)
    return made


def test_quality_holds_all_weather_near_the_shift(folders):
    """Every reading within an hour of the shift is in quality.json, as it was read; none where none was."""
    held = open_result(folders["read"]).quality["weather_readings"]
    found = [(item["air_c"], item["wind_mps"], item["sky"]) for item in held]
    assert found == [(11.0, 2.0, "clear"), (12.0, 4.0, "overcast")]
    assert open_result(folders["silent"]).quality["weather_readings"] == []


def test_profiles_and_zones_of_a_result(folders):
    """Three laid temperatures a profile, two a zone, as the layers have them; the colder part has less time."""
    found = beside.cooling(folders["read"])
    published = published_result(folders["read"])[1]
    profiles, zones = published.frames["profiles"], published.frames["cold_zones"]
    assert len(found.profiles) == 3 * len(profiles)
    assert len(found.zones) == 2 * len(zones) > 0
    means = found.profiles[found.profiles["part"] == "mean"]
    assert means["laid_c"].to_numpy() == pytest.approx(profiles["mean_c"].to_numpy())
    for _, pair in found.zones.groupby("number"):
        times = pair.set_index("part")["mean_s"]
        assert times["zone"] < times["around"]
    assert (means["mean_low_s"] < means["mean_s"]).all()
    assert (means["mean_s"] < means["middle_s"]).all()  # the middle of a mat holds longest
    assert found.untold == 0


def test_nothing_is_invented(folders, tmp_path):
    """A lot without weather is refused with what to do; stated weather serves, the whole lot through."""
    with pytest.raises(
        ConfigError, match=r"holds no weather .* nothing is invented: state it, like --weather"
    ):
        beside.cooling(folders["silent"])
    found = beside.cooling(folders["silent"], weather=CALM)
    assert found.conditions.is_stated
    assert found.profiles["mean_s"].notna().all()
    assert not [step for step in explain_result(folders["silent"], zone=1).steps if step.name == "cooling"]
    done = command("plot", folders["silent"], "--what", "cooling", "-o", tmp_path / "c.png")
    assert done.returncode == 2
    assert not (tmp_path / "c.png").exists()


def test_a_stated_weather_holds_through_a_long_day(folders):
    """Mat laid ten hours apart has the stated weather, each with its own sun."""
    published = published_result(folders["silent"])[1]
    mats = published.frames["mat"]
    late = mats.assign(laid_to_utc=mats["laid_from_utc"] + pd.Timedelta(hours=10))
    given = conditions_of(replace(published, frames={**published.frames, "mat": late}), CALM)
    first = np.datetime64(mats["laid_from_utc"].min().tz_convert(None), "ns")
    times = first + np.arange(0, 601, 25).astype("m8[m]")
    assert (given.moment_of(times) >= 0).all()
    assert len({round(item.sun_up_deg) for item in given.moments}) > 5


@pytest.mark.parametrize("asked", [{"zone": 1}, {"profile": 1}, {"at": "10+60, 1.9 m right"}])
def test_explain_tells_it(folders, asked):
    """Zone, profile and place say laid temperature, minutes and weather; every number of the product is still equal."""
    found = explain_result(folders["read"], **asked)
    step = next(step for step in found.steps if step.name == "cooling")
    assert "Estimated time until the mean through the mat is 79 degC" in step.sentence
    assert (
        "wind 2 m/s, clear, read at 13:15" in step.sentence
        or "wind 4 m/s, overcast, read at 13:30" in step.sentence
    )
    assert found.differences == ()
    json.dumps(found.as_dict(), allow_nan=False)
    assert "wind" in tell(found, folders["read"])


def test_the_sheet_says_what_the_study_found(folders, tmp_path):
    """The picture is the same each time, of png and svg; every profile's and zone's number stands on it."""
    for ending in ("png", "svg"):
        first, second = (beside.plot_cooling(folders["read"], tmp_path / f"{n}.{ending}") for n in "ab")
        assert first.read_bytes() == second.read_bytes()
    text = (tmp_path / "a.svg").read_text()
    for number in beside.cooling(folders["read"]).zones["number"].unique():
        assert f">{number}<" in text
    assert "not of what compaction needs" in text
    assert "a rule of thumb" in text
    with pytest.raises(ConfigError, match=r"\.png or \.svg"):
        beside.plot_cooling(folders["read"], tmp_path / "a.jpg")


def test_the_command(folders, tmp_path):
    """`plot --what cooling` takes weather, base and the temperature to fall to, and names what it cannot read."""
    done = command(
        "plot", folders["silent"], "--what", "cooling", "-o", tmp_path / "c.svg", "--weather", "64 degF, 7 mph, clear",
        "--base", "70 degF", "--cessation", "190 degF",
    )  # fmt: skip
    assert done.returncode == 0
    assert "as stated" in (tmp_path / "c.svg").read_text()
    for words, message in (
        (("--what", "cooling", "--weather", "64"), "--weather"),
        (("--what", "cooling", "--base", "70"), "--base"),
        (("--what", "strip", "--weather", "64 degF, 7 mph"), "--weather: is for --what cooling"),
    ):
        done = command("plot", folders["silent"], *words, "-o", tmp_path / "d.png")
        assert (done.returncode, message in done.stderr) == (2, True)


def test_an_older_result_has_three_readings(folders, tmp_path):
    """A result whose quality.json has the weather of start, middle and end only is told by these."""
    old = tmp_path / "old"
    shutil.copytree(folders["read"], old)
    quality = json.loads((old / "quality.json").read_text())
    del quality["weather_readings"]
    (old / "quality.json").write_text(json.dumps(quality))
    assert beside.cooling(old).untold == 0
