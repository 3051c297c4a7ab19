"""Rows of lot_info: what a reader needs to judge the numbers, with units, sources, limits and cautions.

Values are text in the delivery's units; nothing is computed here beyond a change of unit, and the mass that a
stated spread rate puts on the area.
"""

from __future__ import annotations

from datetime import UTC
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .. import __version__
from ..config import ChangeSection, Section
from ..delivery import deliver, delivered_name, in_units, tell
from ..kernels import yields
from ..tables import UNIT_OF_SUFFIX, suffix
from .dressing import delivery_foot_m, local_text, paved_on
from .weather import shift_weather

if TYPE_CHECKING:
    from pydantic import BaseModel

    from ..model import LotRecord

Row = tuple[str, str, str, str]  # key, value, unit, meaning

_FRAME_ZERO = (
    "Station of the zero of the mat frame: cells are floor((station - zero) / cell), floor(offset / cell)"
)

US_TON_KG = 907.18474
RULE_PARTS = ("profile", "statistic", "stop", "edge_trim", "window", "zone", "speed", "classes")
CAUTIONS = (
    "Fresh mix can exceed 300 degF (150 degC), warm mix less, and burns; stay clear of pavers, rollers and "
    "live traffic; mount, measure and calibrate only with the paver parked, engine off, brake set, outside "
    "traffic; never walk on the mat to confirm a zone.",
    "Surface temperature at laydown is not density; a cold zone is a place to look, not proof of a defect; a "
    "good class is not proof of density.",
    "For quality control; acceptance, pay and method are the agency's and its contract documents'; a "
    "licensed engineer decides.",
    "Positions carry the printed uncertainty and are not for setting out or machine control. A phone is good "
    "to 10 to 15 ft only.",
)


def lot_info(record: LotRecord) -> pd.DataFrame:
    """Return key, value, unit, meaning of lot, rule, frames, set-up, limits, gaps, doubts and cautions."""
    rows = [
        *_about_rows(record),
        *_lot_rows(record),
        *_delivery_rows(record),
        *_frame_rows(record),
        *_setup_rows(record),
        *_pass_rows(record),
        *_position_rows(record),
        *_yield_rows(record),
        *_ticket_rows(record),
        *_pay_rows(record),
        *_weather_rows(record),
        *_rule_rows(record),
        *_exclusion_rows(record),
        *_gap_rows(record),
    ]
    units, foot_m = record.config.delivery.units, delivery_foot_m(record.swath.crs)
    rows += [
        (f"doubt.{i}", in_units(d.text, units, foot_m), "", f"Doubt of stage {d.stage}: {d.kind}")
        for i, d in enumerate(record.doubts, 1)
    ]
    rows += [(f"caution.{i}", text, "", "Caution") for i, text in enumerate(CAUTIONS, 1)]
    return pd.DataFrame(rows, columns=["key", "value", "unit", "meaning"])


def _about_rows(record: LotRecord) -> list[Row]:
    """What this file is and how it is read, for someone who has nothing but the file."""
    lot, findings = record.config.lot, record.findings.frames
    counts = {
        "profiles": len(findings["profiles"]), "cold zones": len(findings["cold_zones"]),
        "stops": len(findings["stops"]), "gaps": len(findings["gaps"]),
        "exclusions": len(record.inputs.exclusions), "doubts": len(record.doubts),
    }  # fmt: skip
    texts = {
        "file": f"Surface temperature of a fresh asphalt mat just behind the paver, and where and when it was laid: "
        f"{lot.route}, lane {lot.lane}, lift {lot.lift}, paved on {paved_on(record)}",
        "holds": ", ".join(f"{number} {word}" for word, number in counts.items()),
        "columns": "Every column of every layer is explained in data_dictionary; the ending of its name is its unit",
        "stations": "Offsets are positive to the right looking upstation; edge_from and edge_to run from the nearer "
        "edge of the mat, what a person with a tape can find",
        "times": f"X_utc is UTC, X_local the same with the offset of {lot.time_zone}",
        "classes": "A profile's outline and hatching are heavier the larger its temperature differential; dotted = "
        "too little measured to class",
        "missing": "What was not measured stands in gaps, what was left out of statistics in dropped, with reasons",
    }  # fmt: skip
    return [(f"about.{key}", text, "", "Read this first") for key, text in texts.items()]


def _text(value: Any, digits: int = 10) -> str:
    """Write a value plainly: nothing for None and NaN."""
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float | np.floating):
        return f"{value:.{digits}g}" if np.isfinite(value) else ""
    if isinstance(value, list | tuple):
        return ", ".join(_text(item, digits) for item in value)
    return "" if value is None else str(value)


def _row(record: LotRecord, key: str, value: Any, meaning: str, digits: int = 5) -> Row:
    """Make one row, numbers in the delivery's unit by the suffix of `key`.

    A cell keeps all its digits: a grid is recomputed from it, over thousands of feet.
    """
    digits = 12 if key.endswith("cell_m") else digits
    units, foot_m = record.config.delivery.units, delivery_foot_m(record.swath.crs)
    if isinstance(value, list | tuple):
        value = [_number(item, key, units, foot_m) for item in value]
    else:
        value = _number(value, key, units, foot_m)
    name = delivered_name(key, units)
    return name, _text(value, digits), UNIT_OF_SUFFIX.get(suffix(name), ""), meaning


def _number(value: Any, key: str, units: str, foot_m: float) -> Any:
    is_number = isinstance(value, int | float | np.number) and not isinstance(value, bool)
    return deliver(float(value), key, units, foot_m) if is_number and suffix(key) else value


def _section(record: LotRecord, prefix: str, section: BaseModel, skip: tuple[str, ...] = ()) -> list[Row]:
    """One row for each stated value of a configuration section."""
    return [
        _row(record, f"{prefix}.{name}", getattr(section, name), field.description or name)
        for name, field in type(section).model_fields.items()
        if name not in skip and getattr(section, name) not in (None, ())
    ]


def _lot_rows(record: LotRecord) -> list[Row]:
    lot = record.config.lot
    rows = [("program_version", f"thermosaic {__version__}", "", "Program that made this file")]
    rows += _section(record, "lot", lot, skip=("limits", "agency"))
    rows += [
        (f"lot.agency.{key}", _text(value), "", "As the agency asks")
        for key, value in sorted(lot.agency.items())
    ]
    labels = record.config.labels
    for name, value in (("from", lot.limits.from_), ("to", lot.limits.to)):
        shown = (
            labels.text(value) if isinstance(value, float) else value.isoformat() if value is not None else ""
        )
        rows.append(
            (f"lot.limits.{name}", shown, "", "Part of the logs in this lot, from <= x < to; empty = open")
        )
    return rows


def _delivery_rows(record: LotRecord) -> list[Row]:
    units, foot_m = record.config.delivery.units, delivery_foot_m(record.swath.crs)
    rows = [("delivery.units", units, "", "Units of columns: us (ft, degF, ft/min) or si")]
    if units == "us":
        own = foot_m == float(record.swath.crs.axis_info[0].unit_conversion_factor)
        which = (
            "The map CRS's own foot" if own else "The international foot, since the map CRS is not in feet"
        )
        rows.append(
            ("delivery.foot", _text(foot_m), "m", f"{which}: length of 1 ft in every column ending in _ft")
        )
    labels = record.config.labels
    return [
        *rows,
        ("stations.labels", labels.unit, "", f"Form of station labels; one unit is {labels.length_m:.10g} m"),
        *(
            (
                f"stations.equation.{number}",
                text,
                "",
                "Station equation; label:region, stations run on inside",
            )
            for number, text in enumerate(labels.describe_equations(), 1)
        ),
    ]


def _frame_rows(record: LotRecord) -> list[Row]:
    crs, config, trajectory = record.swath.crs, record.config.crs, record.trajectory
    axis = crs.axis_info[0]
    rows = [
        ("crs.map", crs.name, "", "Coordinate reference system of every layer"),
        (
            "crs.map_unit",
            f"{float(axis.unit_conversion_factor):.12g}",
            "m",
            f"Length of the map's unit, {axis.unit_name}",
        ),
        ("crs.fixes", config.fixes, "", "Reference frame of the GNSS fixes, as stated"),
        (
            "crs.epoch",
            _text(trajectory.operation.get("epoch") or config.epoch),
            "year",
            "Epoch of the coordinates, where the frames need one",
        ),
    ]
    meanings = {
        "name": "Datum operation fixes -> map",
        "accuracy_m": "Stated accuracy of that operation",
        "pipeline": "The operation as PROJ ran it",
    }
    for key, meaning in meanings.items():
        rows.append(_row(record, f"crs.operation.{key}", trajectory.operation.get(key), meaning))
    rows.append(
        (
            "crs.point_scale",
            _text(trajectory.point_scale),
            "",
            "Map length / ground length at the lot; lengths and areas here are ground",
        )
    )
    rows.append(
        _row(
            record,
            "crs.convergence_deg",
            trajectory.convergence_deg,
            "Grid bearing = true bearing - convergence",
        )
    )
    return rows


def _setup_rows(record: LotRecord) -> list[Row]:
    rig, swath, trajectory = record.config.rig, record.swath, record.trajectory
    rows = _section(record, "rig", rig, skip=("fix_sigma", "clock_offset_s"))
    rows += _section(record, "rig.fix_sigma", rig.fix_sigma)
    rows += [
        _row(
            record,
            "rig.clock_offset_s",
            trajectory.clock_offset_s,
            f"Scan clock less UTC, as applied; stated: {rig.clock_offset_s}",
        ),
        _row(
            record,
            "rig.clock_offset_sigma_s",
            trajectory.clock_offset_sigma_s,
            "One standard deviation; empty = stated or not estimated",
        ),
        (
            "rig.wheel_scale",
            _text(trajectory.wheel_scale),
            "",
            "True ground length / wheel length, mean over the lot",
        ),
        _row(
            record,
            "scanner.spot_right_m",
            swath.layouts[0].spot_right_m.tolist(),
            "Spot centres right of C, in column order",
        ),
        _row(
            record,
            "scanner.edges_m",
            swath.layouts[0].edges_m.tolist(),
            "Left and right edge of the mat measured, from C, right positive",
        ),
    ]
    return (
        rows
        + _correction_rows(record)
        + _scanner_rows(record)
        + _change_rows(record)
        + _section(record, "grid", record.config.grid)
    )


def _correction_rows(record: LotRecord) -> list[Row]:
    """What was taken off the readings of each spot, where a correction is named."""
    bias = record.inputs.scan.correction_delta_c
    if bias is None:
        return []
    names = ", ".join(source.path for source in record.inputs.sources if source.role == "correction")
    return [
        (
            "scanner.correction",
            names,
            "",
            "Evidence of the thermometer whose bias was taken off the readings",
        ),
        _row(
            record,
            "scanner.correction_delta_c",
            bias.tolist(),
            "Taken off the readings, by spot in column order",
            3,
        ),
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
        where = (
            "" if change.at_station_m is None else f", at {record.config.labels.text(change.at_station_m)}"
        )
        taper = (
            ""
            if change.taper_m is None
            else _in_delivery(record, "; edges over a taper of {taper_m:.1f}", change)
        )
        meaning = f"New set-up from here on{where}{taper}" + (f": {change.note}" if change.note else "")
        moment = change.at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        rows.append((f"{key}.at_utc", moment, "UTC", meaning))
        for name, value in change.stated.items():
            if isinstance(value, Section):
                rows += _section(record, f"{key}.{name}", value)
                continue
            _, old, unit, _ = _row(record, name, before[name], "")
            rows.append(
                _row(record, f"{key}.{name}", value, f"From change {number} on; before: {old} {unit}")
            )
        before |= change.stated
    return rows


def _in_delivery(record: LotRecord, text: str, change: ChangeSection) -> str:
    units, foot_m = record.config.delivery.units, delivery_foot_m(record.swath.crs)
    return in_units(tell(text, taper_m=change.taper_m), units, foot_m)


def _pass_rows(record: LotRecord) -> list[Row]:
    """Stationing, and what recomputing a profile needs: the zero of each pass's mat frame."""
    stations, rows = record.stations, []
    rows.append(
        (
            "stations.line",
            stations.alignment or "path of C with a mark",
            "",
            "Line that stations and offsets refer to",
        )
    )
    rows.append(
        _row(
            record,
            "stations.misclosure_m",
            stations.misclosure_m,
            "Misclosure of several marks; empty with one or none",
        )
    )
    for code, item in enumerate(record.inputs.passes):
        zero, key = float(stations.zero_m[code]), f"pass.{item.id}"
        travel = "upstation" if stations.upstation[code] else "downstation"
        rows.append((f"{key}.travel", travel, "", "Travel of the paver along the stations"))
        rows.append(
            (f"{key}.edges", f"{item.left_edge}, {item.right_edge}", "", "Left and right mat edge, in travel")
        )
        rows.append(_row(record, f"{key}.frame_zero_m", zero, _FRAME_ZERO, 12))
    return rows


def _whole_lot(record: LotRecord) -> pd.DataFrame:
    """Row of the lot layer that holds for the whole lot."""
    whole = record.findings.frames["lot"]
    return whole[whole["pass_id"].isna()] if whole["pass_id"].isna().any() else whole.iloc[:1]


def _yield_rows(record: LotRecord) -> list[Row]:
    """Mix on the measured area, and the rate it was placed at while moving, by the stated spread rate."""
    rate_kg_m2 = record.config.lot.spread_rate_kg_m2
    if rate_kg_m2 is None:
        return []
    lot = _whole_lot(record).iloc[0]
    kilograms, unit = (US_TON_KG, "ton") if record.config.delivery.units == "us" else (1000.0, "t")
    width_m = _mean_width_m(record)
    mass = float(yields.mass_kg(lot["area_m2"], rate_kg_m2)) / kilograms
    placed = float(yields.delivery_kg_s(lot["speed_mean_mps"], width_m, rate_kg_m2)) * 3600 / kilograms
    weighed = record.findings.counts.get("tickets", {}).get("on_mat", 0)
    estimate = "at the stated spread rate: an estimate" + ("" if weighed else ", no ticket was weighed")
    return [
        ("yield.mass", _text(mass, 4), unit, f"Mix on the area measured, {estimate}"),
        ("yield.placed", _text(placed, 3), f"{unit}/h", f"Mix placed while moving, {estimate}"),
    ]


def _mean_width_m(record: LotRecord) -> float:
    """Mean width of the mat measured, over the placed lines of new mat."""
    swath = record.swath
    new = swath.first_look & (swath.placed > 0) & (swath.pass_code >= 0)
    return float(np.diff(swath.edges_m[new if new.any() else slice(None)]).mean())


def _pay_rows(record: LotRecord) -> list[Row]:
    """What the user's own pay table gives; only where the rule holds one."""
    found = record.findings.counts.get("pay")
    if not found:
        return []
    caution = "by the table that the user entered; the contract and its engineer decide"
    unit = found["currency"]
    rows = [
        (
            f"pay.{word}",
            _text(row["sum"]),
            unit,
            f"{row['count']} profiles at {row['each']:g} each, {caution}",
        )
        for word, row in found["by_class"].items()
    ]
    return [*rows, ("pay.total", _text(float(found["total"])), unit, f"Sum {caution}")]


def _ticket_rows(record: LotRecord) -> list[Row]:
    """Mass by tickets, and the whole loads' mass by area beside the stated spread rate."""
    counts = record.findings.counts.get("tickets", {})
    if not counts.get("on_mat"):
        return []
    rows = [
        ("tickets.mass", _text(counts["mass_t"], 5), "t", f"Mass by {counts['on_mat']} tickets; t = 1000 kg"),
    ]
    if counts["weighed_loads"]:
        stated = record.config.lot.spread_rate_kg_m2
        against = "" if stated is None else f"; stated: {stated:.4g} kg/m2"
        meaning = f"Spread rate of {counts['weighed_loads']} whole loads by their tickets{against}"
        rows.append(("tickets.spread_rate", _text(counts["spread_kg_m2"], 4), "kg/m2", meaning))
    return rows


def _weather_rows(record: LotRecord) -> list[Row]:
    """Air, wind and sky at the start, the middle and the end of the shift, each as read nearest to it."""
    rows = []
    for item in shift_weather(record):
        when, time_utc = item["moment"], np.array([item["time_utc"]], "M8[ms]")
        moment = local_text(time_utc, record.config.lot.time_zone)[0]
        meaning = f"at the {when} of the shift, read at {moment}"
        rows += [
            _row(record, f"weather.{when}.air_c", item["air_c"], f"Air {meaning}", 3),
            _row(record, f"weather.{when}.wind_mps", item["wind_mps"], f"Wind {meaning}", 3),
            (f"weather.{when}.sky", item["sky"], "", f"Sky {meaning}"),
        ]
    return [row for row in rows if row[1]]


def _position_rows(record: LotRecord) -> list[Row]:
    row = _whole_lot(record)
    meanings = {"sigma_p50_m": "Median", "sigma_p95_m": "95th percentile"}
    return [
        _row(
            record,
            f"position.{name}",
            float(value),
            f"{meaning} of the position sigma of readings on the mat, one standard deviation",
        )
        for name, meaning in meanings.items()
        for value in row[name].iloc[:1]
    ]


def _rule_rows(record: LotRecord) -> list[Row]:
    """Every number of the rule with its source and standing."""
    rules = record.config.rules
    rows = [
        ("rule.id", rules.id, "", "Rule profile"),
        ("rule.title", rules.title, "", "Title"),
        ("rule.citation", rules.citation, "", "Documents that the rule follows; no conformity is claimed"),
        ("rule.note", rules.note or "", "", "Note"),
    ]
    for part in RULE_PARTS:
        rows += _sourced(record, f"rule.{part}", part, getattr(rules, part))
    for rank, word in enumerate(rules.classes.words):
        rows.append((f"rule.class_{rank}", word.word, "", f"Class word of rank {rank}, 0 = best"))
        rows += _sourced(record, f"rule.class_{rank}", f"classes.{word.word}", word)
    return rows


def _sourced(record: LotRecord, prefix: str, source_prefix: str, section: BaseModel) -> list[Row]:
    """One row for each stated value, its meaning followed by source and standing."""
    notes, rows = record.config.rules.sources, []
    for name, field in type(section).model_fields.items():
        value = getattr(section, name)
        if value is None or name in ("word", "words"):
            continue
        note = notes.get(f"{source_prefix}.{field.alias or name}")
        source = f"source: {note.source}; standing: {note.standing}" if note else "source: none stated"
        rows.append(_row(record, f"{prefix}.{name}", value, f"{field.description}; {source}"))
    return rows


def _exclusion_rows(record: LotRecord) -> list[Row]:
    labels, rows = record.config.labels, []
    for number, item in enumerate(record.inputs.exclusions, start=1):
        where = (
            "polygon"
            if item.polygon is not None
            else f"{labels.text(item.from_m)} to {labels.text(item.to_m)}, {item.side}"
        )
        rows.append((f"exclusion.{number}", where, "", item.reason))
    return rows


def _gap_rows(record: LotRecord) -> list[Row]:
    gaps = record.findings.frames["gaps"]
    numbered = enumerate(zip(gaps["kind"], gaps["length_m"], strict=True), start=1)
    return [
        _row(record, f"gap.{number}.length_m", length, f"Stretch without: {kind}")
        for number, (kind, length) in numbered
    ]
