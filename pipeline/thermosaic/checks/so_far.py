"""Check a lot while the paver moves: the last part of logs that are still being written, on one screen.

The ends of the logs are copied, cut at whole rows, and read as any lot is, of sentences no more than a look needs; a
cut last row is left out. So the time taken does not grow with the day.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from ..config import SIDE_FILES, LotConfig
from ..delivery import tell
from ..errors import ThermosaicError
from ..files.logs.tails import copy_end
from ..files.sources import check_file
from ..model import Stations, Swath
from ..stages.s1_ingest import read_lot
from ..stages.s2_trajectory import solve_trajectory
from ..stages.s3_georeference import georeference_scan
from ..stages.s4_stationing import station_lot
from ..values import stated_time
from .items import CheckItem, LotCheck, doubt_items, in_lot_units, look, ok, stop
from .passes import WARM_C
from .places import path_items, quality_item, station_items
from .spots import spot_items
from .stated import stated_items

SCAN_BYTES = 400_000  # a few minutes of a usual logger; of the other logs as large a share
LEAST_BYTES, MOST_BYTES = {"fixes": 400_000, "wheel": 100_000}, 8_000_000
FEW_BYTES = 100_000  # of sentences: hundreds of fixes
LAST_LINES = 8
FEWEST_M = 20.0  # of path, that direction and clock can be judged on


def check_so_far(config: LotConfig) -> LotCheck:
    """Look at the ends of logs that are still being written.

    Returns
    -------
    LotCheck
        What cannot be decided yet is said as an `ok` item; nothing is raised for what is wrong.
    """
    items: list[CheckItem] = [item for item in stated_items(config) if item.verdict != "ok"]
    with tempfile.TemporaryDirectory() as folder:
        try:
            _look(config, Path(folder), items)
        except ThermosaicError as error:
            items.append(stop("so far", error))
            return LotCheck(in_lot_units(items, config), error.exit_code)
    return LotCheck(in_lot_units(items, config), 0)


def _look(config: LotConfig, folder: Path, items: list[CheckItem]) -> None:
    """Go through the stages on the ends of the logs, adding items as they are learnt."""
    config, whole = _ends(config, folder)
    inputs = read_lot(config)
    config = config.within(*(stated_time(end) for end in inputs.scan.time_utc[[0, -1]]))
    trajectory = solve_trajectory(inputs, config.crs, config.rig, config.accept, config.later)
    swath = georeference_scan(inputs.scan, trajectory, config.rig, config.scanner, config.later)
    items.append(_now(swath))
    can_station = inputs.alignment is not None or whole
    if can_station:
        stations = station_lot(swath, trajectory, inputs, config.station_plan)
        items.extend(_where(stations, swath, config))
    else:
        items.append(
            ok("stations", "not told from the end of a long log without an alignment; `check` reads it all")
        )
    items.extend(spot_items(swath, config))
    items.append(_fresh(swath))
    items.append(quality_item(inputs))
    items.extend(_soothed(path_items(trajectory, config)))
    items.extend(doubt_items(inputs.doubts))
    items.extend(_undecided(swath, config))


def _ends(config: LotConfig, folder: Path) -> tuple[LotConfig, bool]:
    """Give the same lot with its logs replaced by copies of their ends, and whether these are whole."""
    changed, whole = {}, True
    share = min(SCAN_BYTES / check_file(config.files.scan[-1]), 1.0)
    for role in ("scan", *LEAST_BYTES):
        paths = getattr(config.files, role)
        if not paths:
            continue
        least = LEAST_BYTES.get(role, SCAN_BYTES)
        most = min(max(int(share * check_file(paths[-1])), least), MOST_BYTES)
        copy = folder / f"{role}{paths[-1].suffix}"
        whole &= (
            copy_end(paths[-1], copy, getattr(config, f"{role}_format"), most, FEW_BYTES) and len(paths) == 1
        )
        changed[role] = (copy,)
    parts = []
    for number, part in enumerate(config.scanners):
        copy = folder / f"scan_{number}{part.file[-1].suffix}"
        whole &= copy_end(part.file[-1], copy, config.scan_format, SCAN_BYTES) and len(part.file) == 1
        parts.append(part.model_copy(update={"file": (copy,)}))
    changed |= {"scan": parts[0].file} if parts else {}
    changed |= dict.fromkeys((*SIDE_FILES, "exclusions"))  # they say nothing about the rig
    files = config.files.model_copy(update=changed)
    accept = config.accept.model_copy(update={"rejected_frac": 1.0})
    marks = config.marks if whole else ()
    return config.model_copy(
        update={"files": files, "scanners": tuple(parts), "accept": accept, "marks": marks}
    ), whole


def _now(swath: Swath) -> CheckItem:
    last = np.datetime_as_string(swath.seen_utc[-1], unit="s")
    speed = float(np.median(swath.speed_mps[-LAST_LINES * 5 :]))
    text = tell(
        "last line {line} at {last}Z, {length_m:.0f} looked at, {now_mps:.1f} now",
        line=swath.line[-1], last=last, length_m=_length_m(swath), now_mps=speed,
    )  # fmt: skip
    return ok("now", text)


def _length_m(swath: Swath) -> float:
    """Length of path that is looked at."""
    return float(np.nanmax(swath.distance_m) - np.nanmin(swath.distance_m))


def _where(stations: Stations, swath: Swath, config: LotConfig) -> list[CheckItem]:
    """Station and direction now, the side of the alignment, and what the marks say."""
    known = np.flatnonzero(np.isfinite(stations.line_frame_m) & (swath.pass_code >= 0))
    if not len(known):
        return [look("stations", "no line has a station yet", "check the alignment, the marks and the fixes")]
    row = int(known[-1])
    code = int(swath.pass_code[row])
    station = config.labels.text(float(stations.zero_m[code] + stations.line_frame_m[row]))
    heading = float(swath.heading_deg[np.isfinite(swath.heading_deg)][-1])
    travel = stations.travel(code)
    now = ok("station now", f"{station}, travel {travel}, heading {heading:.0f} deg")
    keep = ("marks", "lane", "passes", "stations")
    return [now, *(item for item in station_items(stations, swath, config) if item.name in keep)]


def _fresh(swath: Swath) -> CheckItem:
    """How many spots see fresh mat in the last lines."""
    last = swath.temp_c[-LAST_LINES:]
    with np.errstate(invalid="ignore"):
        warm = np.nanmean(np.where(np.isnan(last), -np.inf, last) > WARM_C, axis=0) > 0.5
    on_mat = swath.layouts[swath.layout[-1]].on_mat
    count, all_of = int((warm & on_mat).sum()), int(on_mat.sum())
    text = f"{count} of {all_of} spots on the mat see fresh mat now"
    advice = "is something in front of the scanner, or has paving stopped?"
    return ok("fresh mat", text) if count >= 0.9 * all_of else look("fresh mat", text, advice)


def _soothed(items: list[CheckItem]) -> list[CheckItem]:
    """What a short log cannot tell, and its open end, are nothing to look at while the paver moves."""
    natural = ("clock ambiguous", "no position", "sigma by quality")
    return [replace(item, verdict="ok", advice="") if item.name in natural else item for item in items]


def _undecided(swath: Swath, config: LotConfig) -> list[CheckItem]:
    """Say what these logs cannot tell yet."""
    found = []
    length_m = _length_m(swath)
    if length_m < FEWEST_M:
        text = "the direction: {so_far_m:.0f} of path so far, {needed_m:.0f} needed"
        found.append(tell(text, so_far_m=length_m, needed_m=FEWEST_M))
    if not (config.marks and config.files.alignment):
        found.append(
            "antenna ahead or behind: needs a mark beside an alignment, a pass back, or `rig antenna`"
        )
    if config.stationing.mat_offsets_m is None or config.files.alignment is None:
        found.append(
            "the lane and antenna left or right: need an alignment and [stationing] mat_offsets of the plans"
        )
    return [ok("not decided yet", text) for text in found]
