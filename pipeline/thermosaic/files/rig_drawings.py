"""Drawings of checks of the rig as PNG or SVG: reach of a scanner, agreement of a thermometer, antenna's place.

What is drawn comes in SI and is drawn in the reader's units.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..delivery import Reader, deliver, deliver_columns, delivered_name, in_units, tell, unit_in_text
from ..errors import ConfigError, ProductError

INK, WARM, PALE = "#22303c", "#b2182b", "#9aa5ad"  # ink, ColorBrewer RdGy ends


def draw_reach(
    path: Path, spots: pd.DataFrame, height_m: float, mat_m: tuple[float, float], reader: Reader
) -> None:
    """Draw the fan of spots from behind the paver: rays, pitches, footprints, the mat's edges.

    Parameters
    ----------
    path : Path
        .png or .svg.
    spots : pandas.DataFrame
        As `studies.reach` gives them.
    height_m : float
        Optics above the mat.
    mat_m : (left, right)
        Edges of the mat from C, right positive.
    reader : Reader
        Units of the drawing.
    """
    unit = unit_in_text("right_m", reader.units)
    height, left, right, below = (
        float(deliver(value, "right_m", *reader)) for value in (height_m, *mat_m, -0.06)
    )
    width = f"across_{unit}", f"right_{unit}"
    with _figure(path, (9.0, 4.5)) as axes:
        for _, item in deliver_columns(spots, *reader).iterrows():
            colour, half, middle = WARM if item["on_mat"] else PALE, item[width[0]] / 2, item[width[1]]
            axes.plot([0, middle], [height, 0], color=colour, lw=0.5, alpha=0.6)
            axes.plot([middle - half, middle + half], [0, 0], color=colour, lw=3, alpha=0.7)
        axes.plot((left, right), (below, below), color=INK, lw=5, solid_capstyle="butt")
        for edge in (left, right):
            text = f"{edge:+.2f} {unit}"
            axes.annotate(text, (edge, below), (0, -16), textcoords="offset points", ha="center")
        axes.plot(0, height, "s", color=INK, ms=7)
        axes.set_xlabel(f"right of C, {unit} (seen in the direction of travel)")
        axes.set_ylabel(f"above the mat, {unit}")
        count = int(spots["on_mat"].sum())
        axes.set_title(
            f"{count} of {len(spots)} spots wholly on the mat (dark red); the mat is the thick line"
        )
        axes.set_ylim(3.3 * below - 0.05 * height, 1.08 * height)


def draw_agreement(
    path: Path, pairs: pd.DataFrame, bias: float, limits: tuple[float, float], reader: Reader
) -> None:
    """Draw differences against means with bias and limits of agreement (Bland and Altman 1986), given in degC."""
    unit = unit_in_text("mean_c", reader.units)
    mean, off, tolerance = (
        delivered_name(name, reader.units) for name in ("mean_c", "difference_delta_c", "tolerance_delta_c")
    )
    drawn = deliver_columns(pairs, *reader).sort_values(mean)
    with _figure(path, (7.0, 4.5)) as axes:
        axes.scatter(drawn[mean], drawn[off], s=16, color=INK, alpha=0.7)
        for sign in (-1, 1):
            axes.plot(drawn[mean], sign * drawn[tolerance], color=PALE, ls=":", lw=1.2)
        names = ("bias", "lower limit of agreement", "upper limit of agreement")
        for value, name, style in zip((bias, *limits), names, ("-", "--", "--"), strict=True):
            text = in_units(tell(name + " {off_delta_c:+.2f}", off_delta_c=value), *reader)
            height = float(deliver(value, "off_delta_c", *reader))
            axes.axhline(height, color=WARM, ls=style, lw=1.5 if style == "-" else 1, label=text)
        axes.set_xlabel(f"mean of scanner and reference, {unit}")
        axes.set_ylabel(f"scanner less reference, {unit}")
        axes.legend(fontsize=8)
        axes.set_title("dotted: tolerance")


def draw_antenna(
    path: Path,
    stated_m: tuple[float, float],
    error_m: tuple[float, float],
    sigma_m: tuple[float, float],
    sightings: pd.DataFrame,
    spots_m: tuple[float, float],
    reader: Reader,
) -> None:
    """Draw the antenna as stated and as found, and where its error puts each sighting of a mark.

    Parameters
    ----------
    path : Path
        .png or .svg.
    stated_m, error_m, sigma_m : (forward, right)
        From C; NaN and infinite where a component is not told.
    sightings : pandas.DataFrame
        As `studies.check_antenna` gives them.
    spots_m : (left, right)
        Outermost spots from C, right positive.
    reader : Reader
        Units of the drawing.
    """
    lengths = [
        tuple(float(deliver(length, "length_m", *reader)) for length in pair)
        for pair in (stated_m, error_m, sigma_m, spots_m)
    ]
    with _figure(path, (10.0, 5.0), across=2) as (machine, marks):
        unit = unit_in_text("length_m", reader.units)
        _draw_machine(machine, *lengths, unit)
        _draw_marks(marks, deliver_columns(sightings, *reader), unit)


def _draw_machine(
    axes: Any,
    stated: tuple[float, float],
    error: tuple[float, float],
    sigma: tuple[float, float],
    spots: tuple[float, float],
    unit: str,
) -> None:
    """The paver from above, travel up the sheet: spots, C, antenna as stated and as found with two sigmas."""
    from matplotlib.patches import Ellipse

    told = [math.isfinite(one) for one in sigma]
    found = [
        place + (off if is_told else 0.0) for place, off, is_told in zip(stated, error, told, strict=True)
    ]
    axes.plot(spots, (0, 0), color=INK, lw=4, solid_capstyle="butt")
    axes.plot(0, 0, "+", color="white", ms=9, mew=1.5)
    axes.annotate("C, line of spots", (spots[0], 0), (0, -14), textcoords="offset points")
    axes.plot(stated[1], stated[0], "o", mfc="none", mec=INK, ms=11, mew=1.5, label="antenna as stated")
    axes.plot(found[1], found[0], "o", color=WARM, ms=7, label="as found, with two sigmas")
    if all(told):
        size = [4 * one for one in sigma]
        axes.add_patch(Ellipse((found[1], found[0]), size[1], size[0], fc="none", ec=WARM, lw=1.2))
    elif any(told):
        half = [2 * one if is_told else 0.0 for one, is_told in zip(sigma, told, strict=True)]
        axes.errorbar(found[1], found[0], yerr=half[0] or None, xerr=half[1] or None, color=WARM, capsize=4)
    axes.set_aspect("equal")
    axes.margins(0.15)
    axes.set_xlabel(f"right of C, {unit}")
    axes.set_ylabel(f"ahead of C, {unit} (travel is up)")
    axes.legend(fontsize=8, loc="upper center", bbox_to_anchor=(0.5, -0.14), ncol=2, frameon=False)
    axes.set_title("The paver from above")


def _draw_marks(axes: Any, sightings: pd.DataFrame, unit: str) -> None:
    """Every sighting about its own mark, by compass: as the lot puts it, and with the error taken off."""
    turn = np.radians(sightings["direction_deg"].to_numpy(float))
    forward, right = (
        np.column_stack(part) for part in ((np.sin(turn), np.cos(turn)), (np.cos(turn), -np.sin(turn)))
    )
    ends = [
        sightings[ahead].to_numpy(float)[:, None] * forward + sightings[side].to_numpy(float)[:, None] * right
        for ahead, side in (
            (f"ahead_{unit}", f"right_{unit}"),
            (f"left_ahead_{unit}", f"left_right_{unit}"),
        )
    ]
    used = sightings["used"].to_numpy(bool)
    for rows, colour in ((used, INK), (~used, PALE)):
        axes.plot(*ends[0][rows].T, "o", mfc="none", mec=colour, ms=8)
        axes.plot(*ends[1][rows].T, "o", color=WARM if colour == INK else PALE, ms=4)
        for start, end in zip(ends[0][rows], ends[1][rows], strict=True):
            axes.plot(*zip(start, end, strict=True), color=colour, lw=0.6, alpha=0.6)
    reach = max(1.5 * float(np.abs(ends[0]).max()), 0.1)
    for start, way in zip(ends[0][used], forward[used], strict=True):
        axes.annotate(
            "", start + 0.3 * reach * way, start, arrowprops={"arrowstyle": "->", "color": INK, "lw": 0.8}
        )
    axes.plot(0, 0, "+", color=INK, ms=14)
    axes.set_aspect("equal")
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-reach, reach)
    axes.set_xlabel(f"east of the mark, {unit}")
    axes.set_ylabel(f"north of the mark, {unit}")
    axes.set_title(
        "Marks: circle as the lot puts it, dot with the error taken off,\narrow travel, grey left out"
    )


@contextmanager
def _figure(path: Path, size: tuple[float, float], across: int = 1) -> Iterator[Any]:
    """Give the axes of a drawing (several side by side) without a display, and save it; same data, same bytes."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    kind = path.suffix.lower().removeprefix(".")
    if kind not in ("png", "svg"):
        raise ConfigError(f"{path.name}: a drawing is a .png or .svg file")
    with rc_context({"svg.hashsalt": "thermosaic", "font.size": 9}):
        figure = Figure(figsize=size, layout="constrained")
        FigureCanvasAgg(figure)
        panels = figure.subplots(1, across, squeeze=False)[0]
        yield panels[0] if across == 1 else panels
        for axes in panels:
            axes.spines[["top", "right"]].set_visible(False)
        metadata = {"Date": None} if kind == "svg" else {"Software": None}
        try:
            figure.savefig(path, format=kind, dpi=150, metadata=metadata)
        except OSError as error:
            raise ProductError(f"{path}: cannot be written: {error.strerror}") from None
    if path.stat().st_size == 0:
        raise ProductError(f"{path}: is empty after writing")
