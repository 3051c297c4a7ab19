"""Whether cold comes back along a pass at one distance, where its bands lie, and what mass that distance holds.

The period and its share of chance are those that the run published (`findings.cycles`, from the same line and
kernels); the bands tell how sure the distance is. A pattern is where and when, not why and not whose: a period is
the length of a load only where tickets show it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ...config import ZoneRule
from ...findings.cycles import SHORTEST_PERIOD_M, Cycle
from ...findings.uniformity import ColdLine, cold_line, image_in_scope
from ...findings.verdicts import CODE
from ...kernels import yields
from ...kernels.bands import Bands, nearest_bands, share_explained
from ...kernels.periods import Correlogram
from ...model import NOT_A_ROW
from ...published import Published

DENSITY_KG_M3 = (
    2300.0,
    2349.0,
    2450.0,
)  # of mat where no spread rate is stated; 110 lb/yd2 per inch (derived)
RATE_OFF_FRAC = (
    0.05  # of a stated spread rate: FDOT's tolerance of its target (training slides, Spec 330-2.2; read)
)
WIDTH_OFF_M = 0.1  # of the mean width of the mat (common practice, no source)


@dataclass(frozen=True, slots=True)
class Interval:
    """A number within two ends that hold it with 95 %; the ends NaN where that is not known."""

    low: float
    value: float
    high: float

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high

    def meets(self, other: Interval) -> bool:
        """Both share some number."""
        return self.low <= other.high and other.low <= self.high


@dataclass(frozen=True, eq=False, slots=True)
class Tickets:
    """What the tickets of one pass say."""

    mass_t: np.ndarray  # (load) a truck's mass; of several trucks that end together, their mean
    whole_m: np.ndarray  # (load) lengths of loads that lie wholly in the pass
    ends_m: np.ndarray  # (load) stations at which loads end


@dataclass(frozen=True, eq=False, slots=True)
class PassCycle:
    """What comes back along one pass.

    `bands` is None where nothing comes back significantly; then no period, mass or share is told.
    """

    pass_id: str
    travel: str
    line: ColdLine
    station_m: np.ndarray  # (place) of the line
    correlogram: Correlogram | None
    cycle: Cycle | None  # as published
    bands: Bands | None
    width_m: float
    rate_kg_m2: Interval
    is_rate_stated: bool
    tickets: Tickets

    @property
    def band_m(self) -> np.ndarray:
        """Stations of the bands that are there, rising."""
        if self.bands is None:
            return np.empty(0)
        return self.station_m[0] + self.bands.place_m[self.bands.present]

    @property
    def period_m(self) -> Interval:
        """Mean way from band to band."""
        if self.bands is None:
            return Interval(np.nan, np.nan, np.nan)
        low, high = self.bands.period_within_m
        return Interval(low, self.bands.period_m, high)

    @property
    def mass_t(self) -> Interval:
        """Mass that lies on one period of the mat."""
        period, rate = self.period_m, self.rate_kg_m2
        mass = float(yields.mass_kg(period.value * self.width_m, rate.value)) / 1000
        return around(mass, off_frac(period), off_frac(rate), WIDTH_OFF_M / self.width_m)

    @property
    def share_frac(self) -> float:
        """Share of the variance of the cold line that the place between two bands explains."""
        if self.bands is None:
            return np.nan
        return share_explained(self.line.off_delta_c, self.line.step_m, self.bands)

    def load_length_m(self, load_kg: float) -> Interval:
        """Length of mat that a load covers at the rate and width."""
        length = float(yields.load_length_m(load_kg, self.width_m, self.rate_kg_m2.value))
        return around(length, off_frac(self.rate_kg_m2), WIDTH_OFF_M / self.width_m)


def off_frac(part: Interval) -> float:
    """Half of an interval against its number."""
    return (part.high - part.low) / 2 / part.value


def around(value: float, *parts: float) -> Interval:
    """Interval of a product whose parts are off by shares, independent of each other."""
    off = value * float(np.sqrt(np.square(parts).sum()))
    return Interval(value - off, value, value + off)


def load_cycles(published: Published, only: str | None = None) -> tuple[PassCycle, ...]:
    """Study every pass of a published lot in order of time, or one by its id."""
    passes = published.frames["lot"]
    passes = passes[passes["pass_id"].notna() if only is None else passes["pass_id"] == only]
    return tuple(
        _of_pass(published, row)
        for _, row in passes.iterrows()
        if str(row["pass_id"]) in published.quality["mat_frames"] and row["measured_m"] > 0
    )


def _of_pass(published: Published, lot_row: pd.Series) -> PassCycle:
    pass_id = str(lot_row["pass_id"])
    spots = published.of_pass(pass_id)
    made = published.field_again(pass_id, spots)
    words = spots["dropped_reason"].astype(object).fillna("")
    reason = np.full(made.field.readings.row.shape, NOT_A_ROW, np.int8)
    reason[made.line, made.spot] = words.map(CODE).to_numpy(np.int8)
    line = cold_line(image_in_scope(made.field, reason), ZoneRule.model_construct(**published.rules["zone"]))
    index = made.field.readings.cells
    place = (np.arange(len(line.level_c)) + 0.5) * line.step_m
    found = published.quality["findings"]["uniformity"]["cycle"].get(pass_id)
    cycle = None if found is None or found["period_m"] is None else Cycle(**found)
    bands = None
    if cycle is not None and cycle.is_significant:
        bands = nearest_bands(line.off_delta_c, line.step_m, cycle.period_m, SHORTEST_PERIOD_M)
    rate, is_stated = _rate(published)
    return PassCycle(
        pass_id=pass_id,
        travel=str(published.quality["mat_frames"][pass_id]["travel"]),
        line=line,
        station_m=published.zero_m(pass_id) + index.col0 * index.cell_m + place,
        correlogram=line.correlogram(),
        cycle=cycle,
        bands=bands,
        width_m=float(lot_row["area_m2"] / lot_row["measured_m"]),
        rate_kg_m2=rate,
        is_rate_stated=is_stated,
        tickets=_tickets(published.frames["profiles_by_load"], pass_id),
    )


def _rate(published: Published) -> tuple[Interval, bool]:
    """Spread rate as stated, else of the usual densities at the stated thickness."""
    lot = published.config["lot"]
    if lot["spread_rate_kg_m2"] is not None:
        return around(float(lot["spread_rate_kg_m2"]), RATE_OFF_FRAC), True
    return Interval(
        *(float(yields.spread_rate_kg_m2(lot["thickness_m"], item)) for item in DENSITY_KG_M3)
    ), False


def _tickets(loads: pd.DataFrame, pass_id: str) -> Tickets:
    mine = loads[(loads["pass_id"] == pass_id) & (loads["cut_by"] == "tickets") & loads["mass_t"].notna()]
    number = mine["ticket_id"].fillna("").str.count(", ").to_numpy() + 1
    upstation = (mine["travel"] == "upstation").to_numpy()
    return Tickets(
        mass_t=mine["mass_t"].to_numpy(float) / number,
        whole_m=mine.loc[mine["spread_kg_m2"].notna(), "length_m"].to_numpy(float),
        ends_m=np.where(upstation, mine["station_to_m"], mine["station_from_m"]).astype(float),
    )
