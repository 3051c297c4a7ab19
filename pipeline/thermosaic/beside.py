"""Questions beside a run: one short function a study command: open, study, write."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from .config import LotConfig, SpotsByAngle
from .errors import ConfigError, InputError
from .files.evidence import write_evidence
from .files.logs import count_spots, read_fixes, read_scan
from .files.manifest import sha256_of
from .files.rig_drawings import draw_agreement, draw_reach
from .files.rig_tables import read_reference, read_wheel_runs
from .files.settings import load_rig
from .model import EquipmentCheck
from .opening import load_config
from .results import explain_result, open_result
from .stages.s1_ingest import spot_centres
from .studies.check_thermometer import ThermometerFinding, check_thermometer, match_readings
from .studies.check_wheel import WheelFinding, check_wheel
from .studies.explain.logs import Logs, log_step
from .studies.explain.steps import Explanation
from .studies.reach import Reach, reach


def explain(
    result: Path,
    lot: Path | None = None,
    profile: int | None = None,
    zone: int | None = None,
    at: str | None = None,
    pass_id: str | None = None,
) -> Explanation:
    """Explain a number of a result, and where the lot is at hand, down to its logs.

    Raises
    ------
    ConfigError, ProductError
        As `explain_result`; the lot is another one.
    """
    found = explain_result(result, profile=profile, zone=zone, at=at, pass_id=pass_id)
    if lot is None:
        return found
    opened, config = open_result(result), load_config(lot)
    if config.lot.id != found.lot_id:
        raise ConfigError(
            f"{lot}: is lot {config.lot.id}, the result is of lot {found.lot_id}: give its own lot"
        )
    rows, _ = read_scan(config.files.scan, config.scan_format)
    fixes, _, _ = read_fixes(config.files.fixes, config.fixes_format, config.crs.fixes)
    clock_s = opened.quality["clock"]["offset_s"]
    logs = Logs(
        rows.line, rows.time_utc, rows.temp_c, fixes, clock_s, _digests(config, opened.manifest["inputs"])
    )
    try:
        return replace(found, steps=(*found.steps, log_step(found.looked_at, logs)))
    except ValueError as error:
        raise ConfigError(f"{lot}: {error}") from None


def _digests(config: LotConfig, inputs: list[dict[str, Any]]) -> tuple[tuple[str, str, str], ...]:
    """Path, digest now, and digest when the result was made, of the logs of scan and fixes."""
    return tuple(
        (item["path"], sha256_of(config.folder / item["path"]), item["sha256"])
        for item in inputs
        if item["role"] in ("scan", "fixes") and (config.folder / item["path"]).is_file()
    )


def rig_wheel(
    runs: Path,
    in_use_m: float | None,
    counts_per_turn: float | None,
    tolerance_frac: float,
    valid: tuple[date, date],
    evidence: Path | None,
) -> WheelFinding:
    """Find the wheel's constant from a table of runs, and write it as evidence.

    Raises
    ------
    InputError
        A table that cannot be read, or runs that cannot be.
    """
    table = read_wheel_runs(runs)
    gnss = table["gnss_m"].to_numpy(float)
    try:
        finding = check_wheel(
            table["course_m"].to_numpy(float),
            table["counted"].to_numpy(float),
            gnss if np.isfinite(gnss).any() else None,
            in_use_m,
            counts_per_turn,
            tolerance_frac,
        )
    except ValueError as error:
        raise InputError(f"{runs.name}: {error}") from None
    numbers = {
        "runs": len(finding.runs),
        "repeatability_frac": finding.repeatability_frac,
        "sigma_frac": finding.sigma_frac,
        "radius_m": finding.radius_m,
    }
    _write(evidence, finding.check, valid, f"runs over a measured course, {runs.name}", numbers)
    return finding


def rig_thermometer(
    reference: Path,
    lot: LotConfig | None,
    window_s: float,
    tolerance_delta_c: float | None,
    valid: tuple[date, date],
    evidence: Path | None,
    drawing: Path | None,
) -> ThermometerFinding:
    """Compare scanner spots with a reference thermometer, from pairs or matched in time with a lot's scan."""
    table = read_reference(reference)
    if "scanner_c" not in table:
        if lot is None:
            raise ConfigError(
                f"{reference.name}: gives times: name the lot whose scan saw them, with --lot LOT"
            )
        table = _matched(table, lot, window_s)
    try:
        finding = check_thermometer(
            table["spot"].to_numpy(), table["scanner_c"].to_numpy(), table["reference_c"].to_numpy(),
            tolerance_delta_c,
        )  # fmt: skip
    except ValueError as error:
        raise InputError(f"{reference.name}: {error}") from None
    found = finding.agreement
    numbers = {
        "pairs": found.count,
        "low_limit_delta_c": found.low,
        "high_limit_delta_c": found.high,
        "uniformity_delta_c": finding.uniformity_delta_c,
    }
    _write(evidence, finding.check, valid, f"paired readings, {reference.name}", numbers)
    if drawing is not None:
        draw_agreement(drawing, finding.pairs, found.bias, (found.low, found.high))
    return finding


def _matched(table: Any, lot: LotConfig, window_s: float) -> Any:
    """Pair readings of the reference with a lot's scan, on corrected UTC where the offset is stated."""
    rows, _ = read_scan(lot.files.scan, lot.scan_format, lot.accept.rejected_frac)
    stated = lot.rig.clock_offset_s
    shift = np.timedelta64(0 if stated == "auto" else round(float(stated) * 1e9), "ns")
    try:
        found = match_readings(
            rows.time_utc - shift,
            rows.temp_c,
            table["time_utc"].to_numpy(),
            table["spot"].to_numpy(),
            table["reference_c"].to_numpy(),
            window_s,
        )
    except ValueError as error:
        raise InputError(str(error)) from None
    if found.empty:
        raise InputError("no reading of the reference lies within the scan's hours: check dates and zones")
    return found


def rig_reach(
    rig: str | None,
    lot: LotConfig | None,
    spot_count: int | None,
    height_m: float | None,
    view_deg: float,
    drawing: Path | None,
) -> Reach:
    """Lay a scanner's spots on the mat, from a rig file or a lot, and draw them."""
    scanner = lot.scanner if lot is not None else load_rig(rig or "").scanner
    if spot_count is None:
        if lot is None:
            raise ConfigError("rig reach: give --spots, the number of spot columns, or a lot with its scan")
        spot_count = count_spots(lot.files.scan[0], lot.scan_format)
    stated = scanner.spots_right
    height = height_m or (stated.height_m if isinstance(stated, SpotsByAngle) else None)
    if height is None:
        raise ConfigError("rig reach: give --height, the optics above the mat, like --height '11 ft'")
    centres = spot_centres(scanner, spot_count, "[scanner]")
    try:
        found = reach(centres, height, scanner.mat_left_m, scanner.mat_right_m, view_deg)
    except ValueError as error:
        raise ConfigError(f"rig reach: {error}") from None
    if drawing is not None:
        draw_reach(drawing, found.spots, height, (scanner.mat_left_m, scanner.mat_right_m))
    return found


def _write(
    path: Path | None, check: EquipmentCheck, valid: tuple[date, date], method: str, numbers: dict[str, Any]
) -> None:
    known = {key: value for key, value in numbers.items() if value is not None and value == value}
    if path is not None:
        write_evidence(path, check, valid, method, known)
