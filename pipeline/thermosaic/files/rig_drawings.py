"""Drawings of checks of the rig as PNG or SVG: reach of a scanner, agreement of a thermometer, antenna's place."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..errors import ConfigError, ProductError

INK, WARM, PALE = "#22303c", "#b2182b", "#9aa5ad"  # ink, ColorBrewer RdGy ends


def draw_reach(path: Path, spots: pd.DataFrame, height_m: float, mat_m: tuple[float, float]) -> None:
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
    """
    with _figure(path, (9.0, 4.5)) as axes:
        for item in spots.itertuples():
            colour = WARM if item.on_mat else PALE
            axes.plot([0, item.right_m], [height_m, 0], color=colour, lw=0.5, alpha=0.6)
            half = item.across_m / 2
            axes.plot([item.right_m - half, item.right_m + half], [0, 0], color=colour, lw=3, alpha=0.7)
        axes.plot(mat_m, (-0.06, -0.06), color=INK, lw=5, solid_capstyle="butt")
        for edge in mat_m:
            axes.annotate(f"{edge:+.2f} m", (edge, -0.06), (0, -16), textcoords="offset points", ha="center")
        axes.plot(0, height_m, "s", color=INK, ms=7)
        axes.set_xlabel("right of C, m (seen in the direction of travel)")
        axes.set_ylabel("above the mat, m")
        count = int(spots["on_mat"].sum())
        axes.set_title(
            f"{count} of {len(spots)} spots wholly on the mat (dark red); the mat is the thick line"
        )
        axes.set_ylim(-0.2 - 0.05 * height_m, 1.08 * height_m)


def draw_agreement(path: Path, pairs: pd.DataFrame, bias: float, limits: tuple[float, float]) -> None:
    """Draw differences against means with bias and limits of agreement (Bland and Altman 1986), degC."""
    with _figure(path, (7.0, 4.5)) as axes:
        axes.scatter(pairs["mean_c"], pairs["difference_delta_c"], s=16, color=INK, alpha=0.7)
        tolerance = pairs.sort_values("mean_c")
        for sign in (-1, 1):
            axes.plot(tolerance["mean_c"], sign * tolerance["tolerance_delta_c"], color=PALE, ls=":", lw=1.2)
        axes.axhline(bias, color=WARM, lw=1.5, label=f"bias {bias:+.2f} degC")
        for limit, name in zip(limits, ("lower", "upper"), strict=True):
            axes.axhline(
                limit, color=WARM, ls="--", lw=1, label=f"{name} limit of agreement {limit:+.2f} degC"
            )
        axes.set_xlabel("mean of scanner and reference, degC")
        axes.set_ylabel("scanner less reference, degC")
        axes.legend(fontsize=8)
        axes.set_title("dotted: tolerance")


def draw_antenna(
    path: Path,
    stated_m: tuple[float, float],
    error_m: tuple[float, float],
    sigma_m: tuple[float, float],
    sightings: pd.DataFrame,
    spots_m: tuple[float, float],
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
    """
    with _figure(path, (10.0, 5.0), across=2) as (machine, marks):
        _draw_machine(machine, stated_m, error_m, sigma_m, spots_m)
        _draw_marks(marks, sightings)


def _draw_machine(
    axes: Any,
    stated_m: tuple[float, float],
    error_m: tuple[float, float],
    sigma_m: tuple[float, float],
    spots_m: tuple[float, float],
) -> None:
    """The paver from above, travel up the sheet: spots, C, antenna as stated and as found with two sigmas."""
    from matplotlib.patches import Ellipse

    told = [math.isfinite(sigma) for sigma in sigma_m]
    found = [
        place + (error if is_told else 0.0)
        for place, error, is_told in zip(stated_m, error_m, told, strict=True)
    ]
    axes.plot(spots_m, (0, 0), color=INK, lw=4, solid_capstyle="butt")
    axes.plot(0, 0, "+", color="white", ms=9, mew=1.5)
    axes.annotate("C, line of spots", (spots_m[0], 0), (0, -14), textcoords="offset points")
    axes.plot(stated_m[1], stated_m[0], "o", mfc="none", mec=INK, ms=11, mew=1.5, label="antenna as stated")
    axes.plot(found[1], found[0], "o", color=WARM, ms=7, label="as found, with two sigmas")
    if all(told):
        size = [4 * sigma for sigma in sigma_m]
        axes.add_patch(Ellipse((found[1], found[0]), size[1], size[0], fc="none", ec=WARM, lw=1.2))
    elif any(told):
        half = [2 * sigma if is_told else 0.0 for sigma, is_told in zip(sigma_m, told, strict=True)]
        axes.errorbar(found[1], found[0], yerr=half[0] or None, xerr=half[1] or None, color=WARM, capsize=4)
    axes.set_aspect("equal")
    axes.margins(0.15)
    axes.set_xlabel("right of C, m")
    axes.set_ylabel("ahead of C, m (travel is up)")
    axes.legend(fontsize=8, loc="upper center", bbox_to_anchor=(0.5, -0.14), ncol=2, frameon=False)
    axes.set_title("The paver from above")


def _draw_marks(axes: Any, sightings: pd.DataFrame) -> None:
    """Every sighting about its own mark, by compass: as the lot puts it, and with the error taken off."""
    turn = np.radians(sightings["direction_deg"].to_numpy(float))
    forward, right = (
        np.column_stack(part) for part in ((np.sin(turn), np.cos(turn)), (np.cos(turn), -np.sin(turn)))
    )
    ends = [
        sightings[ahead].to_numpy(float)[:, None] * forward + sightings[side].to_numpy(float)[:, None] * right
        for ahead, side in (("ahead_m", "right_m"), ("left_ahead_m", "left_right_m"))
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
    axes.set_xlabel("east of the mark, m")
    axes.set_ylabel("north of the mark, m")
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
