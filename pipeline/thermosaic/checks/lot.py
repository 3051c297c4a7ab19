"""Check a lot's logs before the crew goes home: every log read, everything held against everything else.

The stages up to stationing are run and what they found is put in plain words: ok, look or stop, with what
to do. Nothing is written.
"""

from __future__ import annotations

import shutil

import numpy as np

from ..config import LotConfig
from ..errors import ThermosaicError
from ..placing import place_changes
from ..stages.s1_ingest import read_lot
from ..stages.s2_trajectory import solve_trajectory
from ..stages.s3_georeference import georeference_scan
from ..stages.s4_stationing import station_lot
from .evidence import evidence_items
from .items import CheckItem, LotCheck, doubt_items, in_lot_units, look, ok, stop
from .passes import propose_passes
from .places import coverage_item, path_items, quality_item, station_items, tally_item
from .spots import spot_items
from .stated import day_items, stated_items

_STOP_NAMES = {2: "configuration", 3: "input", 4: "belonging together"}
RESULT_TIMES_LOGS = 6  # a result's size against its logs', with room (measured on the demonstration)


def check_lot(config: LotConfig) -> LotCheck:
    """Read every log of a lot and compare them with each other.

    Parameters
    ----------
    config : LotConfig
        From `load_config`.

    Returns
    -------
    LotCheck
        Never raises for what is wrong with the logs: that becomes a `stop` item.
    """
    items: list[CheckItem] = []
    try:
        proposal = _walk(config, items)
    except ThermosaicError as error:
        items.append(stop(_STOP_NAMES.get(error.exit_code, "logs"), error))
        return LotCheck(in_lot_units(items, config), error.exit_code)
    return LotCheck(in_lot_units(items, config), 0, proposal)


def _walk(config: LotConfig, items: list[CheckItem]) -> str:
    """Go through the stages, adding items as they are learnt; return the proposal for passes."""
    items.append(ok("configuration", f"{config.lot.id}, rule {config.rules.id}, map {config.crs.map}"))
    items.extend(stated_items(config))
    inputs = read_lot(config)
    items.extend(tally_item(tally) for tally in inputs.tallies)
    items.append(quality_item(inputs))
    items.extend(doubt_items(inputs.doubts))
    items.extend(day_items(config, inputs.scan.time_utc[0], float(np.median(inputs.fixes.lon_deg))))
    items.extend(evidence_items(config, inputs.scan.time_utc[0]))
    items.append(_disk(config))
    trajectory = solve_trajectory(inputs, config.crs, config.rig, config.accept, config.later)
    items.extend(path_items(trajectory, config))
    swath = georeference_scan(inputs.scan, trajectory, config.rig, config.scanner, config.later)
    items.append(coverage_item(swath))
    items.extend(spot_items(swath, config))
    items.extend(doubt_items(swath.doubts))
    stations = station_lot(swath, trajectory, inputs, config.station_plan)
    config, swath, stations = place_changes(config, inputs, trajectory, swath, stations)
    items.extend(station_items(stations, swath, config))
    return propose_passes(swath, config)


def _disk(config: LotConfig) -> CheckItem:
    """Free space where the lot lies, against what a result is likely to need."""
    logs = [path for role in (config.files.scan, config.files.fixes, config.files.wheel) for path in role]
    need = RESULT_TIMES_LOGS * sum(path.stat().st_size for path in logs)
    free = shutil.disk_usage(config.folder).free
    text = f"{free / 1e9:.1f} GB free, about {need / 1e9:.2g} GB needed for a result beside the lot"
    return ok("disk", text) if free > need else look("disk", text, "make room, or write the result elsewhere")
