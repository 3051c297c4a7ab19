"""From file and row to a place on the mat: the logged readings that something stands on."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from ...published import Published
from .steps import Fact, Logged, Step, equal

EDGE_M = 1e-6  # a reading on a profile's lower end belongs to it


def stretch(published: Published, pass_id: str, from_m: float, to_m: float) -> pd.DataFrame:
    """All published readings of a pass in [from, to) of its stations."""
    spots = published.of_pass(pass_id)
    station_m = spots["station_m"]
    return spots[(station_m >= from_m - EDGE_M) & (station_m < to_m - EDGE_M)]


def cell_codes(published: Published, readings: pd.DataFrame, cell_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Row and column of the mat frame's cell of each reading of one pass, counted from the frame's zero."""
    if readings.empty:
        return np.empty(0, int), np.empty(0, int)
    zero_m = published.zero_m(str(readings["pass_id"].iloc[0]))
    frame_m = np.round(readings["station_m"].to_numpy(float) - zero_m, 6)
    row = np.floor(readings["offset_m"].to_numpy(float) / cell_m).astype(int)
    return row, np.floor(frame_m / cell_m).astype(int)


def reasons(readings: pd.DataFrame) -> dict[str, int]:
    """Count of readings left out by reason, most first."""
    counts = readings.loc[~readings["kept"], "dropped_reason"].astype(str).value_counts()
    return {reason: int(number) for reason, number in counts.items() if number}


def left_out(readings: pd.DataFrame, meaning: str) -> Fact:
    """Say how many readings were left out, by reason."""
    text = ", ".join(f"{number} {reason}" for reason, number in reasons(readings).items())
    return Fact("dropped", text or "none", meaning)


def reading_step(published: Published, readings: pd.DataFrame, stated: dict[str, Any]) -> Step:
    """Count the readings of a stretch, kept and left out, and say where in the logs they stand."""
    kept = readings[readings["kept"]]
    dropped = reasons(readings)
    facts = [
        equal("reading_count", len(kept), stated["reading_count"], "readings kept"),
        equal("dropped_count", len(readings) - len(kept), stated["dropped_count"], "readings left out"),
        equal(
            "dropped_low_count", dropped.get("too_cold", 0), stated["dropped_low_count"], "of these too cold"
        ),
    ]
    rows = tuple({"dropped_reason": reason, "reading_count": number} for reason, number in dropped.items())
    sentence = "Every logged reading on the mat in the stretch is kept, or left out for the first reason that applies."
    return Step("readings", sentence, (*facts, *logged(published, readings)), rows)


def logged(published: Published, readings: pd.DataFrame) -> tuple[Fact, ...]:
    """Where in the scan log readings stand, when they were seen and how they got their positions."""
    if readings.empty:
        return ()
    lines = int(readings["line"].min()), int(readings["line"].max())
    (first_file, first), (last_file, last) = (published.scan_row(line) for line in lines)
    span = f"{first} to {last}" if first_file == last_file else f"{first} to {last_file} row {last}"
    placed = readings.drop_duplicates("line")["placed"].astype(str).value_counts()
    ways = ", ".join(
        f"{number} by {'the wheel' if way == 'by_wheel' else 'fixes'}" for way, number in placed.items()
    )
    return (
        Fact("first_line", lines[0], "first line, counted over all scan files"),
        Fact("last_line", lines[1], "last line"),
        Fact("scan_rows", f"{first_file} row {span}", "data rows of the scan log, 1 = first"),
        Fact("seen_from_utc", readings["seen_utc"].min(), "seen from"),
        Fact("seen_to_utc", readings["seen_utc"].max(), "seen to"),
        Fact("placed", ways, "lines placed"),
        Fact("position_sigma_p50_m", float(readings["position_sigma_m"].median()), "position sigma, median"),
    )


def looked_at(steps: tuple[Step, ...]) -> tuple[Logged, ...]:
    """Readings that the tables of steps show one by one, each once, in the order of the log."""
    shown = [row for step in steps for row in step.rows if "verdict" in row]
    found = {
        (row["line"], row["spot"]): Logged(row["line"], row["spot"], row["seen_utc"], row["temp_c"])
        for row in shown
    }
    return tuple(found[key] for key in sorted(found))


def reading_rows(published: Published, readings: pd.DataFrame) -> tuple[dict[str, Any], ...]:
    """Readings as rows of a table: from file and row to position and verdict."""
    found = []
    for item in readings.itertuples():
        file, row = published.scan_row(int(item.line))
        found.append({
            "line": int(item.line), "file": file, "row": row, "spot": int(item.spot), "seen_utc": item.seen_utc,
            "station_label": published.labels.text(float(item.station_m)), "offset_m": float(item.offset_m),
            "easting_m": float(item.easting_m), "northing_m": float(item.northing_m),
            "position_sigma_m": float(item.position_sigma_m), "placed": str(item.placed),
            "temp_c": float(item.temp_c), "verdict": "kept" if item.kept else str(item.dropped_reason),
        })  # fmt: skip
    return tuple(found)
