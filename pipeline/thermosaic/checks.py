"""Check a lot's logs before the result is needed, and an installation before it is trusted.

`check_lot` runs the stages up to stationing and puts what they found in plain words: ok, look or stop,
with what to do. Nothing is written.
"""

from __future__ import annotations

import importlib.metadata
import itertools
import platform
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from .config import LotConfig
from .errors import ThermosaicError
from .model import PLACED, QUALITIES, Doubt, LotInputs, Stations, Swath, Tally, Trajectory
from .stages.s1_ingest import read_lot
from .stages.s2_trajectory import solve_trajectory
from .stages.s3_georeference import georeference_scan
from .stages.s4_stationing import station_lot

TURN_ROUND_DEG = 120.0  # heading change that means another pass (common practice, no source)
COLD_STRETCH_M = 20.0  # length without warm mat that means another pass (common practice, no source)
PAUSE_S = 1800.0  # time without scan lines that means another pass (common practice, no source)
WARM_C = 90.0  # a line whose upper quartile is above this saw fresh mat (common practice, no source)


@dataclass(frozen=True, slots=True)
class CheckItem:
    """One thing looked at: verdict `ok`, `look` or `stop`, what was found, what to do about it."""

    verdict: str
    name: str
    found: str
    advice: str = ""


@dataclass(frozen=True, slots=True)
class LotCheck:
    """All items in the order of the work, the exit code that `run` would give, and proposed passes."""

    items: tuple[CheckItem, ...]
    exit_code: int
    pass_proposal: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return a mapping for JSON."""
        items = [
            {"verdict": i.verdict, "name": i.name, "found": i.found, "advice": i.advice} for i in self.items
        ]
        return {"items": items, "exit_code": self.exit_code, "pass_proposal": self.pass_proposal}


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
        items.append(CheckItem("stop", _STOP_NAMES.get(error.exit_code, "logs"), str(error)))
        return LotCheck(tuple(items), error.exit_code)
    return LotCheck(tuple(items), 0, proposal)


_STOP_NAMES = {2: "configuration", 3: "input", 4: "belonging together"}


def _walk(config: LotConfig, items: list[CheckItem]) -> str:
    """Go through the stages, adding items as they are learnt; return the proposal for passes."""
    items.append(
        CheckItem("ok", "configuration", f"{config.lot.id}, rule {config.rules.id}, map {config.crs.map}")
    )
    inputs = read_lot(config)
    items.extend(_tally_item(tally) for tally in inputs.tallies)
    items.append(_quality_item(inputs))
    items.extend(_doubt_items(inputs.doubts))
    trajectory = solve_trajectory(inputs, config.crs, config.rig, config.accept)
    items.extend(_trajectory_items(trajectory))
    swath = georeference_scan(inputs.scan, trajectory, config.rig, config.scanner)
    items.extend(_swath_items(swath))
    stations = station_lot(swath, trajectory, inputs, config.station_plan)
    items.extend(_station_items(stations, swath, config))
    return propose_passes(swath, config)


def _doubt_items(doubts: tuple[Doubt, ...]) -> list[CheckItem]:
    return [CheckItem("look", doubt.kind.replace("_", " "), doubt.text) for doubt in doubts]


def _tally_item(tally: Tally) -> CheckItem:
    """Say how many rows of one input were used, and why others were not."""
    causes = ", ".join(
        f"{count} {cause.replace('_', ' ')} (first in line {tally.first_line.get(cause, '?')})"
        for cause, count in tally.rejected.items()
        if count
    )
    found = f"{tally.read:,} read, {tally.used:,} used" + (f"; rejected: {causes}" if causes else "")
    return CheckItem("look" if causes else "ok", tally.role, found)


def _quality_item(inputs: LotInputs) -> CheckItem:
    shares = np.bincount(inputs.fixes.quality, minlength=len(QUALITIES)) / max(len(inputs.fixes.quality), 1)
    text = ", ".join(f"{share:.0%} {name}" for name, share in zip(QUALITIES, shares, strict=True) if share)
    fixed = shares[QUALITIES.index("fixed")]
    advice = "" if fixed > 0.9 else "positions are only as good as these fixes: look at the printed sigma"
    return CheckItem("ok" if fixed > 0.9 else "look", "fix quality", text, advice)


def _trajectory_items(trajectory: Trajectory) -> list[CheckItem]:
    offset, sigma = trajectory.clock_offset_s, trajectory.clock_offset_sigma_s
    known = f" +- {sigma:.2f} s" if np.isfinite(sigma) else ""
    operation = trajectory.operation
    return [
        CheckItem("ok", "clock", f"scan clock less UTC: {offset:+.2f} s{known}"),
        CheckItem("ok", "wheel", f"true length is {trajectory.wheel_scale:.4f} of the wheel's"),
        CheckItem("ok", "datum", f"{operation['name']} (accuracy {operation['accuracy_m']:g} m)"),
        *_doubt_items(trajectory.doubts),
    ]


def _swath_items(swath: Swath) -> list[CheckItem]:
    """Coverage of positions, temperature level, and spots that do not work."""
    share = np.bincount(swath.placed, minlength=len(PLACED)) / len(swath.placed)
    level = np.nanpercentile(swath.temp_c[:, swath.on_mat][:: max(1, len(swath.line) // 2000)], [5, 50, 95])
    width = swath.edges_m[1] - swath.edges_m[0]
    bad = sorted({int(spot) + 1 for spot in np.nonzero(swath.bad_spot.any(axis=0) & swath.on_mat)[0]})
    where = f"{share[1]:.1%} of lines by fixes, {share[2]:.1%} by wheel, {share[0]:.1%} without position"
    spots = f"{int(swath.on_mat.sum())} of {len(swath.on_mat)} spots on the mat, {width:.2f} m scanned"
    return [
        CheckItem("ok" if share[0] < 0.02 else "look", "placing", where),
        CheckItem("ok", "spots", spots),
        CheckItem("look" if bad else "ok", "working spots", f"not working: {bad}" if bad else "all work",
                  "clean or replace them; their readings are left out" if bad else ""),
        CheckItem("ok", "temperature", "5 %, median, 95 %: {:.0f}, {:.0f}, {:.0f} degC".format(*level)),
        *_doubt_items(swath.doubts),
    ]  # fmt: skip


def _station_items(stations: Stations, swath: Swath, config: LotConfig) -> list[CheckItem]:
    items = []
    for code, zero in enumerate(stations.zero_m):
        frame = stations.line_frame_m[(swath.pass_code == code) & np.isfinite(stations.line_frame_m)]
        if len(frame):
            low, high = (config.labels.text(zero + end) for end in (frame.min(), frame.max()))
            travel = "upstation" if stations.upstation[code] else "downstation"
            items.append(CheckItem("ok", "stations", f"pass {code + 1}: {low} to {high}, travel {travel}"))
    return [*items, *_doubt_items(stations.doubts)]


def propose_passes(swath: Swath, config: LotConfig) -> str:
    """Propose a split into passes as text for lot.toml; empty where passes are stated or none is needed.

    A split lies at a turn-round, 20 m without warm mat, or 30 min without scan lines.
    """
    if config.passes:
        return ""
    starts = _pass_starts(swath)
    if len(starts) < 2:
        return ""
    bounds = [*swath.seen_utc[starts], swath.seen_utc[-1] + np.timedelta64(1, "s")]
    return "\n".join(
        f'[[pass]]\nid = "{number}"\nfrom = "{_stamp(begin)}"\nto = "{_stamp(end)}"\n'
        for number, (begin, end) in enumerate(itertools.pairwise(bounds), start=1)
    )


def _stamp(time_utc: np.datetime64) -> str:
    return f"{np.datetime_as_string(time_utc, unit='s')}Z"


def _pass_starts(swath: Swath) -> list[int]:
    """Return the first line of each pass that the logs suggest."""
    warm = np.nanpercentile(swath.temp_c[:, swath.on_mat], 75, axis=1) > WARM_C
    lines = np.nonzero(warm & (swath.placed > 0))[0]
    if not len(lines):
        return []
    pause = np.diff(swath.seen_utc[lines]) / np.timedelta64(1, "s") > PAUSE_S
    cold = np.diff(swath.distance_m[lines]) > COLD_STRETCH_M
    behind = np.searchsorted(swath.distance_m[lines], swath.distance_m[lines] - COLD_STRETCH_M)
    turn = swath.heading_deg[lines] - swath.heading_deg[lines[np.clip(behind, 0, len(lines) - 1)]]
    turned = np.abs((turn + 180) % 360 - 180) > TURN_ROUND_DEG
    fresh_turn = turned[1:] & ~turned[:-1]
    return [int(lines[0]), *(int(lines[i + 1]) for i in np.nonzero(pause | cold | fresh_turn)[0])]


# ------------------------------------------------------------------------------------- the installation

_LIBRARIES = (
    "numpy", "scipy", "pandas", "numba", "shapely", "pyproj", "rasterio", "fiona", "pyogrio", "geopandas",
    "pyarrow", "pydantic", "click", "matplotlib",
)  # fmt: skip


def check_installation() -> tuple[list[str], bool]:
    """Return lines for a person (versions, one round trip a library), and whether all is sound."""
    lines = [f"python     {platform.python_version()} on {platform.machine()}"]
    lines += [f"{name:<10} {importlib.metadata.version(name)}" for name in _LIBRARIES]
    lines += bundled_versions()
    sound = True
    for name, trial in _TRIALS.items():
        try:
            lines.append(f"{name:<10} {trial()}")
        except Exception as error:  # a doctor reports every ailment
            sound = False
            lines.append(f"{name:<10} FAILED: {type(error).__name__}: {error}")
    return lines, sound


def bundled_versions() -> list[str]:
    """Return the GDAL and PROJ versions that each library brings along."""
    import fiona
    import pyogrio
    import pyproj
    import rasterio

    return [
        f"GDAL       rasterio {rasterio.__gdal_version__}, fiona {fiona.__gdal_version__}, "
        f"pyogrio {'.'.join(map(str, pyogrio.__gdal_version__))}",
        f"PROJ       pyproj {pyproj.proj_version_str}",
    ]


def _try_datum() -> str:
    from .datum import pin_operation

    operation = pin_operation("EPSG:6318", "EPSG:6344", accuracy_m=0.1, where=(-93.0, 45.0))
    return f"datum operation found: {operation.name}"


def _try_raster() -> str:
    import rasterio
    from rasterio.transform import from_origin

    cells = np.arange(12, dtype="float32").reshape(3, 4)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cells.tif"
        profile = {"driver": "GTiff", "width": 4, "height": 3, "count": 1, "dtype": "float32"}
        with rasterio.open(
            path, "w", transform=from_origin(0, 3, 1, 1), crs="EPSG:6344", **profile
        ) as dataset:
            dataset.write(cells, 1)
        with rasterio.open(path) as dataset:
            _expect(np.array_equal(dataset.read(1), cells), "cells read back differ")
    return "GeoTIFF written and read back"


def _try_vector() -> str:
    import fiona
    import geopandas as gpd
    from shapely import Point

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "points.gpkg"
        gpd.GeoDataFrame({"n": [7]}, geometry=[Point(1, 2)], crs="EPSG:6344").to_file(path, driver="GPKG")
        with fiona.open(path) as layer:
            _expect(next(iter(layer))["properties"]["n"] == 7, "feature read back differs")
    return "GeoPackage written by pyogrio and read by fiona"


def _expect(condition: bool, message: str) -> None:
    if not condition:
        raise RuntimeError(message)


_TRIALS: dict[str, Callable[[], str]] = {"datum": _try_datum, "raster": _try_raster, "vector": _try_vector}
