"""Evidence of a check of the rig as a small TOML file that lots name in [rig] evidence; read back when written."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

from ..errors import ProductError
from ..model import EquipmentCheck
from .catalogue import load_evidence
from .settings import write_settings


def write_evidence(
    path: Path,
    check: EquipmentCheck,
    valid: tuple[date, date],
    method: str,
    numbers: dict[str, Any],
    further: tuple[EquipmentCheck, ...] = (),
) -> None:
    """Write what a check found, with the local dates it is valid from and to, and further values of it.

    Raises
    ------
    ProductError
        Where it cannot be written, or does not read back as it was meant.
    """
    stated = {
        "subject": check.subject,
        "key": check.key,
        "measured": _with_unit(check.measured, check.unit, 9),
        "tolerance": _with_unit(check.tolerance, check.tolerance_unit, 6),
        "verdict": check.verdict,
        "finding": check.finding,
        "valid_from": valid[0].isoformat(),
        "valid_to": valid[1].isoformat(),
        "method": method,
    }
    lines = [f"# What a check of the {check.subject} found; lots name this file in [rig] evidence."]
    lines += [f"{key} = {_value(value)}" for key, value in stated.items() if value is not None]
    lines += ["", "[numbers]"] + [f"{key} = {_value(value)}" for key, value in numbers.items()]
    for item in further:
        values = {"key": item.key, "measured": _with_unit(item.measured, item.unit, 9)}
        values["tolerance"] = _with_unit(item.tolerance, item.tolerance_unit, 6)
        lines += ["", "[[further]]"] + [f"{key} = {_value(value)}" for key, value in values.items()]
    write_settings(path, "\n".join(lines) + "\n")
    if load_evidence(path).finding != check.finding:
        raise ProductError(f"{path}: does not read back as written")


def _with_unit(value: float, unit: str, digits: int) -> str:
    return f"{value:.{digits}g} {unit}"


def _value(value: Any) -> str:
    return f"{value:.9g}" if isinstance(value, float) else json.dumps(value, ensure_ascii=False)
