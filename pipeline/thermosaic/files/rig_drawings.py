"""Drawings of checks of the rig as PNG or SVG: the reach of a scanner, the agreement of a thermometer."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

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


@contextmanager
def _figure(path: Path, size: tuple[float, float]) -> Iterator[Any]:
    """Give the axes of a drawing without a display, and save it; same data, same bytes."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    kind = path.suffix.lower().removeprefix(".")
    if kind not in ("png", "svg"):
        raise ConfigError(f"{path.name}: a drawing is a .png or .svg file")
    with rc_context({"svg.hashsalt": "thermosaic", "font.size": 9}):
        figure = Figure(figsize=size, layout="constrained")
        FigureCanvasAgg(figure)
        axes = figure.add_subplot()
        yield axes
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        metadata = {"Date": None} if kind == "svg" else {"Software": None}
        try:
            figure.savefig(path, format=kind, dpi=150, metadata=metadata)
        except OSError as error:
            raise ProductError(f"{path}: cannot be written: {error.strerror}") from None
    if path.stat().st_size == 0:
        raise ProductError(f"{path}: is empty after writing")
