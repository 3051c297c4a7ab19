"""Plan of a lot, north up: the mat on the map with stations, cold zones, stops, and windows on the first places."""

from __future__ import annotations

import numpy as np
import rasterio
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from rasterio.enums import Resampling

from ..cog import NODATA
from .look import FAINT, INK, PAPER, SOFT, STOP, ZONE, north_arrow, outlines, picture
from .lot_sheet import Box, LotSheet
from .places import Place, first_places

PLAN_IN = (11.0, 7.0)
WINDOW_M = 14.0
MOST_PIXELS, DOTS_FROM_M = 1400, 1500.0
LABEL_FRAC = 0.065  # of the plan, that a station label takes


def draw_plan(figure: Figure, sheet: LotSheet) -> None:
    """Draw the whole lot, and beside it a window on each of the first places."""
    places = [place for place in first_places(sheet) if place.kind != "gap"]
    axes = figure.add_axes((0.015, 0.02, 0.66 if places else 0.97, 0.96))
    box = _fitted(axes, _bounds(sheet))
    _frame(axes, box)
    _mat(axes, sheet, box)
    _ticks(axes, sheet, box)
    _marks(axes, sheet, box)
    _furniture(axes, sheet)
    for i, place in enumerate(places):
        window = figure.add_axes((0.69, 0.675 - i * 0.33, 0.295, 0.305))
        _window(window, axes, sheet, place)


def _bounds(sheet: LotSheet) -> Box:
    east = np.concatenate([spine.easting_m for spine in sheet.spines.values()])
    north = np.concatenate([spine.northing_m for spine in sheet.spines.values()])
    margin = 0.07 * max(np.ptp(east), np.ptp(north), 20.0)
    return east.min() - margin, north.min() - margin, east.max() + margin, north.max() + margin


def _fitted(axes: Axes, box: Box) -> Box:
    """Widen a box to the proportions of its axes, so that lengths east and north are drawn alike."""
    wide, high = axes.bbox.width, axes.bbox.height
    scale = max((box[2] - box[0]) / wide, (box[3] - box[1]) / high)
    east, north = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    return (
        east - scale * wide / 2,
        north - scale * high / 2,
        east + scale * wide / 2,
        north + scale * high / 2,
    )


def _frame(axes: Axes, box: Box) -> None:
    axes.set_xlim(box[0], box[2])
    axes.set_ylim(box[1], box[3])
    axes.set_xticks([])
    axes.set_yticks([])
    for side in axes.spines.values():
        side.set_visible(True)
        side.set_linewidth(0.6)


def _mat(axes: Axes, sheet: LotSheet, box: Box) -> None:
    """Draw the tiles that touch the box as one picture, coarser where the box is large."""
    cell = float(sheet.config["grid"]["map_cell_m"])
    coarser = max(int(np.ceil(max(box[2] - box[0], box[3] - box[1]) / cell / MOST_PIXELS)), 1)
    cell *= coarser
    rows, cols = (int(np.ceil((box[i + 2] - box[i]) / cell)) + 1 for i in (1, 0))
    whole = np.full((rows, cols), np.nan, dtype=np.float32)
    for tile, (west, south, east, north) in sheet.tiles:
        if east < box[0] or west > box[2] or north < box[1] or south > box[3]:
            continue
        with rasterio.open(tile) as file:
            shape = (-(-file.height // coarser), -(-file.width // coarser))
            values = file.read(1, out_shape=shape, resampling=Resampling.average, masked=True)
        part = values.filled(NODATA)
        row, col = round((box[3] - north) / cell), round((west - box[0]) / cell)
        _paste(whole, np.where(part == NODATA, np.nan, part), row, col)
    unit = sheet.measures.unit("temp")
    extent = (box[0], box[0] + cols * cell, box[3] - rows * cell, box[3])
    axes.imshow(picture((whole - unit.shift) / unit.factor, sheet.ramp, sheet.measures), extent=extent,
                aspect="auto", interpolation="none", zorder=2)  # fmt: skip
    _frame(axes, box)


def _paste(whole: np.ndarray, part: np.ndarray, row: int, col: int) -> None:
    """Put the filled cells of a part at a place of the whole, as far as it reaches into it."""
    top, left = max(row, 0), max(col, 0)
    bottom, right = min(row + part.shape[0], whole.shape[0]), min(col + part.shape[1], whole.shape[1])
    if bottom <= top or right <= left:
        return
    inside = part[top - row : bottom - row, left - col : right - col]
    here = whole[top:bottom, left:right]
    np.copyto(here, inside, where=np.isfinite(inside))


def _ticks(axes: Axes, sheet: LotSheet, box: Box) -> None:
    """Station ticks across the line, every so many that their labels do not touch."""
    ticks = sheet.frames["station_ticks"]
    ticks = ticks[ticks.geometry.notna()]
    size = max(box[2] - box[0], box[3] - box[1])
    every = max(int(np.ceil(len(ticks) / 14)), 1)
    for i, (_, tick) in enumerate(ticks.iterrows()):
        turn = np.radians(tick["azimuth_deg"] + 90)
        across = np.array([np.sin(turn), np.cos(turn)])
        place = np.array([tick.geometry.x, tick.geometry.y])
        ends = np.array([place - across * size * 0.012, place + across * size * 0.012])
        if i % every:
            continue
        axes.plot(*ends.T, color=INK, linewidth=0.7, zorder=5)
        at = place - across * size * 0.02
        sides = _reading_side(at[0], across[0], box), "bottom" if across[1] < 0 else "top"
        text = sheet.measures.labels.whole_text(tick["station_m"])
        axes.text(*at, text, fontsize=7, ha=sides[0], va=sides[1], zorder=6)


def _reading_side(easting_m: float, across_east: float, box: Box) -> str:
    """Side of a station label that its tick is at: away from the mat, but never through the frame."""
    room = LABEL_FRAC * (box[2] - box[0])
    if easting_m - box[0] < room:
        return "left"
    if box[2] - easting_m < room:
        return "right"
    return "right" if across_east > 0 else "left"


def _marks(axes: Axes, sheet: LotSheet, box: Box) -> None:
    """Outline zones and stops; where they would be smaller than a dot, they are dots."""
    small = max(box[2] - box[0], box[3] - box[1]) > DOTS_FROM_M
    for layer, colour, width, order in (("cold_zones", ZONE, 1.2, 6), ("stops", STOP, 0.9, 8)):
        frame = sheet.frames[layer]
        shapes = frame.geometry[frame.geometry.notna()].to_numpy()
        shapes = shapes[shapely.intersects(shapes, shapely.box(*box))]
        if small:
            middle = shapely.get_coordinates(shapely.centroid(shapes))
            axes.scatter(
                *middle.T,
                s=4 if layer == "cold_zones" else 12,
                c=colour,
                edgecolors=PAPER,
                linewidths=0.3,
                zorder=order + 1,
            )
            continue
        parts = shapely.get_parts(shapely.simplify(shapes, 0.03))
        lines = [np.asarray(part.exterior.coords)[:, :2] for part in parts]
        outlines(axes, lines, colour, width, order)


def _furniture(axes: Axes, sheet: LotSheet) -> None:
    """Scale bar and north arrow, in the corner that the mat leaves free."""
    (west, east), (south, north) = axes.get_xlim(), axes.get_ylim()
    wide, high = east - west, north - south
    unit = sheet.measures.unit("distance")
    length = _round_length(wide * 0.2 * unit.factor)
    corner = _free_corner(sheet, (west, south, east, north))
    x = west + 0.05 * wide if corner[0] < 0 else east - 0.05 * wide - length / unit.factor
    y = south + 0.06 * high if corner[1] < 0 else north - 0.16 * high
    for part, colour in ((0, INK), (1, PAPER)):
        axes.add_patch(Rectangle((x + part * length / unit.factor / 2, y), length / unit.factor / 2, high * 0.01,
                                 facecolor=colour, edgecolor=INK, linewidth=0.6, zorder=9))  # fmt: skip
    for share in (0, 0.5, 1):
        text = f"{length * share:g}" + (f" {unit.name}" if share == 1 else "")
        axes.text(x + share * length / unit.factor, y + high * 0.018, text, ha="center", fontsize=7, zorder=9)
    north_arrow(axes, x + length / unit.factor / 2, y + high * 0.095, high * 0.075)


def _round_length(length: float) -> float:
    """Round down to 1, 2 or 5 times a power of ten."""
    power = 10 ** np.floor(np.log10(max(length, 1e-6)))
    return float(max(step for step in (1, 2, 5) if step * power <= length) * power)


def _free_corner(sheet: LotSheet, box: Box) -> tuple[int, int]:
    """Corner (-1 or 1 east, -1 or 1 north) farthest from the mat."""
    east = np.concatenate([spine.easting_m for spine in sheet.spines.values()])
    north = np.concatenate([spine.northing_m for spine in sheet.spines.values()])
    corners = [(a, b) for b in (-1, 1) for a in (1, -1)]
    away = [
        np.hypot(east - (box[2] if a > 0 else box[0]), north - (box[3] if b > 0 else box[1])).min()
        for a, b in corners
    ]
    return corners[int(np.argmax(away))]


def _window(axes: Axes, plan: Axes, sheet: LotSheet, place: Place) -> None:
    """Draw the ground around one place, and its frame on the plan."""
    spine = sheet.spines[place.pass_id]
    at = int(np.argmin(np.abs(spine.station_m - (place.station_from_m + place.station_to_m) / 2)))
    half = max(WINDOW_M, (place.station_to_m - place.station_from_m) * 0.75) / 2
    east, north = spine.easting_m[at], spine.northing_m[at]
    box = _fitted(axes, (east - half, north - half, east + half, north + half))
    _frame(axes, box)
    _mat(axes, sheet, box)
    _marks(axes, sheet, box)
    name = "zone" if place.kind == "zone" else "stop"
    axes.text(0.03, 0.95, f"{name} {place.number}, sta {sheet.measures.station(place.station_from_m)}", fontsize=7.5,
              fontweight="bold", va="top", transform=axes.transAxes, zorder=10,
              bbox={"facecolor": PAPER, "edgecolor": FAINT, "linewidth": 0.4, "pad": 2})  # fmt: skip
    plan.add_patch(Rectangle(box[:2], box[2] - box[0], box[3] - box[1], fill=False, edgecolor=SOFT, linewidth=0.8,
                             zorder=9))  # fmt: skip
    label = {"facecolor": PAPER, "edgecolor": "none", "pad": 0.8, "alpha": 0.9}
    plan.annotate(f"{name} {place.number}", ((box[0] + box[2]) / 2, box[1]), (0, -4), textcoords="offset points",
                  fontsize=7, ha="center", va="top", bbox=label, zorder=12)  # fmt: skip
