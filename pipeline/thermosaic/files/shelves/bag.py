"""A bag: a folder of files with checksums that outlives the program (BagIt 1.0, RFC 8493); and its checker.

`sha256sum -c manifest-sha256.txt` inside a bag checks its payload with no program of ours. No clock reaches a
bag: the same payload gives the same bytes. Not done here: what the payload is, and where the bag lies.
"""

from __future__ import annotations

import os
import unicodedata
from collections import Counter
from pathlib import Path
from typing import Any

from ... import __version__
from ...errors import ProductError
from ..sources import sha256_of

PAYLOAD, INFO, DECLARATION = "data", "bag-info.txt", "bagit.txt"
MANIFEST, TAG_MANIFEST = "manifest-sha256.txt", "tagmanifest-sha256.txt"
DECLARED = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"  # RFC 8493, 2.1.1
UNSAFE = ("%", "\\", "\r", "\n")  # in a name RFC 8493 (2.1.3) and sha256sum write these in two different ways


def check_names(names: list[str]) -> None:
    """Raise ProductError where a name could not be told by every system or by `sha256sum -c`."""
    for name in names:
        if any(sign in name for sign in UNSAFE):
            raise ProductError(
                f"{name!r}: a name in a bag holds no %, backslash or line end: rename the file"
            )
    folded = [unicodedata.normalize("NFC", name).casefold() for name in names]
    times = Counter(folded)
    for name, alike in zip(names, folded, strict=True):
        if times[alike] > 1:
            raise ProductError(f"{name}: another file differs in case or accents' spelling only: rename one")


def write_bag(folder: Path, facts: dict[str, str]) -> None:
    """Make a bag of `folder`, which holds the payload in data/ and further tag files beside it.

    Parameters
    ----------
    facts : dict of str
        Lines of bag-info.txt: labels of RFC 8493, 2.2.2, one line each.
    """
    payload = _files(folder / PAYLOAD, folder)
    check_names(payload)
    size = sum((folder / name).stat().st_size for name in payload)
    lines = {
        **facts,
        "Bag-Software-Agent": f"thermosaic {__version__}",
        "Payload-Oxum": f"{size}.{len(payload)}",
    }
    _write(folder / DECLARATION, DECLARED)
    _write(folder / INFO, "".join(f"{label}: {' '.join(text.split())}\n" for label, text in lines.items()))
    _write(folder / MANIFEST, _sums(folder, payload))
    _write(folder / TAG_MANIFEST, _sums(folder, _tag_files(folder)))


def digest_of(folder: Path) -> str:
    """What tells a bag from any other: the digest of its tag manifest, which covers every other file."""
    return sha256_of(folder / TAG_MANIFEST)


def stated_sums(path: Path) -> dict[str, str]:
    """Digest by name as a manifest states them; ValueError where a line is none or a name comes twice."""
    stated: dict[str, str] = {}
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        digest, gap, name = line.partition("  ")
        if not gap or len(digest) != 64 or name in stated:
            raise ValueError(f"{path.name}: line {number} is no digest and name of its own")
        stated[name] = digest
    return stated


def _files(top: Path, base: Path) -> list[str]:
    """Relative names of all files and links under `top`, sorted."""
    found = (path for path in top.rglob("*") if path.is_symlink() or not path.is_dir())
    return sorted(path.relative_to(base).as_posix() for path in found)


def _tag_files(folder: Path) -> list[str]:
    inside = f"{PAYLOAD}/"
    return [name for name in _files(folder, folder) if not name.startswith(inside) and name != TAG_MANIFEST]


def _sums(folder: Path, names: list[str]) -> str:
    return "".join(f"{sha256_of(folder / name)}  {name}\n" for name in names)


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def protect(folder: Path) -> None:
    """Take the right to write from every file of a bag, and from the folders inside it.

    A GIS that opens a raster would otherwise write a side file beside it, and the bag would be none any more.
    """
    for top, _, files in os.walk(folder):
        for name in files:
            os.chmod(Path(top) / name, 0o444)
        if Path(top) != folder:
            os.chmod(top, 0o555)


# ------------------------------------------------------------------------------------------- the checker


def check_bag(folder: Path) -> list[str]:
    """Re-read a bag, by itself and with the library bagit, and return every difference in plain words."""
    try:
        payload, tags = (stated_sums(folder / name) for name in (MANIFEST, TAG_MANIFEST))
        declared, facts = (folder / DECLARATION).read_text("utf-8"), _read_facts(folder / INFO)
    except (OSError, ValueError) as error:
        return [f"is no bag: {error}"]
    found = [] if declared == DECLARED else [f"{DECLARATION}: does not declare BagIt 1.0 in UTF-8"]
    found += _check_sums(folder, payload, _files(folder / PAYLOAD, folder), MANIFEST)
    found += _check_sums(folder, tags, _tag_files(folder), TAG_MANIFEST)
    have = [folder / name for name in payload if (folder / name).is_file()]
    oxum = f"{sum(path.stat().st_size for path in have)}.{len(have)}"
    if facts.get("Payload-Oxum") != oxum:
        found.append(f"{INFO}: Payload-Oxum is {facts.get('Payload-Oxum')}, the payload is {oxum}")
    return found or _check_with_bagit(folder)


def _read_facts(path: Path) -> dict[str, str]:
    lines = path.read_text(encoding="utf-8").splitlines()
    return {label: text for label, _, text in (line.partition(": ") for line in lines)}


def _check_sums(folder: Path, stated: dict[str, str], have: list[str], file: str) -> list[str]:
    found = [f"{name}: is missing" for name in stated if name not in set(have)]
    found += [
        f"{name}: is not listed in {file}: it was added later, remove it"
        for name in have
        if name not in stated
    ]
    for name in have:
        if (folder / name).is_symlink():
            found.append(f"{name}: is a link, not a file")
        elif name in stated and sha256_of(folder / name) != stated[name]:
            found.append(f"{name}: its bytes changed since it was archived")
    return found


def _check_with_bagit(folder: Path) -> list[str]:
    """Let an independent reader judge completeness and checksums too."""
    import bagit

    try:
        read: Any = bagit.Bag(str(folder))
        read.validate()
    except (bagit.BagError, OSError, ValueError) as error:
        return [f"the library bagit says: {error}"]
    return []
