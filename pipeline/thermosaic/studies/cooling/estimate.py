"""How long a mat stays above a temperature after it was laid, as an interval over what is not known about it.

An estimate of what weather and thickness allow, not of what compaction needs. The mat is taken as laid at one
temperature through its depth, that of the surface reading within `laid_off_delta_c`; compacted thickness with the
mix's own heat; weather as at laying; no rain on it, no roller's water.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ...kernels.cooling import Cases, film_w_m2k, mean_curves, time_to
from ...kernels.sun import sky_c, sun_w_m2
from ...published import Published
from .conditions import Conditions, Moment
from .spread import CLOUD, DRAWS, RANGES, draw

LONGEST_S = 4 * 3600.0  # longer is not told apart
BEYOND_S = 2 * LONGEST_S  # stands for any longer time where percentiles are taken
LOW_PERCENT, HIGH_PERCENT = 10, 90  # of the draws: 8 of 10 lie between
KNOTS = 7  # laid temperatures that are solved for; between them times are interpolated
PARTS = {"profiles": ("low", "mean", "high"), "cold_zones": ("zone", "around")}
OF_PART = {"low": "low_c", "mean": "mean_c", "high": "high_c", "zone": "temp_mean_c", "around": "reference_c"}
NUMBER = {"profiles": "profile_id", "cold_zones": "zone_id"}
TIMES = ("mean_low_s", "mean_s", "mean_high_s", "middle_low_s", "middle_s", "middle_high_s")


@dataclass(frozen=True, eq=False, slots=True)
class Cooling:
    """How long the mat of a lot stays above the temperature to fall to.

    `profiles` and `zones` hold a row for each laid temperature of each: number, part, pass_id, station_from_m,
    station_to_m, laid_c, laid_utc, moment (of the weather, -1 = none within an hour), and seconds: mean_s and
    middle_s, by the mean through the mat and half way down, each with its low and high; NaN without weather,
    infinite beyond `LONGEST_S`.
    """

    conditions: Conditions
    profiles: pd.DataFrame
    zones: pd.DataFrame

    @property
    def untold(self) -> int:
        """Profiles without weather within an hour, or without a temperature."""
        return int(self.profiles.loc[self.profiles["part"] == "mean", "mean_s"].isna().sum())


def cooling(published: Published, conditions: Conditions) -> Cooling:
    """Estimate every profile and cold zone of a published lot."""
    frames = {layer: laid_parts(published.frames[layer], layer) for layer in PARTS}
    together = pd.concat(list(frames.values()), ignore_index=True)
    times = available(conditions, together["laid_c"].to_numpy(float), utc_of(together["laid_utc"]))
    together = together.assign(**times)
    first = len(frames["profiles"])
    return Cooling(conditions, together[:first], together[first:].reset_index(drop=True))


def laid_parts(layer: pd.DataFrame, name: str) -> pd.DataFrame:
    """Laid temperatures of the rows of a layer, one row each, with half the time its mat took to lay."""
    parts = [
        pd.DataFrame({
            "number": layer[NUMBER[name]], "part": part, "pass_id": layer["pass_id"],
            "station_from_m": layer["station_from_m"], "station_to_m": layer["station_to_m"],
            "laid_c": layer[OF_PART[part]].astype(float),
            "laid_utc": layer["laid_from_utc"] + (layer["laid_to_utc"] - layer["laid_from_utc"]) / 2,
        })
        for part in PARTS[name]
    ]  # fmt: skip
    return pd.concat(parts).sort_values("number", kind="stable").reset_index(drop=True)


def utc_of(times: pd.Series) -> np.ndarray:
    """Times of a layer as datetime64[ns], UTC."""
    return pd.to_datetime(times, utc=True).dt.tz_convert(None).to_numpy("M8[ns]")


def available(conditions: Conditions, laid_c: np.ndarray, laid_utc: np.ndarray) -> dict[str, np.ndarray]:
    """Estimate seconds by name of TIMES, and the place of the weather, for mats laid at temperatures and times."""
    moment = np.where(np.isfinite(laid_c), conditions.moment_of(laid_utc), -1)
    times = np.full((len(TIMES), len(laid_c)), np.nan)
    unknown = draw()
    for number in np.unique(moment[moment >= 0]):
        mine = np.flatnonzero(moment == number)
        times[:, mine] = _at_moment(conditions, conditions.moments[number], laid_c[mine], unknown)
    return {**dict(zip(TIMES, times, strict=True)), "moment": moment}


def _at_moment(
    conditions: Conditions, moment: Moment, laid_c: np.ndarray, unknown: dict[str, np.ndarray]
) -> np.ndarray:
    """Seconds, (TIMES, mat), of mats laid in one weather."""
    knots = np.unique(laid_c)
    if len(knots) > KNOTS:
        knots = np.linspace(knots[0], knots[-1], KNOTS)
    cases = cases_of(conditions, moment, knots, unknown)
    solved = time_to(cases, conditions.cessation_c, LONGEST_S)
    rows = [
        np.percentile(np.minimum(part.reshape(len(knots), DRAWS), BEYOND_S), percent, axis=1)
        for part in solved
        for percent in (LOW_PERCENT, 50, HIGH_PERCENT)
    ]
    times = np.array([np.interp(laid_c, knots, row) for row in rows])
    return np.where(times > LONGEST_S, np.inf, times)


def cases_of(
    conditions: Conditions, moment: Moment, laid_c: np.ndarray, unknown: dict[str, np.ndarray]
) -> Cases:
    """Every draw of what is not known, for each laid temperature: (laid x draw) cases, a draw after the other."""
    air = moment.air_c + unknown["air_off_delta_c"]
    base = air + unknown["base_off_delta_c"]
    if conditions.base_c is not None:
        base = conditions.base_c + unknown["base_stated_delta_c"]
    least, most = moment.cloud_frac
    cloud = least + (most - least) * unknown[CLOUD]
    of_draw = {
        "thickness_m": conditions.thickness_m * unknown["thickness_times"],
        "mat_w_mk": unknown["mat_w_mk"],
        "mat_j_m3k": unknown["mat_mj_m3k"] * 1e6,
        "base_w_mk": unknown["base_w_mk"],
        "base_j_m3k": unknown["base_w_mk"] / (unknown["base_mm2_s"] * 1e-6),
        "base_c": base,
        "air_c": air,
        "sky_c": sky_c(air, cloud),
        "film_w_m2k": film_w_m2k(moment.wind_mps) * unknown["film_times"],
        "emissivity": unknown["emissivity"],
        "sun_w_m2": unknown["absorbed_frac"] * sun_w_m2(moment.sun_up_deg, cloud),
    }
    laid = (laid_c[:, None] + unknown["laid_off_delta_c"]).ravel()
    return Cases(laid_c=laid, **{name: np.tile(values, len(laid_c)) for name, values in of_draw.items()})


def fan(conditions: Conditions, moment: Moment, laid_c: float, time_s: np.ndarray) -> np.ndarray:
    """Low, middle and high of the mean through a mat at times since it was laid, (3, time)."""
    curves = mean_curves(cases_of(conditions, moment, np.array([laid_c]), draw()), time_s)
    return np.percentile(curves, (LOW_PERCENT, 50, HIGH_PERCENT), axis=0)


def assumptions(conditions: Conditions) -> tuple[str, ...]:
    """Every range that the interval stands on, with its source and standing."""
    left_out = "base_off_delta_c" if conditions.base_c is not None else "base_stated_delta_c"
    return tuple(item.told() for name, item in RANGES.items() if name != left_out)
