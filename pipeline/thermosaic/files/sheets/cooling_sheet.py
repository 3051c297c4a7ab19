"""How long the mat stays warm, along the stations: time of every profile and cold zone, and cooling curves below.

Each bar is an interval: 8 of 10 cases of what is not known lie in it, the line in it is the middle. Drawn is an
estimate of what weather and thickness allow.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle
from matplotlib.ticker import FuncFormatter

from ..looks.styles import GREYS, ORANGES
from .charts import some_stations
from .look import FAINT, INK, PAPER, SOFT, ZONE
from .measures import Measures

WIDTH_IN, HEAD_IN, PASS_IN, FOOT_IN = 11.0, 0.72, 3.2, 3.5
LEFT, RIGHT = 0.062, 0.985
MEAN, LOW = GREYS[1], "#c6dbef"  # bars of profiles: at their mean, at their low end (ColorBrewer Blues)
MINUTE_S = 60.0
NARROW = 24  # more profiles than this are not numbered
TALLEST_MIN = 240.0


@dataclass(frozen=True, eq=False, slots=True)
class Bars:
    """Times of one kind along a pass, each from a station to a station: low, middle, high in seconds, (bar, 3)."""

    number: np.ndarray
    station_m: np.ndarray  # (bar, 2)
    time_s: np.ndarray


@dataclass(frozen=True, eq=False, slots=True)
class PassTimes:
    """What is drawn along one pass."""

    pass_id: str
    mean: Bars  # profiles, laid at their mean
    low: Bars  # profiles, laid at their low end
    zones: Bars


@dataclass(frozen=True, eq=False, slots=True)
class Curve:
    """The mean through a mat over time: low, middle, high, (3, time) degC."""

    words: str
    temp_c: np.ndarray


@dataclass(frozen=True, eq=False, slots=True)
class CoolingSheet:
    """Everything drawn on one sheet."""

    title: str
    under: Sequence[str]  # lines under the title
    passes: Sequence[PassTimes]
    curve_s: np.ndarray  # (time)
    curves: Sequence[Curve]  # the warmer first
    cessation_c: float
    cessation_words: str  # where it comes from
    assumptions: Sequence[str]
    caution: str
    measures: Measures

    @property
    def size_in(self) -> tuple[float, float]:
        return WIDTH_IN, HEAD_IN + PASS_IN * len(self.passes) + FOOT_IN

    @property
    def highest_min(self) -> float:
        """Top of the times' axis."""
        times = np.concatenate(
            [bars.time_s.ravel() for item in self.passes for bars in (item.mean, item.zones)]
        )
        times = times[np.isfinite(times)] / MINUTE_S
        return float(min(max(times.max(initial=10.0) * 1.12, 10.0), TALLEST_MIN))


def draw_cooling(figure: Figure, sheet: CoolingSheet) -> None:
    """Draw the whole sheet; the figure is `sheet.size_in`."""
    high = sheet.size_in[1]
    figure.text(LEFT, 1 - 0.12 / high, sheet.title, fontsize=11, fontweight="bold", va="top")
    for i, line in enumerate(sheet.under):
        figure.text(LEFT, 1 - (0.38 + 0.17 * i) / high, line, fontsize=8, va="top")
    for i, item in enumerate(sheet.passes):
        bottom = high - HEAD_IN - PASS_IN * (i + 1) + 0.42
        axes = figure.add_axes((LEFT, bottom / high, RIGHT - LEFT, (PASS_IN - 0.62) / high))
        _pass_panel(axes, sheet, item, is_first=i == 0)
    curves = figure.add_axes((LEFT, 0.82 / high, 0.44, (FOOT_IN - 1.2) / high))
    _curve_panel(curves, sheet)
    _words(figure, sheet, high)


def _pass_panel(axes: Axes, sheet: CoolingSheet, item: PassTimes, is_first: bool) -> None:
    """Bars of profiles and zones over the stations of one pass."""
    ends = item.mean.station_m
    for bars, colour in ((item.mean, MEAN), (item.low, LOW)):
        _profile_bars(axes, bars, colour, sheet.highest_min)
    _zone_bars(axes, item.zones, sheet.highest_min, ends)
    if len(ends) <= NARROW:
        for number, pair in zip(item.mean.number, ends, strict=True):
            axes.text(pair.mean(), sheet.highest_min * 0.985, f"{number}", ha="center", va="top", color=SOFT)
    for station_m in np.unique(ends):
        axes.axvline(station_m, color=FAINT, linewidth=0.5, zorder=0)
    axes.set_ylim(0, sheet.highest_min)
    axes.set_xlim(ends.min(), ends.max())
    labels = sheet.measures.labels
    axes.xaxis.set_major_formatter(FuncFormatter(lambda metres, _: labels.whole_text(metres)))
    axes.set_xticks(some_stations(labels, ends))
    axes.set_ylabel(f"minutes to {sheet.measures.text(sheet.cessation_c, 'temp')}")
    axes.grid(axis="y", color=FAINT, linewidth=0.4, zorder=0)
    axes.set_axisbelow(True)
    if len(sheet.passes) > 1:
        axes.set_title(f"pass {item.pass_id}", loc="left", fontsize=8)
    if is_first:
        faces = [
            Patch(facecolor=MEAN, edgecolor=INK, linewidth=0.5, label="profile, laid at its mean"),
            Patch(
                facecolor=LOW, edgecolor=INK, linewidth=0.5, hatch="///", label="profile, laid at its low end"
            ),
            Patch(facecolor=ZONE, label="cold zone, its number"),
        ]
        axes.legend(
            handles=faces, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, frameon=False, borderpad=0.2
        )


def _profile_bars(axes: Axes, bars: Bars, colour: str, top_min: float) -> None:
    for pair, times in zip(bars.station_m, np.minimum(bars.time_s / MINUTE_S, top_min), strict=True):
        if not np.isfinite(times).all():
            continue
        low, middle, high = times
        inset = np.ptp(pair) * (0.02 if colour == MEAN else 0.2)
        axes.add_patch(
            Rectangle((pair[0] + inset, low), np.ptp(pair) - 2 * inset, high - low, facecolor=colour, edgecolor=INK,
                      linewidth=0.5, hatch="///" if colour == LOW else "", zorder=2)
        )  # fmt: skip
        axes.plot([pair[0] + inset, pair[1] - inset], [middle, middle], color=INK, linewidth=1.3, zorder=3)


def _zone_bars(axes: Axes, bars: Bars, top_min: float, ends_m: np.ndarray) -> None:
    """A bar with its number for each zone; numbers nearer than they are wide are left out."""
    written, room = -np.inf, np.ptp(ends_m) * 0.018
    order = np.argsort(bars.station_m.mean(axis=1)) if len(bars.number) else ()
    for k in order:
        times, at = np.minimum(bars.time_s[k] / MINUTE_S, top_min), bars.station_m[k].mean()
        if not np.isfinite(times).all():
            continue
        for colour, width in ((PAPER, 6.0), (ZONE, 4.0)):
            axes.plot(
                [at, at], [times[0], times[2]], color=colour, linewidth=width, solid_capstyle="butt", zorder=4
            )
        axes.plot(at, times[1], marker="_", color=PAPER, markersize=5, markeredgewidth=1.4, zorder=5)
        if at - written > room:
            axes.annotate(f"{bars.number[k]}", (at, times[0]), (0, -3), textcoords="offset points", ha="center",
                          va="top", fontweight="bold", fontsize=7.5, zorder=6,
                          bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6})  # fmt: skip
            written = at


def _curve_panel(axes: Axes, sheet: CoolingSheet) -> None:
    """Mean through the mat over time, each with its interval, and the temperature to fall to."""
    to, time = sheet.measures, sheet.curve_s / MINUTE_S
    faces = ((GREYS[3], GREYS[1], "-"), (ZONE, LOW, (0, (5, 1.5))))
    for curve, (ink, tint, dash) in zip(sheet.curves, faces, strict=False):
        low, middle, high = (to.shown(row, "temp") for row in curve.temp_c)
        axes.fill_between(time, low, high, color=tint, alpha=0.8, linewidth=0, zorder=1)
        axes.plot(time, middle, color=ink, linewidth=1.5, linestyle=dash, zorder=3, label=curve.words)
    stop = to.shown(sheet.cessation_c, "temp")
    axes.axhline(stop, color=ORANGES[3], linewidth=1.1, linestyle=(0, (4, 1.5)), zorder=2)
    axes.annotate(f"{to.text(sheet.cessation_c, 'temp')}, {sheet.cessation_words}", (time[-1], stop), (-3, 3),
                  textcoords="offset points", ha="right", va="bottom", color=ORANGES[3], zorder=4)  # fmt: skip
    axes.set_xlim(0, time[-1])
    axes.set_xlabel("minutes since laid")
    axes.set_ylabel(f"mean through the mat, {to.unit('temp').name}")
    axes.grid(color=FAINT, linewidth=0.4)
    axes.set_axisbelow(True)
    axes.legend(frameon=False, loc="upper right")


def _words(figure: Figure, sheet: CoolingSheet, high: float) -> None:
    """What the intervals stand on, beside the curves, and the caution below."""
    left, top = 0.555, (FOOT_IN - 0.32) / high
    figure.text(left, top, "What the intervals stand on: 8 of 10 cases drawn evenly from", fontsize=8,
                fontweight="bold", va="top")  # fmt: skip
    lines = [
        part
        for item in sheet.assumptions
        for part in textwrap.wrap(item, 108, initial_indent="\N{BULLET} ", subsequent_indent="   ")
    ]
    figure.text(left, top - 0.2 / high, "\n".join(lines), fontsize=5.8, va="top", linespacing=1.32)
    caution = "\n".join(textwrap.wrap(sheet.caution, 170))
    figure.text(LEFT, 0.1 / high, caution, fontsize=7.5, va="bottom", color=SOFT)
