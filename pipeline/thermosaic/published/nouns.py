"""What of a published result is studied: layers and readings in SI, the configuration as used."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ..findings.refound import FieldAgain, field_again
from ..model import WeatherReading
from ..units import StationLabels

SPOT_COLUMNS = (
    "line", "spot", "pass_id", "seen_utc", "laid_utc", "look_age_s", "easting_m", "northing_m", "station_m",
    "offset_m", "temp_c", "kept", "dropped_reason", "placed", "sigma_along_m", "sigma_across_m",
    "position_sigma_m", "speed_mps",
)  # fmt: skip


@dataclass(frozen=True, eq=False, slots=True)
class Published:
    """A result: layers and readings in SI, configuration as used."""

    frames: dict[str, pd.DataFrame]  # layers by name, geometry in metres
    spots: pd.DataFrame  # columns SPOT_COLUMNS, in the order of line and spot
    config: dict[str, Any]
    quality: dict[str, Any]
    scan_files: tuple[str, ...]
    rows_by_file: tuple[int, ...]  # data rows of each scan file; empty for a single file
    labels: StationLabels

    @property
    def rules(self) -> dict[str, Any]:
        return self.config["rules"]

    @property
    def weather(self) -> tuple[WeatherReading, ...]:
        """Weather read on site around the shift; of a result without all readings the three that it has."""
        held = self.quality.get("weather_readings", self.quality["weather"])
        return tuple(
            WeatherReading(
                np.datetime64(item["time_utc"].removesuffix("Z"), "ns"),
                *(np.nan if item[name] is None else float(item[name]) for name in ("air_c", "wind_mps")),
                str(item["sky"] or ""),
            )
            for item in held
        )

    def zero_m(self, pass_id: str) -> float:
        """Station of the zero of a pass's mat frame."""
        return float(self.quality["mat_frames"][pass_id]["zero_m"])

    def of_pass(self, pass_id: str) -> pd.DataFrame:
        return self.spots[self.spots["pass_id"].astype(str) == pass_id]

    def field_again(self, pass_id: str, spots: pd.DataFrame) -> FieldAgain:
        """Make the field of zones of a pass anew from its readings, `spots`."""
        travel = self.quality["mat_frames"][pass_id]["travel"]
        target_c = self.config["lot"]["laydown_target_c"]
        return field_again(spots, travel, self.zero_m(pass_id), self.rules, target_c)

    def scan_row(self, line: int) -> tuple[str, int]:
        """File and data row in it (1 = first) of a line counted over all files."""
        if not self.rows_by_file:
            return self.scan_files[0], int(line)
        ends = np.cumsum(self.rows_by_file)
        number = int(np.searchsorted(ends, line))
        return self.scan_files[number], int(line - (ends[number - 1] if number else 0))
