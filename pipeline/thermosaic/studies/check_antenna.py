"""The antenna's place against marks on the ground: how far forward and right of the stated place it really is.

A wrong arm puts every spot off by the same length ahead and to the right of travel. Two passes over one mark in
opposite directions put it off to opposite sides: half of the difference is the arm's error, whatever the mark's
own place. One pass is enough over a mark whose place is surveyed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ..delivery import tell, together
from ..kernels.arm_error import WORST_SIGMA_M, ArmError, Seen, solve_arm_error
from ..model import EquipmentCheck
from ..units import FOOT_M

TOLERANCE_M = 0.05  # common practice, no source
UNLIKELY = 0.01
MOST_SIGHTINGS = 300
SIDES = {"antenna_forward": ("ahead", "behind"), "antenna_right": ("right", "left")}


@dataclass(frozen=True, slots=True)
class Stated:
    """What the lot states: the antenna's place, what else could explain an error, and how well places are known."""

    forward_m: float
    right_m: float
    screed_forward_m: float
    clock_sigma_s: float  # NaN: stated, or not found from the motion
    memory_s: float  # over which errors of the path are alike


@dataclass(frozen=True, slots=True)
class Component:
    """Forward or right: stated, found less stated, and one standard deviation; NaN and infinite where not told."""

    key: str
    stated_m: float
    error_m: float
    sigma_m: float

    @property
    def is_told(self) -> bool:
        """Whether the sightings say anything about it."""
        return self.sigma_m <= WORST_SIGMA_M

    @property
    def found_m(self) -> float:
        """What the lot should state."""
        return self.stated_m + self.error_m

    def verdict(self, tolerance_m: float) -> str:
        """`pass` or `fail` only where twice the sigma leaves no doubt about it, else `look`."""
        if abs(self.error_m) <= tolerance_m:
            return "pass" if 2 * self.sigma_m <= tolerance_m else "look"
        return "fail" if abs(self.error_m) > 2 * self.sigma_m else "look"


@dataclass(frozen=True, eq=False, slots=True)
class AntennaFinding:
    """The verdict, the two components, sentences on likely causes, and one row a sighting."""

    check: EquipmentCheck
    further: tuple[EquipmentCheck, ...]  # the other component, where it is told too
    forward: Component
    right: Component
    advice: tuple[str, ...]
    # mark, kind, line, spot, direction_deg, ahead_m, right_m (as stated), left_ahead_m, left_right_m (as found), used
    sightings: pd.DataFrame

    @property
    def found_m(self) -> dict[str, float]:
        """Attributes of a rig section as found; of told components only."""
        return {f"{part.key}_m": part.found_m for part in (self.forward, self.right) if part.is_told}

    @property
    def numbers(self) -> dict[str, float]:
        """Errors and sigmas of told components, and the sightings used."""
        found: dict[str, float] = {"sightings": int(self.sightings["used"].sum())}
        for part in (self.forward, self.right):
            if part.is_told:
                found |= {f"{part.key}_error_m": part.error_m, f"{part.key}_sigma_m": part.sigma_m}
        return found


def check_antenna(
    sightings: pd.DataFrame,
    stated: Stated,
    tolerance_m: float = TOLERANCE_M,
    tried_m: tuple[float, float] = (0.0, 0.0),
) -> AntennaFinding:
    """Find the error of the antenna's stated place.

    Parameters
    ----------
    sightings : pandas.DataFrame
        A row a sighting: mark (name), kind (`point`, `line`), line, spot, spot_right_m, time_s, east_m and
        north_m (ground metres: where the lot puts that spot), heading_deg, speed_mps, path_along_m,
        path_across_m, look_along_m, look_across_m (one sigma each), known_east_m, known_north_m,
        known_sigma_m (NaN = not surveyed).
    stated : Stated
        The lot's own values.
    tolerance_m : float
        Largest error of a component that passes.
    tried_m : (forward, right)
        What the sightings were placed with, less the stated place.

    Returns
    -------
    AntennaFinding
        Errors are true less stated. `fail` when a told component is off by more than the tolerance and twice
        its sigma, `look` where that cannot be decided, else `pass`.

    Raises
    ------
    ValueError
        The sightings tell neither component, with what to add; or a mark is both point and line.
    """
    if len(sightings) > MOST_SIGHTINGS:
        raise ValueError(
            f"holds {len(sightings)} sightings: at most {MOST_SIGHTINGS} are taken, a dozen marks are plenty"
        )
    seen = seen_of(sightings, stated, tried_m)
    found = solve_arm_error(seen)
    parts = (
        Component("antenna_forward", stated.forward_m, found.forward_m, found.forward_sigma_m),
        Component("antenna_right", stated.right_m, found.right_m, found.right_sigma_m),
    )
    told = [part for part in parts if part.is_told]
    if not told:
        raise ValueError(_nothing_told(sightings))
    verdicts = [part.verdict(tolerance_m) for part in told]
    verdict = next(word for word in ("fail", "look", "pass") if word in verdicts)
    if verdict == "pass" and (found.likelihood < UNLIKELY or found.undecided.any()):
        verdict = "look"
    text = _finding(told, found)
    checks = [
        EquipmentCheck("antenna", part.found_m, "m", tolerance_m, "m", verdict, text, f"rig.{part.key}")
        for part in told
    ]
    advice = tuple(_advice(parts, found, seen, stated, sightings, tolerance_m))
    return AntennaFinding(checks[0], tuple(checks[1:]), *parts, advice, _table(sightings, found))


def seen_of(sightings: pd.DataFrame, stated: Stated, tried_m: tuple[float, float] = (0.0, 0.0)) -> Seen:
    """Bring a table of sightings into arrays; marks in order of their names."""
    names, mark = np.unique(sightings["mark"].to_numpy(str), return_inverse=True)
    first = sightings.groupby(mark).first()
    kinds = sightings.groupby(mark)["kind"].nunique()
    if (kinds > 1).any():
        raise ValueError(f'mark "{names[int(kinds.idxmax())]}" is stated as a point and as a line')
    columns = ("east_m", "north_m", "speed_mps", "time_s", "path_along_m", "path_across_m", "look_along_m",
               "look_across_m")  # fmt: skip
    clock = stated.clock_sigma_s
    return Seen(
        mark=mark,
        heading_rad=np.radians(sightings["heading_deg"].to_numpy(float)),
        is_line=(first["kind"] == "line").to_numpy(),
        known_m=first[["known_east_m", "known_north_m"]].to_numpy(float),
        known_sigma_m=first["known_sigma_m"].to_numpy(float),
        memory_s=stated.memory_s,
        tried_m=tried_m,
        clock_sigma_s=clock if math.isfinite(clock) else 0.0,
        **{name: sightings[name].to_numpy(float) for name in columns},
    )


def _table(sightings: pd.DataFrame, found: ArmError) -> pd.DataFrame:
    table = sightings[["mark", "kind", "line", "spot"]].copy()
    table["direction_deg"] = sightings["heading_deg"].round(1)
    table["ahead_m"], table["right_m"] = found.off_m.round(4).T + 0.0
    table["left_ahead_m"], table["left_right_m"] = found.left_off_m.round(4).T + 0.0
    table["used"] = found.used
    return table.reset_index(drop=True)


def _finding(told: list[Component], found: ArmError) -> str:
    words = {"antenna_forward": "forward", "antenna_right": "right"}
    parts = [
        tell("{way} {off_m:+.3f} (sigma {sigma_m:.3f})",
             way=words[part.key], off_m=part.error_m, sigma_m=part.sigma_m)
        for part in told
    ]  # fmt: skip
    text = tell(
        "the antenna is off its stated place by {parts}, from {used} sightings",
        parts=together(parts, ", "), used=int(found.used.sum()),
    )  # fmt: skip
    left_out = int((~found.used).sum())
    return text + (f", {left_out} left out" if left_out else "")


def _nothing_told(sightings: pd.DataFrame) -> str:
    """Say why neither component can be told, and what to add."""
    turn = np.radians(sightings["heading_deg"].to_numpy(float))
    one_way = np.hypot(np.cos(turn).mean(), np.sin(turn).mean()) > math.cos(math.radians(15.0))
    cause = "all sightings are of one direction of travel" if one_way else "no mark is seen both ways"
    return (
        f"the sightings tell nothing about the antenna: {cause} and no mark's own place is known; drive over "
        "the same mark in the opposite direction too, or give the mark's surveyed easting and northing. A "
        "line needs two spots that saw it, well apart, in each pass"
    )


def _advice(
    parts: tuple[Component, ...],
    found: ArmError,
    seen: Seen,
    stated: Stated,
    sightings: pd.DataFrame,
    tolerance_m: float,
) -> Iterator[str]:
    """Sentences on what was found and what to do."""
    for part in parts:
        if not part.is_told:
            yield _untold(part)
        elif part.verdict(tolerance_m) == "fail":
            yield _off(part)
            yield from _causes(part, parts, stated, tolerance_m)
        elif part.verdict(tolerance_m) == "look":
            yield tell(
                "{key}: {off_m:+.3f} with a sigma of {sigma_m:.3f} cannot be judged against {tolerance_m:g}: "
                "see the marks more often, or state a larger --tolerance",
                key=part.key, off_m=part.error_m, sigma_m=part.sigma_m, tolerance_m=tolerance_m,
            )  # fmt: skip
    if parts[0].is_told and parts[0].verdict(tolerance_m) == "fail":
        yield from _clock(parts[0], seen)
    yield from _misfit(found, sightings)
    if found.likelihood < UNLIKELY and _mirrored(seen, sightings["spot_right_m"].to_numpy(float)):
        yield "with first and last of spots_right exchanged the sightings agree: the spots' order is mirrored"


def _untold(part: Component) -> str:
    if part.key == "antenna_right":
        return (
            "antenna_right: not told by these sightings; see a point, or a line along the lane, both ways or "
            "at a surveyed place"
        )
    return (
        "antenna_forward: not told by these sightings; see a point, or a line across the lane, both ways or "
        "at a surveyed place"
    )


def _off(part: Component) -> str:
    """The value to state, in words that lot.toml takes, and what it did to the spots."""
    ahead, behind = SIDES[part.key]
    return tell(
        '{key}: state "{found_m:.3f} {found_side}" ({inches:.1f} in) instead of "{stated_m:.3f} {stated_side}"; '
        "every spot lay {off_m:.3f} too far {side} in travel, and to the other side on the way back",
        key=part.key,
        found_m=abs(part.found_m),
        found_side=ahead if part.found_m >= 0 else behind,
        inches=abs(part.found_m) / FOOT_M * 12,
        stated_m=abs(part.stated_m),
        stated_side=ahead if part.stated_m >= 0 else behind,
        off_m=abs(part.error_m),
        side=ahead if part.error_m > 0 else behind,
    )


def _causes(
    part: Component, parts: tuple[Component, ...], stated: Stated, tolerance_m: float
) -> Iterator[str]:
    """Usual slips that would give the found value."""
    other = parts[1 if part is parts[0] else 0]
    ahead, behind = SIDES[part.key]
    side = ahead if part.found_m > 0 else behind
    slips = [
        (-part.stated_m, f"the sign is wrong, it sits {side}: spots move by twice the offset"),
        (part.stated_m * FOOT_M, "feet were written as metres"),
        (part.stated_m / FOOT_M, "metres were written as feet"),
        (part.stated_m / 2.54, "inches were taken for centimetres"),
        (part.stated_m * 2.54, "centimetres were taken for inches"),
        (other.stated_m, "forward and right are exchanged"),
    ]
    if part.key == "antenna_forward":
        for length in (part.stated_m + stated.screed_forward_m, part.stated_m - stated.screed_forward_m):
            slips.append((length, "it was measured from the screed, not from the line of spots"))
    near = max(2 * part.sigma_m, tolerance_m)
    fit = [text for value, text in slips if abs(value - part.found_m) <= near < abs(value - part.stated_m)]
    for text in dict.fromkeys(fit):
        yield f"{part.key}: likely {text}"
    if not fit:
        yield (
            f"{part.key}: no usual slip fits; tape it again from the line of spots, and look whether the "
            "antenna moved"
        )
    if part.key == "antenna_right":
        yield "antenna_right: an error of the same size in spots_right looks the same: tape both"


def _clock(part: Component, seen: Seen) -> Iterator[str]:
    """A late clock looks like an arm that is too long, at one speed."""
    speed = float(np.median(np.abs(seen.speed_mps)))
    if speed > 0.01:
        yield tell(
            "antenna_forward: a scan clock {clock_s:.2f} off would look the same at {speed_mps:.1f}: see the mark "
            "at another speed too, or with a stop in the drive for clock_offset",
            clock_s=abs(part.error_m) / speed, speed_mps=speed,
        )  # fmt: skip


def _misfit(found: ArmError, sightings: pd.DataFrame) -> Iterator[str]:
    """Name sightings that were left out, and disagreement that is left."""

    def named(rows: np.ndarray) -> str:
        picked = sightings[rows].head(6)
        return ", ".join(
            f"{row.mark} at line {row.line:.6g} spot {row.spot:.4g}" for row in picked.itertuples()
        )

    if (~found.used).any():
        yield f"left out, off from all others by more than chance: {named(~found.used)}"
    if found.undecided.any():
        yield f"one of these is wrong, and which cannot be told: {named(found.undecided)}; see the mark once more"
    elif found.likelihood < UNLIKELY:
        yield (
            f"the sightings disagree {math.sqrt(found.misfit):.1f} times more than their sigmas say (counted "
            "in the sigma): was the antenna or the scanner moved between the passes?"
        )


def _mirrored(seen: Seen, right_m: np.ndarray) -> bool:
    """Whether the sightings agree once every spot is put on the other side of C."""
    sine, cosine = np.sin(seen.heading_rad), np.cos(seen.heading_rad)
    moved = replace(
        seen, east_m=seen.east_m - 2 * right_m * cosine, north_m=seen.north_m + 2 * right_m * sine
    )
    return solve_arm_error(moved).likelihood >= UNLIKELY
