"""lot.toml of a synthetic lot, in the units a user of the lot would write."""

from __future__ import annotations

import json

import numpy as np

from ..units import FOOT_M, StationLabels
from .changes import moment
from .motion import Motion, utc
from .plan import LotPlan
from .planted import line_stations
from .road import Site
from .texts import iso


def lot_toml(plan: LotPlan, site: Site, motions: tuple[Motion, ...], files: dict[str, bytes]) -> bytes:
    """Write the lot file with every key that the plan decides; `files` are those already made."""
    has_wheel = "wheel.csv" in files
    parts = [
        _lot(plan),
        _section("files", {
            "scan": "scan.parquet" if plan.parquet else "scan.csv", "fixes": "gnss.nmea",
            "wheel": "wheel.csv" if has_wheel else None,
            "alignment": "centreline.geojson" if plan.alignment else None,
        }),
        _section("formats", {
            "scan": "wide-parquet" if plan.parquet else "wide-csv", "fixes": "nmea-0183",
            "wheel": "wheel-csv" if has_wheel else None,
        }),
        _section("crs", {
            "fixes": plan.fixes_crs, "epoch": plan.epoch, "map": plan.map_crs,
            "alignment": plan.fixes_crs if plan.alignment else None,
        }),
        _rig(plan), _scanner(plan), *_passes(plan, motions),
        *_exclusions(plan, site), *_changes(plan, site, motions), *_stationing(plan, site),
        _section("rules", {"profile": plan.rules}),
        _section("grid", {"map_cell": plan.map_cell, "mat_cell": plan.mat_cell}),
        _section("delivery", {"units": plan.units}),
    ]  # fmt: skip
    return "\n".join(parts).encode()


def station_labels(plan: LotPlan, site: Site) -> StationLabels:
    """Return how this lot writes stations: in the map's own foot where it has one."""
    return StationLabels(plan.labels, site.factor if 0.3 < site.factor < 0.31 else FOOT_M)


def _section(name: str, keys: dict[str, object], more: str = "") -> str:
    lines = [f"{key} = {json.dumps(value)}" for key, value in keys.items() if value is not None]
    return "\n".join([f"[{name}]", *lines, *([more] if more else [])]) + "\n"


def _length(value_m: float, units: str, positive: str = "", negative: str = "") -> str:
    """Write a length in the lot's units, with a side word where there are two."""
    number, unit = (value_m / FOOT_M, "ft") if units == "us" else (value_m, "m")
    if not positive:
        return f"{number:.6g} {unit}"
    return f"{abs(number):.6g} {unit} {positive if number >= 0 else negative}"


def _lot(plan: LotPlan) -> str:
    keys = {"id": plan.lot_id, "route": plan.route, "lane": plan.lane, "lift": plan.lift,
            "thickness": plan.thickness, "time_zone": plan.time_zone}  # fmt: skip
    limits = plan.limits and f'limits = {{ from = "{plan.limits[0]}", to = "{plan.limits[1]}" }}'
    return _section("lot", keys, limits or "")


def _rig(plan: LotPlan) -> str:
    rig, units = plan.rig, plan.units
    along, across = ("ahead", "behind"), ("right", "left")
    keys = {
        "antenna_forward": _length(rig.antenna_forward_m, units, *along),
        "antenna_right": _length(rig.antenna_right_m, units, *across),
        "antenna_up": _length(rig.antenna_up_m, units),
        "screed_forward": _length(rig.screed_forward_m, units, *along),
        "non_slip_forward": _length(rig.non_slip_forward_m, units, *along),
        "cross_slope": plan.cross_slope,
        "heading_offset": f"{rig.heading_offset_deg:g} deg"
        if plan.gnss.heading_sigma_deg is not None
        else None,
        "wheel_per_count": f"{plan.wheel.quantum_m * 1000:g} mm" if plan.wheel.as_count else None,
        "clock_offset": plan.clock_offset,
    }
    return _section("rig", keys)


def _scanner(plan: LotPlan) -> str:
    scanner, units = plan.scanner, plan.units
    first, last = _length(scanner.first_m, units), _length(scanner.last_m, units)
    keys = {"mat_left": _length(scanner.mat_left_m, units), "mat_right": _length(scanner.mat_right_m, units)}
    return _section("scanner", keys, f'spots_right = {{ first = "{first}", last = "{last}" }}')


def _passes(plan: LotPlan, motions: tuple[Motion, ...]) -> list[str]:
    """Write the passes where there are several, or where one has edges or an id of its own."""
    first = plan.passes[0]
    if len(plan.passes) == 1 and first.id is None and first.left_edge == first.right_edge == "free":
        return []
    parts = []
    for motion in motions:
        item = motion.pass_plan
        start, end = iso(utc(plan, np.array([motion.knot_s[0] - 5, motion.knot_s[-1] + 5])))
        keys = {
            "id": item.id, "lane": item.lane, "from": str(start), "to": str(end), "left_edge": item.left_edge,
            "right_edge": item.right_edge, "direction": None if plan.alignment else item.direction,
        }  # fmt: skip
        parts.append(_section("[pass]", keys))
    return parts


def _exclusions(plan: LotPlan, site: Site) -> list[str]:
    labels, zero = station_labels(plan, site), plan.first_station_m
    return [
        _section("[exclude]", {"from": labels.text(zero + item.from_m), "to": labels.text(zero + item.to_m),
                               "side": item.side, "reason": item.reason})
        for item in plan.exclude
    ]  # fmt: skip


def _changes(plan: LotPlan, site: Site, motions: tuple[Motion, ...]) -> list[str]:
    """Write each change by its time, or by the station of C."""
    parts, units = [], plan.units
    for change in plan.changes:
        motion = motions[change.pass_]
        station_m = line_stations(plan, motion, np.array([change.at_m]))[0][0]
        time = str(iso(utc(plan, np.array([moment(motion, change)])))[0])
        sides = {
            "antenna_forward": ("ahead", "behind"), "antenna_right": ("right", "left"), "antenna_up": (),
            "mat_left": ("right", "left"), "mat_right": ("right", "left"),
        }  # fmt: skip
        stated = {name: getattr(change, f"{name}_m") for name in sides}
        keys = {
            "at": None if change.by_station else time,
            "at_station": station_labels(plan, site).text(station_m) if change.by_station else None,
            "taper": _length(change.taper_m, units) if change.taper_m else None,
            **{
                name: None if value is None else _length(value, units, *sides[name])
                for name, value in stated.items()
            },
            "wheel_per_count": change.wheel_quantum_m and f"{change.wheel_quantum_m * 1000:g} mm",
        }
        parts.append(_section("[change]", keys))
    return parts


def _stationing(plan: LotPlan, site: Site) -> list[str]:
    start = station_labels(plan, site).text(plan.first_station_m)
    if plan.alignment:
        return [_section("stationing", {"start": start, "labels": plan.labels})]
    keys = {"station": start, "at": "first line", "point": "spot line", "distance": _length(0.0, plan.units)}
    direction = plan.passes[0].direction if len(plan.passes) == 1 else None
    return [_section("[mark]", keys), _section("stationing", {"direction": direction, "labels": plan.labels})]
