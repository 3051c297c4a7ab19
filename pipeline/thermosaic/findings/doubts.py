"""Plain sentences about the findings for the reader of the result."""

from __future__ import annotations

from typing import Any

import geopandas as gpd

from ..delivery import tell
from ..model import Doubt

MISSING = {"no_fix": "positions", "no_scan": "scan lines", "not_paving": "warm mat"}


def doubts_of(frames: dict[str, gpd.GeoDataFrame], counts: dict[str, Any]) -> tuple[Doubt, ...]:
    """Say what a reader of these layers should check."""
    doubts = []
    for kind, group in frames["gaps"].groupby("kind", sort=True):
        length_m = float(group["length_m"].sum())
        text = tell(
            "{stretches}, {length_m:.0f} in all, without {what}: see the layer gaps; profiles there may be "
            "insufficient",
            stretches="1 stretch" if len(group) == 1 else f"{len(group)} stretches",
            length_m=length_m, what=MISSING[str(kind)],
        )  # fmt: skip
        doubts.append(Doubt("s6", f"gap_{kind}", text, length_m, "m"))
    profiles = frames["profiles"]
    total = len(profiles)
    lacking = int((profiles["profile_class"] == "insufficient").sum())
    if lacking:
        verb = "has" if lacking == 1 else "have"
        text = f"{lacking} of {total} profiles {verb} too few readings to be classed: see coverage_frac"
        doubts.append(Doubt("s6", "insufficient_profiles", text, float(lacking)))
    near = int(profiles["borderline"].sum())
    if near:
        verb = "lies" if near == 1 else "lie"
        text = f"{near} of {total} profiles {verb} within the instrument's accuracy of a class limit"
        doubts.append(Doubt("s6", "borderline_profiles", text, float(near)))
    strips = counts["one_spot_strips"]
    if strips:
        seen = "1 long cold strip is" if strips == 1 else f"{strips} long cold strips are"
        text = f"{seen} seen by one spot only, and no zone: check that spot against a thermometer"
        doubts.append(Doubt("s6", "one_spot_strip", text, float(strips)))
    return tuple(doubts)
