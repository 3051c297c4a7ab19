"""A profile's class, step by step: readings, sample, both ends of it, difference, rounding, limit, word."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ...published import Published
from .readings import cell_codes, reading_rows, reading_step, stretch
from .steps import EQUAL, Fact, Step, equal, taken

NEIGHBOURS = 3  # values shown on each side of a percentile


@dataclass(frozen=True, eq=False, slots=True)
class Sample:
    """The values a profile is judged by, ascending, with where each comes from."""

    table: pd.DataFrame  # value_c, reading_count, first_line, spot, row, col; index = rank, 1 = lowest
    reference_c: np.ndarray  # running mean beside each value, for share_below_reference

    @property
    def values(self) -> np.ndarray:
        return self.table["value_c"].to_numpy(float)


def profile_steps(published: Published, profile: pd.Series) -> tuple[Step, ...]:
    """All steps of one row of the layer of profiles."""
    readings = stretch(published, profile["pass_id"], profile["station_from_m"], profile["station_to_m"])
    sample = take_sample(published, profile["pass_id"], readings[readings["kept"]])
    steps = [_stretch_step(published, profile), reading_step(published, readings, profile)]
    steps.append(_sample_step(published, sample, profile))
    if len(sample.values):
        steps += _statistic_steps(published, sample, profile)
        steps.insert(4, _low_cell_step(published, sample, readings[readings["kept"]], steps[3]))
    return (*steps, _stability_step(profile))


def _stretch_step(published: Published, profile: pd.Series) -> Step:
    rules = published.rules
    facts = (
        Fact("profile_id", int(profile["profile_id"]), "profile"),
        taken("pass_id", profile["pass_id"], "paver pass"),
        taken("travel", profile["travel"], "travel"),
        taken("station_from_label", published.labels.text(profile["station_from_m"]), "from station"),
        taken("station_to_label", published.labels.text(profile["station_to_m"]), "to station"),
        taken("station_from_m", float(profile["station_from_m"]), "smaller station"),
        taken("station_to_m", float(profile["station_to_m"]), "larger station"),
        taken("length_m", float(profile["length_m"]), "ground length"),
        Fact("rule_id", rules["id"], "rule profile"),
        Fact("anchor", rules["profile"]["anchor"], "the grid of profiles begins at"),
    )
    return Step("stretch", "The profile takes the readings whose own station lies in it.", facts)


def take_sample(published: Published, pass_id: str, kept: pd.DataFrame) -> Sample:
    """Take the rule's sample of kept readings of one pass: means of cells, or the readings themselves."""
    statistic = published.rules["statistic"]
    row, col = cell_codes(published, kept, statistic["cell_m"])
    frame = pd.DataFrame({
        "row": row, "col": col, "line": kept["line"].to_numpy(), "spot": kept["spot"].to_numpy(),
        "temp_c": kept["temp_c"].to_numpy(float),
    })  # fmt: skip
    if statistic["sample"] == "cell_mean":
        cells = frame.groupby(["row", "col"], sort=True)
        table = cells.agg(
            value_c=("temp_c", "mean"), reading_count=("temp_c", "size"), first_line=("line", "min"),
            spot=("spot", "min"),
        ).reset_index()  # fmt: skip
    else:
        table = frame.rename(columns={"temp_c": "value_c", "line": "first_line"}).assign(reading_count=1)
    table = table.sort_values("value_c", kind="stable").reset_index(drop=True)
    table.index += 1
    return Sample(table, _reference(published, pass_id, table["col"].to_numpy()))


def _reference(published: Published, pass_id: str, col: np.ndarray) -> np.ndarray:
    """Running mean of the mat beside columns of cells; NaN where the rule does not ask for it."""
    statistic = published.rules["statistic"]
    if statistic.get("reference_window_m") is None or not len(col):
        return np.full(len(col), np.nan)
    spots = published.of_pass(pass_id)
    kept = spots[spots["kept"]]
    rows, cols = cell_codes(published, kept, statistic["cell_m"])
    cells = pd.Series(kept["temp_c"].to_numpy(float)).groupby([cols, rows]).mean()
    level = cells.groupby(level=0).mean()
    level = level.reindex(range(int(level.index.min()), int(level.index.max()) + 1))
    window = max(1, round(statistic["reference_window_m"] / statistic["cell_m"]))
    return level.rolling(window, center=True, min_periods=1).mean().reindex(col).to_numpy()


def _sample_step(published: Published, sample: Sample, profile: pd.Series) -> Step:
    """The values that are judged, and what the layer says of them."""
    statistic, values = published.rules["statistic"], sample.values
    number = len(values)
    facts = [
        Fact("sample", statistic["sample"], "sample"),
        Fact("cell_m", statistic["cell_m"], "cell"),
        Fact("frame_zero_m", published.zero_m(profile["pass_id"]), "station of the frame's zero"),
        Fact("value_count", number, "values"),
        equal("mean_c", values.mean() if number else np.nan, profile["mean_c"], "mean of the sample"),
        equal(
            "sd_delta_c",
            values.std(ddof=1) if number > 1 else np.nan,
            profile["sd_delta_c"],
            "standard deviation",
        ),
        taken(
            "coverage_frac",
            float(profile["coverage_frac"]),
            "cells in scope with a kept reading",
        ),
        Fact(
            "minimum_coverage_frac",
            published.rules["profile"]["minimum_coverage_frac"],
            "least coverage to class",
        ),
    ]
    sentence = (
        "The sample holds the mean of each cell, floor((station - zero) / cell), floor(offset / cell), that has a "
        "kept reading."
        if statistic["sample"] == "cell_mean"
        else "The sample holds the kept readings themselves."
    )
    return Step("sample", sentence, tuple(facts))


def _statistic_steps(published: Published, sample: Sample, profile: pd.Series) -> list[Step]:
    """Both ends of the sample or its share below the reference, then the class."""
    statistic = published.rules["statistic"]
    if statistic["kind"] == "share_below_reference":
        return _share_steps(published, sample, profile)
    low = _end_step(published, sample, "low", profile["low_c"])
    high = _end_step(published, sample, "high", profile["high_c"])
    ends = [step.facts[-1].value for step in (low, high)]
    difference = ends[1] - ends[0]
    facts = (
        Fact("high_c", ends[1], "high end"),
        Fact("low_c", ends[0], "low end"),
        equal(
            "differential_delta_c", difference, profile["differential_delta_c"], "temperature differential"
        ),
    )
    step = Step("differential", "The differential is the high end less the low end.", facts)
    return [low, high, step, _class_step(published, difference, profile)]


def _end_step(published: Published, sample: Sample, end: str, stated: float) -> Step:
    """One end of the sample: a percentile with the values it lies between, an extreme, or the target."""
    statistic, values = published.rules["statistic"], sample.values
    if end == "high" and statistic["kind"] == "below_target":
        target_c = published.config["lot"]["laydown_target_c"]
        return Step(end, "The high end is the lot's laydown target.", (
            equal("high_c", target_c, stated, "laydown target"),
        ))  # fmt: skip
    percent, method = (0.0 if end == "low" else 100.0), "R-7"
    if statistic["kind"] != "max_minus_min":
        percent, method = statistic[f"{end}_percentile"], statistic["percentile_method"]
    number = len(values)
    place = _percentile_place(percent, number, method)
    below = math.floor(place)
    above = min(below + 1, number)
    value = values[below - 1] + (place - below) * (values[above - 1] - values[below - 1])
    formula = (
        f"{percent:g} / 100 x ({number} + 1)"
        if method == "R-6"
        else f"1 + {percent:g} / 100 x ({number} - 1)"
    )
    facts = (
        Fact("percentile", percent, "percentile"),
        Fact("percentile_method", method, "method, by its number in Hyndman and Fan 1996"),
        Fact("value_count", number, "values"),
        Fact("place", place, f"place in ascending order, {formula}, kept within 1 .. {number}"),
        Fact("below_c", values[below - 1], f"value at place {below}"),
        Fact("above_c", values[above - 1], f"value at place {above}"),
        Fact("part_frac", place - below, "part of the way between them"),
        equal(f"{end}_c", value, stated, f"{end} end of the sample"),
    )
    sentence = f"The {end} end of the sample, interpolated between the two values beside its place."
    return Step(end, sentence, facts, _around(published, sample, below))


def _low_cell_step(published: Published, sample: Sample, kept: pd.DataFrame, low: Step) -> Step:
    """The kept readings behind the value at the low end: from there the way leads to file and row."""
    place = next((int(fact.value) for fact in low.facts if fact.key == "place"), 1)
    value = sample.table.loc[place]
    row, col = cell_codes(published, kept, published.rules["statistic"]["cell_m"])
    inside = kept[(row == value["row"]) & (col == value["col"])]
    if published.rules["statistic"]["sample"] == "reading":
        inside = inside[(inside["line"] == value["first_line"]) & (inside["spot"] == value["spot"])]
    facts = (
        Fact("place", place, "place in ascending order"),
        Fact("value_c", float(value["value_c"]), "mean of its readings"),
    )
    sentence = "The readings behind the value just below the low end."
    return Step("low value", sentence, facts, reading_rows(published, inside))


def _percentile_place(percent: float, number: int, method: str) -> float:
    """Place of a percentile among `number` values in ascending order, 1 = lowest."""
    place = percent * (number + 1) / 100 if method == "R-6" else 1 + percent * (number - 1) / 100
    return min(max(place, 1.0), float(number))


def _around(published: Published, sample: Sample, place: int) -> tuple[dict[str, Any], ...]:
    """Values of the sample around a place, each with its cell and where its first reading was logged."""
    cell_m = published.rules["statistic"]["cell_m"]
    shown = sample.table.loc[max(place - NEIGHBOURS + 1, 1) : place + NEIGHBOURS]
    rows = []
    for rank, item in shown.iterrows():
        file, row = published.scan_row(int(item["first_line"]))
        rows.append({
            "place": int(rank), "value_c": float(item["value_c"]), "reading_count": int(item["reading_count"]),
            "cell_along": int(item["col"]), "cell_across": int(item["row"]),
            "offset_from_m": float(item["row"]) * cell_m, "file": file, "row": row, "spot": int(item["spot"]),
        })  # fmt: skip
    return tuple(rows)


def _share_steps(published: Published, sample: Sample, profile: pd.Series) -> list[Step]:
    statistic = published.rules["statistic"]
    cold = sample.values < statistic["reference_frac"] * sample.reference_c
    share = float(cold.mean())
    facts = (
        Fact("reference_frac", statistic["reference_frac"], "part of the running mean, in degC"),
        Fact("reference_window_m", statistic["reference_window_m"], "length of the running mean"),
        Fact("cold_count", int(cold.sum()), "values below it"),
        Fact("value_count", len(cold), "values"),
        equal("share_cold_frac", share, profile["share_cold_frac"], "share of the mat below it"),
    )
    step = Step("share", "The share of the sample colder than the stated part of the running mean.", facts)
    return [step, _class_step(published, share, profile)]


def _class_step(published: Published, amount: float, profile: pd.Series) -> Step:
    """Rounding, limits in order, and the word; `insufficient` where coverage is."""
    classes = published.rules["classes"]
    is_share = classes["rounded_to_frac"] is not None
    ending = "frac" if is_share else "delta_c"
    step = classes[f"rounded_to_{ending}"]
    steps = math.floor(amount / step + 0.5 + EQUAL)
    limits = [word[f"up_to_{ending}"] for word in classes["words"]]
    rank = next(k for k, limit in enumerate(limits) if limit is None or steps <= limit / step + EQUAL)
    word = classes["words"][rank]["word"]
    if profile["coverage_frac"] < published.rules["profile"]["minimum_coverage_frac"]:
        word = "insufficient"
    facts = [
        Fact(f"rounded_to_{ending}", step, "rounded to, half up, before it is compared"),
        Fact(f"rounded_{ending}", steps * step, "rounded"),
        equal("profile_class", word, profile["profile_class"], "class"),
    ]
    if word != "insufficient" and not is_share:
        margin = min(abs(amount - limit) for limit in limits[:-1])
        accuracy = classes["instrument_accuracy_delta_c"]
        facts += [
            equal("margin_delta_c", margin, profile["margin_delta_c"], "distance from the nearest limit"),
            Fact("instrument_accuracy_delta_c", accuracy, "instrument's accuracy"),
            equal(
                "borderline", margin <= accuracy, bool(profile["borderline"]), "margin inside that accuracy"
            ),
        ]
    rows = tuple(
        {"class": item["word"], f"up_to_{ending}": limit}
        for item, limit in zip(classes["words"], limits, strict=True)
    )
    return Step("class", "The first class whose limit, itself included, is not exceeded.", tuple(facts), rows)


def _stability_step(profile: pd.Series) -> Step:
    facts = (
        taken(
            "class_agree_frac",
            _number(profile["class_agree_frac"]),
            "same class on neighbouring placements of the grid",
        ),
        taken("stop_count", int(profile["stop_count"]), "stops within"),
        taken("stop_time_s", float(profile["stop_time_s"]), "time standing"),
        taken("speed_mean_mps", _number(profile["speed_mean_mps"]), "mean speed while moving"),
    )
    return Step("around it", "What the layer says beside the class.", facts)


def _number(value: Any) -> float:
    return float(value) if pd.notna(value) else np.nan
