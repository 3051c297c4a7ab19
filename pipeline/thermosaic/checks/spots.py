"""Signs of life of each spot, and the mat's edges as the columns see them against the stated ones."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..config import LotConfig, SetUp, set_ups
from ..delivery import tell, together
from ..kernels.across import MOST_COLUMNS, exchanged_columns, noisy_columns, warm_span
from ..model import Layout, Swath
from ..stationing.outline import name_side
from ..units import FOOT_M
from .items import CheckItem, look, ok

TARGET_DELTA_C = 30.0  # typical laydown temperature against the target (common practice, no source)
MISSING_FRAC = 0.2
FEWEST_LINES = 30  # of a set-up, that its edges are judged on


def spot_items(swath: Swath, config: LotConfig) -> list[CheckItem]:
    """Look at coverage, working spots, the mat's edges and the level of temperature, stretch by stretch."""
    seen = swath.first_look & (swath.pass_code >= 0)
    seen = seen if seen.any() else np.ones(len(seen), bool)
    temp = swath.temp_c[seen]
    stretches = [
        item
        for part in _stretches(seen, swath, config)
        for item in (_scanned(*part[1:]), *_edge_items(*part))
    ]
    return [
        *stretches,
        *_working(temp, swath),
        *_level(np.where(swath.on_mat[seen], temp, np.nan)[:, swath.used_spot], config),
    ]


def _stretches(
    seen: np.ndarray, swath: Swath, config: LotConfig
) -> Iterator[tuple[np.ndarray, Layout, SetUp, str]]:
    """Temperatures, layout, set-up and words of each set-up: its widest layout, which a taper leads to."""
    ups = set_ups(config.rig, config.scanner, config.changes)
    moments = [item.at_utc for item in ups[1:]]
    held = np.searchsorted(np.array(moments, "M8[ns]"), swath.seen_utc, side="right")
    for number, item in enumerate(ups):
        lines = np.flatnonzero(seen & (held == number))
        if len(lines) >= FEWEST_LINES or (number == 0 and len(ups) == 1):
            final = int(np.bincount(swath.layout[lines]).argmax())
            lines = lines[swath.layout[lines] == final]
            words = "" if len(ups) == 1 else f"set-up {number + 1} of {len(ups)}: "
            yield swath.temp_c[lines], swath.layouts[final], item, words


def _scanned(layout: Layout, held: SetUp, words: str) -> CheckItem:
    """Which spots lie on the mat, and the scanned width against the paved one."""
    numbers = np.flatnonzero(layout.on_mat) + 1
    text = tell(
        "{count} of {all} lie wholly on the mat ({first} to {last}): {width_m:.2f} scanned of {paved_m:.2f} paved",
        count=int(layout.on_mat.sum()), all=len(layout.on_mat), first=numbers[0], last=numbers[-1],
        width_m=float(np.ptp(layout.edges_m)), paved_m=held.scanner.mat_right_m - held.scanner.mat_left_m,
    )  # fmt: skip
    return ok("spots", words + text)


def _working(temp: np.ndarray, swath: Swath) -> list[CheckItem]:
    """Name spots that are dead, stuck, biased, noisy, half blind, or in each other's place."""
    found = []
    bad = swath.bad_spot.any(axis=0) & swath.used_spot
    if bad.any():
        text = f"{name_spots(bad, 'is', 'are')} dead, stuck or off by a constant"
        found.append(look("working spots", text, "clean its window or replace it; its readings are left out"))
    blank = np.isnan(temp).mean(axis=0)
    blind = (blank > MISSING_FRAC) & (blank > 4 * np.median(blank)) & ~bad & swath.used_spot
    if blind.any():
        text = f"{name_spots(blind)} gave no reading in {100 * blank[blind].max():.0f} % of the lines"
        found.append(look("missing readings", text, "look at its cable and its window"))
    noisy = noisy_columns(temp) & swath.used_spot & ~bad
    if noisy.any():
        text = f"{name_spots(noisy, 'jumps', 'jump')} from line to line far more than the others"
        found.append(look("noisy spots", text, "look at its cable, its window and steam in front of it"))
    working = np.flatnonzero(swath.used_spot & ~bad & ~blind & ~noisy)
    pair = exchanged_columns(temp[:, working])
    if pair is not None:
        one, other = (int(working[place]) + 1 for place in pair)
        text = f"spots {one} and {other} look exchanged: each fits the other's neighbours"
        found.append(look("exchanged spots", text, "check plugs and the columns of the format file"))
    return found or [ok("working spots", "all give signs of life, none is stuck, off or noisy")]


def name_spots(chosen: np.ndarray, one: str = "", several: str = "") -> str:
    """Name spots, with the verb of one or of several."""
    numbers = [str(int(place) + 1) for place in np.flatnonzero(chosen)]
    listed = ", ".join(numbers[:8]) + (", .." if len(numbers) > 8 else "")
    return (f"spot {listed} {one}" if len(numbers) == 1 else f"spots {listed} {several}").rstrip()


# --------------------------------------------------------------------------------------- the mat's edges


def _edge_items(temp: np.ndarray, layout: Layout, held: SetUp, words: str) -> list[CheckItem]:
    """Compare the stated edges of the mat with the columns that are warm."""
    centres_m = layout.spot_right_m
    order = np.argsort(centres_m)
    order = order[:: max(1, -(-len(order) // MOST_COLUMNS))]
    given = np.isfinite(temp[:, order]).mean(axis=0) > 0.05
    order = order[given]
    if len(order) < 4:
        return []
    level = np.nanmedian(temp[:, order], axis=0)
    span = warm_span(level)
    if span is None:
        return [
            ok(
                "mat edges",
                words + "every column is warm: what lies beside the mat is not seen, no edge to compare",
            )
        ]
    ranges = _edge_ranges(centres_m[order], span)
    stated = (held.scanner.mat_left_m, held.scanner.mat_right_m)
    seen = "the warm columns reach from " + together(
        [name_side(float(np.mean(ends))) for ends in ranges], " to "
    )
    if _fits(stated, ranges):
        return [ok("mat edges", words + seen + ", as stated")]
    text = seen + ", but the mat is stated from " + together([name_side(edge) for edge in stated], " to ")
    turned = _edge_ranges(centres_m[order], (len(level) - 1 - span[1], len(level) - 1 - span[0]))
    return [look("mat edges", words + text, _cause(stated, ranges, turned))]


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


def _level(temp: np.ndarray, config: LotConfig) -> list[CheckItem]:
    """Level of temperature on the mat, and against the target."""
    step = max(1, len(temp) // 2000)
    low, middle, high = np.nanpercentile(temp[::step], [5, 50, 95])
    text = tell(
        "5 %, median, 95 %: {low_c:.0f}, {middle_c:.0f}, {high_c:.0f}",
        low_c=low,
        middle_c=middle,
        high_c=high,
    )
    target = config.lot.laydown_target_c
    if target is None or abs(middle - target) <= TARGET_DELTA_C:
        return [
            ok(
                "temperature",
                text if target is None else text + tell("; target {target_c:.0f}", target_c=target),
            )
        ]
    advice = "check the unit of the scan's format, the instrument's emissivity, and the target"
    return [look("temperature", text + tell(", but the target is {target_c:.0f}", target_c=target), advice)]
