"""Whether cold comes back along a pass: its cold line with the bands marked, and how strongly each distance returns."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from ..looks.styles import ORANGES, PURPLES
from .charts import some_stations
from .look import FAINT, INK, PAPER, SOFT, ZONE
from .measures import Measures

WIDTH_IN, HEAD_IN, ROW_IN, LINE_IN, FOOT_IN = 11.0, 0.4, 2.65, 0.165, 0.3
LEFT, RIGHT, SIDE, SIDE_RIGHT = 0.062, 0.665, 0.735, 0.985
ROW_M = 900.0  # a longer pass is drawn in several rows
BACK_FRAC = 0.05  # of the chances: the level drawn beside the strengths
TEXT_COLUMNS = 175


@dataclass(frozen=True, eq=False, slots=True)
class PassLine:
    """What is drawn of one pass."""

    pass_id: str
    travel: str
    station_m: np.ndarray  # (place) rising
    off_delta_c: np.ndarray  # (place) cold line against its trend, NaN = unknown
    band_m: np.ndarray  # stations of bands that are there
    due_m: np.ndarray  # stations where one was due and is not
    load_ends_m: np.ndarray  # stations, by tickets
    lag_m: np.ndarray
    strength: np.ndarray  # (lag) autocorrelation; empty where it was not looked for
    chance: float  # strength that 5 % of shuffled lines reach somewhere
    looked_m: tuple[float, float]  # lags between which a period was sought
    period_m: tuple[float, float, float]  # low, value, high; NaN where none
    expected: Sequence[tuple[str, float]]  # words and length of a load as tickets or a statement give it
    told: Sequence[str]  # sentences, in the units of the sheet

    @property
    def rows(self) -> list[tuple[float, float]]:
        """Stations of both ends of each row."""
        low, high = float(self.station_m[0]), float(self.station_m[-1])
        number = max(int(np.ceil((high - low) / ROW_M)), 1)
        cuts = np.linspace(low, high, number + 1)
        return [(float(a), float(b)) for a, b in pairwise(cuts)]

    @property
    def lines(self) -> list[str]:
        """Sentences, wrapped."""
        return [line for text in self.told for line in textwrap.wrap(text, TEXT_COLUMNS)]

    @property
    def height_in(self) -> float:
        return ROW_IN * len(self.rows) + LINE_IN * len(self.lines) + 0.25


@dataclass(frozen=True, eq=False, slots=True)
class LoadsSheet:
    """Everything drawn on one sheet."""

    title: str
    passes: Sequence[PassLine]
    caution: str
    measures: Measures

    @property
    def size_in(self) -> tuple[float, float]:
        return WIDTH_IN, HEAD_IN + sum(item.height_in for item in self.passes) + FOOT_IN


def draw_loads(figure: Figure, sheet: LoadsSheet) -> None:
    """Draw the whole sheet; the figure is `sheet.size_in`."""
    high = sheet.size_in[1]
    figure.text(LEFT, 1 - 0.12 / high, sheet.title, fontsize=11, fontweight="bold", va="top")
    top = high - HEAD_IN
    for item in sheet.passes:
        for i, row in enumerate(item.rows):
            box = ((top - ROW_IN * (i + 1) + 0.42) / high, (ROW_IN - 0.72) / high)
            _line_panel(figure.add_axes((LEFT, box[0], RIGHT - LEFT, box[1])), sheet.measures, item, row)
            if i == 0:
                _strength_panel(
                    figure.add_axes((SIDE, box[0], SIDE_RIGHT - SIDE, box[1])), sheet.measures, item
                )
        under = top - ROW_IN * len(item.rows)
        for i, line in enumerate(item.lines):
            figure.text(LEFT, (under - LINE_IN * i) / high, line, fontsize=8, va="top")
        top -= item.height_in
    figure.text(LEFT, 0.1 / high, sheet.caution, fontsize=7.5, va="bottom", color=SOFT)


def _line_panel(axes: Axes, to: Measures, item: PassLine, row: tuple[float, float]) -> None:
    """The cold line of one stretch of a pass, bands below it, load ends above."""
    off = to.shown(item.off_delta_c, "delta")
    axes.axhline(0, color=SOFT, linewidth=0.6)
    axes.fill_between(
        item.station_m, np.minimum(off, 0), 0, color=ZONE, alpha=0.85, linewidth=0, step="mid", zorder=2
    )
    axes.fill_between(item.station_m, np.maximum(off, 0), 0, color=FAINT, linewidth=0, step="mid", zorder=2)
    low, high = float(np.nanmin(off)), float(max(np.nanmax(off), -np.nanmin(off) * 0.1))
    bottom, top = low * 1.22, high + (high - low) * 0.16
    for places, face in ((item.band_m, INK), (item.due_m, PAPER)):
        places = places[(places >= row[0]) & (places <= row[1])]
        axes.plot(places, np.full(len(places), low * 1.13), "^", color=face, markeredgecolor=INK, markersize=6,
                  linestyle="none", zorder=4)  # fmt: skip
    for station_m in item.band_m:
        axes.axvline(station_m, color=INK, linewidth=0.6, linestyle=(0, (1.5, 2)), zorder=1)
    ends = item.load_ends_m[(item.load_ends_m >= row[0]) & (item.load_ends_m <= row[1])]
    axes.plot(
        ends,
        np.full(len(ends), top),
        "v",
        color=ORANGES[3],
        markersize=6,
        linestyle="none",
        clip_on=False,
        zorder=5,
    )
    axes.set_ylim(bottom, top)
    axes.set_xlim(*row)
    axes.xaxis.set_major_formatter(FuncFormatter(lambda metres, _: to.labels.whole_text(metres)))
    axes.set_xticks(some_stations(to.labels, np.array(row)))
    side = "right" if item.travel == "upstation" else "left"
    axes.set_xlabel(f"station; paved {item.travel}, to the {side}")
    axes.set_ylabel(f"against its trend, {to.unit('delta').name}")
    _key(axes, item)


def _key(axes: Axes, item: PassLine) -> None:
    """Name the marks above the panel."""
    marks = [("^", INK, INK, "cold band"), ("^", PAPER, INK, "due, not there"),
             ("v", ORANGES[3], ORANGES[3], "end of a load by ticket")]  # fmt: skip
    shown = (len(item.band_m), len(item.due_m), len(item.load_ends_m))
    handles = [
        axes.plot(
            [], [], mark, color=face, markeredgecolor=edge, markersize=6, linestyle="none", label=words
        )[0]
        for (mark, face, edge, words), number in zip(marks, shown, strict=True)
        if number
    ]
    title = f"Pass {item.pass_id}: cold line, 10th percentile across"
    axes.set_title(title, loc="left", fontsize=8, fontweight="bold")
    if handles:
        axes.legend(handles=handles, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, frameon=False,
                    borderpad=0.2, columnspacing=1.2, handletextpad=0.2)  # fmt: skip


def _strength_panel(axes: Axes, to: Measures, item: PassLine) -> None:
    """Autocorrelation at each distance, what chance reaches, the period with its interval, expected lengths."""
    axes.set_title("How strongly it comes back", loc="left", fontsize=8, fontweight="bold")
    axes.set_xlabel(f"distance, {to.unit('distance').name}")
    axes.set_ylabel("autocorrelation")
    if not len(item.strength):
        axes.text(0.5, 0.5, "too short to tell", transform=axes.transAxes, ha="center")
        return
    lag = to.shown(item.lag_m, "distance")
    low, high = (to.shown(value, "distance") for value in item.looked_m)
    inside = lag >= low - 1e-6
    axes.plot(lag[inside], item.strength[inside], color=INK, linewidth=1.1, zorder=3)
    axes.axhline(0, color=SOFT, linewidth=0.6)
    axes.axhline(item.chance, color=PURPLES[3], linewidth=1.0, linestyle=(0, (4, 1.5)), zorder=2)
    axes.annotate("1 in 20 by chance", (low, item.chance), (3, 2.5), textcoords="offset points", ha="left",
                  va="bottom", fontsize=7, color=PURPLES[3])  # fmt: skip
    ends = np.array(item.period_m)
    if np.isfinite(ends[1]):
        left, middle, right = to.shown(ends, "distance")
        if np.isfinite(left):
            axes.axvspan(left, right, color=ZONE, alpha=0.35, linewidth=0, zorder=1)
        axes.axvline(middle, color=ZONE, linewidth=1.4, zorder=2)
    axes.set_xlim(low, high)
    top = max(float(item.strength[inside].max()), item.chance, 0.2) * 1.3
    axes.set_ylim(min(float(item.strength[inside].min()) * 1.15, -0.1), top)
    for i, (words, length_m) in enumerate(item.expected):
        place = to.shown(length_m, "distance")
        axes.plot(place, top * (0.97 - 0.11 * i), "v", color=ORANGES[3], markersize=6, zorder=5)
        axes.annotate(words, (place, top * (0.97 - 0.11 * i)), (5, 0), textcoords="offset points", va="center",
                      fontsize=7, color=ORANGES[3])  # fmt: skip
