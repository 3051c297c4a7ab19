"""Random sites: two numbers each, one along the sublot and one across the mat, drawn again where none may lie."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from ...delivery import tell
from ...published import Published, Readings
from ...tables import RANDOM_CORES, RANDOM_NUMBERS, SUBLOTS
from .closed import NEAR_M, Closed, closed_of
from .frames import plan_frame
from .paved import PavedLine, Sublot, cut_sublots, paved_lines, rounded
from .rule import PlanRule, printed_unit_m, spread_rate

MOST_DRAWS = 500  # for one site


@dataclass(frozen=True, eq=False, slots=True)
class Plan:
    """Random sites, the numbers they were drawn by, and the sublots; SI, geometry in metres."""

    cores: gpd.GeoDataFrame
    numbers: pd.DataFrame
    sublots: gpd.GeoDataFrame
    whole: float  # sublots of full size that the lot would be
    rate_kg_m2: float
    rate_words: str


@dataclass(frozen=True, slots=True)
class Draw:
    """One pair of random numbers and where it leads: by stations and offsets of the printed unit."""

    random_length: float
    random_width: float
    line: PavedLine
    station_m: float
    along_m: float  # from the beginning of the sublot
    edges_m: tuple[float, float]  # offsets of the mat's edges there
    usable_m: tuple[float, float]  # offsets that sites are drawn between
    limits_m: tuple[float, float]  # least distance from either edge
    offset_m: float
    moved: bool


def plan_sites(
    published: Published, passes: dict[str, Readings], rule: PlanRule, stream: Iterator[float]
) -> Plan:
    """Cut the lot into sublots and draw the sites of each.

    Parameters
    ----------
    passes : dict
        First looks by pass.
    stream : iterator
        Random numbers from 0 up to 1, taken two by two.

    Raises
    ------
    ValueError
        The stream ends, the limits leave no mat, or a sublot holds no place where a site may lie.
    """
    lines = paved_lines(published, passes)
    if not lines:
        raise ValueError("the result holds no mat with positions")
    unit_m = printed_unit_m(published)
    rate, words = spread_rate(published)
    sublots, whole = cut_sublots(lines, rule, rate, unit_m)
    closed = {line.pass_id: closed_of(published, passes[line.pass_id]) for line in lines}
    cores, numbers = [], []
    for sublot in sublots:
        for _ in range(rule.per_sublot):
            taken = find_site(sublot, rule, stream, closed, unit_m, numbers, f"R{len(cores) + 1:02d}")
            cores.append(_core(published, passes, sublot, taken, numbers[-1]))
    return Plan(
        cores=plan_frame(cores, RANDOM_CORES),
        numbers=pd.DataFrame(numbers, columns=[column.name for column in RANDOM_NUMBERS.found()]),
        sublots=plan_frame(_sublot_rows(sublots, rate, rule.per_sublot), SUBLOTS),
        whole=whole,
        rate_kg_m2=rate,
        rate_words=words,
    )


def find_site(
    sublot: Sublot,
    rule: PlanRule,
    stream: Iterator[float],
    closed: dict[str, Closed],
    unit_m: float,
    numbers: list[dict[str, Any]],
    core_id: str,
) -> Draw:
    """Draw until a site may lie where it falls; every draw is added to `numbers`."""
    for _ in range(MOST_DRAWS):
        drawn = draw(sublot, rule, (next(stream), next(stream)), unit_m)
        why = closed[drawn.line.pass_id].why(drawn.station_m, drawn.offset_m)
        numbers.append({
            "draw_number": len(numbers) + 1, "sublot_id": sublot.number, "core_id": core_id if why is None else None,
            "random_length": drawn.random_length, "random_width": drawn.random_width, "along_m": drawn.along_m,
            "pass_id": drawn.line.pass_id, "station_m": drawn.station_m, "offset_m": drawn.offset_m,
            "used": why is None, "reason": why,
        })  # fmt: skip
        if why is None:
            return drawn
    raise ValueError(
        f"sublot {sublot.number}: {MOST_DRAWS} places drawn one after the other may hold no site: nearly all of it is "
        "excluded or without positions; make sublots longer"
    )


def draw(sublot: Sublot, rule: PlanRule, pair: tuple[float, float], unit_m: float) -> Draw:
    """Lead a pair of random numbers to a station and an offset, by rounded lengths as they are printed.

    Along: random number x length of the sublot, from where it begins in paving. Across: random number x usable
    width, from its left end looking upstation.
    """
    along = rounded(pair[0] * sublot.length_m, unit_m)
    part, station = sublot.at(along)
    station = rounded(station, unit_m)
    left, right = (rounded(edge, unit_m) for edge in part.line.at(station, part.line.edges_m))
    limits = tuple(rule.limits_m[kind] for kind in part.line.edge_kinds)
    inner = (rounded(left + limits[0], unit_m), rounded(right - limits[1], unit_m))
    if inner[1] < inner[0]:
        raise ValueError(tell(
            "the mat is {width_m:.2f} wide in sublot {number} and the limits at its edges leave nothing of it",
            width_m=right - left, number=sublot.number,
        ))  # fmt: skip
    usable = (left, right) if rule.move else inner
    offset = rounded(usable[0] + pair[1] * (usable[1] - usable[0]), unit_m)
    kept = float(np.clip(offset, *inner))
    return Draw(*pair, part.line, station, along, (left, right), usable, limits, kept, kept != offset)


def _core(
    published: Published, passes: dict[str, Readings], sublot: Sublot, drawn: Draw, number: dict[str, Any]
) -> dict[str, Any]:
    """One row of the random cores: the draw, its place on the map, and what a person with a tape needs."""
    readings = passes[drawn.line.pass_id]
    place = readings.place(np.array([drawn.station_m, drawn.offset_m]), NEAR_M, by_station=True)
    if place is None:
        raise ValueError(f"sublot {sublot.number}: too few readings around a site to place it")
    near = readings.frame.iloc[place.nearest]
    off_edges = drawn.offset_m - drawn.edges_m[0], drawn.edges_m[1] - drawn.offset_m
    at = np.array([place.easting_m, place.northing_m])
    return {
        "core_id": number["core_id"], "sublot_id": sublot.number, "draw_number": number["draw_number"],
        "pass_id": drawn.line.pass_id, "travel": readings.travel, "station_m": drawn.station_m,
        "offset_m": drawn.offset_m, "random_length": drawn.random_length, "random_width": drawn.random_width,
        "along_m": drawn.along_m, "left_edge_m": drawn.edges_m[0], "right_edge_m": drawn.edges_m[1],
        "usable_from_m": drawn.usable_m[0], "usable_to_m": drawn.usable_m[1],
        "left_limit_m": drawn.limits_m[0], "right_limit_m": drawn.limits_m[1], "moved": drawn.moved,
        "edge_from_m": min(off_edges), "edge_side": "left" if off_edges[0] <= off_edges[1] else "right",
        "sigma_along_m": float(near["sigma_along_m"]), "sigma_across_m": float(near["sigma_across_m"]),
        "position_sigma_m": float(near["position_sigma_m"]), "laid_utc": near["laid_utc"],
        "profile_id": _profile(published, drawn), "geometry": shapely.Point(at),
        **_from_tick(published, drawn), **_from_control(published, at),
    }  # fmt: skip


def _profile(published: Published, drawn: Draw) -> int | None:
    profiles = published.frames["profiles"]
    holds = (profiles["pass_id"] == drawn.line.pass_id) & (profiles["station_from_m"] <= drawn.station_m)
    holds &= profiles["station_to_m"] > drawn.station_m
    return int(profiles.loc[holds, "profile_id"].iloc[0]) if holds.any() else None


def _from_tick(published: Published, drawn: Draw) -> dict[str, Any]:
    """The nearest whole station and the way from it along the stations."""
    labels = published.labels
    around = labels.whole_stations(
        drawn.station_m - labels.tick_m, drawn.station_m + labels.tick_m, labels.tick_m
    )
    tick = min(around, key=lambda station: abs(station - drawn.station_m), default=float("nan"))
    return {"tick_m": tick, "tick_along_m": drawn.station_m - tick}


def _from_control(published: Published, at_m: np.ndarray) -> dict[str, Any]:
    """The nearest control point of the lot and the ground distance from it."""
    control = published.frames["control"]
    control = control[control.geometry.notna()]
    if control.empty:
        return {"control_id": None, "control_m": np.nan}
    away = np.hypot(control.geometry.x - at_m[0], control.geometry.y - at_m[1]).to_numpy()
    best = int(np.argmin(away))
    scale = float(published.quality["grid"]["point_scale"])
    return {"control_id": control["point_id"].iloc[best], "control_m": float(away[best]) / scale}


def _sublot_rows(sublots: tuple[Sublot, ...], rate_kg_m2: float, sites: int) -> list[dict[str, Any]]:
    """One row for each part of each sublot."""
    rows = []
    for sublot in sublots:
        before = 0.0
        for number, part in enumerate(sublot.parts, 1):
            line = part.line
            ends = np.array([line.at(end, np.column_stack((line.ground_m, line.area_m2)))
                             for end in (part.begin_m, part.end_m)])  # fmt: skip
            ground_m, area_m2 = ends[1] - ends[0]
            rows.append({
                "sublot_id": sublot.number, "part_number": number, "pass_id": line.pass_id,
                "travel": "upstation" if line.sign > 0 else "downstation", "begin_m": part.begin_m,
                "end_m": part.end_m, "length_m": part.length_m, "before_m": before, "ground_m": ground_m,
                "width_mean_m": area_m2 / ground_m if ground_m > 0 else np.nan, "area_m2": area_m2,
                "mass_t": area_m2 * rate_kg_m2 / 1000, "core_count": sites, "weight_frac": sublot.share_frac,
                "geometry": line.outline(part.begin_m, part.end_m),
            })  # fmt: skip
            before += part.length_m
    return rows
