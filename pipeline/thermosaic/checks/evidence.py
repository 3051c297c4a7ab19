"""Evidence of the rig: is it there, is it valid on the lot's date, does it stand for what the lot uses."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import numpy as np

from ..config import EvidenceFile, EvidenceValue, LotConfig
from ..delivery import stored, tell, together
from ..errors import ConfigError
from ..files.catalogue import load_evidence
from ..units import parse_quantity
from .items import CheckItem, look, ok

CONSTANT_FRAC = 0.002  # rounding of a constant copied by hand
ARM_M = 0.02


def evidence_items(config: LotConfig, first_utc: np.datetime64) -> list[CheckItem]:
    """Look at every file that [rig] evidence names; say what kinds are missing."""
    day = config.lot.local(first_utc).date()
    found, subjects = [], set()
    for path in config.rig.evidence:
        try:
            evidence = load_evidence(path)
        except ConfigError as error:
            found.append(look("evidence", str(error), "write it again with `thermosaic rig ...`"))
            continue
        subjects.add(evidence.subject)
        found.extend(_about(path, evidence, day, config))
    missing = [subject for subject in ("wheel", "thermometer", "antenna") if subject not in subjects]
    if missing:
        text = f"none named for {', '.join(missing)}"
        advice = f"`thermosaic rig {' | '.join(missing)}` writes it; name the files in [rig] evidence"
        found.append(ok("evidence", text, advice))
    return found


def _about(path: Path, evidence: EvidenceFile, day: date, config: LotConfig) -> Iterator[CheckItem]:
    """Items on one file: what is wrong with it, or else that it holds."""
    name = f"{evidence.subject} evidence"
    problems = [
        item
        for item in (
            _dated(path, evidence, day),
            _judged(path, evidence),
            *(_constant(path, value, config) for value in (evidence, *evidence.further)),
        )
        if item is not None
    ]
    yield from (look(name, text, advice) for text, advice in problems)
    if not problems:
        yield ok(
            name,
            together([f"{path.name}: ", stored(evidence.finding), f"; valid to {evidence.valid_to}"], ""),
        )


def _dated(path: Path, evidence: EvidenceFile, day: date) -> tuple[str, str] | None:
    if evidence.valid_from <= day <= evidence.valid_to:
        return None
    text = f"{path.name} is valid {evidence.valid_from} to {evidence.valid_to}, the lot was paved on {day}"
    return text, f"check the {evidence.subject} again with `thermosaic rig {evidence.subject}`"


def _judged(path: Path, evidence: EvidenceFile) -> tuple[str, str] | None:
    if evidence.verdict == "pass":
        return None
    text = f"{path.name} says {evidence.verdict}: " + stored(evidence.finding)
    return text, f"set the {evidence.subject} right and check it again before paving"


def _constant(
    path: Path, evidence: EvidenceFile | EvidenceValue, config: LotConfig
) -> tuple[str, str] | None:
    """Compare a measured value with the one that the lot uses."""
    section, _, key = (evidence.key or "").partition(".")
    used = getattr(config.rig, f"{key}_m", None) if section == "rig" else None
    if used is None:
        return None
    try:
        measured = parse_quantity(evidence.measured, "length", _WORDS.get(key, ()))
        allowed = parse_quantity(evidence.tolerance, "length") if key in _WORDS else 0.0
    except ValueError as error:
        return f"{path.name}: measured or tolerance: {error}", "write it again with `thermosaic rig ...`"
    tolerance = CONSTANT_FRAC * abs(measured) if key == "wheel_per_count" else max(ARM_M, allowed)
    if abs(used - measured) <= tolerance:
        return None
    text = tell(
        "the lot uses {key} = {used}, {name} measured {measured}",
        key=key, used=_shown(used), name=path.name, measured=_shown(measured),
    )  # fmt: skip
    return text, f"put the measured value into [rig] {key}, or name the evidence that belongs to it"


_WORDS = {"antenna_forward": ("ahead", "behind"), "antenna_right": ("right", "left")}


def _shown(length_m: float) -> str:
    return tell("{length_m:.4fmm}" if abs(length_m) < 0.1 else "{length_m:.3f}", length_m=length_m)
