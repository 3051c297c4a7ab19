"""Signs of life of each spot, and the mat's edges as the columns see them against the stated ones."""

from __future__ import annotations

import numpy as np

from ..config import LotConfig
from ..kernels.across import MOST_COLUMNS, exchanged_columns, noisy_columns, warm_span
from ..model import Swath
from ..units import FOOT_M
from .items import CheckItem, look, ok

TARGET_DELTA_C = 30.0  # typical laydown temperature against the target (common practice, no source)
MISSING_FRAC = 0.2


def spot_items(swath: Swath, config: LotConfig) -> list[CheckItem]:
    """Look at coverage, working spots, the mat's edges and the level of temperature."""
    seen = swath.first_look & (swath.pass_code >= 0)
    temp = swath.temp_c[seen] if seen.any() else swath.temp_c
    width = swath.edges_m[1] - swath.edges_m[0]
    paved = config.scanner.mat_right_m - config.scanner.mat_left_m
    numbers = np.flatnonzero(swath.on_mat) + 1
    text = (
        f"{int(swath.on_mat.sum())} of {len(swath.on_mat)} lie wholly on the mat ({numbers[0]} to {numbers[-1]}): "
        f"{width:.2f} m ({width / FOOT_M:.2f} ft) scanned of {paved:.2f} m ({paved / FOOT_M:.2f} ft) paved"
    )
    return [
        ok("spots", text),
        *_working(temp, swath),
        *edge_items(temp, swath, config),
        *_level(temp[:, swath.on_mat], config),
    ]


def _working(temp: np.ndarray, swath: Swath) -> list[CheckItem]:
    """Name spots that are dead, stuck, biased, noisy, half blind, or in each other's place."""
    found = []
    bad = swath.bad_spot.any(axis=0) & swath.on_mat
    if bad.any():
        text = f"spot {_numbers(bad)} is dead, stuck or off by a constant"
        found.append(look("working spots", text, "clean its window or replace it; its readings are left out"))
    blank = np.isnan(temp).mean(axis=0)
    blind = (blank > MISSING_FRAC) & (blank > 4 * np.median(blank)) & ~bad & swath.on_mat
    if blind.any():
        text = f"spot {_numbers(blind)} gave no reading in {blank[blind].max():.0%} of the lines"
        found.append(look("missing readings", text, "look at its cable and its window"))
    noisy = noisy_columns(temp) & swath.on_mat & ~bad
    if noisy.any():
        text = f"spot {_numbers(noisy)} jumps from line to line far more than the others"
        found.append(look("noisy spots", text, "look at its cable, its window and steam in front of it"))
    working = np.flatnonzero(swath.on_mat & ~bad & ~blind & ~noisy)
    pair = exchanged_columns(temp[:, working])
    if pair is not None:
        one, other = (int(working[place]) + 1 for place in pair)
        text = f"spots {one} and {other} look exchanged: each fits the other's neighbours"
        found.append(look("exchanged spots", text, "check plugs and the columns of the format file"))
    return found or [ok("working spots", "all give signs of life, none is stuck, off or noisy")]


def _numbers(chosen: np.ndarray) -> str:
    numbers = [str(int(place) + 1) for place in np.flatnonzero(chosen)]
    return ", ".join(numbers[:8]) + (", .." if len(numbers) > 8 else "")


# --------------------------------------------------------------------------------------- the mat's edges


def edge_items(temp: np.ndarray, swath: Swath, config: LotConfig) -> list[CheckItem]:
    """Compare the stated edges of the mat with the columns that are warm."""
    order = np.argsort(swath.spot_right_m)
    order = order[:: max(1, -(-len(order) // MOST_COLUMNS))]
    given = np.isfinite(temp[:, order]).mean(axis=0) > 0.05
    order = order[given]
    if len(order) < 4:
        return []
    level = np.nanmedian(temp[:, order], axis=0)
    span = warm_span(level)
    if span is None:
        return [
            ok("mat edges", "every column is warm: what lies beside the mat is not seen, no edge to compare")
        ]
    ranges = _edge_ranges(swath.spot_right_m[order], span)
    stated = (config.scanner.mat_left_m, config.scanner.mat_right_m)
    seen = f"the warm columns reach from {_side(np.mean(ranges[0]))} to {_side(np.mean(ranges[1]))}"
    if _fits(stated, ranges):
        return [ok("mat edges", f"{seen}, as stated")]
    text = f"{seen}, but the mat is stated from {_side(stated[0])} to {_side(stated[1])}"
    centres = swath.spot_right_m[order]
    turned = _edge_ranges(centres, (len(level) - 1 - span[1], len(level) - 1 - span[0]))
    return [look("mat edges", text, _cause(stated, ranges, turned))]


def _edge_ranges(centre_m: np.ndarray, span: tuple[int, int]) -> tuple[tuple[float, float], ...]:
    """Where the two edges can be: between a cold column and a warm one, half a pitch more on each side."""
    pitch = float(np.median(np.diff(centre_m)))
    first, last = span
    outside = (centre_m[0] - 1e3, centre_m[-1] + 1e3)
    left = (centre_m[first - 1] if first else outside[0], centre_m[first])
    right = (centre_m[last], centre_m[last + 1] if last + 1 < len(centre_m) else outside[1])
    ranges = []
    for low, high in (left, right):
        low, high = max(low, centre_m[0] - pitch), min(high, centre_m[-1] + pitch)
        ranges.append((float(low - pitch / 2), float(high + pitch / 2)))
    if first == 0:
        ranges[0] = (outside[0], ranges[0][1])
    if last + 1 == len(centre_m):
        ranges[1] = (ranges[1][0], outside[1])
    return tuple(ranges)


def _fits(stated: tuple[float, float], ranges: tuple[tuple[float, float], ...]) -> bool:
    return all(low - 0.02 <= edge <= high + 0.02 for edge, (low, high) in zip(stated, ranges, strict=True))


def _cause(
    stated: tuple[float, float],
    ranges: tuple[tuple[float, float], ...],
    turned: tuple[tuple[float, float], ...],
) -> str:
    """Name the likely cause of edges that do not fit, by what would make them fit."""
    left, right = stated
    causes = (
        (
            stated,
            turned,
            "left and right look exchanged: first and last of spots_right, or the scanner's mounting",
        ),
        (
            (-right, -left),
            ranges,
            "left and right look exchanged: mat_left and mat_right, whose left is negative",
        ),
        ((left * FOOT_M, right * FOOT_M), ranges, _UNIT),
        ((left / FOOT_M, right / FOOT_M), ranges, _UNIT),
    )
    fitting = [(_misfit(edges, places), text) for edges, places, text in causes if _fits(edges, places)]
    if fitting:
        return min(fitting)[1]
    return "measure the mat's edges under the scanner again: spots off the mat count as cold mat"


_UNIT = "a unit looks wrong: check ft and m of spots_right, mat_left and mat_right"


def _misfit(edges: tuple[float, float], ranges: tuple[tuple[float, float], ...]) -> float:
    """Distance of two edges from the middles of the places they could be."""
    return sum(abs(edge - (low + high) / 2) for edge, (low, high) in zip(edges, ranges, strict=True))


def _side(right_m: float) -> str:
    return f"{abs(right_m):.2f} m {'right' if right_m >= 0 else 'left'}"


def _level(temp: np.ndarray, config: LotConfig) -> list[CheckItem]:
    """Level of temperature on the mat, and against the target."""
    step = max(1, len(temp) // 2000)
    low, middle, high = np.nanpercentile(temp[::step], [5, 50, 95])
    text = f"5 %, median, 95 %: {low:.0f}, {middle:.0f}, {high:.0f} degC"
    target = config.lot.laydown_target_c
    if target is None or abs(middle - target) <= TARGET_DELTA_C:
        return [ok("temperature", text + ("" if target is None else f"; target {target:.0f} degC"))]
    advice = "check the unit of the scan's format, the instrument's emissivity, and the target"
    return [look("temperature", f"{text}, but the target is {target:.0f} degC", advice)]
