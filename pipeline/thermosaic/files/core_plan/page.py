"""cores.html: the random sites to print and sign, and on sheets of their own the places to look at; no scripts."""

from __future__ import annotations

from typing import Any

import pandas as pd
from markupsafe import Markup

from ...delivery import in_units
from ...tables import DENSITY_PROFILES, PLACES_TO_LOOK, RANDOM_CORES, RANDOM_NUMBERS, SUBLOTS
from ...units import UNITS
from ..facts import CAUTIONS
from ..pages import template
from ..sheets.core_sheet import ROW_IN, CoreRow, core_rows, draw_places, draw_random, places_rows
from ..sheets.look import drawing, svg_text
from ..sheets.lot_sheet import LotSheet
from ..sheets.measures import NOTHING, Measures, number
from ..sheets.strips import WIDTH_IN
from ..study_layers import lon_lat, on_map
from .plan import CorePlan

PAGE = "cores.html"
TEMPLATE = "cores.html.jinja"
TON_T = UNITS["mass"]["ton"] / 1000


def page_text(sheet: LotSheet, plan: CorePlan) -> str:
    """Write the page in the units of the result's delivery."""
    to, frames = sheet.measures, plan.frames
    cores, numbers, sublots = (frames[table.name] for table in (RANDOM_CORES, RANDOM_NUMBERS, SUBLOTS))
    rows = core_rows(sheet, sublots)
    places, profiles = frames[PLACES_TO_LOOK.name], frames[DENSITY_PROFILES.name]
    return template(TEMPLATE).render(
        lot=sheet.config["lot"],
        place=sheet.place,
        units={"length": to.unit("length").name, "area": to.unit("area").name, "delta": to.unit("deficit").name,
               "mass": "tons" if to.delivery == "us" else "t"},
        several=len(sheet.pass_ids) > 1,
        notes=_told(plan.notes, to),
        place_notes=_told(plan.place_notes, to),
        cautions=_told((*plan.cautions, *CAUTIONS), to),
        sheet=Markup(_drawn(rows, lambda figure: draw_random(figure, sheet, rows, (cores, numbers, sublots)))),
        place_sheet=_place_sheet(sheet, places_rows(rows, places), places, profiles),
        cores=_core_rows(sheet, cores),
        worked=_worked(_plainest(cores, sublots), sublots, to),
        sublots=[_sublot(row, to) for _, row in sublots.iterrows()],
        numbers=[_number(row, to) for _, row in numbers.iterrows()],
        places=[_place(row, profiles, to) for _, row in places.iterrows()],
    )  # fmt: skip


def _told(texts: tuple[str, ...], to: Measures) -> list[str]:
    return [in_units(text, to.delivery, to.foot_m) for text in texts]


def _drawn(rows: list[CoreRow], draw: Any) -> str:
    with drawing(WIDTH_IN, ROW_IN * len(rows)) as figure:
        draw(figure)
        return svg_text(figure)


def _place_sheet(
    sheet: LotSheet, rows: list[CoreRow], places: pd.DataFrame, profiles: pd.DataFrame
) -> Markup | None:
    if not rows:
        return None
    return Markup(_drawn(rows, lambda figure: draw_places(figure, sheet, rows, places, profiles)))


def length(metres: float, to: Measures) -> str:
    """Write a length to the tenth of a foot or the hundredth of a metre, as plans are rounded."""
    return number(metres / to.foot_m, 1) if to.delivery == "us" else number(metres, 2)


def beside(offset_m: float, to: Measures) -> str:
    """Write an offset with its side, looking upstation."""
    return f"{length(abs(offset_m), to)} {to.unit('length').name} {'right' if offset_m >= 0 else 'left'}"


def _core_rows(sheet: LotSheet, cores: Any) -> list[dict[str, str]]:
    to, map_, degrees = sheet.measures, on_map(cores, sheet), lon_lat(cores, sheet)
    decimals = 2 if sheet.factor == 1.0 else 1
    return [
        {
            "id": row["core_id"], "sublot": row["sublot_id"], "pass_id": row["pass_id"],
            "station": to.labels.text(row["station_m"]), "offset": beside(row["offset_m"], to),
            "edge": f"{length(row['edge_from_m'], to)} {row['edge_side']}" + (", moved" if row["moved"] else ""),
            "tick": _tick(row, to), "control": _control(row, to),
            "map": f"{number(map_[0, i], decimals)} E, {number(map_[1, i], decimals)} N",
            "degrees": f"{degrees[1, i]:.7f}, {degrees[0, i]:.7f}",
            "sigma": to.bare(row["position_sigma_m"], "sigma"), "laid": to.local(row["laid_utc"], "%H:%M"),
            "profile": NOTHING if pd.isna(row["profile_id"]) else f"{row['profile_id']:.0f}",
        }
        for i, (_, row) in enumerate(cores.iterrows())
    ]  # fmt: skip


def _tick(row: pd.Series, to: Measures) -> str:
    """What a tape measures along the line from the nearest whole station."""
    if pd.isna(row["tick_m"]):
        return NOTHING
    way = "upstation" if row["tick_along_m"] >= 0 else "downstation"
    return f"{length(abs(row['tick_along_m']), to)} {way} of {to.labels.whole_text(row['tick_m'])}"


def _control(row: pd.Series, to: Measures) -> str:
    return (
        NOTHING if pd.isna(row["control_m"]) else f"{length(row['control_m'], to)} from {row['control_id']}"
    )


def _plainest(cores: pd.DataFrame, sublots: pd.DataFrame) -> pd.Series:
    """The first site of a sublot that lies in one pass, not moved; else the first of all."""
    parts = sublots.groupby("sublot_id")["part_number"].max()
    plain = (cores["sublot_id"].map(parts) == 1) & ~cores["moved"].astype(bool)
    return cores[plain].iloc[0] if plain.any() else cores.iloc[0]


def _worked(core: pd.Series, sublots: pd.DataFrame, to: Measures) -> dict[str, str]:
    """The arithmetic of one site, as a hand would do it."""
    own = sublots[sublots["sublot_id"] == core["sublot_id"]]
    return {
        "id": core["core_id"], "sublot": str(core["sublot_id"]), "begin": to.labels.text(own["begin_m"].iloc[0]),
        "long": length(own["length_m"].sum(), to), "random_length": f"{core['random_length']:.4f}",
        "along": length(core["along_m"], to), "station": to.labels.text(core["station_m"]),
        "travel": core["travel"], "from": beside(core["usable_from_m"], to),
        "width": length(core["usable_to_m"] - core["usable_from_m"], to),
        "random_width": f"{core['random_width']:.4f}", "offset": beside(core["offset_m"], to),
        "moved": ", moved to the limit at the edge" if core["moved"] else "",
    }  # fmt: skip


def _sublot(row: pd.Series, to: Measures) -> dict[str, str]:
    mass = row["mass_t"] / TON_T if to.delivery == "us" else row["mass_t"]
    return {
        "id": f"{row['sublot_id']}" + (f", part {row['part_number']}" if row["part_number"] > 1 else ""),
        "pass_id": row["pass_id"], "begin": to.labels.text(row["begin_m"]), "end": to.labels.text(row["end_m"]),
        "length": length(row["length_m"], to), "before": length(row["before_m"], to),
        "ground": length(row["ground_m"], to), "width": length(row["width_mean_m"], to),
        "area": to.bare(row["area_m2"], "area"), "mass": number(mass, 1),
        "weight": f"{row['weight_frac']:.4f}",
    }  # fmt: skip


def _number(row: pd.Series, to: Measures) -> dict[str, str]:
    return {
        "draw": row["draw_number"], "sublot": row["sublot_id"], "along": f"{row['random_length']:.4f}",
        "length": length(row["along_m"], to), "across": f"{row['random_width']:.4f}",
        "station": to.labels.text(row["station_m"]), "offset": beside(row["offset_m"], to),
        "used": f"site {row['core_id']}" if row["used"] else f"drawn again: lies {row['reason']}",
    }  # fmt: skip


def _place(row: pd.Series, profiles: pd.DataFrame, to: Measures) -> dict[str, str]:
    own = profiles[profiles["place_number"] == row["place_number"]]
    line = own.iloc[0] if len(own) else None
    return {
        "id": f"P{row['place_number']}", "zone": row["zone_id"], "pass_id": row["pass_id"],
        "where": f"{to.labels.text(row['station_from_m'])} to {to.labels.text(row['station_to_m'])}",
        "edge": f"{length(row['edge_from_m'], to)} to {length(row['edge_to_m'], to)} {row['edge_side']}"
        if isinstance(row["edge_side"], str) else "whole width",
        "area": to.bare(row["area_m2"], "area"), "deficit": to.bare(row["deficit_max_delta_c"], "deficit"),
        "pattern": str(row["pattern"] or "").replace("_", " "), "sigma": to.bare(row["position_sigma_m"], "sigma"),
        "line": NOTHING if line is None else
        f"{to.labels.text(line['station_from_m'])} to {to.labels.text(line['station_to_m'])}",
        "offset": NOTHING if line is None else beside(line["offset_m"], to),
        "line_edge": NOTHING if line is None else f"{length(line['edge_from_m'], to)} {line['edge_side']}",
        "readings": NOTHING if line is None else f"{line['reading_count']}",
    }  # fmt: skip
