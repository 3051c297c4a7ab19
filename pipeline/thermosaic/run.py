"""One lot from logs to products: the table of contents."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from .config import LotConfig
from .model import LotRecord, Products
from .stages.s1_ingest import read_lot
from .stages.s2_trajectory import solve_trajectory
from .stages.s3_georeference import georeference_scan
from .stages.s4_stationing import station_lot
from .stages.s5_rasterise import rasterise_mat
from .stages.s6_detect import detect_findings
from .stages.s7_publish import publish_lot


def run_lot(config: LotConfig, result: Path, overwrite: bool = False, report: bool = True) -> Products:
    """Turn one lot's logs into checked GIS products.

    Parameters
    ----------
    config : LotConfig
        From `load_config`.
    result : Path
        Folder to publish: absent or whole afterwards. An older result is replaced only with `overwrite`.
    report : bool
        Make the page, card, waypoints and tables too.

    Raises
    ------
    ConfigError, InputError, MismatchError, ProductError
        Each with what was found, where, what was expected and what to do.
    """
    started = datetime.now(UTC)
    inputs = read_lot(config)
    trajectory = solve_trajectory(inputs, config.crs, config.rig, config.accept)
    swath = georeference_scan(inputs.scan, trajectory, config.rig, config.scanner)
    stations = station_lot(swath, trajectory, inputs, config.station_plan)
    rasters = rasterise_mat(swath, stations, config.grid)
    findings = detect_findings(
        swath, stations, trajectory, rasters, inputs, config.rules, config.rig,
        laydown_target_c=config.lot.laydown_target_c, tick_step_m=config.labels.tick_m,
    )  # fmt: skip
    record = LotRecord(config, inputs, trajectory, swath, stations, rasters, findings, started)
    return publish_lot(record, result, overwrite, report)
