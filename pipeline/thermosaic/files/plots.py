"""Single pictures of a result as PNG or SVG: strip, plan, speed, histogram, layers, each under the name of its lot."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from matplotlib.figure import Figure, SubFigure

from ..errors import ConfigError
from .sheets.charts import CHART_IN, draw_histogram, draw_speed
from .sheets.layers_picture import LAYERS_IN, draw_layers
from .sheets.look import SOFT, drawing, save
from .sheets.lot_sheet import LotSheet, read_sheet
from .sheets.plan import PLAN_IN, draw_plan
from .sheets.strips import LEGEND_IN, ROW_IN, WIDTH_IN, draw_legend, draw_row, rows_of

FORMATS = (".png", ".svg")
HEAD_IN = 0.42
PICTURES: dict[
    str, tuple[tuple[float, float] | None, Callable[[Figure | SubFigure, LotSheet], None] | None]
] = {
    "strip": (None, None),
    "plan": (PLAN_IN, draw_plan),
    "speed": (CHART_IN, draw_speed),
    "histogram": (CHART_IN, draw_histogram),
    "layers": (LAYERS_IN, draw_layers),
}


def draw_plot(result: Path, what: str, file: Path) -> Path:
    """Draw one picture of a result folder.

    Raises
    ------
    ConfigError
        There is no such picture or format, or the lot has no mat to draw.
    ProductError
        The result cannot be read.
    """
    if what not in PICTURES:
        raise ConfigError(f'there is no picture "{what}": choose one of {", ".join(PICTURES)}')
    _check_format(file)
    sheet = read_sheet(result)
    if not sheet.mats or not sheet.spines:
        raise ConfigError(f"{result}: holds no mat to draw: no reading of the lot has a position")
    if what == "strip":
        return draw_strips(sheet, file)
    (wide, high), draw = PICTURES[what]

    def whole(figure: Figure) -> None:
        _draw_head(figure, sheet)
        draw(figure.subfigures(2, 1, height_ratios=(HEAD_IN, high), hspace=0)[1], sheet)

    return save_picture(file, (wide, high + HEAD_IN), whole)


def _check_format(file: Path) -> None:
    if file.suffix.lower() not in FORMATS:
        raise ConfigError(f"{file}: pictures are written as {' or '.join(FORMATS)}: end the name so")


def save_picture(file: Path, size_in: tuple[float, float], draw: Callable[[Figure], None]) -> Path:
    """Draw a picture of a size and write it; ConfigError for a name that ends in no format."""
    _check_format(file)
    with drawing(*size_in) as figure:
        draw(figure)
        save(figure, file)
    return file


def draw_strips(sheet: LotSheet, file: Path) -> Path:
    """Draw the legend and every row of the strip sheets below each other."""
    rows = rows_of(sheet)
    with drawing(WIDTH_IN, HEAD_IN + LEGEND_IN + ROW_IN * len(rows)) as figure:
        _draw_head(figure, sheet)
        draw_legend(figure, HEAD_IN, sheet)
        for i, row in enumerate(rows):
            draw_row(figure, HEAD_IN + LEGEND_IN + i * ROW_IN, sheet, row)
        save(figure, file)
    return file


def _draw_head(figure: Figure, sheet: LotSheet) -> None:
    """Name the lot above its picture, so that two of them side by side can be told apart."""
    left, at = 0.3 / figure.get_figwidth(), 1 - HEAD_IN / 2 / figure.get_figheight()
    name = figure.text(left, at, sheet.name, fontsize=10, fontweight="bold", va="center")
    right = name.get_window_extent().x1 / figure.bbox.width
    figure.text(right + 0.2 / figure.get_figwidth(), at, sheet.place, fontsize=8.5, va="center", color=SOFT)
