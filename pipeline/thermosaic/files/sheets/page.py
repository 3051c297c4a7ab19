"""Parts of the page, ready for its template: rows of tables, numbers, drawings.

Texts go into the template as plain strings and are escaped there; markup made here escapes at its own sink.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from ...tables import LAYER, LAYERS
from ..dressing import delivered_table
from .look import drawing, svg_text
from .lot_sheet import LotSheet
from .measures import NOTHING, duration, number
from .places import first_places
from .plan import PLAN_IN, draw_plan
from .plan_map import map_data
from .site_notes import MASS, MASS_WORDS, change_rows, mass, weather_line
from .strips import LEGEND_IN, ROW_IN, WIDTH_IN, draw_legend, draw_row, rows_of
from .words import Words, place_words
from .worked import WorkedProfile

REASON_WORDS = {
    "no_reading": "the spot gave no reading",
    "bad_spot": "spot dead, stuck or biased over a whole pass",
    "second_look": "place already seen while the paver stood or backed up",
    "aged_look": "first seen long after it was laid, after a stop",
    "replaced": "mat pulled up and relaid later",
    "excluded": "inside a stated exclusion",
    "foreign": "a person, tool or roller, not mat",
    "start_up": "start of a pass",
    "stop": "near a stop, as the rule says",
    "edge_trim": "near an edge, as the rule says",
    "too_cold": "below the rule's temperature window",
    "too_hot": "above the rule's temperature window",
}


def context(sheet: LotSheet, words: Words, worked: WorkedProfile | None) -> dict[str, Any]:
    """Everything that the template names."""
    return {
        "sheet": sheet, "to": sheet.measures, "w": words, "duration": duration, "nothing": NOTHING,
        "title_block": title_block(sheet, words),
        "first": [place_words(sheet, place, words) for place in first_places(sheet)],
        "numbers": lot_numbers(sheet, words),
        "passes": pass_rows(sheet),
        "sheets": strip_figures(sheet), "plan": plan_figure(sheet),
        "profiles": records(sheet, "profiles"), "stops": records(sheet, "stops"),
        "segments": records(sheet, "speed_segments"), "zones": records(sheet, "cold_zones"),
        "gaps": records(sheet, "gaps"), "left_out": left_out(sheet), "log_rows": log_rows(sheet),
        "noted": records(sheet, "diary"), "loads": records(sheet, "profiles_by_load"),
        "control": records(sheet, "control"), "weather": weather_line(sheet), "mass": mass,
        "mass_unit": MASS[sheet.measures.delivery], "mass_words": MASS_WORDS[sheet.measures.delivery],
        "exclusions": sheet.facts("exclusion.").to_dict("records"), "changes": change_rows(sheet),
        "doubts": sheet.facts("doubt.")["value"].tolist(), "trust": trust_rows(sheet),
        "worked": worked, "worked_number": worked_number, "rule": rule_rows(sheet),
        "definitions": definitions(sheet), "inputs": sheet.manifest["inputs"], "provenance": provenance(sheet),
        "cautions": words.cautions(sheet), "data": script_data(sheet), "number": number,
    }  # fmt: skip


def title_block(sheet: LotSheet, words: Words) -> list[tuple[str, str]]:
    """Name and text of each box of the title block; boxes without a text are left out."""
    lot, whole, to = sheet.config["lot"], sheet.whole, sheet.measures
    mats = sheet.frames["mat"]
    first, last = mats["laid_from_utc"].min(), mats["laid_to_utc"].max()
    dash = " \N{EN DASH} "
    local = dash.join(to.local(time, "%H:%M") for time in (first, last))
    hours = f"{local} ({_utc(first)}{dash}{_utc(last)} UTC)"
    travel = whole["travel"]
    inches = sheet.measures.delivery == "us"
    thickness = f"{lot['thickness_m'] / 0.0254:.4g} in" if inches else f"{lot['thickness_m'] * 1000:.4g} mm"
    target = lot["laydown_target_c"]
    boxes = [
        ("route", lot["route"]), ("lane", " & ".join(sheet.lanes)), ("lift", lot["lift"]), ("course", lot["course"]),
        ("mix", lot["mix"]), ("thickness", thickness), ("target", to.text(target, "temp") if target else None),
        ("paved_on", whole["paved_on"]), ("hours", hours if pd.notna(first) else None),
        ("stations", f"{to.station(whole['station_from_m'])} \N{EN DASH} {to.station(whole['station_to_m'])}"),
        ("travel", words(travel) if isinstance(travel, str) else None),
        ("rule", sheet.config["rules"]["id"]), ("map_crs", sheet.crs.name), ("revision", lot["revision"]),
        ("program", f"thermosaic {sheet.manifest['version']}"),
    ]  # fmt: skip
    named = [(words(key), str(value)) for key, value in boxes if value not in (None, "")]
    return named + [(str(key), str(value)) for key, value in sorted(lot["agency"].items())]


def _utc(time: Any) -> str:
    return "" if pd.isna(time) else pd.Timestamp(time).strftime("%H:%M")


def lot_numbers(sheet: LotSheet, words: Words) -> list[dict[str, Any]]:
    """The lot's numbers: name, large text, small text; the unmeasured length is one of the large ones."""
    whole, to = sheet.whole, sheet.measures
    unmeasured = float(whole["unmeasured_m"])
    share = number(100 * unmeasured / max(float(whole["paved_m"]), 1e-9), 1)
    missing = words("unmeasured_some", share=share) if unmeasured > 0 else words("unmeasured_all")
    kept = int(whole["reading_kept_count"])
    rows = kept + int(whole["reading_dropped_count"])
    p95 = to.text(whole["sigma_p95_m"], "sigma")
    return [
        {"name": words("paved"), "big": to.html(whole["paved_m"], "distance"),
         "small": to.html(whole["area_m2"], "area")},
        {"name": words("unmeasured"), "big": to.html(unmeasured, "distance"), "small": missing, "loud": unmeasured > 0},
        {"name": words("profiles"), "big": str(int(whole["profile_count"])), "classes": class_counts(sheet, words)},
        {"name": words("zones"), "big": str(int(whole["zone_count"])), "small": to.html(whole["zone_area_m2"], "area")},
        {"name": words("stops"), "big": str(int(whole["stop_count"])),
         "small": f"{duration(whole['stopped_s'])} {words('in_all')}"},
        {"name": words("speed"), "big": to.html(whole["speed_mean_mps"], "speed"),
         "small": f"CV {number(100 * whole['speed_cv_frac'], 0)} %"},
        {"name": words("position"), "big": Markup("± ") + to.html(whole["sigma_p50_m"], "sigma"),
         "small": words("position_words", p95=p95)},
        {"name": words("readings"), "big": number(kept, 0), "small": f"{words('of')} {number(rows, 0)}"},
    ]  # fmt: skip


def class_counts(sheet: LotSheet, words: Words) -> list[dict[str, Any]]:
    """Profiles by class, best first, then those without a class."""
    whole, counts = sheet.whole, []
    for rank, word in enumerate(sheet.class_words):
        counts.append({"word": word, "count": int(whole[f"class_{rank}_count"]), "rank": rank})
    counts.append({"word": words("insufficient"), "count": int(whole["insufficient_count"]), "rank": "none"})
    return counts


def pass_rows(sheet: LotSheet) -> list[dict[str, Any]]:
    """Rows of the layer `lot` that stand for single passes, where there are several."""
    return sheet.passes.to_dict("records") if len(sheet.passes) > 1 else []


def records(sheet: LotSheet, layer: str) -> list[dict[str, Any]]:
    """Rows of a layer with the box that the map zooms to."""
    frame = sheet.frames[layer]
    rows = pd.DataFrame(frame.drop(columns="geometry")).to_dict("records")
    for row, geometry in zip(rows, frame.geometry, strict=True):
        box = None if geometry is None or geometry.is_empty else geometry.bounds
        row["box"] = ",".join(f"{value:.1f}" for value in box) if box else None
    return rows


def strip_figures(sheet: LotSheet) -> list[dict[str, Any]]:
    """Legend and rows of the strip sheets as SVG, with the words for those who do not see them."""
    with drawing(WIDTH_IN, LEGEND_IN) as figure:
        draw_legend(figure, 0, sheet)
        figures = [{"svg": Markup(_named(svg_text(figure), "Legend of the strip sheets")), "title": "Legend"}]
    for row in rows_of(sheet):
        with drawing(WIDTH_IN, ROW_IN) as figure:
            draw_row(figure, 0, sheet, row)
            ids = row.profiles["profile_id"]
            to = sheet.measures
            words = (
                f"Strip sheet {row.number}: profiles {ids.min()} to {ids.max()}, station "
                f"{to.station(row.station_from_m)} to {to.station(row.station_to_m)}. The same facts stand in "
                "the tables of profiles, stops and places."
            )
            figures.append({"svg": Markup(_named(svg_text(figure), words)), "title": f"Sheet {row.number}"})
    return figures


def plan_figure(sheet: LotSheet) -> Markup | None:
    if not sheet.spines:
        return None
    with drawing(*PLAN_IN) as figure:
        draw_plan(figure, sheet)
        return Markup(
            _named(svg_text(figure), "Plan of the lot, north up, with its stations, cold zones and stops")
        )


def _named(svg: str, words: str) -> str:
    """Give an inline drawing a role and words, and take off what only a separate file needs."""
    head, rest = svg.split(">", 1)
    box = head.partition('viewBox="')[2].partition('"')[0]
    label = Markup.escape(words)
    return f'<svg viewBox="{box}" role="img" aria-label="{label}">{rest}'


def left_out(sheet: LotSheet) -> list[dict[str, Any]]:
    """Readings on the mat by reason, kept ones first."""
    balance = sheet.quality["readings"]
    rows = balance["rows"] or 1
    listed = [{"reason": "kept", "words": "used in every statistic", "count": balance["kept"]}]
    listed += [
        {"reason": reason.replace("_", " "), "words": REASON_WORDS.get(reason, ""), "count": count}
        for reason, count in balance["dropped"].items()
        if count
    ]
    return [{**item, "share": number(100 * item["count"] / rows, 1)} for item in listed]


def log_rows(sheet: LotSheet) -> list[dict[str, Any]]:
    """Balance of each input: read, used, rejected by cause with the line of the first."""
    rows = []
    for tally in sheet.quality["inputs"].values():
        causes = ", ".join(
            f"{cause.replace('_', ' ')}: {count} (first at line {tally['first_line'].get(cause, '?')})"
            for cause, count in tally["rejected"].items()
        )
        rows.append({"role": tally["role"], "read": tally["read"], "used": tally["used"], "causes": causes})
    return rows


def trust_rows(sheet: LotSheet) -> list[tuple[str, Any]]:
    """What the numbers rest on, in plain words."""
    to, quality, whole = sheet.measures, sheet.quality, sheet.whole
    profiles = sheet.frames["profiles"]
    clock, placed = quality["clock"], quality["placed_lines"]
    lines = sum(placed.values()) or 1
    agree, near = profiles["class_agree_frac"].dropna(), int(profiles["borderline"].fillna(False).sum())
    sigma = f"{clock['sigma_s']:.2f} s" if clock["sigma_s"] is not None else "not estimated"
    rows = [
        ("Position of readings, one standard deviation",
         f"{to.text(whole['sigma_p50_m'], 'sigma')} typical, {to.text(whole['sigma_p95_m'], 'sigma')} for 95 %"),
        ("Scan lines placed", f"{number(100 * placed.get('fixes', 0) / lines, 1)} % by fixes, "
         f"{number(100 * placed.get('by_wheel', 0) / lines, 1)} % by wheel between fixes, "
         f"{placed.get('no_position', 0)} without a position"),
        ("Scan clock less UTC", f"{clock['offset_s']:.2f} s (sigma {sigma}); stated: {clock['stated']}"),
        ("Ground length by wheel length", f"{quality['wheel']['scale']:.5f}" if quality["wheel"]["scale"] else NOTHING),
        ("Profiles near a class limit", f"{near} of {len(profiles)} lie within the instrument's accuracy of a limit"),
        ("Class holds when the profile is slid along", f"{number(100 * agree.mean(), 0)} % of the placements tried, "
         f"least {number(100 * agree.min(), 0)} %" if len(agree) else NOTHING),
    ]  # fmt: skip
    operation = sheet.manifest["operations"]["fixes_to_map"]
    if operation.get("name"):
        accuracy = (
            to.text(operation["accuracy_m"], "sigma") if operation.get("accuracy_m") is not None else NOTHING
        )
        rows.append(("Coordinate operation", f"{operation['name']}, stated accuracy {accuracy}"))
    return rows


def rule_rows(sheet: LotSheet) -> list[dict[str, str]]:
    """Numbers of the rule with source and standing, as lot_info has them."""
    rows = []
    for fact in sheet.facts("rule.").itertuples():
        meaning, _, source = str(fact.meaning).partition("; source: ")
        source, _, standing = source.partition("; standing: ")
        value = "" if pd.isna(fact.value) else str(fact.value)
        rows.append({
            "key": fact.key.removeprefix("rule."), "value": value, "unit": "" if pd.isna(fact.unit) else fact.unit,
            "meaning": meaning, "source": source, "standing": standing,
        })  # fmt: skip
    return rows


def definitions(sheet: LotSheet) -> list[tuple[str, list[tuple[str, str]]]]:
    """Meaning of every column of the layers that the page shows."""
    names = ("profiles", "cold_zones", "stops", "speed_segments")
    shown = []
    for name in names:
        table = delivered_table(LAYER[name], sheet.measures.delivery)
        columns = [(column.name, column.meaning) for column in table.columns if not column.added]
        shown.append((LAYER[name].meaning, columns))
    return shown


def provenance(sheet: LotSheet) -> list[tuple[str, str]]:
    versions = sheet.manifest["versions"]
    libraries = ", ".join(f"{name} {version}" for name, version in sorted(versions["libraries"].items()))
    operation = sheet.manifest["operations"]["fixes_to_map"]
    rows = [
        ("Program", f"thermosaic {sheet.manifest['version']}, Python {versions['python']}"),
        ("Libraries", libraries),
        ("Fixes to map", operation.get("pipeline") or NOTHING),
        ("Map CRS", sheet.crs.name),
        ("Layers", ", ".join(f"{t.name} {sheet.quality['layers'].get(t.name, 0)}" for t in LAYERS)),
    ]
    return [(name, str(text)) for name, text in rows]


def worked_number(value: float) -> str:
    """A number of the worked profile, as a spreadsheet takes it."""
    return "" if not np.isfinite(value) else f"{value:.2f}"


def script_data(sheet: LotSheet) -> Markup:
    """Data for the page's script as JSON that cannot end its element."""
    kinds = {
        kind: {name: [u.name, u.factor, u.shift, u.decimals] for name, u in both.items()}
        for kind, both in sheet.measures.kinds.items()
    }
    data = {"units": sheet.measures.delivery, "kinds": kinds, "yard2": 9 * sheet.measures.foot_m**2,
            "map": map_data(sheet)}  # fmt: skip
    text = json.dumps(data, allow_nan=False, separators=(",", ":"), sort_keys=True)
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))
