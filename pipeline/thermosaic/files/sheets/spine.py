"""From a place on the map to station and offset, by the positions of the readings themselves.

A result does not carry its alignment; it carries every reading with both its map position and its station and
offset. A plane fitted to them each metre or so gives the middle of the mat and its edges as a polyline.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

STEP_M, LONG_STEP_M = 1.5, 3.0  # of a lot, and of one longer than LONG_LOT_M
LONG_LOT_M = 3000.0
LONGEST_CHORD_M = 7.0
FARTHEST_M = 20.0
COLUMNS = ("spot", "easting_m", "northing_m", "station_m", "offset_m", "speed_mps")


@dataclass(frozen=True, eq=False, slots=True)
class Spine:
    """Middle of one pass's mat, knots upstation; parts of it lie apart where readings are missing."""

    station_m: np.ndarray  # (knot), rising
    easting_m: np.ndarray  # (knot) at the middle of the mat
    northing_m: np.ndarray  # (knot)
    middle_m: np.ndarray  # (knot) offset of the middle
    half_m: np.ndarray  # (knot) from the middle to either edge of the mat
    speed_mps: np.ndarray  # (knot) mean speed of the paver as it laid the place

    @property
    def joined(self) -> np.ndarray:
        """bool (knot - 1): the chord to the next knot lies on measured mat."""
        return np.diff(self.station_m) <= LONGEST_CHORD_M

    def azimuth_deg(self, station_m: float) -> float:
        """Grid azimuth of the mat upstation at a station."""
        if len(self.station_m) < 2:
            return 0.0
        at = int(np.clip(np.searchsorted(self.station_m, station_m), 1, len(self.station_m) - 1))
        low, high = max(at - 3, 0), min(at + 2, len(self.station_m) - 1)
        east, north = np.diff(self.easting_m[[low, high]]), np.diff(self.northing_m[[low, high]])
        return float(np.degrees(np.arctan2(east, north))[0] % 360)

    def locate(
        self, place_m: np.ndarray, between_m: tuple[float, float] | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Give station and offset of map positions.

        Parameters
        ----------
        place_m : float64 (place, 2)
            Easting and northing in metres of the map CRS.
        between_m : two stations, optional
            Look only between them (and a little beyond), which is faster.

        Returns
        -------
        station_m, offset_m : float64 (place); NaN farther than FARTHEST_M from the mat's middle.
        """
        low, high = between_m or (-np.inf, np.inf)
        near = (self.station_m >= low - 2 * LONG_STEP_M) & (self.station_m <= high + 2 * LONG_STEP_M)
        k = np.flatnonzero(near[:-1] & near[1:] & self.joined)
        if len(k) == 0 or len(place_m) == 0:
            return np.full(len(place_m), np.nan), np.full(len(place_m), np.nan)
        knot = np.column_stack([self.easting_m, self.northing_m])
        chord = knot[k + 1] - knot[k]
        length2 = (chord**2).sum(axis=1)
        away = place_m[:, None] - knot[k]
        loose = ~np.r_[False, self.joined, False]
        share = (away * chord).sum(axis=2) / length2
        share = np.clip(share, np.where(loose[k], -1, 0), np.where(loose[k + 2], 2, 1))
        away -= share[..., None] * chord
        distance2 = (away**2).sum(axis=2)
        best, row = distance2.argmin(axis=1), np.arange(len(place_m))
        share, away, chord, k = share[row, best], away[row, best], chord[best], k[best]
        side = (chord[:, 1] * away[:, 0] - chord[:, 0] * away[:, 1]) / np.sqrt(length2[best])
        station = self.station_m[k] + share * (self.station_m[k + 1] - self.station_m[k])
        offset = self.middle_m[k] + share * (self.middle_m[k + 1] - self.middle_m[k]) + side
        far = distance2[row, best] > FARTHEST_M**2
        return np.where(far, np.nan, station), np.where(far, np.nan, offset)


def read_spines(spots: Path) -> dict[str, Spine]:
    """Read the spine of every pass from spots.parquet."""
    if not spots.is_file():
        return {}
    table = pq.read_table(spots, columns=["pass_id", "dropped_reason", *COLUMNS])
    table = table.filter(pc.fill_null(pc.not_equal(table["dropped_reason"], "second_look"), True))
    words, code = codes_of(table["pass_id"])
    values = {name: table[name].to_numpy() for name in COLUMNS}
    pitch = _pitch(values)
    return {
        word: fit_spine({name: value[code == number] for name, value in values.items()}, pitch)
        for number, word in enumerate(words)
        if word is not None and np.any(code == number)
    }


def codes_of(texts: pa.ChunkedArray) -> tuple[list[str | None], np.ndarray]:
    """Words of a text column and the number of each row's word; -1 = none."""
    plain = texts.cast(pa.string()).combine_chunks().dictionary_encode()
    return plain.dictionary.to_pylist(), plain.indices.fill_null(-1).to_numpy()


def _pitch(values: dict[str, np.ndarray]) -> float:
    """Distance between neighbouring spots across the mat, median over the readings."""
    neighbours = np.diff(values["spot"]) == 1
    steps = np.abs(np.diff(values["offset_m"]))[neighbours]
    return float(np.median(steps)) if len(steps) else 0.0


def fit_spine(values: dict[str, np.ndarray], pitch_m: float) -> Spine:
    """Fit middle and edges of the mat each few metres of station.

    Parameters
    ----------
    values : arrays (reading) of COLUMNS, first looks of one pass.
    pitch_m : distance of neighbouring spots; the mat ends half of it beyond the outermost reading.
    """
    station, offset = values["station_m"], values["offset_m"].astype(np.float64)
    step = STEP_M if np.ptp(station) < LONG_LOT_M else LONG_STEP_M
    bins, inverse = np.unique(np.floor(station / step).astype(np.int64), return_inverse=True)
    count = np.bincount(inverse)
    low = np.full(len(bins), np.inf)
    high = np.full(len(bins), -np.inf)
    np.minimum.at(low, inverse, offset)
    np.maximum.at(high, inverse, offset)
    middle = (low + high) / 2
    along, across = station - (bins[inverse] + 0.5) * step, offset - middle[inverse]
    place = [_intercept(inverse, count, along, across, values[name]) for name in ("easting_m", "northing_m")]
    good = (count >= 3) & np.isfinite(place[0]) & np.isfinite(place[1])
    return Spine(
        ((bins + 0.5) * step)[good],
        place[0][good],
        place[1][good],
        middle[good],
        ((high - low) / 2 + pitch_m / 2)[good],
        (np.bincount(inverse, np.abs(values["speed_mps"])) / count)[good],
    )


def _intercept(
    inverse: np.ndarray, count: np.ndarray, along: np.ndarray, across: np.ndarray, value: np.ndarray
) -> np.ndarray:
    """Value of a least-squares plane at along = across = 0, for each bin; NaN where it is not determined."""
    mean = np.bincount(inverse, value) / count
    a, c = (np.bincount(inverse, x) / count for x in (along, across))
    u, v, w = along - a[inverse], across - c[inverse], value - mean[inverse]
    suu, svv, suv = (np.bincount(inverse, x) for x in (u * u, v * v, u * v))
    suw, svw = (np.bincount(inverse, x) for x in (u * w, v * w))
    determinant = suu * svv - suv**2
    known = determinant > 1e-9 * np.maximum(suu * svv, 1e-12)
    determinant = np.where(known, determinant, np.nan)
    slope_along, slope_across = (suw * svv - svw * suv) / determinant, (svw * suu - suw * suv) / determinant
    return mean - slope_along * a - slope_across * c
