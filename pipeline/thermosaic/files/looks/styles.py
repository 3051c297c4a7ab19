"""What each layer looks like, what a person reads over its columns, and the tip under the pointer.

Colours are ColorBrewer's sequential schemes (Brewer 2003), one hue a layer; classes also differ by hatching
and the weight of their outline, so nothing is told by colour alone. The mat's temperature is the ground of
the map: what lies over it is outline, hatching or a thin tint. Not done here: printing a look for a program
(`qml`, `sld`), and raster styles (`ramp`).
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from ...delivery import deliver, delivered_name
from ...tables import DIARY_KINDS, Table
from ...units import FOOT_M
from . import qml
from .symbols import (
    INK,
    Label,
    Look,
    Rule,
    SymbolLayer,
    arrows,
    cased_hatch,
    centroid,
    fill,
    hatch,
    marker,
    stipple,
    stroke,
)

if TYPE_CHECKING:
    from ...config import LotConfig

# ColorBrewer sequential schemes (Brewer 2003), light to dark
PURPLES = ("#f2f0f7", "#cbc9e2", "#9e9ac8", "#756bb1", "#54278f")
BLUES = ("#bdd7e7", "#6baed6", "#3182bd", "#08519c")
ORANGES = ("#fdbe85", "#fd8d3c", "#e6550d", "#a63603")
GREENS = ("#edf8e9", "#bae4b3", "#74c476", "#31a354", "#006d2c")
GREYS = ("#f7f7f7", "#cccccc", "#969696", "#636363", "#252525")
DEEP_BLUE, DEEP_BROWN = "#08306b", "#7f2704"  # ColorBrewer Blues and Oranges of nine, darkest
DEGREE = {"us": "\N{DEGREE SIGN}F", "si": "\N{DEGREE SIGN}C"}


def layer_looks(tables: tuple[Table, ...], config: LotConfig, bands: list[str]) -> dict[str, Look]:
    """How every layer is drawn, by name.

    Parameters
    ----------
    tables : tuple of Table
        As delivered (columns named by the delivery's units).
    bands : list of str
        Names of the speed bands as delivered, slowest first.
    """
    units = config.delivery.units
    deficit = delivered_name("deficit_max_delta_c", units)
    return {
        "lot": Look(
            "fill", (Rule("lot", (fill(None, "#ffffff", 0.9), fill(None, INK, 0.4, dash="dash dot"))),)
        ),
        "mat": Look("fill", (Rule("mat measured", (fill(None, "#ffffff", 1.0), fill(None, INK, 0.35))),)),
        "paver_path": Look("line", (Rule("path, arrow as paved", _path()),)),
        "cold_zones": Look("fill", _depths(config), "range", deficit, _deficit_label(deficit, units)),
        "stops": Look("fill", _durations(), "range", "duration_s", _duration_label()),
        "speed_segments": Look("fill", _bands(bands), "value", "speed_band", _speed_label(units)),
        "profiles": Look("fill", _classes(config), "value", "class_rank", _difference_label(units)),
        "profiles_by_load": Look("fill", (Rule("truck load", _load()),), label=_load_label(units)),
        "dropped": Look("fill", _dropped(_reasons(tables)), "value", "reason"),
        "gaps": Look("fill", _gaps(), "value", "kind", _gap_label()),
        "station_ticks": Look("marker", (Rule("station", _tick()),), label=_station_label()),
        "diary": Look("fill", _entries(), "value", "kind", _entry_label()),
        "control": Look("marker", (Rule("control point", _control()),), label=_control_label()),
    }


def layer_styles(tables: tuple[Table, ...], looks: dict[str, Look]) -> dict[str, str]:
    """QML of every layer by name, as lot.gpkg holds it."""
    return {
        table.name: qml.document(layer_content(table, looks[table.name]), qml.attributes(looks[table.name]))
        for table in tables
    }


def layer_content(table: Table, look: Look) -> str:
    """What a layer's style holds, as XML elements: in a style of its own and inside a project."""
    aliases = [(c.name, alias(c.meaning, c.unit)) for c in table.columns]
    return qml.content(look, aliases, map_tip(table))


# ------------------------------------------------------------------------------------------ the symbols


def _classes(config: LotConfig) -> tuple[Rule, ...]:
    """Profiles by class rank: a heavier outline and closer hatching the higher the rank; the mat shows."""
    line, road = PURPLES[4], "main_angle($geometry)"
    hatches: tuple[tuple[SymbolLayer, ...], ...] = (
        (),
        cased_hatch(60, 5.0, line, road),
        cased_hatch(60, 2.5, line, road),
        (*cased_hatch(60, 2.5, line, road), *cased_hatch(120, 2.5, line, road)),
        (*cased_hatch(60, 1.8, line, road), *cased_hatch(120, 1.8, line, road)),
    )
    rules = [
        Rule(entry.word, (*hatches[rank], *_cased_outline(line, 0.3 + 0.25 * rank)), value=str(rank))
        for rank, entry in enumerate(config.rules.classes.words)
    ]
    return (*rules, Rule("insufficient", (stipple(2.2, line), *_cased_outline(line, 0.4, "dot"))))


def _cased_outline(colour: str, width: float, dash: str = "solid") -> tuple[SymbolLayer, SymbolLayer]:
    return fill(None, "#ffffff", width + 0.6), fill(None, colour, width, dash=dash)


def _depths(config: LotConfig) -> tuple[Rule, ...]:
    """Cold zones by depth of deficit: the rule's drop, 1.5, 2 and 3 times it."""
    units = config.delivery.units
    drop = float(deliver(config.rules.zone.drop_delta_c, "drop_delta_c", units, FOOT_M))
    edges = [0.0, *(round(drop * part, 1) for part in (1.5, 2, 3)), 1e4]
    words = [
        f"{low:g}-{high:g} {DEGREE[units]} below"
        for low, high in zip([round(drop, 1), *edges[1:-2]], edges[1:-1], strict=True)
    ]
    words.append(f"over {edges[-2]:g} {DEGREE[units]} below")
    return tuple(
        Rule(
            words[i],
            (
                fill(BLUES[i], "#ffffff", 0.9 + 0.2 * i, alpha=70),
                fill(None, DEEP_BLUE, 0.35 + 0.2 * i),
            ),
            lower=edges[i],
            upper=edges[i + 1],
        )
        for i in range(len(words))
    )


def _durations() -> tuple[Rule, ...]:
    """Stops by duration: a strip where the paver stood, and a larger marker the longer."""
    edges, words = (0, 60, 180, 600, 1e6), ("up to 1 min", "1-3 min", "3-10 min", "over 10 min")
    return tuple(
        Rule(
            word,
            (
                fill(ORANGES[i], DEEP_BROWN, 0.3),
                centroid(marker("triangle", ORANGES[i], 2.6 + 1.2 * i, DEEP_BROWN)),
            ),
            lower=edges[i],
            upper=edges[i + 1],
        )
        for i, word in enumerate(words)
    )


def _bands(names: list[str]) -> tuple[Rule, ...]:
    """Speed segments by band: an outline darker and heavier with speed, so that the mat is seen through."""
    last = max(len(names) - 1, 1)
    bands = [
        Rule(name, _cased_outline(GREENS[round(i * 4 / last)], 0.25 + 0.45 * i / last), value=name)
        for i, name in enumerate(names)
    ]
    return (*bands, Rule("no speed", (fill(None, dash="dash"),)))


def _dropped(reasons: tuple[str, ...]) -> tuple[Rule, ...]:
    """Dropped readings by reason: greys, told apart by the direction and spacing of their hatching."""
    angles, steps = (45, 135, 0, 90), (1.2, 2.0, 3.2)
    return tuple(
        Rule(
            reason.replace("_", " "),
            (fill(GREYS[1 + i % 3], GREYS[4], 0.15, alpha=140), hatch(angles[i % 4], steps[i // 4])),
            value=reason,
        )
        for i, reason in enumerate(reasons)
    )


def _reasons(tables: tuple[Table, ...]) -> tuple[str, ...]:
    return next(
        c.values for table in tables if table.name == "dropped" for c in table.columns if c.name == "reason"
    )


def _gaps() -> tuple[Rule, ...]:
    looks = {
        "no_fix": (hatch(45, 2.0), hatch(135, 2.0)),
        "no_scan": (hatch(45, 1.2),),
        "not_paving": (stipple(2.0),),
    }
    return tuple(
        Rule(kind.replace("_", " "), (fill("#ffffff", INK, 0.4, dash="dash"), *layers), value=kind)
        for kind, layers in looks.items()
    )


def _load() -> tuple[SymbolLayer, ...]:
    """Loads as outlines only, cased, so that they are read over any mat."""
    return fill(None, "#ffffff", 1.0), fill(None, GREYS[4], 0.45, dash="dash dot")


def _entries() -> tuple[Rule, ...]:
    """Diary entries by kind: outlines told apart by their dashes and a hatching of their own, the mat shows."""
    angles, dashes = (45, 135, 0, 90), ("dash", "dot", "dash dot")
    return tuple(
        Rule(
            kind,
            (fill(None, INK, 0.4, dash=dashes[i % 3]), hatch(angles[i % 4], 3.0 + i // 4)),
            value=kind,
        )
        for i, kind in enumerate(DIARY_KINDS)
    )


def _control() -> tuple[SymbolLayer, ...]:
    """A cross in white and ink, so that it is seen on any mat."""
    return marker("cross", "#ffffff", 4.2, "#ffffff", 1.4), marker("cross", INK, 3.6, INK, 0.5)


def _path() -> tuple[SymbolLayer, ...]:
    return stroke("#ffffff", 0.5), stroke(INK, 0.2), arrows(INK, 2.2, 45)


def _tick() -> tuple[SymbolLayer, ...]:
    """Short lines across the line of stations; the marker itself runs north."""
    across = '"azimuth_deg" + 90'
    return (
        marker("line", "#ffffff", 4.6, "#ffffff", 1.1, across),
        marker("line", INK, 4.0, INK, 0.4, across),
    )


# ------------------------------------------------------------------------------------------- the labels


def _station_label() -> Label:
    """Ticks stand at whole stations: "113+00", not "113+00.0"."""
    whole = "'    ' || regexp_replace(\"station_label\", '[.]0+$', '') || '    '"
    return Label(whole, "tick", 6000, 8, column="station_label", azimuth='"azimuth_deg"')


def _difference_label(units: str) -> Label:
    name = delivered_name("differential_delta_c", units)
    difference = f"' \N{GREEK CAPITAL LETTER DELTA} ' || format_number(\"{name}\", 1) || ' {DEGREE[units]}'"
    text = f"\"profile_id\" || ':' || coalesce({difference}, ' insufficient')"
    return Label(text, "edge", 2000, 5, PURPLES[4], column="profile_id")


def _speed_label(units: str) -> Label:
    sign, factor = ("ft/min", 1) if units == "us" else ("m/min", 60)
    text = f"format_number(\"{delivered_name('speed_mean_mps', units)}\" * {factor}, 1) || ' {sign}'"
    return Label(text, "edge", 1500, 3, GREENS[4], 7)


def _duration_label() -> Label:
    return Label(
        "'stood ' || format_number(\"duration_s\" / 60, 1) || ' min'", "around", 3000, 7, DEEP_BROWN, 7.5
    )


def _deficit_label(name: str, units: str) -> Label:
    text = f"'\N{MINUS SIGN}' || round(\"{name}\") || ' {DEGREE[units]}'"
    return Label(text, "around", 1200, 6, DEEP_BLUE, 7.5)


def _load_label(units: str) -> Label:
    name = delivered_name("differential_delta_c", units)
    text = (
        f"'load ' || \"load_id\" || coalesce(': ' || format_number(\"{name}\", 1) || ' {DEGREE[units]}', '')"
    )
    return Label(text, "inside", 2000, 4, GREYS[4], 7.5, column="load_id")


def _entry_label() -> Label:
    return Label("\"kind\" || coalesce(': ' || \"entry_text\", '')", "around", 1200, 9, INK, 7, column="kind")


def _control_label() -> Label:
    return Label('"point_id"', "around", 1200, 9, INK, 7, column="point_id")


def _gap_label() -> Label:
    return Label("replace(\"kind\", '_', ' ')", "inside", 3000, 9, column="kind")


# ------------------------------------------------------------------------------------- what people read


def alias(meaning: str, unit: str) -> str:
    """What a person reads over a column: its meaning and unit."""
    return f"{meaning} [{unit}]" if unit else meaning


def map_tip(table: Table) -> str:
    """HTML shown when the pointer rests on a feature: the columns a person asks for first, with units."""
    skipped = {"feature_uid", "lot_id", "revision", "route", "lift", "rule_id", "program_version"}
    rows = "".join(
        f"<tr><td>{escape(c.meaning)}</td><td>[% {_shown(c.name, c.dtype)} %] {escape(c.unit)}</td></tr>"
        for c in table.columns
        if c.name not in skipped
        and not c.name.endswith(("_utc", "_lon_deg", "_lat_deg"))
        and _first_asked(table, c.name)
    )
    return f"<b>{escape(table.name.replace('_', ' '))}</b><table>{rows}</table>"


def _first_asked(table: Table, name: str) -> bool:
    """Stations are shown as labels; class shares and edges only in the table."""
    labelled = any(c.name == name.rsplit("_", 1)[0] + "_label" for c in table.columns)
    return not labelled and not name.startswith(("class_0", "class_1", "class_2", "class_3", "class_4"))


def _shown(name: str, dtype: str) -> str:
    return f'format_number("{name}", 2)' if dtype.startswith("float") else f'"{name}"'
