"""Two lots one above the other on one axis of stations: how each lies against its own mat, and what coincides.

From top to bottom: profiles of the upper lot, the stations, its mat, what coincides, the mat of the lower lot and
its profiles. Both mats are drawn as temperature less that of their own mat around, so that lots laid at other
temperatures look alike; dark is cold, as on the lot's own strip sheets.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from ..looks.ramp import ColourRamp
from .look import INK, PAPER, SOFT, STOP, ZONE, class_face, outlines, ramp_bar
from .measures import NOTHING, Measures
from .strips import LEFT_IN, LINES_IN, PROFILES_A_ROW, WIDTH_IN, Placing, inch_axes

ROW_IN, LEGEND_IN = 3.4, 0.82
UPPER_IN, LOWER_IN = (1.86, 2.48), (0.66, 1.28)  # mats
PROFILES_IN = ((2.8, 3.06), (0.24, 0.5))
RULER_IN, TITLE_IN = 2.5, 3.24
CALLS_IN = (1.75, 1.39)  # numbers of places, below the upper mat and above the lower
CALL_IN = 0.33  # numbers nearer than this would be written over each other


@dataclass(frozen=True, eq=False, slots=True)
class Strip:
    """One lot along a line: its mat, profiles and places, all by station and offset of the line."""

    name: str
    off_delta_c: np.ndarray  # (row, col) temperature less that of its own mat around, NaN = empty
    profiles: pd.DataFrame  # profile_id, class_rank, differential_delta_c, station_from_m, station_to_m
    class_words: int
    zones: tuple[tuple[int, shapely.Geometry], ...]  # number and polygon of (station, offset)
    stops: tuple[tuple[int, shapely.Geometry], ...]


@dataclass(frozen=True, slots=True)
class Link:
    """Two places that coincide: numbers in the upper and the lower lot, and where."""

    kind: str
    numbers: tuple[int, int]
    station_m: float


@dataclass(frozen=True, eq=False, slots=True)
class LiftSheet:
    """What is drawn along one line of the first lot."""

    title: str
    stretch_m: tuple[float, float]
    corner_m: tuple[float, float]  # station of column 0, offset of row 0
    cell_m: float
    profile_m: float  # length of a profile of the first lot's rule
    strips: tuple[Strip, Strip]  # upper, lower
    links: tuple[Link, ...]
    ramp: ColourRamp
    measures: Measures

    def rows(self) -> list[tuple[float, float]]:
        """Stations of both ends of each row of the sheet."""
        low, high = self.stretch_m
        length = PROFILES_A_ROW * self.profile_m
        number = max(int(np.ceil((high - low) / length)), 1)
        return [(low + i * length, min(low + (i + 1) * length, high)) for i in range(number)]

    @property
    def full_m(self) -> float:
        """Length that fills the width of a row."""
        low, high = self.stretch_m
        return min(high - low, PROFILES_A_ROW * self.profile_m)


def draw_lifts(figure: Figure, sheet: LiftSheet, rows: list[tuple[float, float]]) -> None:
    """Draw the legend and rows below each other; the figure is LEGEND_IN + ROW_IN a row high."""
    _legend(inch_axes(figure, 0.0, LEGEND_IN), sheet)
    for i, row in enumerate(rows):
        _row(inch_axes(figure, LEGEND_IN + i * ROW_IN, ROW_IN), sheet, row)


def _row(axes: Axes, sheet: LiftSheet, row: tuple[float, float]) -> None:
    scale = LINES_IN / sheet.full_m

    def at(station_m: float) -> float:
        return LEFT_IN + (np.clip(station_m, *row) - row[0]) * scale

    to = sheet.measures
    words = f"{sheet.title}, station {to.station(row[0])} to {to.station(row[1])}"
    axes.text(LEFT_IN, TITLE_IN, words, fontsize=8.5, fontweight="bold", va="center")
    _stations(axes, sheet, row, at)
    for strip, mat_in, profiles_in in zip(sheet.strips, (UPPER_IN, LOWER_IN), PROFILES_IN, strict=True):
        _mat(axes, sheet, strip, (row, mat_in), at)
        _profiles(axes, sheet, strip, (row, profiles_in), at)
        _stops(axes, strip, (row, mat_in), at)
    _calls(axes, sheet, row, at)


def _stations(axes: Axes, sheet: LiftSheet, row: tuple[float, float], at: Placing) -> None:
    labels = sheet.measures.labels
    axes.plot([at(row[0]), at(row[1])], [RULER_IN] * 2, color=INK, linewidth=0.8)
    for station_m in labels.whole_stations(*row, labels.tick_m):
        x = at(station_m)
        axes.plot([x, x], [RULER_IN, RULER_IN + 0.08], color=INK, linewidth=0.8)
        axes.text(x, RULER_IN + 0.1, labels.whole_text(station_m), ha="center", va="bottom", fontsize=7)


def _mat(axes: Axes, sheet: LiftSheet, strip: Strip, where: tuple, at: Placing) -> None:
    row, (low, high) = where
    station, offset = sheet.corner_m
    first = max(int((row[0] - station) / sheet.cell_m), 0)
    last = min(int(np.ceil((row[1] - station) / sheet.cell_m)), strip.off_delta_c.shape[1])
    block = strip.off_delta_c[:, first:last]
    drawn = np.zeros((*block.shape, 4), np.uint8)
    filled = np.isfinite(block)
    drawn[filled, :3] = sheet.ramp.rgb(sheet.measures.shown(block[filled], "delta"))
    drawn[filled, 3] = 255
    ends = [at(station + col * sheet.cell_m) for col in (first, last)]
    axes.imshow(drawn, extent=(*ends, low, high), aspect="auto", interpolation="none", zorder=1)
    axes.set_xlim(0, WIDTH_IN)
    axes.set_ylim(0, ROW_IN)
    across = (high - low) / (strip.off_delta_c.shape[0] * sheet.cell_m)
    lines = [
        np.column_stack([at(ring[:, 0]), np.clip(high - (ring[:, 1] - offset) * across, low, high)])
        for _, shape in strip.zones
        if _within(shape, row)
        for part in shapely.get_parts(shape)
        for ring in (np.asarray(part.exterior.coords),)
    ]
    outlines(axes, lines, ZONE, 1.1, 3)
    axes.text(LEFT_IN - 0.08, (low + high) / 2, strip.name, ha="right", va="center", fontsize=7, color=SOFT)


def _within(shape: shapely.Geometry, row: tuple[float, float]) -> bool:
    low, _, high, _ = shape.bounds
    return high > row[0] and low < row[1]


def _profiles(axes: Axes, sheet: LiftSheet, strip: Strip, where: tuple, at: Placing) -> None:
    row, (low, high) = where
    axes.text(LEFT_IN - 0.08, (low + high) / 2, "profiles", ha="right", va="center", fontsize=7, color=SOFT)
    for _, profile in strip.profiles.iterrows():
        if not (profile["station_to_m"] > row[0] and profile["station_from_m"] < row[1]):
            continue
        left, right = at(profile["station_from_m"]), at(profile["station_to_m"])
        colour, hatch = class_face(profile["class_rank"], strip.class_words)
        axes.add_patch(Rectangle((left, low), right - left, high - low, facecolor=colour, hatch=hatch,
                                 edgecolor=INK, linewidth=0.5))  # fmt: skip
        known = pd.notna(profile["class_rank"])
        number = sheet.measures.bare(profile["differential_delta_c"], "delta")
        text = f"{profile['profile_id']:.0f}: " + (
            f"\N{GREEK CAPITAL LETTER DELTA} {number}" if known else NOTHING
        )
        if right - left > 0.45:
            box = {"facecolor": PAPER, "edgecolor": "none", "boxstyle": "round,pad=0.25", "alpha": 0.92}
            axes.text(
                (left + right) / 2, (low + high) / 2, text, ha="center", va="center", fontsize=7.5, bbox=box
            )


def _stops(axes: Axes, strip: Strip, where: tuple, at: Placing) -> None:
    row, span = where
    for _, shape in strip.stops:
        if _within(shape, row):
            x = at((shape.bounds[0] + shape.bounds[2]) / 2)
            axes.plot([x, x], span, color=PAPER, linewidth=2.6, zorder=5)
            axes.plot([x, x], span, color=STOP, linewidth=1.4, zorder=6, linestyle=(0, (4, 1.2)))


def _calls(axes: Axes, sheet: LiftSheet, row: tuple[float, float], at: Placing) -> None:
    """Numbers of zones and stops between the mats, and a bar where places coincide."""
    for which, (strip, y) in enumerate(zip(sheet.strips, CALLS_IN, strict=True)):
        held = [("zone", *item) for item in strip.zones] + [("stop", *item) for item in strip.stops]
        met = {(link.kind, link.numbers[which]) for link in sheet.links}
        held = [item for item in held if _within(item[2], row)]
        written: list[float] = []
        for kind, number, shape in sorted(held, key=lambda item: (item[:2] not in met, item[2].bounds[0])):
            x = at((shape.bounds[0] + shape.bounds[2]) / 2)
            if all(abs(x - other) > CALL_IN for other in written):
                axes.text(x, y, f"{kind} {number}", ha="center", va="center", fontsize=6.8, zorder=9,
                          color=INK if kind == "zone" else STOP, bbox={"facecolor": PAPER, "pad": 0.6, "linewidth": 0},
                          fontweight="bold" if (kind, number) in met else "normal")  # fmt: skip
                written.append(x)
    for link in sheet.links:
        if row[0] <= link.station_m <= row[1]:
            colour = ZONE if link.kind == "zone" else STOP
            axes.plot(
                [at(link.station_m)] * 2, (UPPER_IN[0], LOWER_IN[1]), color=colour, linewidth=2.4, zorder=7
            )


def _legend(axes: Axes, sheet: LiftSheet) -> None:
    """Say what is drawn."""
    sign = sheet.measures.unit("delta").name
    axes.text(0.3, 0.7, "Temperature against the own mat around", fontsize=7.5, fontweight="bold")
    ramp_bar(axes, sheet.ramp, f" {sign}", (0.72, 0.36, 1.7, 0.2))
    axes.set_xlim(0, WIDTH_IN)
    axes.set_ylim(0, LEGEND_IN)
    low, middle, high = 0.62, 0.7, 0.78
    axes.plot([3.6, 3.9, 3.9, 3.6, 3.6], [low, low, high, high, low], color=ZONE, linewidth=1.1)
    axes.text(3.98, middle, "cold zone", va="center", fontsize=7)
    axes.plot([4.9, 4.9], [low, high], color=STOP, linewidth=1.4, linestyle=(0, (4, 1.2)))
    axes.text(4.98, middle, "stop", va="center", fontsize=7)
    axes.plot([5.6, 5.6], [low, high], color=ZONE, linewidth=2.4)
    axes.text(5.7, middle, "one over the other, within twice the position sigma of both: a place to look, not a cause",
              va="center", fontsize=7)  # fmt: skip
    words = (
        f"Profiles: number, differential \N{GREEK CAPITAL LETTER DELTA} in {sign}, class by hatching, closer = worse. "
        "Left edge of the mat on top, stations to the right."
    )
    axes.text(3.6, 0.42, words, va="center", fontsize=7)
