"""A place on the mat, as a person with a tape names it: its readings, its cell, its profile and its zones."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from ...delivery import tell, together
from ...published import Published
from ...units import StationLabels, parse_quantity
from .profiles import profile_steps, take_sample
from .readings import cell_codes, left_out, logged, reading_rows, stretch
from .steps import Fact, Step, taken

NEAREST_M = 1.0  # a place farther from every reading was not measured
MOST_ROWS = 40


def parse_place(text: str, labels: StationLabels) -> tuple[float, float]:
    """Read `"112+40, 6.2 ft right"`: station and offset in metres, right positive looking upstation.

    Raises
    ------
    ValueError
        With the expected form; for an ambiguous label with its regions.

    >>> parse_place("1+20.5, 2 m left", StationLabels("100 m"))
    (120.5, -2.0)
    """
    station, comma, offset = text.partition(",")
    if not comma:
        like = f"{labels.text(labels.example_m)}, 6.2 ft right"
        raise ValueError(
            f'"{text[:60]}" is not a place: write a station, a comma and an offset, like "{like}"'
        )
    return labels.parse(station), parse_quantity(offset, "length", ("right", "left"))


def nearest(published: Published, station_m: float, offset_m: float, pass_id: str | None) -> pd.Series:
    """First look nearest to a place.

    Raises
    ------
    ValueError
        Nothing was measured there, or several passes were and none is chosen.
    """
    spots = published.spots[published.spots["dropped_reason"].astype(str) != "second_look"]
    if pass_id is not None:
        spots = spots[spots["pass_id"].astype(str) == pass_id]
    near = spots[(spots["station_m"] - station_m).abs() <= NEAREST_M]
    away = np.hypot(
        near["station_m"].to_numpy(float) - station_m, near["offset_m"].to_numpy(float) - offset_m
    )
    near = near.assign(away_m=away)
    near = near[near["away_m"] <= NEAREST_M]
    ids = sorted(set(near["pass_id"].astype(str)))
    if not ids:
        raise ValueError(_nothing_there(published, station_m, offset_m, pass_id))
    if len(ids) > 1:
        raise ValueError(f"the place lies in passes {' and '.join(ids)}: choose one with --pass {ids[0]}")
    return near.loc[near["away_m"].idxmin()]


def _nothing_there(published: Published, station_m: float, offset_m: float, pass_id: str | None) -> str:
    """Say what lies nowhere near a reading, and where the mat of each pass was measured."""
    frames = published.quality["mat_frames"]
    spans = []
    for item in published.frames["mat"].itertuples():
        left_m, right_m = frames[item.pass_id]["edges_offset_m"]
        spans.append(tell(
            "pass {id} {start} to {end}, offsets {left_m:+.2f} to {right_m:+.2f}", id=item.pass_id,
            start=published.labels.text(item.station_from_m), end=published.labels.text(item.station_to_m),
            left_m=left_m, right_m=right_m,
        ))  # fmt: skip
    return tell(
        "no reading{chosen} lies within {near_m:.1f} of {where}, {aside_m:.2f} {side}: the mat measured is {spans} "
        "(right of the line positive, looking upstation)",
        chosen=f" of pass {pass_id}" if pass_id is not None else "", near_m=NEAREST_M,
        where=published.labels.text(station_m), aside_m=abs(offset_m), side="right" if offset_m >= 0 else "left",
        spans=together(spans, "; ") if spans else "empty",
    )  # fmt: skip


def place_steps(
    published: Published, station_m: float, offset_m: float, pass_id: str | None
) -> tuple[Step, ...]:
    """All steps of a place: its readings, its cell among the sample, then the way of its profile."""
    found = nearest(published, station_m, offset_m, pass_id)
    own = str(found["pass_id"])
    profiles = published.frames["profiles"]
    mine = profiles[(profiles["pass_id"] == own) & (profiles["station_from_m"] <= found["station_m"] + 1e-6)]
    mine = mine[mine["station_to_m"] > found["station_m"] + 1e-6]
    steps = [_place_step(published, found, station_m, offset_m), _cell_step(published, found)]
    for _, profile in mine.iterrows():
        steps += [_rank_step(published, found, profile), *profile_steps(published, profile)]
    return (*steps, _beside_step(published, found))


def _place_step(published: Published, found: pd.Series, station_m: float, offset_m: float) -> Step:
    """The place asked for, and the first look nearest to it."""
    facts = (
        Fact("station_label", published.labels.text(station_m), "station asked for"),
        Fact("station_m", station_m, "station in metres, counted on without equations"),
        Fact("offset_m", offset_m, "offset, right positive looking upstation"),
        taken("pass_id", str(found["pass_id"]), "paver pass"),
        Fact("distance_m", float(found["away_m"]), "distance of the nearest first look"),
        taken("easting_m", float(found["easting_m"]), "its easting x the map's unit factor"),
        taken("northing_m", float(found["northing_m"]), "its northing x the map's unit factor"),
        taken(
            "sigma_along_m", float(found["sigma_along_m"]), "its sigma along travel, one standard deviation"
        ),
        taken("sigma_across_m", float(found["sigma_across_m"]), "its sigma across"),
        taken("placed", str(found["placed"]), "placed"),
        taken("laid_utc", found["laid_utc"], "laid, when the screed passed"),
        taken("look_age_s", float(found["look_age_s"]), "age of the look"),
        taken("speed_mps", float(found["speed_mps"]), "speed of the paver"),
    )
    row = reading_rows(published, found.to_frame().T)
    return Step("place", "The nearest first look, and how it got its position.", facts, row)


def _cell_step(published: Published, found: pd.Series) -> Step:
    """All readings in the statistic's cell that the nearest one lies in."""
    cell_m = published.rules["statistic"]["cell_m"]
    around = stretch(
        published, str(found["pass_id"]), found["station_m"] - 2 * cell_m, found["station_m"] + 2 * cell_m
    )
    row, col = cell_codes(published, around, cell_m)
    mine = cell_codes(published, found.to_frame().T, cell_m)
    inside = around[(row == mine[0][0]) & (col == mine[1][0])]
    kept = inside[inside["kept"]]
    facts = (
        Fact("cell_along", int(mine[1][0]), "cell along, floor((station - zero) / cell)"),
        Fact("cell_across", int(mine[0][0]), "cell across, floor(offset / cell)"),
        Fact("cell_m", cell_m, "cell"),
        Fact("reading_count", len(kept), "readings kept"),
        left_out(inside, "left out"),
        Fact(
            "cell_mean_c", kept["temp_c"].astype(float).mean() if len(kept) else np.nan, "mean of those kept"
        ),
        *logged(published, inside)[2:5],
    )
    return Step(
        "cell", "The readings that share its cell.", facts, reading_rows(published, inside.head(MOST_ROWS))
    )


def _rank_step(published: Published, found: pd.Series, profile: pd.Series) -> Step:
    """Where the cell stands in the sample of its profile."""
    readings = stretch(published, profile["pass_id"], profile["station_from_m"], profile["station_to_m"])
    sample = take_sample(published, profile["pass_id"], readings[readings["kept"]])
    row, col = (
        int(item[0])
        for item in cell_codes(published, found.to_frame().T, published.rules["statistic"]["cell_m"])
    )
    own = sample.table[(sample.table["row"] == row) & (sample.table["col"] == col)]
    facts = [
        Fact("profile_id", int(profile["profile_id"]), "profile"),
        Fact("value_count", len(sample.table), "values"),
    ]
    if len(own):
        facts += [
            Fact(
                "value_c", float(own["value_c"].iloc[0]), "coldest value of this cell in the profile's sample"
            ),
            Fact("place", int(own.index[0]), "its place in ascending order"),
        ]
    sentence = (
        "The cell's place in the sample that classes its profile."
        if len(own)
        else "No reading of the cell is kept: it does not take part in the class of its profile."
    )
    return Step("rank", sentence, tuple(facts))


def _beside_step(published: Published, found: pd.Series) -> Step:
    """Cold zones and stops at the place."""
    point = shapely.Point(float(found["easting_m"]), float(found["northing_m"]))
    rows = []
    for layer, key in (("cold_zones", "zone_id"), ("stops", "stop_id")):
        for _, item in published.frames[layer].iterrows():
            if (
                item["pass_id"] == str(found["pass_id"])
                and item.geometry is not None
                and item.geometry.covers(point)
            ):
                rows.append({"layer": layer, "number": int(item[key]), "pattern": item.get("pattern")})
    names = ", ".join(f"{item['layer']} {item['number']}" for item in rows) or "none"
    return Step(
        "layers", "Zones and stops that cover it.", (Fact("covered_by", names, "covered by"),), tuple(rows)
    )
