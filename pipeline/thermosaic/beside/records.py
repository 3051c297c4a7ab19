"""A result beside cores and records: laid over what is there, planned where there is nothing yet."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..config import CrsSection
from ..datum import source_frame
from ..delivery import in_units, tell
from ..errors import ConfigError, InputError
from ..files.manifest import sha256_of
from ..published import Published, readings_of
from ..results import published_result

if TYPE_CHECKING:
    from ..studies.plan_cores import PlanRule

LONGEST_SEED = 80


def overlay(
    result: Path,
    files: tuple[Path, ...],
    out: Path,
    *,
    sigma_m: float | None = None,
    frame: str | None = None,
    cores_format: str = "cores-csv",
    overwrite: bool = False,
) -> tuple[str, ...]:
    """Lay a published result over as-built records, and publish what was found in the folder `out`.

    Parameters
    ----------
    files : paths
        Cores and gauges as CSV; polygons, lines and points as vector files.
    sigma_m : float, optional
        Sigma of a core's or point's own place, one axis, where its row has none.
    frame : str, optional
        True frame of positions in files that name none, or plain WGS 84; like EPSG:6318.
    cores_format : str
        Format of the CSV files: a shipped name or a path.

    Returns
    -------
    tuple of str
        What was found and what to know about it, in the units of the result's delivery.

    Raises
    ------
    InputError, ConfigError, MismatchError, ProductError
        A file that cannot be used, a frame or sigma that must be stated, a result that is not whole, `out` exists.
    """
    from ..files.asbuilt import read_records
    from ..files.overlay_products import Overlay, write_overlay
    from ..files.publishing import publication
    from ..studies import overlay_asbuilt as study

    sheet, published = published_result(result)
    records = read_records(files, _frames(published, frame), sheet.measures.labels, cores_format, sigma_m)
    passes = _first_looks(published)
    cores = study.cores_frame(published, passes, records.cores)
    areas, touches = study.area_frames(published, passes, records.areas)
    lines, offsets = study.line_frames(published, passes, records.lines)
    frames = {"cores": cores, "asbuilt_areas": areas, "asbuilt_lines": lines, "line_offsets": offsets,
              "touches": touches, "densities": study.densities_frame(published, cores)}  # fmt: skip
    told = study.notes(published, frames, records.notes)
    stated = {"sigma_m": sigma_m, "frame": frame, "cores_format": cores_format}
    with publication(out, overwrite) as folder:
        write_overlay(folder, sheet, Overlay(frames, told, records.sources, records.operations, stated))
    return tuple(in_units(text, sheet.measures.delivery, sheet.measures.foot_m) for text in told)


def plan_cores(
    result: Path,
    out: Path,
    rule: PlanRule,
    *,
    seed: str | None = None,
    numbers: Path | None = None,
    overwrite: bool = False,
) -> tuple[str, ...]:
    """Plan where cores are drilled on a published result, and publish the plan in the folder `out`.

    Parameters
    ----------
    seed : str
        Text agreed on before the lot was laid; the random numbers are made of it and the lot's id.
    numbers : path
        Or a CSV table of the agency's own random numbers.

    Returns
    -------
    tuple of str
        How the sites were drawn, and what to know, in the units of the result's delivery.

    Raises
    ------
    InputError, ConfigError, ProductError
        Numbers that cannot be used or are too few, a lot without mat, a result that is not whole, `out` exists.
    """
    from ..files.core_plan import CorePlan, publish
    from ..files.random_numbers import read_random_numbers
    from ..studies import plan_cores as study

    if (seed is None) == (numbers is None):
        raise ConfigError("cores: give either a seed or a file of random numbers")
    sheet, published = published_result(result)
    passes = _first_looks(published)
    lot_id, sources = published.config["lot"]["id"], ()
    if numbers is not None:
        stream, words = study.listed(read_random_numbers(numbers)), f"those of {numbers.name}, in their order"
        sources = ({"path": numbers.name, "role": "random numbers", "sha256": sha256_of(numbers)},)
    else:
        seed = _plain_seed(str(seed))
        stream, words = study.seeded(seed, lot_id), study.seed_words(seed, lot_id)
    try:
        plan = study.plan_sites(published, passes, rule, stream)
    except ValueError as error:
        raise InputError(tell("cores: {why}", why=error.args[0])) from None
    frames = {"random_cores": plan.cores, "random_numbers": plan.numbers, "sublots": plan.sublots}
    frames |= study.place_frames(published, passes, rule)
    notes = study.plan_notes(published, plan, rule, words)
    place_notes = study.place_notes(published, frames["places_to_look"])
    stated = {"seed": seed, "numbers": None if numbers is None else numbers.name, **asdict(rule)}
    publish(out, overwrite, sheet, CorePlan(frames, notes, place_notes, study.CAUTIONS, sources, stated))
    return tuple(in_units(text, sheet.measures.delivery, sheet.measures.foot_m) for text in notes)


def _plain_seed(seed: str) -> str:
    """A seed as it is hashed: printable, without blanks at its ends."""
    plain = seed.strip()
    if not plain or not plain.isprintable() or len(plain) > LONGEST_SEED:
        raise ConfigError(f"--seed: 1 to {LONGEST_SEED} printable characters are expected, not {seed[:80]!r}")
    return plain


def _first_looks(published: Published) -> dict[str, Any]:
    """First looks by pass, of the passes that have a mat."""
    found = {pass_id: readings_of(published, pass_id) for pass_id in published.quality["mat_frames"]}
    return {pass_id: readings for pass_id, readings in found.items() if readings is not None}


def _frames(published: Published, frame: str | None) -> CrsSection:
    """Frames of a result, with that of strangers' numbers in place of its own alignment's."""
    stated = published.config["crs"] | {"alignment": None if frame is None else source_frame(frame).to_wkt()}
    return CrsSection.model_construct(**stated).dated(np.datetime64(published.quality["paved_on"]))
