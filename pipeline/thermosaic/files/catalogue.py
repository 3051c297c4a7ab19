"""Settings by kind and name: shipped ones, or the user's own by path, each read into its section.

Shipped ones are found beside the package in a wheel, or two folders up in a checkout.
"""

from __future__ import annotations

import difflib
import os
from pathlib import Path

from ..config import AgencyPattern, EvidenceFile, LogFormat, RigFile, RuleProfile, unsourced
from ..values import path_inside
from .settings import Settings, read_toml, refusal, validated


def shipped(*parts: str) -> Path:
    """Return the path of a shipped file or folder, like `shipped("configs", "rules")`.

    In a wheel it lies in the package, in a checkout two folders above it.
    """
    package = Path(__file__).parent.parent
    installed = package / "shipped"
    root = installed if installed.is_dir() else package.parent.parent
    return root.joinpath(*parts)


def shipped_names(kind: str) -> list[str]:
    """List the shipped `formats`, `rules`, `rigs` or `agencies` by name."""
    return sorted(path.stem for path in shipped("configs", kind).glob("*.toml"))


def find_settings(kind: str, name: str, folder: Path) -> Path:
    """Find `formats`, `rules`, `rigs` or `agencies` by shipped name, or by path relative to a lot folder.

    Raises
    ------
    ValueError
        When there is none, naming the nearest shipped one.
    """
    if "/" not in name and not name.endswith(".toml"):
        names = shipped_names(kind)
        if name in names:
            return shipped("configs", kind, f"{name}.toml")
        near = difflib.get_close_matches(name[:100], names, 1)
        hint = f'did you mean "{near[0]}"?' if near else f"shipped are {', '.join(names)}."
        raise ValueError(f'"{name}" is not a shipped name: {hint} Or give the path of your own .toml file')
    path = folder / path_inside(name)
    if not os.path.isfile(path):
        raise ValueError(f'"{name}" is not a file in the lot folder')
    return path


def read_rules(path: Path) -> tuple[RuleProfile, Settings]:
    """Read a rule profile; a number without a source, or a source without its number, is an error."""
    settings = read_toml(path)
    rules = validated(RuleProfile, settings, unsourced(settings.data))
    return rules, settings


def read_format(path: Path) -> tuple[LogFormat, Settings]:
    """Read a log format."""
    settings = read_toml(path)
    return validated(LogFormat, settings), settings


def load_rules(name: str, folder: Path = Path()) -> RuleProfile:
    """Load a rule profile by shipped name or by path."""
    return read_rules(_found("rules", name, folder))[0]


def load_format(name: str, folder: Path = Path()) -> LogFormat:
    """Load a log format by shipped name or by path."""
    return read_format(_found("formats", name, folder))[0]


def load_rig(name: str, folder: Path = Path()) -> RigFile:
    """Load a rig (the tables [rig] and [scanner]) by shipped name or by path."""
    path = _found("rigs", name, folder)
    return validated(RigFile, read_toml(path), folder=folder)


def load_agency(name: str, folder: Path = Path()) -> AgencyPattern:
    """Load an agency's naming pattern by shipped name or by path."""
    return validated(AgencyPattern, read_toml(_found("agencies", name, folder)))


def load_agency_file(name: str) -> AgencyPattern:
    """Load an agency by shipped name, or by the path of a .toml file anywhere."""
    path = Path(name)
    return load_agency(path.name, path.parent) if path.suffix == ".toml" else load_agency(name)


def load_evidence(path: Path) -> EvidenceFile:
    """Load what a check of the rig found."""
    return validated(EvidenceFile, read_toml(path))


def _found(kind: str, name: str, folder: Path) -> Path:
    try:
        return find_settings(kind, name, folder)
    except ValueError as error:
        raise refusal(str(error)) from None
