"""A season of lots in plain folders that outlive the program: add, verify, find, extract, note.

    ARCHIVE/
      README.txt  archive.json      what this is, for people and for the program
      lots/LOT/r1/                  one revision of a lot, a BagIt bag: data/result, data/lot, item.json
      lots/LOT/notes.csv            what people found out later
      index/                        lots.gpkg for any GIS, and a STAC catalogue: both made from the bags

The bags are the archive. A bag is never changed; a later revision supersedes it and both stay. The index is
exchanged as a whole. Whoever writes builds in `.adding` under a lock; what a kill leaves there, the next
`add`, `note` or `verify` clears away, and makes the index anew.
"""

from __future__ import annotations

import contextlib
import importlib.util
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .errors import ConfigError, MismatchError, ProductError
from .files import publishing
from .files.manifest import MANIFEST, plain, read_json, write_json
from .files.settings import read_toml
from .files.shelves import bag, notes, shelf
from .files.shelves.shelf import INDEX, LOCK, LOTS, MARKER, README, WORK
from .files.sources import sha256_of
from .results import open_result, verify_result
from .values import path_inside

if TYPE_CHECKING:
    import geopandas as gpd

RESULT, LOT = f"{bag.PAYLOAD}/result", f"{bag.PAYLOAD}/lot"
SHOWN = 5  # differences named in one line


@dataclass(frozen=True, slots=True)
class Added:
    """What `add` did with a result: its bag, and whether it was there already."""

    lot_id: str
    revision: int
    bag: Path
    already: bool


@dataclass(frozen=True, slots=True)
class _Bag:
    """One revision of a lot: where its bag lies in the end, and where it lies now."""

    lot_id: str
    revision: int
    folder: Path

    @property
    def place(self) -> str:
        """From the archive, `/` between folders."""
        return f"{LOTS}/{self.lot_id}/r{self.revision}"


def add(archive: Path | str, result: Path | str, lot: Path | str | None = None) -> Added:
    """Put a published result, and the lot folder it was made from, into an archive as one revision.

    An archive that is not there is made. The same result again changes nothing.

    Parameters
    ----------
    lot : Path, optional
        The lot folder: its lot.toml and the files it names go into the bag.

    Raises
    ------
    ConfigError
        `result` or `lot` is no such folder; pystac or bagit is not installed; raw logs come too late for a bag
        that is archived without them.
    MismatchError
        This revision of the lot is archived with other content, or the logs are not those of the result.
    ProductError
        The result does not verify, `archive` holds something else, another process is adding, or the
        surroundings refuse.
    """
    require_libraries()
    top, source = Path(os.path.abspath(archive)), Path(result)
    listed = open_result(source).manifest
    _require_sound(source)
    files = [(path, f"{RESULT}/{path.relative_to(source).as_posix()}") for path in _files(source)]
    files += _lot_files(Path(lot), listed) if lot is not None else []
    with shelf.writing(top, _make_index, create=True) as work:
        meant = _Bag(listed["lot_id"], int(listed["revision"]), work / "bag")
        there = top / meant.place
        _require_own_name(top, meant.lot_id)
        if there.exists():
            _require_same(there, source, lot is not None)
            return Added(meant.lot_id, meant.revision, there, True)
        _build_bag(meant, files)
        _build_index(top, work, [*_bags(top), meant])
        there.parent.mkdir(parents=True, exist_ok=True)
        (work / shelf.UNFINISHED).touch()
        publishing.sync_tree(work)
        os.rename(meant.folder, there)
        for folder in (there.parent, top / LOTS):
            publishing.sync_folder(folder)
        _exchange_index(top, work)
    return Added(meant.lot_id, meant.revision, there, False)


def holds(archive: Path | str, result: Path | str) -> bool:
    """Whether exactly this result, with the logs it was made from, is archived."""
    try:
        listed = read_json(Path(result) / MANIFEST)
        there = _Bag(listed["lot_id"], int(listed["revision"]), Path()).place
        folder = Path(archive) / there
        return (folder / LOT).is_dir() and sha256_of(folder / RESULT / MANIFEST) == sha256_of(
            Path(result) / MANIFEST
        )
    except (OSError, ValueError, KeyError, TypeError):
        return False


def require_libraries() -> None:
    """Refuse to go on without what an archive needs."""
    missing = [name for name in ("pystac", "bagit") if importlib.util.find_spec(name) is None]
    if missing:
        raise ConfigError(
            f'an archive needs {" and ".join(missing)}, not installed here: pip install "thermosaic[archive]"'
        )


def _require_sound(result: Path) -> None:
    """Refuse a result that does not verify, or whose name is no file name everywhere."""
    found = verify_result(result)
    if found:
        more = f"; and {len(found) - SHOWN} more" if len(found) > SHOWN else ""
        raise ProductError(
            f"{result}: does not verify and is not archived: {'; '.join(found[:SHOWN])}{more}: run the lot again"
        )
    lot_id = open_result(result).manifest["lot_id"]
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", str(lot_id)) or path_inside(lot_id) != lot_id:
        raise ProductError(f"{result}: its lot's id {lot_id!r} is no file name on every system")


def _files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


def _lot_files(lot: Path, listed: dict[str, Any]) -> list[tuple[Path, str]]:
    """lot.toml, the logs that the result was made from, and settings of its own that lot.toml names."""
    folder = lot if lot.is_dir() else lot.parent
    settings = read_toml(folder / "lot.toml")
    if settings.text != listed["configuration_text"]:
        raise MismatchError(
            f"{folder / 'lot.toml'}: is not the one that the result was made from: give the lot folder as it was, or "
            "run the lot again"
        )
    stated = {item["path"]: item["sha256"] for item in listed["inputs"]}
    for name, digest in stated.items():
        path = folder / path_inside(name)
        if not path.is_file() or sha256_of(path) != digest:
            raise MismatchError(
                f"{path}: is missing, or not the file that the result was made from (SHA-256): give the lot folder as "
                "it was, or run the lot again"
            )
    names = {"lot.toml", *map(path_inside, stated), *_own_settings(settings.data, folder)}
    return [(folder / name, f"{LOT}/{name}") for name in sorted(names)]


def _own_settings(value: Any, folder: Path) -> Iterator[str]:
    """Texts in lot.toml that name a .toml file of the lot folder: formats, rules, evidence."""
    if isinstance(value, dict | list | tuple):
        for item in value.values() if isinstance(value, dict) else value:
            yield from _own_settings(item, folder)
    elif isinstance(value, str) and value.endswith(".toml"):
        with contextlib.suppress(ValueError):  # a sentence, not a path
            name = path_inside(value)
            if (folder / name).is_file():
                yield name


def _require_own_name(top: Path, lot_id: str) -> None:
    for other in (top / LOTS).glob("*"):
        if other.name != lot_id and other.name.casefold() == lot_id.casefold():
            raise MismatchError(
                f"{top}: holds lot {other.name}, which differs from {lot_id} in case only: rename the new one in its "
                "lot.toml"
            )


def _require_same(there: Path, result: Path, with_logs: bool) -> None:
    """Take a result as archived if its manifest is the same: only run.json may differ between two runs."""
    if sha256_of(there / RESULT / MANIFEST) != sha256_of(result / MANIFEST):
        raise MismatchError(
            f"{result}: this revision is archived with other content, {there}: give the new one a higher [lot] "
            "revision, and its reason, and run it again"
        )
    if with_logs and not (there / LOT).is_dir():
        raise ConfigError(
            f"{there}: is archived without its logs, and a bag is never changed: give the lot a higher [lot] "
            "revision to archive them, or leave --lot out"
        )


# --------------------------------------------------------------------------------------- bags and their index


def _build_bag(meant: _Bag, files: list[tuple[Path, str]]) -> None:
    """Copy, describe, seal; a copy that is not its source byte for byte is refused."""
    from .files.shelves import stac

    folder = meant.folder
    for source, name in files:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, folder / name)
    logs = [name for _, name in files if name.startswith(f"{LOT}/")]
    write_json(folder / stac.ITEM, stac.item_of(folder, RESULT, logs))
    item = read_json(folder / stac.ITEM)
    bag.write_bag(folder, {
        "External-Identifier": stac.item_id(meant.lot_id, meant.revision),
        "External-Description": f"Thermal profile of an asphalt mat: {item['properties']['title']}",
    })  # fmt: skip
    sums = bag.stated_sums(folder / bag.MANIFEST)
    differ = [name for source, name in files if sums.get(name) != sha256_of(source)]
    differ += bag.check_bag(folder)
    if differ:
        raise ProductError(f"{meant.lot_id}: the bag failed its own check: {'; '.join(differ[:SHOWN])}")
    bag.protect(folder)


def _bags(top: Path) -> list[_Bag]:
    """Bags of an archive, sorted by lot and revision."""
    found = [
        _Bag(path.parent.name, int(path.name[1:]), path)
        for path in (top / LOTS).glob("*/r*")
        if re.fullmatch(r"r[1-9]\d*", path.name) and path.is_dir()
    ]
    return sorted(found, key=lambda item: (item.lot_id, item.revision))


def _catalogue(top: Path, bags: list[_Bag]) -> tuple[dict[str, dict[str, Any]], gpd.GeoDataFrame]:
    """Items of the catalogue and rows of lots.gpkg, by day and lot, as the bags and notes give them."""
    from .files.shelves import lots_index, stac

    made = {stac.item_id(item.lot_id, item.revision): (item, _described(item)) for item in bags}
    order = sorted(made, key=lambda name: (made[name][1]["properties"][f"{lots_index.OWN}paved_on"], name))
    following = _following({name: (item.lot_id, item.revision, read) for name, (item, read) in made.items()})
    items, rows = {}, {}
    for name in order:
        item, read = made[name]
        folder = top / LOTS / item.lot_id
        noted = sha256_of(folder / notes.NAME) if (folder / notes.NAME).is_file() else ""
        earlier = [other for other in order if following[other][-1:] == [name]]
        items[name] = stac.placed_item(read, f"../../{item.place}", following[name], earlier, noted)
        rows[name] = {
            "bag": item.place,
            "bag_sha256": bag.digest_of(item.folder),
            "note_count": 0 if notes.check_notes(folder) else len(notes.read_notes(folder)),
        }
    return items, lots_index.lots_frame(items, rows)


def _described(item: _Bag) -> dict[str, Any]:
    """Read the item in a bag; ValueError names the bag where it cannot be."""
    from .files.shelves import stac

    try:
        return read_json(item.folder / stac.ITEM)
    except (OSError, ValueError) as error:
        raise ValueError(f"{item.place}/item.json: {error}") from error


def _following(made: dict[str, tuple[str, int, dict[str, Any]]]) -> dict[str, list[str]]:
    """What supersedes each item, newest first: later revisions, before them a lot whose `supersedes` names this one."""
    from .files.shelves.lots_index import OWN

    following = {}
    for name, (lot_id, revision, _) in made.items():
        later = [(r, other) for other, (lot, r, _) in made.items() if lot == lot_id and r > revision]
        heirs = [
            (r, other)
            for other, (lot, r, item) in made.items()
            if lot != lot_id and item["properties"].get(f"{OWN}supersedes") == lot_id
        ]
        following[name] = [other for group in (heirs, later) for _, other in sorted(group, reverse=True)]
    return following


def _build_index(top: Path, work: Path, bags: list[_Bag]) -> None:
    """Write catalogue and lots.gpkg into work/index, and read them back."""
    from .files.shelves import lots_index, stac

    damaged = [
        f"{path.name}/{text}" for path in sorted((top / LOTS).glob("*")) for text in notes.check_notes(path)
    ]
    try:
        if damaged:
            raise ValueError("; ".join(damaged[:SHOWN]))
        items, frame = _catalogue(top, bags)
    except (FileNotFoundError, ValueError, KeyError, TypeError) as error:
        raise ProductError(
            f"{top / INDEX}: cannot be made, since a bag or notes are damaged: {error}: `archive verify` with the name "
            "of a lot names all that is: bring it back from a copy"
        ) from error
    folder = work / INDEX
    folder.mkdir()
    stac.write_catalogue(folder, items)
    lots_index.write_index(folder / lots_index.NAME, frame)
    found = lots_index.check_index(folder / lots_index.NAME, frame)
    if found:
        raise ProductError(f"{top / INDEX}: failed its own check: {'; '.join(found[:SHOWN])}")
    for path in _files(folder):
        os.chmod(path, 0o444)


def _exchange_index(top: Path, work: Path) -> None:
    """Give the built index its name in one step where the system can; elsewhere the older one waits in `work`."""
    new, index = work / INDEX, top / INDEX
    if not index.exists():
        os.rename(new, index)
    elif not publishing.exchange(new, index):
        os.rename(index, work / "older")
        os.rename(new, index)
    publishing.sync_folder(top)


def _make_index(top: Path, work: Path) -> None:
    """Make the index anew from the bags alone."""
    _build_index(top, work, _bags(top))
    publishing.sync_tree(work)
    _exchange_index(top, work)
    for older in (work / INDEX, work / "older"):
        shelf.remove(older)


# ---------------------------------------------------------------------------------------------- verifying


def verify(archive: Path | str, lot: str | None = None, rebuild: bool = False) -> list[str]:
    """Re-read an archive, or one lot of it, and return every difference in plain words.

    Each bag by itself and with the library bagit; each result with every checker of `verify_result`; what
    catalogue, index and bags say of each other, with their rows; and files that belong to none of them.

    Parameters
    ----------
    lot : str, optional
        A lot, or one revision of it: LOT or LOT/r1.
    rebuild : bool
        First make the index anew from the bags alone.

    Raises
    ------
    ConfigError, ProductError
        `archive` is no archive, has no such lot, or another process is adding to it.
    """
    require_libraries()
    top = Path(os.path.abspath(archive))
    shelf.require_archive(top)
    if rebuild or (top / WORK).exists():
        with shelf.writing(top, _make_index) as work:
            if rebuild:
                _make_index(top, work)
    wanted = _bags(top) if lot is None else _named(top, lot)
    found = [f"{item.place}: {text}" for item in wanted for text in _check_bag(item)]
    return found + (_check_whole(top) if lot is None else [])


def _check_bag(item: _Bag) -> list[str]:
    from .files.shelves import stac

    found = bag.check_bag(item.folder)
    result = item.folder / RESULT
    if not result.is_dir():
        return [*found, f"{RESULT}: is missing"]
    found += [f"{RESULT}: {text}" for text in verify_result(result)]
    if found:
        return found
    stated = read_json(result / MANIFEST)
    if (stated["lot_id"], stated["revision"]) != (item.lot_id, item.revision):
        return [f"holds lot {stated['lot_id']}, revision {stated['revision']}"]
    logs = [path.relative_to(item.folder).as_posix() for path in _files(item.folder / LOT)]
    digests = {f"{LOT}/{entry['path']}": entry["sha256"] for entry in stated["inputs"]}
    found = [f"{name}: is missing" for name in digests if logs and name not in logs]
    found += [f"{name}: is not the log of the result" for name in logs
              if name in digests and sha256_of(item.folder / name) != digests[name]]  # fmt: skip
    return found + stac.check_item(item.folder, RESULT, logs)


def _check_whole(top: Path) -> list[str]:
    """Compare index and bags, and name what belongs to neither."""
    from .files.shelves import lots_index, stac

    found = [f"{name}: does not belong to the archive: move it away" for name in _foreign(top)]
    for folder in sorted((top / LOTS).glob("*")):
        found += [f"{LOTS}/{folder.name}/{text}" for text in notes.check_notes(folder)]
    try:
        items, frame = _catalogue(top, _bags(top))
    except (OSError, ValueError, KeyError, TypeError) as error:
        return [*found, f"{INDEX}: cannot be compared with the bags: {error}"]
    trouble = stac.check_catalogue(top / INDEX, items)
    trouble += lots_index.check_index(top / INDEX / lots_index.NAME, frame)
    if trouble:
        trouble.append("the bags are the archive: `archive verify --rebuild` makes the index anew from them")
    return found + [f"{INDEX}: {text}" for text in trouble]


def _foreign(top: Path) -> list[str]:
    """Names that are neither the archive's own nor in a bag."""
    ours = {MARKER, README, LOTS, INDEX, LOCK}
    found = [path for path in top.iterdir() if path.name not in ours]
    bags = {item.folder for item in _bags(top)}
    for path in (top / LOTS).glob("*"):
        inside = list(path.glob("*")) if path.is_dir() else []
        found += [item for item in inside if item not in bags and item.name != notes.NAME]
        found += [] if path.is_dir() else [path]
    found += [
        path for path in (top / INDEX).glob("*") if path.name not in ("lots.gpkg", "collection.json", "items")
    ]
    return sorted(path.relative_to(top).as_posix() for path in found)


def _named(top: Path, name: str) -> list[_Bag]:
    """Bags that LOT or LOT/rN names; ConfigError where there is none."""
    lot, _, revision = name.partition("/")
    there = _bags(top)
    found = [item for item in there if item.lot_id == lot and revision in ("", f"r{item.revision}")]
    if not found:
        lots = ", ".join(sorted({item.lot_id for item in there})[:SHOWN]) or "none"
        raise ConfigError(f'"{name}" is not in {top}: write LOT or LOT/r1; its lots begin with {lots}')
    return found


# --------------------------------------------------------------------------- finding, extracting, noting


def find(
    archive: Path | str,
    *,
    near: tuple[float, float] | None = None,
    within_m: float = 1000.0,
    bbox: tuple[float, float, float, float] | None = None,
    class_word: str | None = None,
    from_: date | None = None,
    to: date | None = None,
    superseded: bool = False,
    **same: str | int | None,
) -> gpd.GeoDataFrame:
    """Find lots by the index: rows of `tables.LOTS` by day and lot, nearest first under `near`.

    Parameters
    ----------
    near : (float, float), optional
        Latitude and longitude, degrees WGS 84: outlines within `within_m`, with a column `distance_m`.
    bbox : (west, south, east, north), optional
        Degrees: outlines that it touches.
    class_word : str, optional
        A class word that at least one profile has.
    from_, to : date, optional
        Local dates on which the shift began, both included.
    superseded : bool
        Older revisions too.
    **same : str or int
        Columns and their value: route (letters' case and part of it do), lane (one of several does), lift.
    """
    from .files.shelves import lots_index

    top = Path(os.path.abspath(archive))
    shelf.require_archive(top)
    if not (top / INDEX / lots_index.NAME).is_file():
        raise ProductError(f"{top / INDEX}: is missing: make it anew with `archive verify --rebuild`")
    rows = lots_index.read_index(top / INDEX / lots_index.NAME)
    return lots_index.choose(
        rows if superseded else rows[rows["standing"] == "newest"],
        same, (from_, to), class_word, bbox, near, within_m,
    )  # fmt: skip


def as_records(rows: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    """Rows of `find` as JSON can hold them: times ISO 8601, without outlines."""
    return [plain(row) for row in rows.drop(columns="geometry").to_dict("records")]


def extract(archive: Path | str, lot: str, out: Path | str) -> Path:
    """Copy a lot's newest revision, or LOT/rN, out of the archive: result/, lot/ and notes.csv, writable.

    Raises
    ------
    ConfigError
        No such lot, or `out` exists.
    ProductError
        The bag is damaged, or what arrived is not what was archived.
    """
    require_libraries()
    top, made = Path(os.path.abspath(archive)), Path(out)
    shelf.require_archive(top)
    if made.exists() or made.is_symlink():
        raise ConfigError(f"{made}: exists already: name a new folder to copy the lot into")
    item = _named(top, lot)[-1]
    found = bag.check_bag(item.folder)
    if found:
        raise ProductError(f"{item.folder}: is damaged and is not copied out: {'; '.join(found[:SHOWN])}")
    with publishing.publication(made, False) as folder:
        stated = bag.stated_sums(item.folder / bag.MANIFEST)
        for name in stated:
            path = folder / name.removeprefix(f"{bag.PAYLOAD}/")
            path.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(item.folder / name, path)
        arrived = ((folder / name.removeprefix(f"{bag.PAYLOAD}/"), digest) for name, digest in stated.items())
        found = [
            f"{path.name}: arrived with other bytes" for path, digest in arrived if sha256_of(path) != digest
        ]
        found += verify_result(folder / "result")
        if found:
            raise ProductError(f"{made}: what arrived does not verify: {'; '.join(found[:SHOWN])}")
        if (item.folder.parent / notes.NAME).is_file():
            shutil.copyfile(item.folder.parent / notes.NAME, folder / notes.NAME)
    return made


def note(archive: Path | str, lot: str, text: str, stated_date: date, author: str = "") -> Path:
    """Append a note to a lot, dated as its author states; bags stay as they are.

    Raises
    ------
    ConfigError
        No such lot, or an empty text.
    """
    require_libraries()
    top, words = Path(os.path.abspath(archive)), " ".join(text.split())
    if not words:
        raise ConfigError("archive note: the text is empty: write what was found out")
    shelf.require_archive(top)
    item = _named(top, lot)[-1]
    path = item.folder.parent / notes.NAME
    with shelf.writing(top, _make_index) as work:
        damaged = notes.check_notes(path.parent)
        if damaged:
            raise ProductError(f"{path.parent}: {damaged[0]}: bring it back from a copy first")
        kept = notes.read_notes(path.parent)
        kept.append((str(item.revision), stated_date.isoformat(), " ".join(author.split()), words))
        shelf.write(work / notes.NAME, notes.notes_text(kept))
        (work / shelf.UNFINISHED).touch()
        os.replace(work / notes.NAME, path)
        publishing.sync_folder(path.parent)
        _make_index(top, work)
    return path
