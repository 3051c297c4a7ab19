"""One lot from logs to products: the table of contents."""

from __future__ import annotations

import ctypes
import logging
import os
from datetime import UTC, datetime
from pathlib import Path

from .config import LotConfig
from .model import LotInputs, LotRecord, Products
from .placing import place_changes
from .stages.s1_ingest import read_lot
from .stages.s2_trajectory import solve_trajectory
from .stages.s3_georeference import georeference_scan
from .stages.s4_stationing import station_lot
from .stages.s5_rasterise import rasterise_mat
from .stages.s6_detect import detect_findings
from .stages.s7_publish import publish_lot

MANY_READINGS = 5_000_000  # from here on memory counts more than the moment it takes to give some back


def run_lot(
    config: LotConfig,
    result: Path,
    overwrite: bool = False,
    report: bool = True,
    also: tuple[str, ...] = (),
) -> Products:
    """Turn one lot's logs into checked GIS products.

    Parameters
    ----------
    config : LotConfig
        From `load_config`.
    result : Path
        Folder to publish: absent or whole afterwards. An older result is replaced only with `overwrite`.
    report : bool
        Make the page, card, waypoints and tables too.
    also : tuple of str
        Copies of the layers in other formats: fgb, kml.

    Raises
    ------
    ConfigError, InputError, MismatchError, ProductError
        Each with what was found, where, what was expected and what to do.
    """
    started = datetime.now(UTC)
    inputs = read_lot(config)
    _give_back(inputs)
    _say(1, "path")
    trajectory = solve_trajectory(inputs, config.crs, config.rig, config.accept, config.later)
    swath = georeference_scan(inputs.scan, trajectory, config.rig, config.scanner, config.later)
    _say(2, "stations")
    stations = station_lot(swath, trajectory, inputs, config.station_plan)
    config, swath, stations = place_changes(config, inputs, trajectory, swath, stations)
    _say(3, "rasters")
    rasters = rasterise_mat(swath, stations, config.grid)
    _give_back(inputs)
    _say(4, "findings")
    findings = detect_findings(
        swath, stations, trajectory, rasters, inputs, config.rules,
        laydown_target_c=config.lot.laydown_target_c, tick_step_m=config.labels.tick_m,
        spread_rate_kg_m2=config.lot.spread_rate_kg_m2, load_length_m=config.lot.load_length_m,
    )  # fmt: skip
    _give_back(inputs)
    _say(5, "products")
    record = LotRecord(config, inputs, trajectory, swath, stations, rasters, findings, started)
    return publish_lot(record, result, overwrite, report, also)


def _give_back(inputs: LotInputs) -> None:
    """Give memory that is no longer used back to the system, where the C library (glibc) keeps it: a large lot."""
    if os.name == "posix" and inputs.scan.temp_c.size > MANY_READINGS:
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)


def _say(done: int, following: str) -> None:
    """Tell whoever listens how far the run is, and what comes next."""
    logging.getLogger("thermosaic").info(following, extra={"done": done, "total": 6})
