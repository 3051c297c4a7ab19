"""Two versions of each reading side by side: places, stations, temperatures, verdicts, profiles; block by block.

A reading is the same in both where line and spot are. Shifts are lengths on the ground, along and across the
travel that the older result has: forward and right are positive. Kept of every reading are four single-precision
numbers, everything else is a count.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ...tables import DROP_REASONS
from .nouns import Side

COLUMNS = (
    "line", "spot", "pass_id", "easting_m", "northing_m", "station_m", "offset_m", "temp_c", "kept",
    "dropped_reason", "placed", "position_sigma_m",
)  # fmt: skip
PLACED = ("fixes", "by_wheel")
VERDICTS = ("kept", *DROP_REASONS)
MOST_SPOTS = 100_000  # a line has fewer
ROUNDED = 1e-6  # metres: a station less its zero is rounded before it is given to a cell


@dataclass(frozen=True, eq=False, slots=True)
class ReadingChanges:
    """What became of the readings of two results; matrices are (old, new), their last row or column is none."""

    counts: tuple[int, int]  # rows of each
    verdicts: np.ndarray  # int (old verdict, new verdict) of the readings in both
    gone: np.ndarray  # int (verdict) of readings in the old only
    added: np.ndarray  # int (verdict) of readings in the new only
    along_m: np.ndarray  # float32 (reading in both), NaN where a line has a single spot
    across_m: np.ndarray
    moved_m: np.ndarray
    in_sigmas: np.ndarray  # that length by the position sigma stated in the old
    station_m: tuple[float, float, float]  # smallest, mean, largest of new less old
    offset_m: tuple[float, float, float]
    placed_otherwise: int
    warmer_delta_c: tuple[
        int, float, float
    ]  # readings with another temperature; mean and largest of new less old
    lines: pd.DataFrame  # pass_id, easting_m, northing_m of the new one's middle; east_m, north_m shift
    profiles: ProfileCounts

    @property
    def common(self) -> int:
        return int(self.verdicts.sum())


@dataclass(frozen=True, eq=False, slots=True)
class ProfileCounts:
    """Readings by the profile that holds them in either result."""

    common: np.ndarray  # int (old profile, new profile) readings in both
    warmer: np.ndarray  # of these kept in both, with another temperature
    recelled: np.ndarray  # of these kept in both, in another cell of the statistic
    gone: np.ndarray  # int (old profile) readings that the new has not
    added: np.ndarray  # int (new profile) readings that the old has not
    verdicts: Counter[tuple[int, int, int, int]]  # old profile, new profile, old verdict, new verdict


class _Profiles:
    """Which profile of a result holds a reading: that of its pass whose half-open stretch holds its station."""

    def __init__(self, side: Side) -> None:
        frame = side.frames["profiles"]
        self.count = len(frame)
        ends = frame[["station_from_m", "station_to_m"]].to_numpy(float)
        self._of_pass = {}
        for pass_id in frame["pass_id"].unique():
            rows = np.flatnonzero((frame["pass_id"] == pass_id).to_numpy())
            rows = rows[np.argsort(ends[rows, 0])]
            self._of_pass[str(pass_id)] = (rows, ends[rows, 0], ends[rows, 1])

    def of(self, pass_id: pd.Categorical, station_m: np.ndarray) -> np.ndarray:
        """Row of the profile of each reading; the number of profiles where there is none."""
        found = np.full(len(station_m), self.count)
        for code, name in enumerate(pass_id.categories):
            own = np.flatnonzero(pass_id.codes == code)
            if str(name) not in self._of_pass or not len(own):
                continue
            rows, low, high = self._of_pass[str(name)]
            at = station_m[own] + ROUNDED
            place = np.searchsorted(low, at, side="right") - 1
            inside = (place >= 0) & (at < high[place])
            found[own[inside]] = rows[place[inside]]
        return found


class ReadingTally:
    """Takes both results' readings, block by block in the order of lines, and counts."""

    def __init__(self, old: Side, new: Side, scale: float) -> None:
        self._sides, self._scale = (old, new), scale
        self._profiles = tuple(_Profiles(side) for side in self._sides)
        frames = [side.quality["mat_frames"] for side in self._sides]
        self._zero_m = [{key: float(item["zero_m"]) for key, item in frame.items()} for frame in frames]
        self._forward = {
            key: 1.0 if item["travel"] == "upstation" else -1.0 for key, item in frames[0].items()
        }
        self._cell_m = [float(side.quality["statistic"]["cell_m"]) for side in self._sides]
        shape = tuple(item.count + 1 for item in self._profiles)
        self._verdicts = np.zeros((len(VERDICTS),) * 2, int)
        self._left = [np.zeros(len(VERDICTS), int) for _ in self._sides]
        self._counts, self._placed = [0, 0], 0
        self._common, self._warmer, self._recelled = (np.zeros(shape, int) for _ in range(3))
        self._left_of_profile = [np.zeros(count, int) for count in shape]
        self._changed: Counter[tuple[int, int, int, int]] = Counter()
        self._shifts: list[np.ndarray] = []  # (4, reading): along, across, moved, in sigmas
        self._lines: list[pd.DataFrame] = []
        self._stations: list[tuple[int, np.ndarray, np.ndarray]] = []
        self._temps = [0, 0.0, 0.0]

    def add(self, old: pd.DataFrame, new: pd.DataFrame) -> None:
        """Count one block: the same lines of both, in the order of line and spot; new places on the old one's map."""
        self._counts[0] += len(old)
        self._counts[1] += len(new)
        both = _matched(old, new)
        for which, (frame, rows) in enumerate(zip((old, new), both, strict=True)):
            left = np.ones(len(frame), bool)
            left[rows] = False
            self._add_left(which, frame[left])
        if len(both[0]):
            self._add_both(old.iloc[both[0]], new.iloc[both[1]])

    def _add_left(self, which: int, frame: pd.DataFrame) -> None:
        if frame.empty:
            return
        self._left[which] += np.bincount(verdict_codes(frame), minlength=len(VERDICTS))
        at = self._profiles[which].of(_passes(frame), frame["station_m"].to_numpy())
        self._left_of_profile[which] += np.bincount(at, minlength=len(self._left_of_profile[which]))

    def _add_both(self, old: pd.DataFrame, new: pd.DataFrame) -> None:
        verdict = [verdict_codes(frame) for frame in (old, new)]
        number = len(VERDICTS)
        self._verdicts += np.bincount(verdict[0] * number + verdict[1], minlength=number**2).reshape(
            number, -1
        )
        placed = [_codes(frame["placed"], PLACED) for frame in (old, new)]
        self._placed += int(np.count_nonzero(placed[0] != placed[1]))
        warmer = self._add_temps(old["temp_c"].to_numpy(), new["temp_c"].to_numpy())
        self._add_shifts(old, new)
        self._add_profiles(old, new, verdict, warmer)

    def _add_temps(self, old_c: np.ndarray, new_c: np.ndarray) -> np.ndarray:
        """Count temperatures that differ; return which."""
        differ = (old_c != new_c) & ~(np.isnan(old_c) & np.isnan(new_c))
        if differ.any():
            off = np.nan_to_num((new_c - old_c)[differ].astype(float))
            self._temps[0] += len(off)
            self._temps[1] += float(off.sum())
            self._temps[2] = max(off[np.argmax(np.abs(off))], self._temps[2], key=abs)
        return differ

    def _add_shifts(self, old: pd.DataFrame, new: pd.DataFrame) -> None:
        """Bring the shift of each reading to along and across, and keep the mean shift of each line."""
        east, north = (
            (new[name].to_numpy() - old[name].to_numpy()) / self._scale
            for name in ("easting_m", "northing_m")
        )
        start = np.flatnonzero(np.r_[True, np.diff(old["line"].to_numpy()) != 0])
        length = np.diff(np.r_[start, len(old)])
        right = np.repeat(self._right_of_travel(old, start), length, axis=0)
        moved = np.hypot(east, north)
        along, across = north * right[:, 0] - east * right[:, 1], east * right[:, 0] + north * right[:, 1]
        sigma = old["position_sigma_m"].to_numpy(float)
        in_sigmas = np.divide(moved, sigma, out=np.full(len(old), np.nan), where=sigma > 0)
        self._shifts.append(np.array([along, across, moved, in_sigmas], np.float32))
        means = {
            "easting_m": new["easting_m"].to_numpy(), "northing_m": new["northing_m"].to_numpy(),
            "east_m": east * self._scale, "north_m": north * self._scale,
        }  # fmt: skip
        means = {name: np.add.reduceat(values, start) / length for name, values in means.items()}
        self._lines.append(pd.DataFrame({"pass_id": _texts(new["pass_id"].iloc[start]), **means}))
        self._stations.append(
            (len(old), *(_ends(new[name].to_numpy(float) - old[name].to_numpy(float))
                         for name in ("station_m", "offset_m")))
        )  # fmt: skip

    def _right_of_travel(self, old: pd.DataFrame, start: np.ndarray) -> np.ndarray:
        """Unit vector to the right of travel of each line, (line, 2); NaN where it has a single spot."""
        end = np.r_[start[1:], len(old)] - 1
        at = old[["easting_m", "northing_m"]].to_numpy()
        offset = old["offset_m"].to_numpy()
        forward = np.array([self._forward.get(name, 1.0) for name in _texts(old["pass_id"].iloc[start])])
        across = (at[end] - at[start]) * (np.sign(offset[end] - offset[start]) * forward)[:, None]
        length = np.hypot(*across.T)[:, None]
        return np.divide(across, length, out=np.full(across.shape, np.nan), where=length > 0)

    def _add_profiles(
        self, old: pd.DataFrame, new: pd.DataFrame, verdict: list[np.ndarray], warmer: np.ndarray
    ) -> None:
        """Count readings by the profiles that hold them, and by what became of them there."""
        at = [
            self._profiles[which].of(_passes(frame), frame["station_m"].to_numpy())
            for which, frame in enumerate((old, new))
        ]
        pair, shape = at[0] * self._common.shape[1] + at[1], self._common.shape
        kept = (verdict[0] == 0) & (verdict[1] == 0)
        recelled = kept & (self._cells(0, old) != self._cells(1, new)).any(axis=1)
        for total, which in (
            (self._common, slice(None)), (self._warmer, kept & warmer), (self._recelled, recelled),
        ):  # fmt: skip
            total += np.bincount(pair[which], minlength=total.size).reshape(shape)
        differ = np.flatnonzero(verdict[0] != verdict[1])
        combined = np.column_stack([at[0], at[1], *verdict])[differ]
        for item, count in zip(*np.unique(combined, axis=0, return_counts=True), strict=True):
            self._changed[tuple(item.tolist())] += int(count)

    def _cells(self, which: int, frame: pd.DataFrame) -> np.ndarray:
        """Cell of the statistic of each reading, (reading, 2)."""
        zero = np.array([self._zero_m[which].get(str(name), 0.0) for name in _passes(frame).categories])
        along = np.round(frame["station_m"].to_numpy() - zero[_passes(frame).codes], 6)
        both = np.column_stack([along, frame["offset_m"].to_numpy(float)])
        return np.floor(both / self._cell_m[which]).astype(np.int64)

    def found(self) -> ReadingChanges:
        """Give what was counted."""
        along, across, moved, in_sigmas = np.concatenate(
            [np.empty((4, 0), np.float32), *self._shifts], axis=1
        )
        count, total, largest = self._temps
        lines = pd.concat(self._lines, ignore_index=True) if self._lines else pd.DataFrame(
            {name: [] for name in ("pass_id", "easting_m", "northing_m", "east_m", "north_m")}
        )  # fmt: skip
        return ReadingChanges(
            counts=(self._counts[0], self._counts[1]), verdicts=self._verdicts, gone=self._left[0],
            added=self._left[1], along_m=along, across_m=across, moved_m=moved, in_sigmas=in_sigmas,
            station_m=_joined(self._stations, 1), offset_m=_joined(self._stations, 2),
            placed_otherwise=self._placed,
            warmer_delta_c=(int(count), total / count if count else 0.0, float(largest)), lines=lines,
            profiles=ProfileCounts(
                self._common, self._warmer, self._recelled, *self._left_of_profile, self._changed
            ),
        )  # fmt: skip


def verdict_codes(frame: pd.DataFrame) -> np.ndarray:
    """Place of each reading's verdict in VERDICTS: 0 where it is kept."""
    return np.where(frame["kept"].to_numpy(bool), 0, _codes(frame["dropped_reason"], VERDICTS))


def _codes(values: pd.Series, words: tuple[str, ...]) -> np.ndarray:
    """Place of each text among `words`, 0 where there is none."""
    held = values.astype("category").cat
    number = np.array([words.index(str(word)) for word in held.categories] + [0])
    return number[held.codes.to_numpy()]


def _matched(old: pd.DataFrame, new: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Rows of the readings in both."""
    keys = [
        frame["line"].to_numpy(np.int64) * MOST_SPOTS + frame["spot"].to_numpy(np.int64)
        for frame in (old, new)
    ]
    if len(keys[0]) == len(keys[1]) and np.array_equal(*keys):
        rows = np.arange(len(keys[0]))
        return rows, rows
    _, left, right = np.intersect1d(*keys, assume_unique=True, return_indices=True)
    return left, right


def _passes(frame: pd.DataFrame) -> pd.Categorical:
    return frame["pass_id"].astype("category").array


def _texts(values: pd.Series) -> np.ndarray:
    return values.astype(str).to_numpy(object)


def _ends(values: np.ndarray) -> np.ndarray:
    return np.array([values.min(), values.mean(), values.max()])


def _joined(blocks: list[tuple[int, np.ndarray, np.ndarray]], which: int) -> tuple[float, float, float]:
    """Smallest, mean and largest over all blocks; NaN without one."""
    if not blocks:
        return (np.nan,) * 3
    count = np.array([block[0] for block in blocks])
    low, mean, high = np.array([block[which] for block in blocks]).T
    return float(low.min()), float((mean * count).sum() / count.sum()), float(high.max())
