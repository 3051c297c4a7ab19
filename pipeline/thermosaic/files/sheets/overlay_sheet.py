"""Sheet of an overlay: the strip sheets with cores and as-built polygons on the mat, density by deficit below."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from ...delivery import Reader, deliver, unit_in_text
from .look import INK, PAPER, SOFT, drawing, outlines, save
from .lot_sheet import LotSheet
from .strips import (
    LEFT_IN,
    LEGEND_IN,
    MAT_IN,
    RIGHT_IN,
    ROW_IN,
    WIDTH_IN,
    Row,
    across_sheet,
    along_sheet,
    draw_legend,
    draw_row,
    inch_axes,
    rows_of,
)

MARKS = {"core": "o", "gauge": "D", "point": "X"}
KEY_IN, CHART_IN, PLOT_IN = 0.42, 3.3, 2.35
LARGEST_NAME = 12


def draw_overlay(path: Path, sheet: LotSheet, cores: pd.DataFrame, areas: pd.DataFrame) -> None:
    """Draw all rows of a lot with what was laid over them.

    Parameters
    ----------
    cores, areas : frames with the columns of `tables.CORES` and `tables.ASBUILT_AREAS`, SI, geometry in metres.
    """
    rows = rows_of(sheet)
    charted = cores[cores["deficit_delta_c"].notna() & cores["density_kg_m3"].notna()]
    bottom_in = CHART_IN if len(charted) > 1 else 0.0
    with drawing(WIDTH_IN, LEGEND_IN + KEY_IN + ROW_IN * len(rows) + bottom_in) as figure:
        draw_legend(figure, 0, sheet)
        _key(figure, sheet)
        for i, row in enumerate(rows):
            axes = draw_row(figure, LEGEND_IN + KEY_IN + i * ROW_IN, sheet, row)
            _areas(axes, sheet, row, areas)
            _cores(axes, sheet, row, cores)
        if len(charted) > 1:
            _chart(figure, sheet, charted)
        save(figure, path)


def _key(figure: Figure, sheet: LotSheet) -> None:
    """Draw what is laid over the strips."""
    axes = inch_axes(figure, LEGEND_IN, KEY_IN)
    axes.text(0.3, 0.22, "Laid over it", fontsize=7.5, fontweight="bold", va="center")
    for x, (kind, words) in zip(
        (1.3, 2.1, 3.5),
        (("core", "core"), ("gauge", "gauge reading"), ("point", "as-built point")),
        strict=True,
    ):
        _mark(axes, x, 0.22, kind)
        axes.text(x + 0.12, 0.22, words, fontsize=7, va="center")
    axes.plot([4.75, 4.95], [0.22, 0.22], color=INK, linewidth=1.0)
    axes.plot([4.85, 4.85], [0.14, 0.30], color=INK, linewidth=1.0)
    axes.text(5.02, 0.22, "one sigma of its place, along and across", fontsize=7, va="center")
    axes.add_patch(Rectangle((7.35, 0.13), 0.3, 0.18, fill=False, edgecolor=INK, linewidth=1.1))
    axes.text(7.72, 0.22, "as-built polygon, its number", fontsize=7, va="center")


def _mark(axes: Axes, x: float, y: float, kind: str) -> None:
    axes.plot([x], [y], marker=MARKS[kind], markersize=5.2, markerfacecolor=PAPER, markeredgecolor=INK,
              markeredgewidth=1.1, zorder=12)  # fmt: skip


def _cores(axes: Axes, sheet: LotSheet, row: Row, cores: pd.DataFrame) -> None:
    """Mark cores of the row with their sigmas and names."""
    at, across = along_sheet(row), across_sheet(sheet, row)
    if across is None:
        return
    inside = (cores["pass_id"] == row.pass_id) & cores["station_m"].between(
        row.station_from_m, row.station_to_m
    )
    for _, core in cores[inside].iterrows():
        x, y = at(core["station_m"]), across(core["offset_m"])
        wide = at(core["station_m"] + core["sigma_along_m"]) - x
        tall = across(core["offset_m"] + core["sigma_across_m"]) - y
        for ink, width, order in ((PAPER, 2.4, 10), (INK, 1.0, 11)):
            axes.plot(_within([x - wide, x + wide]), [y, y], color=ink, linewidth=width, zorder=order)
            axes.plot([x, x], _held(np.array([y - tall, y + tall])), color=ink, linewidth=width, zorder=order)
        _mark(axes, x, y, core["kind"])
        box = {"facecolor": PAPER, "edgecolor": "none", "pad": 0.8, "alpha": 0.88}
        axes.text(x + 0.07, y, str(core["core_id"])[:LARGEST_NAME], fontsize=6.2, va="center", ha="left",
                  zorder=13, bbox=box)  # fmt: skip


def _areas(axes: Axes, sheet: LotSheet, row: Row, areas: pd.DataFrame) -> None:
    """Outline as-built polygons on the mat."""
    at, across, spine = along_sheet(row), across_sheet(sheet, row), sheet.spines.get(row.pass_id)
    if across is None or spine is None:
        return
    between = (row.station_from_m, row.station_to_m)
    for _, area in areas.iterrows():
        lines = []
        for part in shapely.get_parts(area.geometry):
            ring = shapely.get_coordinates(shapely.segmentize(part.exterior, 1.0))
            station, offset = spine.locate(ring, between)
            known = np.isfinite(station) & (station >= between[0] - 1) & (station <= between[1] + 1)
            if known.sum() > 2:
                lines.append(np.column_stack([at(station[known]), _held(across(offset[known]))]))
        outlines(axes, lines, INK, 1.1, 7)
        for line in lines:
            x, y = line.mean(axis=0)
            box = {"facecolor": PAPER, "edgecolor": INK, "linewidth": 0.5, "pad": 1.2}
            axes.text(x, y, str(area["area_id"]), fontsize=6.2, ha="center", va="center", zorder=9, bbox=box)


def _within(x: list[float]) -> np.ndarray:
    """Keep what runs beyond the ends of a row at them."""
    return np.clip(x, LEFT_IN, WIDTH_IN - RIGHT_IN)


def _held(y: np.ndarray) -> np.ndarray:
    """Keep what runs beyond the mat's band within a little of it."""
    return np.clip(y, MAT_IN[0] - 0.05, MAT_IN[1] + 0.05)


def _chart(figure: Figure, sheet: LotSheet, cores: pd.DataFrame) -> None:
    """Draw density by deficit with what the places leave open; cores and gauge readings by their marks."""
    reader = Reader(sheet.measures.delivery, sheet.measures.foot_m)
    of_gmm = cores["of_gmm_frac"].notna().all()
    high = figure.get_figheight()
    axes = figure.add_axes((LEFT_IN / WIDTH_IN, 0.55 / high, 5.4 / WIDTH_IN, PLOT_IN / high))
    for kind, own in cores.groupby("kind", sort=True):
        x, wide = (
            deliver(own[name].to_numpy(float), name, *reader)
            for name in ("deficit_delta_c", "temp_sd_delta_c")
        )
        y = own["of_gmm_frac"] * 100 if of_gmm else deliver(own["density_kg_m3"], "density_kg_m3", *reader)
        axes.errorbar(x, y, xerr=wide, fmt=MARKS[str(kind)], markersize=5.2, markerfacecolor=PAPER,
                      markeredgecolor=INK, ecolor=SOFT, elinewidth=0.8, label=str(kind))  # fmt: skip
    sign = sheet.measures.unit("delta").name
    axes.set_xlabel(
        f"temperature deficit below the mat around, {sign}; bar: one sd within the place's uncertainty"
    )
    unit = unit_in_text("density_kg_m3", reader.units)
    axes.set_ylabel("density, % of Gmm" if of_gmm else f"density, {unit}")
    axes.grid(visible=True, linewidth=0.3, color=SOFT, alpha=0.5)
    axes.legend(
        frameon=False, loc="lower left", bbox_to_anchor=(0, 1), ncols=2, borderpad=0.1
    )  # no mark among data
    figure.text(
        6.75 / WIDTH_IN, (0.55 + PLOT_IN) / high, "Density by temperature deficit", fontsize=8.5, fontweight="bold",
        va="top",
    )  # fmt: skip
    caution = (
        "Surface temperature at laydown is not density.\nRolling, layer thickness, mix and base count as well.\n"
        "These are the places that were cored, no sample\nof the lot unless they were drawn at random.\n"
        "Not for acceptance or pay."
    )
    figure.text(6.75 / WIDTH_IN, (0.25 + PLOT_IN) / high, caution, fontsize=7.5, va="top", linespacing=1.5)
