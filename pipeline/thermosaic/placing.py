"""Changes within a lot that are stated by station: their time is known once the lines have stations.

Stages do not know each other, and a run and a check both need three of them in turn here.
"""

from __future__ import annotations

from .config import LotConfig
from .model import LotInputs, Stations, Swath, Trajectory
from .stages.s3_georeference import georeference_scan
from .stages.s4_stationing import station_lot
from .stationing.changes import time_changes


def place_changes(
    config: LotConfig, inputs: LotInputs, trajectory: Trajectory, swath: Swath, stations: Stations
) -> tuple[LotConfig, Swath, Stations]:
    """Give changes that are stated by station their time, and place the lines again where there are any.

    Returns
    -------
    LotConfig, Swath, Stations
        As given where every change is stated by time.
    """
    if all(change.at is not None for change in config.changes):
        return config, swath, stations
    changes = time_changes(config.changes, inputs.passes, swath, stations)
    config = config.model_copy(update={"changes": changes})
    swath = georeference_scan(inputs.scan, trajectory, config.rig, config.scanner, config.later)
    return config, swath, station_lot(swath, trajectory, inputs, config.station_plan)
