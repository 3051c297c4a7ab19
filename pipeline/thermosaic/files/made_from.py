"""What a study of published results was made from: the files of each that were read, by digest.

Written into the study's manifest, and held against the results later.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..errors import ProductError
from . import geopackage
from .manifest import MANIFEST, QUALITY
from .parquet import SPOTS_FILE
from .sources import sha256_of

READ = (geopackage.PACKAGE, SPOTS_FILE, QUALITY)


def result_inputs(folder: Path, listed: dict[str, Any]) -> list[dict[str, Any]]:
    """List the files of a result that a study reads, each as its manifest `listed` says.

    Raises
    ------
    ProductError
        A file is not what the manifest says.
    """
    stated = {item["path"]: item["sha256"] for item in listed["products"]}
    found = []
    for name in (*(name for name in READ if name in stated), MANIFEST):
        digest = sha256_of(folder / name)
        if stated.get(name, digest) != digest:
            raise ProductError(
                f"{folder / name}: is not what the result's manifest says: find out with `thermosaic verify`"
            )
        lot = {"lot_id": listed["lot_id"], "revision": listed["revision"]}
        found.append({"role": "result", **lot, "path": name, "sha256": digest})
    return found


def differing_inputs(folder: Path, inputs: list[dict[str, Any]]) -> list[str]:
    """Name the files of a result, or of a folder of records, that are gone or not what a study read."""
    found = []
    for item in inputs:
        path = folder / item["path"]
        if not path.is_file():
            found.append(f"{item['path']} is gone")
        elif sha256_of(path) != item["sha256"]:
            found.append(f"{item['path']} changed")
    return found
