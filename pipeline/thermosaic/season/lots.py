"""Which lots a season is made of, and that no two of them claim one place.

Only the ids are looked at here: whether a lot is sound is its own affair, and found when it is run.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from ..errors import ConfigError, ThermosaicError
from ..files import season_page, season_table
from ..files.manifest import RUN
from ..files.settings import read_toml

LOT_FILE = "lot.toml"
OWN_FILES = (season_table.NAME, season_page.NAME, RUN)


@dataclass(frozen=True, slots=True)
class Lot:
    """A lot of a season: its absolute path, its name among the others, and its id where it can be read."""

    path: Path  # the folder, or a lot file of another name
    name: str  # from the folder that holds all of them, `/` between folders
    id: str | None


def find_lots(named: Path | str | Iterable[Path | str], results: Path) -> tuple[Lot, ...]:
    """Find lots: folders with lot.toml, lot files, and folders whose subfolders hold lot.toml; each once.

    Raises
    ------
    ConfigError
        No lot where one was named, or two lots whose results would lie in one place.
    """
    given = [named] if isinstance(named, Path | str) else named
    paths = list(dict.fromkeys(path for item in given for path in _lots_of(Path(os.path.abspath(item)))))
    names = _names(paths)
    found = tuple(Lot(path, name, _id_of(path)) for path, name in zip(paths, names, strict=True))
    _refuse_clashes(found, results)
    return found


def _lots_of(path: Path) -> Iterator[Path]:
    """Lots that one path stands for."""
    if path.name == LOT_FILE:
        yield path.parent
    elif path.suffix == ".toml" or (path / LOT_FILE).exists():
        yield path
    else:
        inside = sorted(item.parent for item in path.glob(f"*/{LOT_FILE}"))
        if not inside:
            raise ConfigError(
                f"{path}: holds no lot: name lot folders, or a folder whose subfolders hold {LOT_FILE}"
            )
        yield from inside


def _names(paths: list[Path]) -> list[str]:
    """Names of paths from the deepest folder that holds all of them: the same wherever the lots lie."""
    try:
        top = os.path.commonpath([path.parent for path in paths])
    except ValueError:  # on several drives
        return [path.name for path in paths]
    return [path.relative_to(top).as_posix() for path in paths]


def _id_of(path: Path) -> str | None:
    """Id that a lot states, None where it cannot be read: running it will say why."""
    try:
        lot = read_toml(path if path.suffix == ".toml" else path / LOT_FILE).data.get("lot")
    except ThermosaicError:
        return None
    stated = lot.get("id") if isinstance(lot, dict) else None
    return stated if isinstance(stated, str) else None


def _refuse_clashes(lots: tuple[Lot, ...], results: Path) -> None:
    """Refuse ids that would share a folder, also where a system does not tell A from a, or a name of our own."""
    claimed = {name.casefold(): f"{name}, a file of the season's own" for name in OWN_FILES}
    there = {path.name.casefold(): path.name for path in season_table.result_folders(results)}
    for lot in lots:
        if lot.id is None:
            continue
        key = lot.id.casefold()
        if there.get(key, lot.id) != lot.id:
            raise ConfigError(
                f"{lot.path}: its id {lot.id} differs from the result {there[key]} in {results} in case only: rename "
                "it in its lot.toml"
            )
        for place, holder in ((key, str(lot.path)), (f"{key}.old", f"the older result of {lot.path}")):
            if place in claimed:
                raise ConfigError(
                    f"{lot.path}: with its id {lot.id} it would take the place of {claimed[place]}: rename one in its "
                    "lot.toml; of several revisions of a lot name the newest only"
                )
            claimed[place] = holder
