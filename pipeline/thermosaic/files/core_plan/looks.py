"""How the layers of a core plan are drawn: random sites round and black, places to look at blue and apart."""

from __future__ import annotations

from ...delivery import delivered_name
from ...tables import DENSITY_PROFILES, DENSITY_READINGS, PLACES_TO_LOOK, RANDOM_CORES, SUBLOTS
from ..looks.styles import BLUES, DEEP_BLUE, DEGREE
from ..looks.symbols import INK, Label, Look, Rule, fill, hatch, marker, stroke


def plan_looks(units: str) -> dict[str, Look]:
    """How every layer is drawn, by name; column names are those of the delivery."""
    deficit = delivered_name("deficit_max_delta_c", units)
    place = f"'P' || \"place_number\" || ': ' || format_number(\"{deficit}\", 0) || ' {DEGREE[units]} below'"
    return {
        RANDOM_CORES.name: Look(
            "marker",
            (Rule("random core site", (marker("circle", "#ffffff", 3.6, INK, 0.6), marker("circle", INK, 0.9))),),
            label=Label('"core_id"', "around", 2500, 10, INK, 8, column="core_id"),
        ),
        SUBLOTS.name: Look(
            "fill",
            (Rule("sublot", (fill(None, "#ffffff", 1.0), fill(None, INK, 0.4, dash="dash"))),),
            label=Label("'sublot ' || \"sublot_id\"", "edge", 5000, 6, INK, 7.5, column="sublot_id"),
        ),
        PLACES_TO_LOOK.name: Look(
            "fill",
            (Rule("place to look at, not random", (fill(BLUES[1], "#ffffff", 0.9, alpha=90), fill(None, BLUES[2], 0.5),
                                                   hatch(45, 1.6, DEEP_BLUE))),),
            label=Label(place, "around", 2500, 8, DEEP_BLUE, 7.5, column="place_number"),
        ),
        DENSITY_PROFILES.name: Look(
            "line", (Rule("proposed density profile, not random", (stroke("#ffffff", 1.0), stroke(DEEP_BLUE, 0.5))),)
        ),
        DENSITY_READINGS.name: Look(
            "marker",
            (Rule("gauge reading on it, not random", (marker("diamond", "#ffffff", 2.2, DEEP_BLUE, 0.4),)),),
            label=Label('"core_id"', "around", 300, 3, DEEP_BLUE, 7, column="core_id"),
        ),
    }  # fmt: skip
