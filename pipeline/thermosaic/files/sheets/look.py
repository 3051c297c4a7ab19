"""How the drawings look: ink, hatching, ramp, and matplotlib set so that the same input gives the same bytes.

Classes differ by hatching first and by a ColorBrewer shade second, so they hold in greyscale print.
"""

from __future__ import annotations

import contextlib
import io
import pathlib
import re
from collections.abc import Iterator
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import FancyArrow, PathPatch, Rectangle
from matplotlib.path import Path
from PIL import Image

from ...errors import ConfigError, ProductError
from ..looks.ramp import ColourRamp
from ..looks.styles import BLUES, GREYS, INK, ORANGES, PURPLES
from .measures import Measures

PAPER, FAINT, SOFT = "#ffffff", GREYS[1], GREYS[3]
HATCHES = ("", "///", "//////", "xxx", "xxxxx")
ZONE, STOP, RIBBON = BLUES[2], ORANGES[3], "#bdbdbd"
DPI = 150
SETTINGS: dict[str, Any] = {
    "font.family": "DejaVu Sans", "font.size": 7.5, "text.color": INK, "axes.edgecolor": INK,
    "axes.labelcolor": INK, "xtick.color": INK, "ytick.color": INK, "axes.linewidth": 0.6,
    "hatch.linewidth": 0.5, "svg.fonttype": "none", "svg.hashsalt": "thermosaic", "figure.dpi": DPI,
    "savefig.dpi": DPI, "path.simplify": True, "axes.spines.top": False, "axes.spines.right": False,
    "pdf.fonttype": 42,
}  # fmt: skip


@contextlib.contextmanager
def drawing(width_in: float, height_in: float) -> Iterator[Figure]:
    """Give an empty figure in the sheets' own settings, whatever the user's are."""
    plain = {key: value for key, value in matplotlib.rcParamsDefault.items() if key != "backend"}
    with matplotlib.rc_context({**plain, **SETTINGS}):
        yield Figure(figsize=(width_in, height_in), facecolor=PAPER)


def svg_text(figure: Figure) -> str:
    """Write a figure as SVG for a page: no prolog, no metadata, nothing that names another document."""
    buffer = io.StringIO()
    nothing = dict.fromkeys(("Creator", "Date", "Format", "Type"))
    figure.savefig(buffer, format="svg", metadata=nothing)
    text = buffer.getvalue()
    return _PLACES.sub(_rounded, _NAMES.sub("", text[text.index("<svg") :]))


_PLACES = re.compile(r' d="([^"]*)"')
_NAMES = re.compile(r' id="[A-Za-z]\w*_\d+"')  # of groups, which nothing refers to


def _rounded(match: re.Match[str]) -> str:
    """Write an SVG path on one line, its numbers with two decimals: hundredths of a point."""
    return re.sub(r"(\.\d\d)\d+", r"\1", re.sub(r"\s*([A-Za-z])\s*", r"\1", match[1]).strip()).join(
        (' d="', '"')
    )


def save(figure: Figure, path: pathlib.Path) -> None:
    """Write a figure as PNG or SVG by the path's ending, without date or program.

    Raises
    ------
    ConfigError
        Its folder is not there.
    ProductError
        It cannot be written there.
    """
    if not path.parent.is_dir():
        raise ConfigError(f"{path.parent}: is no folder: make it, or name another place for {path.name}")
    options: dict[str, Any] = {"format": "png", "dpi": DPI, "metadata": {"Software": None}}
    if path.suffix.lower() == ".svg":
        options = {"format": "svg", "metadata": dict.fromkeys(("Creator", "Date", "Format", "Type"))}
    try:
        figure.savefig(path, **options)
    except OSError as error:
        why = error.strerror or error
        raise ProductError(f"{path}: {why}: make room there, or check permission") from error


def pixels(figure: Figure, dpi: int) -> Image.Image:
    """Draw a figure as an image without alpha."""
    figure.set_dpi(dpi)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")


def outlines(axes: Axes, lines: list[np.ndarray], colour: str, width: float, above: int) -> None:
    """Draw closed lines with a light rim as two paths, however many there are."""
    if not lines:
        return
    path = Path.make_compound_path(*(Path(line) for line in lines))
    for ink, wide, order in ((PAPER, width + 1.1, above), (colour, width, above + 1)):
        axes.add_patch(
            PathPatch(path, fill=False, edgecolor=ink, linewidth=wide, joinstyle="round", zorder=order)
        )


def class_face(rank: float | None, words: int) -> tuple[str, str]:
    """Colour and hatching of a class rank; insufficient is white and dotted."""
    if rank is None or not np.isfinite(rank):
        return PAPER, "..."
    return PURPLES[round(int(rank) * 3 / max(words - 1, 1))], HATCHES[int(rank)]


def picture(temp_c: np.ndarray, ramp: ColourRamp, measures: Measures) -> np.ndarray:
    """Colour temperatures by the lot's ramp, uint8 (row, col, 4); empty cells are clear."""
    temp_c, filled = np.asarray(temp_c, dtype=float), np.isfinite(temp_c)
    drawn = np.zeros((*temp_c.shape, 4), dtype=np.uint8)
    drawn[filled, :3] = ramp.rgb(measures.shown(temp_c[filled], "temp"))
    drawn[filled, 3] = 255
    return drawn


def bare(axes: Axes) -> Axes:
    """Take frame and ticks off."""
    axes.set_axis_off()
    return axes


def north_arrow(axes: Axes, x: float, y: float, length: float, turned_deg: float = 0.0) -> None:
    """Draw an arrow to north from the middle (x, y) in axes inches; turned clockwise from up."""
    turn = np.radians(turned_deg)
    dx, dy = np.sin(turn) * length, np.cos(turn) * length
    axes.add_patch(
        FancyArrow(x - dx / 2, y - dy / 2, dx, dy, width=length * 0.03, head_width=length * 0.28,
                   head_length=length * 0.38, length_includes_head=True, color=INK, linewidth=0)
    )  # fmt: skip
    axes.text(x + dx * 0.72, y + dy * 0.72, "N", ha="center", va="center", fontsize=7.5, fontweight="bold")


def ramp_bar(axes: Axes, ramp: ColourRamp, sign: str, box: tuple[float, float, float, float]) -> None:
    """Draw the ramp as a bar in data coordinates (left, bottom, width, height), with both ends beyond it."""
    left, bottom, width, height = box
    colours = ramp.rgb(np.linspace(ramp.low, ramp.high, 128))[None]
    axes.imshow(colours, extent=(left, left + width, bottom, bottom + height), aspect="auto",
                interpolation="none", zorder=2)  # fmt: skip
    ends = ramp.rgb(np.array([ramp.low - 1, ramp.high + 1])) / 255
    for x, colour in ((left - height * 1.3, ends[0]), (left + width + height * 0.3, ends[1])):
        axes.add_patch(Rectangle((x, bottom), height, height, facecolor=colour, edgecolor=INK, linewidth=0.5))
    axes.add_patch(
        Rectangle((left, bottom), width, height, fill=False, edgecolor=INK, linewidth=0.5, zorder=3)
    )
    for share in (0, 0.5, 1):
        value = ramp.low + share * (ramp.high - ramp.low)
        axes.text(left + share * width, bottom - 0.04, f"{value:g}{sign if share == 0.5 else ''}", ha="center",
                  va="top", fontsize=7)  # fmt: skip
    for x, word, side in (
        (left - height * 1.45, "below", "right"),
        (left + width + height * 1.45, "above", "left"),
    ):
        axes.text(x, bottom + height / 2, word, ha=side, va="center", fontsize=7)
