"""A synthetic lot through the stages, from its files to its findings, without writing products."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from builders import write_lot
from thermosaic import model
from thermosaic.config import LotConfig
from thermosaic.opening import load_config
from thermosaic.placing import place_changes
from thermosaic.stages.s1_ingest import read_lot
from thermosaic.stages.s2_trajectory import solve_trajectory
from thermosaic.stages.s3_georeference import georeference_scan
from thermosaic.stages.s4_stationing import station_lot
from thermosaic.stages.s5_rasterise import rasterise_mat
from thermosaic.stages.s6_detect import detect_findings
from thermosaic.synthetic import SyntheticLot, Truth


@dataclass(frozen=True, eq=False)
class Flow:
    """One lot's nouns and its truth."""

    truth: Truth
    config: LotConfig
    inputs: model.LotInputs
    trajectory: model.Trajectory
    swath: model.Swath
    stations: model.Stations
    findings: model.Findings

    def errors_m(self) -> np.ndarray:
        """Return horizontal errors (line, spot) of the spots."""
        east = self.swath.easting_m - self.truth.spot_easting_m
        return np.hypot(east, self.swath.northing_m - self.truth.spot_northing_m)


def flow(lot: SyntheticLot, folder: Path, edit: Callable[[str], str] = lambda text: text) -> Flow:
    """Write the lot, its lot.toml changed by `edit`, and take it from the files to the findings."""
    write_lot(folder, lot)
    toml = folder / "lot.toml"
    toml.write_text(edit(toml.read_text()))
    config = load_config(folder)
    return middle(lot.truth, config, read_lot(config))


def middle(truth: Truth, config: LotConfig, inputs: model.LotInputs) -> Flow:
    """Take what was read through stages s2 to s6."""
    trajectory = solve_trajectory(inputs, config.crs, config.rig, config.accept, config.later)
    swath = georeference_scan(inputs.scan, trajectory, config.rig, config.scanner, config.later)
    stations = station_lot(swath, trajectory, inputs, config.station_plan)
    config, swath, stations = place_changes(config, inputs, trajectory, swath, stations)
    rasters = rasterise_mat(swath, stations, config.grid)
    findings = detect_findings(
        swath, stations, trajectory, rasters, inputs, config.rules,
        laydown_target_c=config.lot.laydown_target_c, tick_step_m=config.labels.tick_m,
        spread_rate_kg_m2=config.lot.spread_rate_kg_m2,
    )  # fmt: skip
    return Flow(truth, config, inputs, trajectory, swath, stations, findings)
