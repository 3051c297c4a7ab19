"""Two plain charts: the paver's speed along the stations, and how many readings have which temperature."""

from __future__ import annotations

import numpy as np
import pyarrow.parquet as pq
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from ...units import StationLabels
from ..parquet import SPOTS_FILE
from .look import FAINT, INK, PAPER, RIBBON, SOFT, STOP
from .lot_sheet import LotSheet
from .measures import duration, number

CHART_IN = (11.0, 3.6)
BIN = {"us": 2.0, "si": 1.0}  # degF, degC


def draw_speed(figure: Figure, sheet: LotSheet) -> None:
    """Draw one panel a pass: speed over station, segments' means, stops."""
    passes = list(sheet.spines)
    for i, pass_id in enumerate(passes):
        high = 0.78 / len(passes)
        axes = figure.add_axes((0.07, 0.14 + (len(passes) - 1 - i) * high, 0.9, high * 0.82))
        _speed_panel(axes, sheet, pass_id)
        if len(passes) > 1:
            axes.set_title(f"pass {pass_id}", loc="left", fontsize=8)
    figure.text(0.07, 0.95, "Paver speed", fontsize=10, fontweight="bold", va="top")


def _speed_panel(axes: Axes, sheet: LotSheet, pass_id: str) -> None:
    spine, to = sheet.spines[pass_id], sheet.measures
    speed = to.shown(spine.speed_mps, "speed")
    for piece in np.split(np.arange(len(speed)), np.flatnonzero(~spine.joined) + 1):
        axes.fill_between(spine.station_m[piece], 0, speed[piece], color=RIBBON, alpha=0.6, linewidth=0)
    segments = sheet.frames["speed_segments"]
    for _, segment in segments[segments["pass_id"] == pass_id].iterrows():
        mean = to.shown(segment["speed_mean_mps"], "speed")
        axes.plot(
            [segment["station_from_m"], segment["station_to_m"]], [mean, mean], color=INK, linewidth=1.2
        )
    top = max(float(np.nanmax(speed)), 1e-3) * 1.25
    stops = sheet.frames["stops"]
    for _, stop in stops[stops["pass_id"] == pass_id].iterrows():
        axes.axvline(stop["station_m"], color=STOP, linewidth=1.2, linestyle=(0, (4, 1.5)))
        axes.annotate(
            f" stood {duration(stop['duration_s'])}",
            (stop["station_m"], top * 0.93),
            color=STOP,
            fontsize=7.5,
        )
    axes.set_ylim(0, top)
    axes.set_xlim(spine.station_m.min(), spine.station_m.max())
    axes.set_ylabel(to.unit("speed").name)
    axes.xaxis.set_major_formatter(FuncFormatter(lambda metres, _: to.labels.whole_text(metres)))
    axes.set_xticks(some_stations(sheet.measures.labels, spine.station_m))
    axes.grid(axis="y", color=FAINT, linewidth=0.4)


def some_stations(labels: StationLabels, station_m: np.ndarray) -> list[float]:
    """About ten whole stations over the range."""
    step = labels.tick_m * max(int(np.ceil(np.ptp(station_m) / labels.tick_m / 10)), 1)
    return labels.whole_stations(float(station_m.min()), float(station_m.max()), step)


def draw_histogram(figure: Figure, sheet: LotSheet) -> None:
    """Draw kept readings as bars and the others, first looks only, as a line, with the lot's percentiles."""
    to = sheet.measures
    frame = pq.read_table(sheet.folder / SPOTS_FILE, columns=["temp_c", "kept", "dropped_reason"]).to_pandas()
    shown = to.shown(frame["temp_c"].to_numpy(dtype=float), "temp")
    kept = frame["kept"].to_numpy() & np.isfinite(shown)
    other = ~kept & np.isfinite(shown) & (frame["dropped_reason"] != "second_look").to_numpy()
    edges = _bar_edges(shown, kept, BIN[to.delivery])
    within = [np.clip(shown[which], edges[0], edges[-1]) for which in (kept, other)]
    axes = figure.add_axes((0.07, 0.16, 0.9, 0.64))
    axes.hist(
        within[0], edges, color=RIBBON, edgecolor=PAPER, linewidth=0.3, label=f"kept, {number(kept.sum(), 0)}"
    )
    axes.hist(within[1], edges, histtype="step", color=INK, linewidth=0.9,
              label=f"left out, first looks, {number(other.sum(), 0)}")  # fmt: skip
    _percentile_lines(axes, shown[kept])
    axes.set_xlim(edges[0], edges[-1])
    axes.set_xlabel(f"reading, {to.unit('temp').name}; the outer bars hold everything beyond")
    axes.set_ylabel("readings")
    axes.yaxis.set_major_formatter(FuncFormatter(lambda count, _: f"{count:,.0f}"))
    axes.legend(frameon=True, framealpha=1, facecolor=PAPER, edgecolor="none", loc="upper left")
    figure.text(
        0.07,
        0.96,
        "Readings by temperature",
        fontsize=10,
        fontweight="bold",
        va="top",
    )


def _bar_edges(shown: np.ndarray, kept: np.ndarray, width: float) -> np.ndarray:
    """Edges of the bars: a thousandth of the kept readings lies beyond either end."""
    values = shown[kept] if kept.any() else np.zeros(1)
    low, high = np.percentile(values, (0.1, 99.9))
    return np.arange(np.floor(low / width) - 5, np.ceil(high / width) + 6) * width


def _percentile_lines(axes: Axes, values: np.ndarray) -> None:
    for percent, side in ((1, "center"), (50, "right"), (98.5, "left")) if len(values) else ():
        value = float(np.percentile(values, percent))
        axes.axvline(value, color=SOFT, linewidth=0.7, linestyle=(0, (2, 2)))
        axes.annotate(f"{percent:g} %: {value:.0f}", (value, 1.01), xycoords=("data", "axes fraction"), fontsize=7.5,
                      ha=side, va="bottom", color=SOFT)  # fmt: skip
