"""How the layers of a comparison are drawn: outlines over the mats, the places that coincide filled."""

from __future__ import annotations

from ...delivery import delivered_name
from ...tables import COMPARED_KINDS
from ..looks.styles import BLUES, DEEP_BLUE, DEEP_BROWN, DEGREE, GREYS, ORANGES, PURPLES
from ..looks.symbols import INK, Label, Look, Rule, SymbolLayer, fill, hatch

COLOURS = dict(zip(COMPARED_KINDS, ((BLUES[2], DEEP_BLUE), (ORANGES[2], DEEP_BROWN)), strict=True))


def compared_looks(units: str) -> dict[str, Look]:
    """How every layer of a comparison is drawn, by name; column names are those of the delivery."""
    return {
        "common_mat": Look(
            "fill", (Rule("mat of both", (fill(None, "#ffffff", 1.0), fill(None, INK, 0.35))),)
        ),
        "profile_pairs": Look(
            "fill",
            (Rule("profiles side by side", (fill(None, "#ffffff", 0.9), fill(None, PURPLES[4], 0.3))),),
            label=_profile_label(units),
        ),
        "places": Look(
            "fill", tuple(_place(kind) for kind in COMPARED_KINDS), "value", "kind", _place_label()
        ),
        "coincidences": Look(
            "fill", tuple(_met(kind) for kind in COMPARED_KINDS), "value", "kind", _met_label()
        ),
    }


def _place(kind: str) -> Rule:
    layers: tuple[SymbolLayer, ...] = (fill(None, "#ffffff", 0.9), fill(None, COLOURS[kind][0], 0.45))
    return Rule(f"cold {kind}" if kind == "zone" else kind, layers, value=kind)


def _met(kind: str) -> Rule:
    colour, dark = COLOURS[kind]
    layers = (fill(colour, "#ffffff", 1.2, alpha=150), fill(None, dark, 0.7), hatch(45, 1.4, dark))
    return Rule(f"{kind} over {kind}", layers, value=kind)


def _profile_label(units: str) -> Label:
    """Differentials and classes of both, upper lot first."""
    parts = []
    for prefix in ("", "other_"):
        name = prefix + delivered_name("differential_delta_c", units)
        parts.append(
            f"\"{prefix}profile_id\" || ': ' || coalesce(format_number(\"{name}\", 1) || ' {DEGREE[units]}', "
            f"'insufficient')"
        )
    return Label(" || ' over ' || ".join(parts), "edge", 2000, 4, PURPLES[4], 7, column="profile_class")


def _place_label() -> Label:
    return Label(
        '"kind" || \' \' || "number" || \', \' || "lot_id"', "around", 900, 5, GREYS[4], 7, column="number"
    )


def _met_label() -> Label:
    text = '"kind" || \' \' || "number" || \' over \' || "other_number"'
    return Label(text, "around", 2500, 8, INK, 8, column="number")
