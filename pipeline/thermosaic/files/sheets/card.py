"""card.png: the lot on one phone screen."""

from __future__ import annotations

import textwrap
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from PIL import Image

from .look import FAINT, INK, PAPER, SOFT, bare, class_face, drawing, picture, pixels
from .lot_sheet import LotSheet
from .measures import duration, number
from .places import first_places
from .words import Words, pass_words, place_words

SIZE_IN, CARD_DPI = (5.4, 9.6), 200
LEFT, RIGHT = 0.4, 5.0
LEAST_ROW_FRAC = 0.1  # of the fullest row: rows with less are the path wandering over the edge
COLOURS, RAMP_STEPS = 255, 128
PLACE_IN = 1.02
LINE_SIGNS = 68


def write_card(path: Path, sheet: LotSheet, words: Words) -> None:
    """Write the card, 1080 x 1920 pixels of at most 256 colours."""
    with drawing(*SIZE_IN) as figure:
        draw_card(figure, sheet, words)
        image = pixels(figure, CARD_DPI)
    image.quantize(COLOURS, dither=Image.Dither.NONE).save(path, "PNG")


def draw_card(figure: Figure, sheet: LotSheet, words: Words) -> None:
    """Draw the card on a figure of SIZE_IN; data coordinates are inches from its lower left corner."""
    axes = bare(figure.add_axes((0, 0, 1, 1)))
    axes.set_xlim(0, SIZE_IN[0])
    axes.set_ylim(0, SIZE_IN[1])
    _head(axes, sheet, words)
    _strip(axes, sheet, words)
    _classes(axes, sheet, words)
    _counts(axes, sheet, words)
    _first(axes, sheet, words)
    _foot(axes, sheet, words)


def _rule(axes: Axes, y: float) -> None:
    axes.plot([LEFT, RIGHT], [y, y], color=INK, linewidth=0.7)


def _head(axes: Axes, sheet: LotSheet, words: Words) -> None:
    lot, to = sheet.config["lot"], sheet.measures
    axes.text(LEFT, 9.2, lot["id"][:34], fontsize=15, fontweight="bold", va="center")
    axes.text(LEFT, 8.9, f"{lot['route'][:44]}", fontsize=10, va="center")
    key = "paving" if len(sheet.lanes) == 1 else "paving_lanes"
    lane = words(key, lane=" & ".join(sheet.lanes), lift=lot["lift"])
    axes.text(LEFT, 8.67, f"{lane}   {sheet.whole['paved_on']}", fontsize=9.5, va="center", color=SOFT)
    span = (
        f"{to.station(sheet.whole['station_from_m'])} \N{EN DASH} {to.station(sheet.whole['station_to_m'])}"
    )
    axes.text(RIGHT, 8.67, span, fontsize=9.5, va="center", ha="right", color=SOFT)


def _strip(axes: Axes, sheet: LotSheet, words: Words) -> None:
    """The whole mat of the longest pass as one strip, named where there are several."""
    if not sheet.mats:
        return
    mat = max(sheet.mats, key=lambda mat: mat.temp_c.shape[1])
    step = max(mat.temp_c.shape[1] // 900, 1)
    shown = mat.temp_c[:, : mat.temp_c.shape[1] // step * step]
    blocks = shown.reshape(len(shown), -1, step)
    filled = np.isfinite(blocks)
    coldest = np.where(filled.any(axis=2), np.where(filled, blocks, np.inf).min(axis=2), np.nan)
    held = np.isfinite(coldest).sum(axis=1)
    coldest = coldest[held > LEAST_ROW_FRAC * held.max()]
    axes.add_patch(
        Rectangle(
            (LEFT, 7.88), RIGHT - LEFT, 0.5, facecolor=PAPER, hatch="xxx", edgecolor=FAINT, linewidth=0.5
        )
    )
    axes.imshow(picture(coldest, sheet.ramp, sheet.measures), extent=(LEFT, RIGHT, 7.88, 8.38), aspect="auto",
                interpolation="none", zorder=2)  # fmt: skip
    axes.set_xlim(0, SIZE_IN[0])
    axes.set_ylim(0, SIZE_IN[1])
    shown_pass = pass_words(sheet, mat.pass_id, words)
    if shown_pass:
        axes.text(LEFT, 7.76, shown_pass, fontsize=7.5, color=SOFT, va="center")
    _colours(axes, sheet)


def _colours(axes: Axes, sheet: LotSheet) -> None:
    """The strip's colours from cold to hot, with the temperatures at their ends."""
    ramp, sign = sheet.ramp, sheet.measures.unit("temp").name
    left, right = RIGHT - 1.5, RIGHT - 0.5
    colours = ramp.rgb(np.linspace(ramp.low, ramp.high, RAMP_STEPS))[np.newaxis]
    axes.imshow(colours, extent=(left, right, 7.72, 7.8), aspect="auto", interpolation="none", zorder=2)
    axes.set_xlim(0, SIZE_IN[0])
    axes.set_ylim(0, SIZE_IN[1])
    ends = ((left - 0.08, f"{ramp.low:g}", "right"), (right + 0.08, f"{ramp.high:g} {sign}", "left"))
    for x, text, side in ends:
        axes.text(x, 7.76, text, fontsize=7.5, color=SOFT, va="center", ha=side)


def _classes(axes: Axes, sheet: LotSheet, words: Words) -> None:
    """Profiles by class as one bar, hatched, with their numbers below."""
    whole, total = sheet.whole, max(int(sheet.whole["profile_count"]), 1)
    counts = [int(whole[f"class_{rank}_count"]) for rank in range(len(sheet.class_words))]
    parts = [*zip(sheet.class_words, counts, range(len(counts)), strict=True)]
    parts.append((words("insufficient"), int(whole["insufficient_count"]), None))
    axes.text(
        LEFT,
        7.42,
        f"{words('profiles')}: {int(whole['profile_count'])}",
        fontsize=10.5,
        fontweight="bold",
        va="center",
    )
    x, step = LEFT, (RIGHT - LEFT) / len(parts)
    for i, (word, count, rank) in enumerate(parts):
        colour, hatch = class_face(rank, len(counts))
        wide = (RIGHT - LEFT) * count / total
        axes.add_patch(
            Rectangle((x, 7.0), wide, 0.26, facecolor=colour, hatch=hatch, edgecolor=INK, linewidth=0.6)
        )
        x += wide
        left = LEFT + i * step
        axes.add_patch(
            Rectangle((left, 6.7), 0.2, 0.16, facecolor=colour, hatch=hatch, edgecolor=INK, linewidth=0.6)
        )
        axes.text(left + 0.26, 6.78, f"{count} {word}", fontsize=8.5, va="center")


def _counts(axes: Axes, sheet: LotSheet, words: Words) -> None:
    """Six numbers in two columns; the unmeasured length is one of them."""
    whole, to = sheet.whole, sheet.measures
    stops = f"{int(whole['stop_count'])}" + (
        f" ({duration(whole['stopped_s'])})" if whole["stop_count"] else ""
    )
    share = number(100 * whole["unmeasured_m"] / max(float(whole["paved_m"]), 1e-9), 1)
    boxes = [
        (words("paved"), to.text(whole["paved_m"], "distance"), False),
        (
            words("unmeasured"),
            f"{to.text(whole['unmeasured_m'], 'distance')} ({share} %)",
            whole["unmeasured_m"] > 0,
        ),
        (words("zones"), f"{int(whole['zone_count'])}", False),
        (words("stops"), stops, False),
        (words("speed"), to.text(whole["speed_mean_mps"], "speed"), False),
        (words("position"), f"± {to.text(whole['sigma_p50_m'], 'sigma')}", False),
    ]
    _rule(axes, 6.48)
    for i, (name, text, loud) in enumerate(boxes):
        x, y = LEFT + (i % 2) * 2.35, 6.26 - (i // 2) * 0.56
        if loud:
            axes.add_patch(
                Rectangle((x - 0.08, y - 0.36), 2.2, 0.5, facecolor=PAPER, edgecolor=INK, linewidth=1.4)
            )
        axes.text(x, y, name, fontsize=8, va="center", color=SOFT)
        axes.text(x, y - 0.23, text, fontsize=12, va="center", fontweight="bold")
    _rule(axes, 4.72)


def _first(axes: Axes, sheet: LotSheet, words: Words) -> None:
    """The places in words, each in a third of the room."""
    axes.text(LEFT, 4.5, words("look_first"), fontsize=10.5, fontweight="bold", va="center")
    places = [place_words(sheet, place, words) for place in first_places(sheet)]
    if not places:
        axes.text(
            LEFT, 4.22, textwrap.fill(words("nothing_first"), 70), fontsize=8.5, va="top", linespacing=1.4
        )
    for i, place in enumerate(places):
        y = 4.22 - i * PLACE_IN
        axes.text(LEFT, y, f"{i + 1}", fontsize=15, fontweight="bold", va="top", color=SOFT)
        axes.text(LEFT + 0.3, y, place.title, fontsize=9, fontweight="bold", va="top")
        when = place.when.split(" (")[0]
        parts = [part for part in (place.where, place.size, when, place.doing) if part]
        sentence = " ".join(f"{part[0].upper()}{part[1:]}." for part in parts)
        text = textwrap.fill(sentence, LINE_SIGNS)
        axes.text(LEFT + 0.3, y - 0.19, text, fontsize=8.2, va="top", linespacing=1.4)


def _foot(axes: Axes, sheet: LotSheet, words: Words) -> None:
    _rule(axes, 1.06)
    caution = textwrap.fill(words.cautions(sheet)[1], 78)
    axes.text(LEFT, 0.94, caution, fontsize=7, va="top", linespacing=1.35)
    axes.text(
        LEFT, 0.22, f"thermosaic {sheet.manifest['version']}   {words('card_more')}", fontsize=7, color=SOFT
    )
