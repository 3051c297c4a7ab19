"""The sentences of an overlay: what was found, what could not be placed, and the cautions."""

from __future__ import annotations

import pandas as pd

from ...delivery import tell
from ...published import Published
from .densities import correlations

ALIKE_M = 0.0015  # sigmas so near are told as one
CAUTIONS = (
    "Surface temperature at laydown is not density: rolling, thickness, mix and base count as well. A cold zone is a "
    "place to look, not proof of a defect; a deficit explains no core by itself.",
    "Nothing here is for acceptance or pay: those are the agency's and its contract documents', and a licensed "
    "engineer decides.",
)


def notes(published: Published, frames: dict[str, pd.DataFrame], read: tuple[str, ...]) -> tuple[str, ...]:
    """Tell what was found in plain sentences, those from reading the files before the cautions.

    Parameters
    ----------
    frames : dict
        By name of table: cores, asbuilt_areas, asbuilt_lines.
    read : tuple of str
        What to know from reading the files.
    """
    lot = published.config["lot"]
    cores = frames["cores"]
    return (
        f"Lot {lot['id']}, revision {lot['revision']}: laid over as-built records",
        *_cores(cores),
        *(item.text for item in correlations(cores)),
        *_areas(frames["asbuilt_areas"]),
        *_lines(frames["asbuilt_lines"]),
        *("Look at: " + text for text in read),
        *CAUTIONS,
    )


def _cores(cores: pd.DataFrame) -> list[str]:
    if cores.empty:
        return []
    placed = cores[cores["pass_id"].notna()]
    said: list[str] = [
        f"placed at this lot's mat: {len(placed)} of {len(cores)} cores, gauge readings and points"
    ]
    if len(placed):
        sigma = placed[["sigma_along_m", "sigma_across_m"]].max(axis=1)
        low_m, high_m = float(sigma.min()), float(sigma.max())
        known = "{low_m:.3f} to {high_m:.3f}" if high_m - low_m > ALIKE_M else "{high_m:.3f}"
        said.append(tell(
            f"their places are known to {known} (one sigma, the larger of along and across: own, that of the frame, "
            "and the readings' together)", low_m=low_m, high_m=high_m,
        ))  # fmt: skip
    inside = placed[placed["in_zone"].astype(bool)]
    likely = placed[placed["in_zone_frac"].between(0.1, 0.9)]
    if len(placed):
        said.append(
            f"in a cold zone as placed: {len(inside)}; left open by the sigmas (10 to 90 %): {len(likely)}"
        )
    for _, core in cores[cores["note"].notna()].iterrows():
        said.append(f"{core['kind']} {core['core_id']}: " + core["note"])
    return said


def _areas(areas: pd.DataFrame) -> list[str]:
    said: list[str] = []
    for _, area in areas.iterrows():
        head = f"polygon {area['area_id']} ({area['name']}): "
        if not area["reading_count"]:
            said.append(head + "no usable reading of this lot lies within")
            continue
        said.append(head + tell(
            "{on_mat_m2:.1f} of {area_m2:.1f} on the mat, mean {temp_c:.1f}, {deficit_delta_c:.1f} colder than the mat "
            "around at most; cold zones: {zones}, with {zone_m2:.1f} of it; stops: {stops}",
            on_mat_m2=area["on_mat_m2"], area_m2=area["area_m2"], temp_c=area["temp_mean_c"],
            deficit_delta_c=area["deficit_max_delta_c"], zones=area["zone_count"], zone_m2=area["zone_area_m2"],
            stops=area["stop_count"],
        ))  # fmt: skip
    return said


def _lines(lines: pd.DataFrame) -> list[str]:
    said: list[str] = []
    for _, line in lines.iterrows():
        head = f"line {line['line_id']} ({line['name']}): "
        if not line["point_count"]:
            said.append(head + "lies beside no mat of this lot")
            continue
        said.append(head + tell(
            "pass {pass_id}, {mean_m:+.2f} off the {side} mat edge on the whole ({low_m:+.2f} to {high_m:+.2f}, right "
            "positive looking upstation), the mat's place known to {sigma_m:.3f} across",
            pass_id=line["pass_id"], mean_m=line["off_edge_mean_m"], side=line["edge_side"],
            low_m=line["off_edge_min_m"], high_m=line["off_edge_max_m"], sigma_m=line["sigma_across_m"],
        ))  # fmt: skip
    return said
