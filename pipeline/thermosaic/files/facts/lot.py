"""Facts of the lot: what the file holds, what is stated of it, and where it was left out or not measured."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ... import __version__
from ...datum import map_foot_m, unit_factor
from ..dressing import lot_words
from .rows import Row, as_text, fact, section_rows

if TYPE_CHECKING:
    from ...model import LotRecord


def about_rows(record: LotRecord) -> list[Row]:
    """What this file is and how it is read, for someone who has nothing but the file."""
    lot, findings = record.config.lot, record.findings.frames
    counts = {
        "profiles": len(findings["profiles"]), "cold zones": len(findings["cold_zones"]),
        "stops": len(findings["stops"]), "gaps": len(findings["gaps"]),
        "exclusions": len(record.inputs.exclusions), "doubts": len(record.doubts),
    }  # fmt: skip
    texts = {
        "file": f"Surface temperature of a fresh asphalt mat just behind the paver, and where and when it was laid: "
        f"{lot_words(record)}",
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


def lot_rows(record: LotRecord) -> list[Row]:
    """The lot as stated, what its agency asks for, and the part of the logs that it takes."""
    lot = record.config.lot
    rows = [("program_version", f"thermosaic {__version__}", "", "Program that made this file")]
    rows += section_rows(record, "lot", lot, skip=("limits", "agency"))
    rows += [
        (f"lot.agency.{key}", as_text(value), "", "As the agency asks")
        for key, value in sorted(lot.agency.items())
    ]
    labels = record.config.labels
    for name, value in (("from", lot.limits.from_), ("to", lot.limits.to)):
        shown = "" if value is None else labels.text(value) if isinstance(value, float) else value.isoformat()
        meaning = "Part of the logs in this lot, from <= x < to; empty = open"
        rows.append((f"lot.limits.{name}", shown, "", meaning))
    return rows


def delivery_rows(record: LotRecord) -> list[Row]:
    """Units, the foot among them, and how stations are written."""
    units, foot_m = record.config.delivery.units, map_foot_m(record.swath.crs)
    rows = [("delivery.units", units, "", "Units of columns: us (ft, degF, ft/min) or si")]
    if units == "us":
        own = foot_m == unit_factor(record.swath.crs)
        which = (
            "The map CRS's own foot" if own else "The international foot, since the map CRS is not in feet"
        )
        meaning = f"{which}: length of 1 ft in every column ending in _ft"
        rows.append(("delivery.foot", as_text(foot_m), "m", meaning))
    labels = record.config.labels
    form = f"Form of station labels; one unit is {labels.length_m:.10g} m"
    rows.append(("stations.labels", labels.unit, "", form))
    equation = "Station equation; label:region, stations run on inside"
    equations = enumerate(labels.describe_equations(), 1)
    return rows + [(f"stations.equation.{number}", text, "", equation) for number, text in equations]


def exclusion_rows(record: LotRecord) -> list[Row]:
    """Where the rule leaves out what, and why."""
    labels, rows = record.config.labels, []
    for number, item in enumerate(record.inputs.exclusions, start=1):
        where = "polygon"
        if item.polygon is None:
            where = f"{labels.text(item.from_m)} to {labels.text(item.to_m)}, {item.side}"
        rows.append((f"exclusion.{number}", where, "", item.reason))
    return rows


def gap_rows(record: LotRecord) -> list[Row]:
    """Length of each stretch without positions or readings."""
    gaps = record.findings.frames["gaps"]
    numbered = enumerate(zip(gaps["kind"], gaps["length_m"], strict=True), start=1)
    return [
        fact(record, f"gap.{number}.length_m", length, f"Stretch without: {kind}")
        for number, (kind, length) in numbered
    ]
