"""A new lot: what it takes over from a rig, a rule profile, an agency or another lot, and its lot.toml."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from . import questions
from .config import AgencyPattern, LotConfig
from .files.catalogue import find_settings, load_agency, load_rig
from .files.logs.reading import count_spots
from .files.logs.recognise import recognise_logs
from .files.settings import read_toml, refusals, toml_settings, write_settings
from .kernels.scan_geometry import on_mat, spot_pitches
from .opening import resolved
from .stages.s1_ingest import spot_centres
from .units import FOOT_M

_OWN = {  # what one lot never takes over from another: its name, its hours, its marks, its own story
    "lot": ("id", "revision", "supersedes", "reason", "limits", "note", "shift"),
    "pass": (), "mark": (), "exclude": (), "change": (),
}  # fmt: skip


def first_answers(
    rig: str | None, rules: str | None, agency: str | None, like: Path | None, folder: Path
) -> tuple[dict[str, Any], AgencyPattern | None]:
    """Gather what a new lot takes over: another lot's settings, a rig file's tables, a rule profile's name.

    Parameters
    ----------
    rig, rules, agency : str or None
        Shipped names of configs/rigs, configs/rules, configs/agencies, or paths of own files in `folder`.
    like : Path or None
        A lot whose settings are taken over, without its name, limits, marks, passes and exclusions.
    folder : Path
        The folder of the new lot.

    Returns
    -------
    (nested answers by the keys of lot.toml, naming pattern or None)
    """
    answers: dict[str, Any] = {}
    if like is not None:
        answers = _taken_over(read_toml(like if like.suffix == ".toml" else like / "lot.toml").data)
    if rig is not None:
        load_rig(rig, folder)
        tables = read_toml(find_settings("rigs", rig, folder)).data
        answers = questions.merged(answers, {key: tables[key] for key in ("rig", "scanner")})
    if rules is not None:
        answers = questions.with_answer(answers, ("rules", "profile"), rules)
    named = agency or questions.answer_of(answers, ("lot", "agency", "naming"))
    pattern = load_agency(named, folder) if named else None
    if pattern is not None:
        answers = questions.with_answer(answers, ("lot", "agency", "naming"), named)
    return answers, pattern


def _taken_over(data: dict[str, Any]) -> dict[str, Any]:
    kept = {key: value for key, value in data.items() if key not in _OWN or _OWN[key]}
    lot = {key: value for key, value in kept.get("lot", {}).items() if key not in _OWN["lot"]}
    agency = {key: value for key, value in lot.get("agency", {}).items() if "date" not in key}
    return kept | {"lot": lot | ({"agency": agency} if agency else {})}


def read_answers(path: Path) -> dict[str, Any]:
    """Read a TOML file of answers: the keys of lot.toml, as many as are known."""
    return read_toml(path).data


def write_answers(path: Path, answers: dict[str, Any]) -> None:
    """Write answers so that `read_answers` reads them, line by line as the lot file that they would have made."""
    heading = (
        "Answers given to `thermosaic new`, not yet a lot: mend what the error named,\nand give them anew."
    )
    write_settings(path, questions.lot_text(answers, heading))


def require_known(key: tuple[str | int, ...], value: Any, folder: Path) -> None:
    """Raise ValueError where an answer names a rule profile or a log format that is not there."""
    kind = "rules" if key == ("rules", "profile") else key[0]
    if kind in ("rules", "formats"):
        find_settings(str(kind), value, folder)


def propose(folder: Path) -> dict[str, Any]:
    """Propose answers: the logs found in the folder, and usual values that a person confirms."""
    usual = {"rules.profile": "differential-150ft", "delivery.units": "us", "rig.clock_offset": "auto"}
    return usual | recognise_logs(folder)


def new_lot(folder: Path, answers: dict[str, Any], agency: AgencyPattern | None = None) -> str:
    """Make the text of a lot.toml from answers; nothing is written.

    Parameters
    ----------
    folder : Path
        Where it will stand; the logs it names need not be there yet.
    answers : dict
        Nested mapping of the keys of lot.toml.
    agency : AgencyPattern or None
        Naming pattern; the lot's name is made by it where the answers have none.

    Raises
    ------
    ConfigError
        One line for each answer that is missing (with unit, range and why) or not taken.
    """
    made = questions.proposed_name(answers, agency)
    if made and questions.answer_of(answers, ("lot", "id")) is None:
        answers = questions.with_answer(answers, ("lot", "id"), made)
    missing = [item for item in questions.open_questions(answers, agency, {}) if item.required]
    if missing:
        lines = [f"{item.key_text}: {item.meaning}: {item.expects} ({item.why})" for item in missing]
        how = "give them with --set KEY=VALUE, or --accept for the logs found and usual values"
        raise refusals([f"{len(missing)} answers are missing; {how}:", *lines])
    text = questions.lot_text(answers, _heading(agency))
    path = folder / "lot.toml"
    opened = resolved(toml_settings(path, text), Path(os.path.abspath(folder)))
    if agency is not None:
        problems = questions.agency_problems(opened.settings.data, agency)
        if problems:
            opened.settings.refuse(problems)
    return questions.lot_text(answers, _heading(agency), tuple(describe_mat(opened.config)))


def write_lot_file(path: Path, text: str) -> None:
    """Write a lot file; its folder is made where it is not there."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_settings(path, text)


def _heading(agency: AgencyPattern | None) -> str:
    named = f" Named by the pattern {agency.id}." if agency else ""
    return (
        "A lot: what was laid, its logs, the rig that saw it, and how it is judged. `thermosaic check` reads it.\n"
        "Every quantity carries its unit; a wrong or missing key is named with its line."
        f"{named}"
    )


def describe_mat(config: LotConfig) -> list[str]:
    """Say which spots lie wholly on the mat, and the scanned and the paved width; [] before a scan is there."""
    scanner, path = config.scanner, config.files.scan[0]
    paved_m = scanner.mat_right_m - scanner.mat_left_m
    widths = f"paved width under the scanner {paved_m:.3f} m ({paved_m / FOOT_M:.2f} ft)"
    if config.scanners:
        return [f"{widths}; {len(config.scanners)} scanners: `check` tells which of their spots lie on it"]
    if not path.is_file():
        return [f"{widths}; which spots lie on it is told once {path.name} is there"]
    count = count_spots(path, config.scan_format)
    pitch_m = spot_pitches(spot_centres(scanner, count, path.name))
    inside = on_mat(pitch_m, scanner.mat_left_m, scanner.mat_right_m)
    if not inside.any():
        return [f"{widths}; none of {count} spots lies wholly on it: check spots_right and the edges"]
    scanned_m = float(pitch_m[inside].max() - pitch_m[inside].min())
    first, last = (int(index) + 1 for index in inside.nonzero()[0][[0, -1]])
    return [
        f"{widths}; spots {first} to {last} of {count} lie wholly on it: scanned width {scanned_m:.3f} m "
        f"({scanned_m / FOOT_M:.2f} ft)"
    ]
