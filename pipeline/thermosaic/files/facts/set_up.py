"""Facts of the frames and the machine: datum, rig, scanners, corrections, changes, the grid of each pass."""

from __future__ import annotations

from datetime import UTC
from typing import TYPE_CHECKING

from ...config import ChangeSection, Section
from ...datum import map_foot_m
from ...delivery import in_units, tell
from .rows import Row, as_text, fact, section_rows

if TYPE_CHECKING:
    from ...model import LotRecord

_FRAME_ZERO = (
    "Station of the zero of the mat frame: cells are floor((station - zero) / cell), floor(offset / cell)"
)


def frame_rows(record: LotRecord) -> list[Row]:
    """Reference frames, the datum operation between them, and what a grid length is on the ground."""
    crs, stated, trajectory = record.swath.crs, record.config.crs, record.trajectory
    axis, operation = crs.axis_info[0], trajectory.operation
    unit_m, epoch = (
        f"{float(axis.unit_conversion_factor):.12g}",
        as_text(operation.get("epoch") or stated.epoch),
    )
    scale = "Map length / ground length at the lot; lengths and areas here are ground"
    bearing = "Grid bearing = true bearing - convergence"
    return [
        ("crs.map", crs.name, "", "Coordinate reference system of every layer"),
        ("crs.map_unit", unit_m, "m", f"Length of the map's unit, {axis.unit_name}"),
        ("crs.fixes", stated.fixes, "", "Reference frame of the GNSS fixes, as stated"),
        ("crs.epoch", epoch, "year", "Epoch of the coordinates, where the frames need one"),
        fact(record, "crs.operation.name", operation.get("name"), "Datum operation fixes -> map"),
        fact(
            record,
            "crs.operation.accuracy_m",
            operation.get("accuracy_m"),
            "Stated accuracy of that operation",
        ),
        fact(record, "crs.operation.pipeline", operation.get("pipeline"), "The operation as PROJ ran it"),
        ("crs.point_scale", as_text(trajectory.point_scale), "", scale),
        fact(record, "crs.convergence_deg", trajectory.convergence_deg, bearing),
    ]


def setup_rows(record: LotRecord) -> list[Row]:
    """The machine and the scanner as stated and as found, and every change of them."""
    rig = record.config.rig
    return [
        *section_rows(record, "rig", rig, skip=("fix_sigma", "clock_offset_s")),
        *section_rows(record, "rig.fix_sigma", rig.fix_sigma),
        *_found_rows(record),
        *_layout_rows(record),
        *_correction_rows(record),
        *_scanner_rows(record),
        *_change_rows(record),
        *section_rows(record, "grid", record.config.grid),
    ]


def _found_rows(record: LotRecord) -> list[Row]:
    """Clock and wheel as they were found and applied."""
    trajectory = record.trajectory
    clock = f"Scan clock less UTC, as applied; stated: {record.config.rig.clock_offset_s}"
    sigma = "One standard deviation; empty = stated or not estimated"
    wheel = "True ground length / wheel length, mean over the lot"
    return [
        fact(record, "rig.clock_offset_s", trajectory.clock_offset_s, clock),
        fact(record, "rig.clock_offset_sigma_s", trajectory.clock_offset_sigma_s, sigma),
        ("rig.wheel_scale", as_text(trajectory.wheel_scale), "", wheel),
    ]


def _layout_rows(record: LotRecord) -> list[Row]:
    """Spots and mat edges at the beginning."""
    layout = record.swath.layouts[0]
    edges = "Left and right edge of the mat measured, from C, right positive"
    return [
        fact(
            record,
            "scanner.spot_right_m",
            layout.spot_right_m.tolist(),
            "Spot centres right of C, in column order",
        ),
        fact(record, "scanner.edges_m", layout.edges_m.tolist(), edges),
    ]


def _correction_rows(record: LotRecord) -> list[Row]:
    """What was taken off the readings of each spot, where a correction is named."""
    bias = record.inputs.scan.correction_delta_c
    if bias is None:
        return []
    names = ", ".join(source.path for source in record.inputs.sources if source.role == "correction")
    evidence = "Evidence of the thermometer whose bias was taken off the readings"
    taken = "Taken off the readings, by spot in column order"
    return [
        ("scanner.correction", names, "", evidence),
        fact(record, "scanner.correction_delta_c", bias.tolist(), taken, 3),
    ]


def _scanner_rows(record: LotRecord) -> list[Row]:
    """Which spots of the lot are which columns of which scanner, where there are several."""
    origin, rows = record.inputs.scan.origin, []
    for part in record.config.scanners:
        mine = [(spot, column) for spot, (name, column) in enumerate(origin, start=1) if name == part.id]
        spots, columns = (
            (", ".join(map(str, numbers)) for numbers in zip(*mine, strict=True)) if mine else ("", "")
        )
        meaning = f"Spots of scanner {part.id}, in order; its columns: {columns}; log {part.file[0].name}"
        rows.append((f"scanner.{part.id}.spots", spots, "", meaning))
    return rows


def _change_rows(record: LotRecord) -> list[Row]:
    """The set-up by stretch: what changed when and where, each value with the one before it."""
    rows: list[Row] = []
    before = {**dict(record.config.rig), **dict(record.config.scanner)}
    later = sorted(record.config.changes, key=lambda item: item.at)
    for number, change in enumerate(later, start=1):
        key = f"change.{number}"
        moment = change.at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        rows.append((f"{key}.at_utc", moment, "UTC", _change_text(record, change)))
        for name, value in change.stated.items():
            if isinstance(value, Section):
                rows += section_rows(record, f"{key}.{name}", value)
                continue
            _, old, unit, _ = fact(record, name, before[name], "")
            rows.append(
                fact(record, f"{key}.{name}", value, f"From change {number} on; before: {old} {unit}")
            )
        before |= change.stated
    return rows


def _change_text(record: LotRecord, change: ChangeSection) -> str:
    """Where a change lies, over what length its edges move, and what was done."""
    text = "New set-up from here on"
    if change.at_station_m is not None:
        text += f", at {record.config.labels.text(change.at_station_m)}"
    if change.taper_m is not None:
        units, foot_m = record.config.delivery.units, map_foot_m(record.swath.crs)
        taper = tell("; edges over a taper of {taper_m:.1f}", taper_m=change.taper_m)
        text += in_units(taper, units, foot_m)
    return text + (f": {change.note}" if change.note else "")


def pass_rows(record: LotRecord) -> list[Row]:
    """Stationing, and what recomputing a profile needs: the zero of each pass's mat frame."""
    stations = record.stations
    line = stations.alignment or "path of C with a mark"
    misclosure = "Misclosure of several marks; empty with one or none"
    rows = [
        ("stations.line", line, "", "Line that stations and offsets refer to"),
        fact(record, "stations.misclosure_m", stations.misclosure_m, misclosure),
    ]
    for code, item in enumerate(record.inputs.passes):
        zero, key = float(stations.zero_m[code]), f"pass.{item.id}"
        travel = stations.travel(code)
        edges = f"{item.left_edge}, {item.right_edge}"
        rows += [
            (f"{key}.travel", travel, "", "Travel of the paver along the stations"),
            (f"{key}.edges", edges, "", "Left and right mat edge, in travel"),
            fact(record, f"{key}.frame_zero_m", zero, _FRAME_ZERO, 12),
        ]
    return rows
