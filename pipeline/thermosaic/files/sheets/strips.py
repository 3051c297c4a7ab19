"""Strip sheets: the lot as a road plan sheet, ten profiles a row, stations to the right, left edge on top.

A row holds, from top to bottom: profiles with class and differential, the station scale, the mat with zones,
stops and unmeasured stretches, and the paver's speed as the width of a grey ribbon.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from .look import (
    INK,
    PAPER,
    RIBBON,
    SOFT,
    STOP,
    ZONE,
    bare,
    class_face,
    north_arrow,
    outlines,
    picture,
    ramp_bar,
)
from .lot_sheet import LotSheet, MatPicture
from .measures import NOTHING, duration

PROFILES_A_ROW, LEAST_PROFILES = 10, 4
HAND_M = 0.1  # a width that varies by less has one number
OUTLINE_M = 0.06  # corners of zones nearer to their outline are left out
WIDTH_IN, LEFT_IN, RIGHT_IN = 11.0, 0.88, 0.6
ROW_IN, LEGEND_IN = 2.78, 1.0
LINES_IN = WIDTH_IN - LEFT_IN - RIGHT_IN

Placing = Callable[[Any], Any]  # station in metres to inches from the left


@dataclass(frozen=True, eq=False, slots=True)
class Row:
    """Ten profiles of one pass, in the order of paving; stations of both ends of the drawn line."""

    number: int
    pass_id: str
    profiles: pd.DataFrame
    station_from_m: float
    station_to_m: float
    length_m: float  # that fills the width
    before: int | None  # row that joins at the left
    after: int | None  # row that joins at the right

    def holds(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Features of this pass that reach into the row."""
        inside = (frame["station_to_m"] >= self.station_from_m) & (
            frame["station_from_m"] <= self.station_to_m
        )
        return frame[inside & (frame["pass_id"] == self.pass_id)]


def rows_of(sheet: LotSheet) -> list[Row]:
    """Cut the lot into rows."""
    rows: list[Row] = []
    profiles = sheet.frames["profiles"]
    for pass_id in sheet.pass_ids:
        own = profiles[(profiles["pass_id"] == pass_id) & profiles["station_from_m"].notna()]
        chunks = [own.iloc[i : i + PROFILES_A_ROW] for i in range(0, len(own), PROFILES_A_ROW)]
        upstation = len(own) == 0 or own["travel"].iloc[0] == "upstation"
        longest = max((_span(chunk) for chunk in chunks), default=0.0)
        least = PROFILES_A_ROW if len(chunks) > 1 else LEAST_PROFILES
        length = max(longest, least * sheet.config["rules"]["profile"]["length_m"])
        for i, chunk in enumerate(chunks):
            number = len(rows) + 1
            earlier = number - 1 if i > 0 else None
            later = number + 1 if i + 1 < len(chunks) else None
            before, after = (earlier, later) if upstation else (later, earlier)
            low, high = float(chunk["station_from_m"].min()), float(chunk["station_to_m"].max())
            rows.append(Row(number, pass_id, chunk, low, high, length, before, after))
    return rows


def _span(profiles: pd.DataFrame) -> float:
    return float(profiles["station_to_m"].max() - profiles["station_from_m"].min())


def along_sheet(row: Row) -> Placing:
    """Give the way from a station to inches from the left."""
    scale = LINES_IN / row.length_m
    return lambda station_m: LEFT_IN + (station_m - row.station_from_m) * scale


def across_sheet(sheet: LotSheet, row: Row) -> Placing | None:
    """Give the way from an offset to inches from the bottom of a row; None where no mat is drawn."""
    mat = next((mat for mat in sheet.mats if mat.pass_id == row.pass_id), None)
    return None if mat is None else lambda offset_m: _across(mat, offset_m)


def draw_row(figure: Figure, top_in: float, sheet: LotSheet, row: Row) -> Axes:
    """Draw one row with its upper edge `top_in` below the figure's; give its axes, in inches."""
    axes = inch_axes(figure, top_in, ROW_IN)
    at = along_sheet(row)
    _title(axes, sheet, row)
    _profiles(axes, sheet, row, at)
    _stations(axes, sheet, row, at)
    _mat(axes, sheet, row, at)
    _zones(axes, sheet, row, at)
    _stops(axes, sheet, row, at)
    _unmeasured(axes, sheet, row, at)
    _speed(axes, sheet, row, at)
    _match_lines(axes, sheet, row, at)
    spine = sheet.spines.get(row.pass_id)
    if spine is not None:
        middle = (row.station_from_m + row.station_to_m) / 2
        north_arrow(
            axes, WIDTH_IN - RIGHT_IN / 2 + 0.04, TITLE_IN - 0.26, 0.4, 90 - spine.azimuth_deg(middle)
        )
    return axes


# inches from the bottom of a row: lower and upper edge of each band
FARTHEST_CALL_IN = 0.42
SPEED_IN = (0.14, 0.6)
CALLS_IN = (0.66, 0.98)
MAT_IN = (1.05, 1.72)
RULER_IN = 1.74
PROFILE_IN = (2.06, 2.36)
TITLE_IN = 2.57


def inch_axes(figure: Figure, top_in: float, height_in: float) -> Axes:
    """Axes in inches over the whole width."""
    high = figure.get_figheight()
    axes = bare(figure.add_axes((0, 1 - (top_in + height_in) / high, 1, height_in / high)))
    axes.set_xlim(0, WIDTH_IN)
    axes.set_ylim(0, height_in)
    return axes


def _title(axes: Axes, sheet: LotSheet, row: Row) -> None:
    ids = row.profiles["profile_id"]
    words = (
        f"Sheet {row.number}: profiles {ids.min()} to {ids.max()}"
        if len(ids) > 1
        else (f"Sheet {row.number}: profile {ids.min()}")
    )
    axes.text(LEFT_IN, TITLE_IN, words, fontsize=8.5, fontweight="bold", va="center")
    lane = row.profiles["lane"].iloc[0]
    travel = row.profiles["travel"].iloc[0] or ""
    arrow = "\N{RIGHTWARDS ARROW}" if travel == "upstation" else "\N{LEFTWARDS ARROW}"
    several = f"pass {row.pass_id}, " if len(sheet.pass_ids) > 1 else ""
    axes.text(
        LEFT_IN + 2.3,
        TITLE_IN,
        f"{several}lane {lane}, paver travels {travel} {arrow}",
        va="center",
        color=SOFT,
    )


def _profiles(axes: Axes, sheet: LotSheet, row: Row, at: Placing) -> None:
    low, high = PROFILE_IN
    words = len(sheet.class_words)
    _margin(axes, (low + high) / 2, "profiles")
    for _, profile in row.profiles.iterrows():
        left, right = at(profile["station_from_m"]), at(profile["station_to_m"])
        colour, hatch = class_face(profile["class_rank"], words)
        axes.add_patch(Rectangle((left, low), right - left, high - low, facecolor=colour, hatch=hatch,
                                 edgecolor=INK, linewidth=0.5))  # fmt: skip
        number = sheet.measures.bare(profile["differential_delta_c"], "delta")
        known = f"\N{GREEK CAPITAL LETTER DELTA} {number}" if pd.notna(profile["class_rank"]) else NOTHING
        text = f"{profile['profile_id']}: {known}"
        box = {"facecolor": PAPER, "edgecolor": "none", "boxstyle": "round,pad=0.25", "alpha": 0.92}
        place = ((left + right) / 2, (low + high) / 2)
        axes.text(*place, text, ha="center", va="center", fontsize=7.5, bbox=box)


def _stations(axes: Axes, sheet: LotSheet, row: Row, at: Placing) -> None:
    labels = sheet.measures.labels
    axes.plot([at(row.station_from_m), at(row.station_to_m)], [RULER_IN] * 2, color=INK, linewidth=0.8)
    for station_m in labels.whole_stations(row.station_from_m, row.station_to_m, labels.tick_m):
        x = at(station_m)
        axes.plot([x, x], [RULER_IN, RULER_IN + 0.09], color=INK, linewidth=0.8)
        text = labels.whole_text(station_m)
        axes.text(x, RULER_IN + 0.12, text, ha="center", va="bottom", fontsize=7)


def _mat(axes: Axes, sheet: LotSheet, row: Row, at: Placing) -> None:
    mat = next((mat for mat in sheet.mats if mat.pass_id == row.pass_id), None)
    if mat is None:
        return
    low, high = MAT_IN
    first = max(int((row.station_from_m - mat.station_from_m) / mat.cell_m), 0)
    last = min(int(np.ceil((row.station_to_m - mat.station_from_m) / mat.cell_m)), mat.temp_c.shape[1])
    if last > first:
        extent = (
            at(mat.station_from_m + first * mat.cell_m),
            at(mat.station_from_m + last * mat.cell_m),
            low,
            high,
        )
        axes.imshow(picture(mat.temp_c[:, first:last], sheet.ramp, sheet.measures), extent=extent, aspect="auto",
                    interpolation="none", zorder=1)  # fmt: skip
    _margin(axes, high - 0.05, "left edge", size=6.5)
    _margin(axes, (low + high) / 2, width_words(sheet, row))
    _margin(axes, low + 0.05, "right edge", size=6.5)
    _restore(axes)


def width_words(sheet: LotSheet, row: Row) -> str:
    """Width of the mat on a row, from and to where its profiles differ in it by a hand's breadth."""
    width_m, to = row.profiles["width_mean_m"], sheet.measures
    low, high = float(width_m.min()), float(width_m.max())
    if not high - low > HAND_M:
        return f"mat, {to.text(float(width_m.median()), 'length')}"
    return f"mat, {to.bare(low, 'length')} \N{EN DASH}\n{to.text(high, 'length')}"


def _restore(axes: Axes) -> None:
    """An image changes the limits; bring them back."""
    axes.set_xlim(0, WIDTH_IN)
    axes.set_ylim(0, ROW_IN)


def _margin(axes: Axes, y: float, text: str, size: float = 7) -> None:
    axes.text(LEFT_IN - 0.08, y, text, ha="right", va="center", fontsize=size, color=SOFT)


def _across(mat: MatPicture, offset_m: np.ndarray) -> np.ndarray:
    """Height on the sheet of an offset: left edge on top."""
    low, high = MAT_IN
    return high - (offset_m - mat.offset_from_m) / (mat.offset_to_m - mat.offset_from_m) * (high - low)


def _zones(axes: Axes, sheet: LotSheet, row: Row, at: Placing) -> None:
    """Outlines on the mat, numbers and deficits below it where they find room."""
    mat = next((mat for mat in sheet.mats if mat.pass_id == row.pass_id), None)
    spine = sheet.spines.get(row.pass_id)
    if mat is None or spine is None:
        return
    taken: list[tuple[float, float]] = []
    lines = []
    for _, zone in row.holds(sheet.frames["cold_zones"]).sort_values("station_from_m").iterrows():
        between = (zone["station_from_m"], zone["station_to_m"])
        for part in shapely.get_parts(shapely.simplify(zone.geometry, OUTLINE_M)):
            station, offset = spine.locate(np.asarray(part.exterior.coords)[:, :2], between)
            lines.append(np.column_stack([at(station), _across(mat, offset)]))
        _call(axes, at(sum(between) / 2), taken, f"zone {zone['zone_id']}",
              f"\N{MINUS SIGN}{sheet.measures.text(zone['deficit_max_delta_c'], 'deficit')}", ZONE)  # fmt: skip
    outlines(axes, lines, ZONE, 1.1, 3)


def _call(
    axes: Axes, x: float, taken: list[tuple[float, float]], upper: str, lower: str, colour: str
) -> None:
    """Write two short lines below the mat, moved a little aside for another call; a tick alone if too far."""
    low, high = CALLS_IN
    axes.plot([x, x], [high, MAT_IN[0] - 0.01], color=colour, linewidth=0.8)
    half = 0.029 * max(len(upper), len(lower)) + 0.03
    aside = max((right for _, right in taken), default=-np.inf) + half
    if max(aside, LEFT_IN + half) - x > FARTHEST_CALL_IN:
        return
    place = max(x, aside, LEFT_IN + half)
    if place + half > WIDTH_IN - RIGHT_IN:
        place = WIDTH_IN - RIGHT_IN - half
        if place < aside:
            return
    taken.append((place - half, place + half))
    axes.text(place, high - 0.03, upper, ha="center", va="top", fontsize=6.8)
    axes.text(place, low, lower, ha="center", va="bottom", fontsize=6.8)


def _stops(axes: Axes, sheet: LotSheet, row: Row, at: Placing) -> None:
    for _, stop in row.holds(sheet.frames["stops"]).iterrows():
        x = at(stop["station_m"])
        axes.plot([x, x], MAT_IN, color=PAPER, linewidth=2.6, zorder=5)
        axes.plot([x, x], MAT_IN, color=STOP, linewidth=1.4, zorder=6, linestyle=(0, (4, 1.2)))
        axes.plot([x], [SPEED_IN[1] - 0.02], marker="v", color=STOP, markersize=5, zorder=7)
        axes.text(x + 0.06, SPEED_IN[1] + 0.0, f"stood {duration(stop['duration_s'])}", fontsize=6.8, va="center",
                  ha="left", color=STOP, zorder=7)  # fmt: skip


def _unmeasured(axes: Axes, sheet: LotSheet, row: Row, at: Placing) -> None:
    """Stretches without readings or positions: as loud as anything else on the sheet."""
    low, high = MAT_IN
    for _, gap in row.holds(sheet.frames["gaps"]).iterrows():
        left, right = (
            at(max(gap["station_from_m"], row.station_from_m)),
            at(min(gap["station_to_m"], row.station_to_m)),
        )
        axes.add_patch(Rectangle((left, low), right - left, high - low, facecolor=PAPER, hatch="xxx", edgecolor=INK,
                                 linewidth=1.2, zorder=8))  # fmt: skip
        words = f"NOT MEASURED  {sheet.measures.text(gap['length_m'], 'distance')}"
        box = {"facecolor": PAPER, "edgecolor": INK, "linewidth": 0.6}
        place = ((left + right) / 2, (low + high) / 2)
        axes.text(*place, words, ha="center", va="center", fontsize=8, fontweight="bold", zorder=9, bbox=box)


def _speed(axes: Axes, sheet: LotSheet, row: Row, at: Placing) -> None:
    spine = sheet.spines.get(row.pass_id)
    low, high = SPEED_IN
    _margin(axes, (low + high) / 2 - 0.04, f"speed, {sheet.measures.unit('speed').name}")
    if spine is None:
        return
    inside = (spine.station_m >= row.station_from_m) & (spine.station_m <= row.station_to_m)
    station, speed = spine.station_m[inside], spine.speed_mps[inside]
    half = speed / max(top_speed(sheet), 1e-6) * (high - low - 0.08) / 2
    middle = (low + high) / 2 - 0.04
    for piece in np.split(np.arange(len(station)), np.flatnonzero(np.diff(station) > 6) + 1):
        axes.fill_between(
            at(station[piece]), middle - half[piece], middle + half[piece], color=RIBBON, linewidth=0
        )
    for _, segment in row.holds(sheet.frames["speed_segments"]).iterrows():
        left = at(max(segment["station_from_m"], row.station_from_m))
        right = at(min(segment["station_to_m"], row.station_to_m))
        if right - left > 0.5:
            text = sheet.measures.bare(segment["speed_mean_mps"], "speed")
            box = {"facecolor": PAPER, "edgecolor": "none", "pad": 1, "alpha": 0.9}
            axes.text((left + right) / 2, middle, text, ha="center", va="center", fontsize=7, bbox=box)


def top_speed(sheet: LotSheet) -> float:
    """Speed that fills the ribbon's band: the lot's 99th percentile."""
    speeds = np.concatenate([spine.speed_mps for spine in sheet.spines.values()] or [np.ones(1)])
    speeds = speeds[np.isfinite(speeds)]
    return float(np.percentile(speeds, 99)) if len(speeds) else 1.0


def _match_lines(axes: Axes, sheet: LotSheet, row: Row, at: Placing) -> None:
    """Draw where the next sheet joins at either end, and which one it is."""
    ends = ((row.station_from_m, row.before, "left"), (row.station_to_m, row.after, "right"))
    for station, other, side in ends:
        if other is None:
            continue
        x = at(station)
        line = [SPEED_IN[0] - 0.12, PROFILE_IN[1] + 0.1]
        axes.plot([x, x], line, color=INK, linewidth=0.9, linestyle=(0, (8, 2, 2, 2)), zorder=9)
        words = f"match line {sheet.measures.station(station)}, sheet {other}"
        inward = 0.06 if side == "left" else -0.06
        axes.text(x + inward, line[0] + 0.05, words, fontsize=6.5, ha=side, va="center", zorder=9)


def draw_legend(figure: Figure, top_in: float, sheet: LotSheet) -> None:
    """Draw what the bands of a row mean."""
    axes = inch_axes(figure, top_in, LEGEND_IN)
    sign = sheet.measures.unit("temp").name
    axes.text(0.3, 0.84, "Mat temperature behind the screed", fontsize=7.5, fontweight="bold")
    ramp_bar(axes, sheet.ramp, f" {sign}", (0.72, 0.5, 1.7, 0.2))
    axes.set_xlim(0, WIDTH_IN)
    axes.set_ylim(0, LEGEND_IN)
    axes.text(
        3.5,
        0.84,
        f"Profiles: number, differential \N{GREEK CAPITAL LETTER DELTA} in {sign}, class by hatching",
        fontsize=7.5,
        fontweight="bold",
    )
    for x, (word, face) in zip(np.arange(9) * 0.98 + 3.5, _class_legend(sheet), strict=False):
        axes.add_patch(
            Rectangle((x, 0.5), 0.3, 0.2, facecolor=face[0], hatch=face[1], edgecolor=INK, linewidth=0.5)
        )
        axes.text(x + 0.36, 0.6, word, va="center", fontsize=7)
    _mark_legend(axes, sheet)


def _class_legend(sheet: LotSheet) -> Iterator[tuple[str, tuple[str, str]]]:
    words = sheet.class_words
    for rank, word in enumerate(words):
        yield word, class_face(rank, len(words))
    yield "insufficient", class_face(None, len(words))


def _mark_legend(axes: Axes, sheet: LotSheet) -> None:
    speed = sheet.measures.text(top_speed(sheet), "speed")
    low, middle, high = 0.16, 0.24, 0.32
    axes.plot([3.5, 3.8, 3.8, 3.5, 3.5], [low, low, high, high, low], color=ZONE, linewidth=1.1)
    axes.text(3.86, middle, "cold zone", va="center", fontsize=7)
    axes.plot([4.75, 4.75], [low, high], color=STOP, linewidth=1.4, linestyle=(0, (4, 1.2)))
    axes.text(4.84, middle, "stop, at the spot line", va="center", fontsize=7)
    axes.add_patch(
        Rectangle((6.25, low), 0.3, high - low, facecolor=PAPER, hatch="xxx", edgecolor=INK, linewidth=0.8)
    )
    axes.text(6.61, middle, "not measured", va="center", fontsize=7)
    axes.fill_between([7.65, 7.95], low, high, color=RIBBON, linewidth=0)
    axes.text(8.01, middle, f"speed, full width = {speed}", va="center", fontsize=7)
    stretch = _stretch(sheet)
    if stretch:
        axes.text(
            0.3,
            0.16,
            f"Widths across the mat drawn {stretch:.0f} times as large as lengths",
            fontsize=7,
            color=SOFT,
        )


def _stretch(sheet: LotSheet) -> float:
    rows = rows_of(sheet)
    mats = {mat.pass_id: mat for mat in sheet.mats}
    if not rows or rows[0].pass_id not in mats:
        return 0.0
    mat = mats[rows[0].pass_id]
    across = (MAT_IN[1] - MAT_IN[0]) / (mat.offset_to_m - mat.offset_from_m)
    return across / (LINES_IN / rows[0].length_m)
