"""A ZIP archive with fixed order, times and rights, so that the same content gives the same bytes."""

from __future__ import annotations

import zipfile
from datetime import datetime
from pathlib import Path

Content = str | bytes | Path
LEVEL = 6


def write_zip(path: Path, entries: dict[str, Content], stamp: str) -> None:
    """Write entries in the order given; a path is read when its turn comes.

    Parameters
    ----------
    entries : dict
        Name inside the archive, `/` between folders; text is written as UTF-8.
    stamp : str
        ISO 8601 time with Z, shown as the time of every entry.
    """
    when = datetime.fromisoformat(stamp)
    shown = (max(when.year, 1980), when.month, when.day, when.hour, when.minute, when.second)
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in entries.items():
            entry = zipfile.ZipInfo(name, shown)
            entry.compress_type, entry.create_system = zipfile.ZIP_DEFLATED, 3
            entry.external_attr = 0o100644 << 16
            if isinstance(content, Path):
                content = content.read_bytes()
            archive.writestr(entry, content, compresslevel=LEVEL)
