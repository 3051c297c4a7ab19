"""Strips of a core plan: the mat by station with sublots and random sites, or with the places to look at.

Both are drawn on a plain mat: the sheet of random sites shows no temperature, and the other no random site.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from .look import INK, PAPER, SOFT, ZONE, outlines
from .lot_sheet import LotSheet
from .strips import LEFT_IN, LINES_IN, PROFILES_A_ROW, inch_axes

ROW_IN = 1.72
MAT_IN = (0.36, 0.96)
NAMES_IN, SUBLOTS_IN, RULER_IN, TITLE_IN = 0.2, 1.03, 1.13, 1.56
SHADES = ("#f2f2f2", "#dddddd")
LEAST_PROFILES = 4
NAME_IN = 0.55  # shorter parts of sublots have no room for their name
NEAR_IN = 0.3  # names nearer than this would be written over each other
Across = Callable[[np.ndarray], np.ndarray]  # offset in metres to inches from the bottom


@dataclass(frozen=True, eq=False, slots=True)
class CoreRow:
    """One row: a stretch of one pass."""

    pass_id: str
    travel: str
    low_m: float
    high_m: float
    full_m: float  # length that fills the width

    def at(self, station_m: float | np.ndarray) -> np.ndarray:
        """Station to inches from the left, held at the ends of the row."""
        return LEFT_IN + (np.clip(station_m, self.low_m, self.high_m) - self.low_m) / self.full_m * LINES_IN

    def holds(self, low_m: float, high_m: float) -> bool:
        return high_m > self.low_m and low_m < self.high_m


def core_rows(sheet: LotSheet, sublots: pd.DataFrame) -> list[CoreRow]:
    """Rows of about ten profiles' length over the passes in order of paving."""
    profile_m = float(sheet.config["rules"]["profile"]["length_m"])
    rows = []
    for pass_id, own in sublots.groupby("pass_id", sort=False):
        ends = own[["begin_m", "end_m"]].to_numpy(float)
        low, high = ends.min(), ends.max()
        number = max(int(np.ceil((high - low) / (PROFILES_A_ROW * profile_m))), 1)
        cuts = np.linspace(low, high, number + 1)
        full = max((high - low) / number, LEAST_PROFILES * profile_m)
        rows += [
            CoreRow(str(pass_id), str(own["travel"].iloc[0]), *map(float, cuts[i : i + 2]), float(full))
            for i in range(number)
        ]
    return rows


def draw_random(
    figure: Figure,
    sheet: LotSheet,
    rows: list[CoreRow],
    frames: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame],
) -> None:
    """Draw sublots and sites; `frames` are random cores, random numbers and sublots, SI."""
    cores, numbers, sublots = frames
    for axes, row in _rows(figure, rows):
        across = _mat(axes, sheet, row, sublots)
        own = cores[cores["pass_id"] == row.pass_id]
        if len(own):
            _limits(axes, sheet, row, across, own.iloc[0])
        refused = numbers[(numbers["pass_id"] == row.pass_id) & ~numbers["used"].astype(bool)]
        for draw in _inside(row, refused):
            axes.plot(
                [row.at(draw.station_m)],
                [across(draw.offset_m)],
                marker="x",
                markersize=4,
                color=SOFT,
                zorder=6,
            )
        names: list[float] = []
        for core in sorted(_inside(row, own), key=lambda item: item.station_m):
            x = float(row.at(core.station_m))
            axes.plot([x], [across(core.offset_m)], marker="o", markersize=5, markerfacecolor=PAPER,
                      markeredgecolor=INK, markeredgewidth=1.2, zorder=8)  # fmt: skip
            axes.plot([x, x], [MAT_IN[0], NAMES_IN + 0.07], color=INK, linewidth=0.5, zorder=5)
            level = sum(abs(x - other) < NEAR_IN for other in names) % 2
            names.append(x)
            axes.text(
                x,
                NAMES_IN - 0.14 * level,
                core.core_id,
                ha="center",
                va="center",
                fontsize=7,
                fontweight="bold",
            )


def draw_places(
    figure: Figure, sheet: LotSheet, rows: list[CoreRow], places: pd.DataFrame, profiles: pd.DataFrame
) -> None:
    """Draw cold zones and the proposed lines of gauge readings; frames of the plan's layers, SI, in metres."""
    for axes, row in _rows(figure, rows):
        across = _mat(axes, sheet, row, None)
        spine = sheet.spines[row.pass_id]
        for _, place in places[places["pass_id"] == row.pass_id].iterrows():
            between = (place["station_from_m"], place["station_to_m"])
            if not row.holds(*between):
                continue
            lines = [
                np.column_stack([row.at(station), across(offset)])
                for part in shapely.get_parts(place["geometry"])
                for station, offset in [spine.locate(shapely.get_coordinates(part.exterior), between)]
            ]
            outlines(axes, lines, ZONE, 1.1, 4)
            axes.text(float(row.at(sum(between) / 2)), NAMES_IN, f"P{place['place_number']}", ha="center", va="center",
                      fontsize=7, fontweight="bold", color=ZONE)  # fmt: skip
        for profile in profiles[profiles["pass_id"] == row.pass_id].itertuples():
            ends = row.at(np.array([profile.station_from_m, profile.station_to_m]))
            if row.holds(profile.station_from_m, profile.station_to_m):
                y = float(across(profile.offset_m))
                for ink, wide, order in ((PAPER, 3.0, 6), (INK, 1.3, 7)):
                    axes.plot(ends, [y, y], color=ink, linewidth=wide, zorder=order, marker="|", markersize=6)


def places_rows(rows: list[CoreRow], places: pd.DataFrame) -> list[CoreRow]:
    """Rows that hold a place to look at."""
    return [
        row
        for row in rows
        if any(
            row.holds(place.station_from_m, place.station_to_m)
            for place in places[places["pass_id"] == row.pass_id].itertuples()
        )
    ]


def _rows(figure: Figure, rows: list[CoreRow]) -> Iterator[tuple[Axes, CoreRow]]:
    for i, row in enumerate(rows):
        yield inch_axes(figure, i * ROW_IN, ROW_IN), row


def _inside(row: CoreRow, frame: pd.DataFrame) -> Iterator:
    return frame[(frame["station_m"] >= row.low_m) & (frame["station_m"] <= row.high_m)].itertuples()


def _mat(axes: Axes, sheet: LotSheet, row: CoreRow, sublots: pd.DataFrame | None) -> Across:
    """Draw title, stations and the mat between its edges, in sublots where given; give the way of offsets."""
    _title(axes, sheet, row)
    _stations(axes, sheet, row)
    spine = sheet.spines[row.pass_id]
    inside = (spine.station_m >= row.low_m) & (spine.station_m <= row.high_m)
    station, middle, half = (v[inside] for v in (spine.station_m, spine.middle_m, spine.half_m))
    left, right = float((middle - half).min()), float((middle + half).max())

    def across(offset_m: np.ndarray) -> np.ndarray:
        return MAT_IN[1] - (offset_m - left) / (right - left) * (MAT_IN[1] - MAT_IN[0])

    shades = [(row.low_m, row.high_m, SHADES[0], "")] if sublots is None else list(_shades(row, sublots))
    for low, high, shade, name in shades:
        part = (station >= low) & (station <= high)
        at = np.r_[max(low, row.low_m), station[part], min(high, row.high_m)]
        edges = [across(np.interp(at, station, edge)) for edge in (middle - half, middle + half)]
        axes.fill_between(row.at(at), *edges, color=shade, linewidth=0, zorder=1)
        for end in (low, high) if name else ():
            if row.low_m <= end <= row.high_m:
                axes.plot(
                    [row.at(end)] * 2,
                    (MAT_IN[0] - 0.05, MAT_IN[1] + 0.12),
                    color=INK,
                    linewidth=0.9,
                    zorder=3,
                )
        if row.at(high) - row.at(low) > NAME_IN:
            axes.text(float(row.at(low) + row.at(high)) / 2, SUBLOTS_IN, name, ha="center", va="center", fontsize=6.8,
                      color=SOFT, zorder=4)  # fmt: skip
    for edge in (middle - half, middle + half):
        axes.plot(row.at(station), across(edge), color=INK, linewidth=0.8, zorder=3)
    _gaps(axes, sheet, row)
    for y, text in ((MAT_IN[1] - 0.05, "left edge"), (MAT_IN[0] + 0.05, "right edge")):
        axes.text(LEFT_IN - 0.08, y, text, ha="right", va="center", fontsize=6.5, color=SOFT)
    return across


def _shades(row: CoreRow, sublots: pd.DataFrame) -> Iterator[tuple[float, float, str, str]]:
    for part in sublots[sublots["pass_id"] == row.pass_id].itertuples():
        low, high = sorted((part.begin_m, part.end_m))
        if row.holds(low, high):
            yield low, high, SHADES[part.sublot_id % 2], f"sublot {part.sublot_id}"


def _title(axes: Axes, sheet: LotSheet, row: CoreRow) -> None:
    to, lanes = sheet.measures, sheet.passes
    lane = lanes.loc[lanes["pass_id"] == row.pass_id, "lane"]
    arrow = "\N{RIGHTWARDS ARROW}" if row.travel == "upstation" else "\N{LEFTWARDS ARROW}"
    several = f"Pass {row.pass_id}, lane" if len(sheet.pass_ids) > 1 else "Lane"
    words = (
        f"{several} {lane.iloc[0] if len(lane) else ''}, {to.station(row.low_m)} to {to.station(row.high_m)}"
    )
    axes.text(LEFT_IN, TITLE_IN, words, fontsize=8.5, fontweight="bold", va="center")
    axes.text(LEFT_IN + 4.0, TITLE_IN, f"paver travels {row.travel} {arrow}", va="center", color=SOFT)


def _stations(axes: Axes, sheet: LotSheet, row: CoreRow) -> None:
    labels = sheet.measures.labels
    for station_m in labels.whole_stations(row.low_m, row.high_m, labels.tick_m):
        x = float(row.at(station_m))
        axes.plot([x, x], [RULER_IN, RULER_IN + 0.08], color=INK, linewidth=0.8)
        axes.text(x, RULER_IN + 0.1, labels.whole_text(station_m), ha="center", va="bottom", fontsize=7)
    axes.plot(row.at(np.array([row.low_m, row.high_m])), [RULER_IN] * 2, color=INK, linewidth=0.8)


def _gaps(axes: Axes, sheet: LotSheet, row: CoreRow) -> None:
    gaps = sheet.frames["gaps"]
    for gap in gaps[gaps["pass_id"] == row.pass_id].itertuples():
        if row.holds(gap.station_from_m, gap.station_to_m):
            left, right = row.at(np.array([gap.station_from_m, gap.station_to_m]))
            axes.add_patch(Rectangle((left, MAT_IN[0]), right - left, MAT_IN[1] - MAT_IN[0], facecolor=PAPER,
                                     hatch="xxx", edgecolor=INK, linewidth=0.8, zorder=5))  # fmt: skip


def _limits(axes: Axes, sheet: LotSheet, row: CoreRow, across: Across, core: pd.Series) -> None:
    """Draw how far from each edge sites are drawn, as at a site of the pass."""
    spine = sheet.spines[row.pass_id]
    inside = (spine.station_m >= row.low_m) & (spine.station_m <= row.high_m)
    station, middle, half = (v[inside] for v in (spine.station_m, spine.middle_m, spine.half_m))
    for edge in (middle - half + core["left_limit_m"], middle + half - core["right_limit_m"]):
        axes.plot(row.at(station), across(edge), color=SOFT, linewidth=0.6, linestyle=(0, (4, 2)), zorder=3)
