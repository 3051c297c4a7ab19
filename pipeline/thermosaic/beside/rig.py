"""Checks of the rig: tables of what a person saw are read, judged, drawn, and kept as evidence."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from ..config import LotConfig, RigSection, SpotsByAngle
from ..datum import pin_operation, unit_factor
from ..delivery import Reader, tell
from ..errors import ConfigError, InputError
from ..files.catalogue import load_rig
from ..files.evidence import write_evidence
from ..files.logs.reading import count_spots, read_scan
from ..files.rig_drawings import draw_agreement, draw_antenna, draw_reach
from ..files.rig_tables import read_reference, read_sightings, read_wheel_runs, units_written
from ..kernels.polyline import place
from ..model import EquipmentCheck, LotInputs
from ..stages.s1_ingest import read_lot, spot_centres
from ..stages.s2_trajectory import solve_trajectory
from ..stages.s3_georeference import georeference_scan
from ..studies.check_antenna import AntennaFinding, Stated, check_antenna
from ..studies.check_thermometer import (
    Emissivity,
    ThermometerFinding,
    agreement_by_emissivity,
    check_thermometer,
    match_readings,
)
from ..studies.check_wheel import WheelFinding, check_wheel
from ..studies.place_sightings import place_sightings
from ..studies.reach import Reach, reach
from ..values import duration

ANTENNA_ROUNDS, ANTENNA_CLOSE_M = 4, 1e-3
LONGEST_ALIKE_S = 300.0  # errors of two passes are not taken as alike for longer (common practice, no source)
SURVEYED_M = 0.02  # of a mark's surveyed place where none is given (common practice, no source)
SI = Reader()


def rig_reader(units: str | None, lot: LotConfig | None = None, table: Path | None = None) -> Reader:
    """Units that a check of the rig speaks: as asked for, else the lot's, else those of the columns written.

    Raises
    ------
    InputError
        A table that cannot be read.
    """
    foot_m = SI.foot_m if lot is None else lot.labels.foot_m
    if units is None and lot is None and table is not None:
        units = units_written(table)
    stated = "si" if lot is None else lot.delivery.units
    return Reader(units or stated, foot_m)


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
        raise InputError(tell("{name}: {why}", name=runs.name, why=error.args[0])) from None
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
    reader: Reader = SI,
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
        raise InputError(tell("{name}: {why}", name=reference.name, why=error.args[0])) from None
    found = finding.agreement
    numbers = {
        "pairs": found.count,
        "low_limit_delta_c": found.low,
        "high_limit_delta_c": found.high,
        "uniformity_delta_c": finding.uniformity_delta_c,
        **{f"spot_{row.spot}_bias_delta_c": float(row.bias_delta_c) for row in finding.spots.itertuples()},
    }
    _write(evidence, finding.check, valid, f"paired readings, {reference.name}", numbers)
    if drawing is not None:
        draw_agreement(drawing, finding.pairs, found.bias, (found.low, found.high), reader)
    return finding


def thermometer_by_emissivity(finding: ThermometerFinding, emissivity: Emissivity) -> str:
    """Say what the bias would be, had the instrument been set to the mat's emissivity.

    Raises
    ------
    ConfigError
        An emissivity outside 0 .. 1, or a reflection hotter than the readings.
    """
    try:
        found = agreement_by_emissivity(finding, emissivity)
    except ValueError as error:
        raise ConfigError(*error.args) from None
    return tell(
        "set to {true:g} instead of {set_:g}, with {reflected_c:.0f} reflected, the bias would be "
        "{bias_delta_c:+.2f}, limits {low_delta_c:+.2f} to {high_delta_c:+.2f}; nothing was corrected",
        true=emissivity.true, set_=emissivity.set_, reflected_c=emissivity.reflected_c,
        bias_delta_c=found.bias, low_delta_c=found.low, high_delta_c=found.high,
    )  # fmt: skip


def _matched(table: Any, lot: LotConfig, window_s: float) -> Any:
    """Pair readings of the reference with a lot's scan, on corrected UTC where the offset is stated."""
    rows, _ = read_scan(lot.files.scan, lot.scan_format, lot.accept.rejected_frac, sets=lot.clock_sets)
    stated = lot.rig.clock_offset_s
    shift = duration(0 if stated == "auto" else stated)
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


def rig_antenna(
    config: LotConfig,
    sightings: Path,
    tolerance_m: float,
    valid: tuple[date, date],
    evidence: Path | None,
    drawing: Path | None,
    reader: Reader = SI,
) -> AntennaFinding:
    """Find the error of the antenna's place from marks that a lot's scan saw, and write it as evidence.

    The path is solved again with the antenna as found until that stays: a wrong antenna also bends headings.

    Raises
    ------
    InputError
        A table or sighting that cannot be used, or sightings that tell nothing.
    """
    if config.changes:
        raise ConfigError(
            "rig antenna: the lot holds [[change]]: give the drive over marks as a lot of its own"
        )
    inputs = read_lot(config, of_mat=False)
    noted = _surveyed(read_sightings(sightings), config, inputs)
    rig = config.rig
    try:
        for _ in range(ANTENNA_ROUNDS):
            finding = _antenna(noted, config, rig, inputs, tolerance_m)
            tried = (rig.antenna_forward_m, rig.antenna_right_m)
            rig = rig.model_copy(update=finding.found_m)
            if np.hypot(rig.antenna_forward_m - tried[0], rig.antenna_right_m - tried[1]) < ANTENNA_CLOSE_M:
                break
    except ValueError as error:
        raise InputError(tell("{name}: {why}", name=sightings.name, why=error.args[0])) from None
    _write(evidence, finding.check, valid, f"marks seen, {sightings.name}", finding.numbers, finding.further)
    if drawing is not None:
        parts = (finding.forward, finding.right)
        stated, off, sigma = (
            tuple(getattr(part, name) for part in parts) for name in ("stated_m", "error_m", "sigma_m")
        )
        right = inputs.scan.spot_right_m
        spots = float(right.min()), float(right.max())
        draw_antenna(drawing, stated, off, sigma, finding.sightings, spots, reader)
    return finding


def _antenna(
    noted: Any, config: LotConfig, rig: RigSection, inputs: LotInputs, tolerance_m: float
) -> AntennaFinding:
    """Place the lot with an antenna as tried, and judge the antenna that the lot states."""
    trajectory = solve_trajectory(inputs, config.crs, rig, config.accept)
    swath = georeference_scan(inputs.scan, trajectory, rig, config.scanner)
    middle = (float(trajectory.knot_easting_m[0]), float(trajectory.knot_northing_m[0]))
    placed = place_sightings(noted, swath, trajectory.point_scale, middle)
    memory = [item["drift_memory_s"] for item in trajectory.diagnosis["by_quality"].values()]
    stated = Stated(
        forward_m=config.rig.antenna_forward_m,
        right_m=config.rig.antenna_right_m,
        screed_forward_m=config.rig.screed_forward_m,
        clock_sigma_s=trajectory.clock_offset_sigma_s,
        memory_s=min(max(memory), LONGEST_ALIKE_S),
    )
    tried = (rig.antenna_forward_m - stated.forward_m, rig.antenna_right_m - stated.right_m)
    return check_antenna(placed, stated, tolerance_m, tried)


def _surveyed(noted: Any, config: LotConfig, inputs: LotInputs) -> Any:
    """Bring surveyed places of marks to metres of the map CRS."""
    factor = unit_factor(config.crs.map)
    noted = noted.copy()
    scale = np.where(noted["in_feet"], factor, 1.0)
    noted["easting_m"], noted["northing_m"] = noted["easting"] * scale, noted["northing"] * scale
    geographic = np.isfinite(noted["lon_deg"].to_numpy()) & np.isfinite(noted["lat_deg"].to_numpy())
    if geographic.any():
        lon, lat = (noted.loc[geographic, name].to_numpy() for name in ("lon_deg", "lat_deg"))
        frames = config.crs.dated(inputs.fixes.time_utc[0])
        operation = pin_operation(
            frames.fixes,
            frames.map,
            frames.accuracy_m,
            frames.epoch,
            frames.accept_ensemble,
            (lon[0], lat[0]),
        )
        noted.loc[geographic, ["easting_m", "northing_m"]] = np.column_stack(operation.forward(lon, lat))
    by_station = (noted["station"] != "").to_numpy()
    if by_station.any():
        noted.loc[by_station, ["easting_m", "northing_m"]] = _at_stations(noted[by_station], config, inputs)
    noted["sigma_m"] = noted["sigma_m"].fillna(SURVEYED_M)
    return noted


def _at_stations(noted: Any, config: LotConfig, inputs: LotInputs) -> np.ndarray:
    """Bring stations and offsets from the alignment to eastings and northings, (mark, 2)."""
    line = inputs.alignment
    if line is None:
        raise InputError(
            "a mark is given by station, but the lot names no alignment: give easting and northing"
        )
    try:
        along = np.array([config.labels.parse(label) for label in noted["station"]])
    except ValueError as error:
        raise InputError(f"station of a mark: {error}") from None
    offset = noted["offset_m"].to_numpy(float)
    if not np.isfinite(offset).all():
        raise InputError("a mark given by station needs offset_m or offset_ft too, right positive upstation")
    return np.column_stack(place(along, offset, (line.easting_m, line.northing_m), line.station_m))


def rig_reach(
    rig: str | None,
    lot: LotConfig | None,
    spot_count: int | None,
    height_m: float | None,
    view_deg: float,
    drawing: Path | None,
    reader: Reader = SI,
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
        draw_reach(drawing, found.spots, height, (scanner.mat_left_m, scanner.mat_right_m), reader)
    return found


def _write(
    path: Path | None,
    check: EquipmentCheck,
    valid: tuple[date, date],
    method: str,
    numbers: dict[str, Any],
    further: tuple[EquipmentCheck, ...] = (),
) -> None:
    known = {key: value for key, value in numbers.items() if value is not None and value == value}
    if path is not None:
        write_evidence(path, check, valid, method, known, further)
