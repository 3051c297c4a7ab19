"""What went in: files by digest, versions, coordinate operations, and the sentences of doubt."""

from __future__ import annotations

from typing import Any

from ...delivery import stored, together
from .nouns import Part, Side, counted


def inputs_part(old: Side, new: Side) -> Part:
    """Files by role and digest: same, changed, added, gone, or only named otherwise."""
    then, now = (
        {(item["role"], item["path"]): item["sha256"] for item in side.manifest["inputs"]}
        for side in (old, new)
    )
    rows = [_file(key, then.get(key), now.get(key)) for key in sorted(then.keys() | now.keys())]
    rows = _renamed(rows)
    changed = [row for row in rows if row["became"] != "same"]
    counts = {word: sum(row["became"] == word for row in rows)
              for word in ("same", "changed", "added", "gone", "renamed")}  # fmt: skip
    said = ", ".join(f"{count} {word}" for word, count in counts.items() if count)
    first = said if changed else f"the same {counted(counts['same'], 'file')}"
    lines = [_file_line(row) for row in changed]
    return Part("inputs", bool(changed), (first, *lines), {"counts": counts}, tuple(rows))


def _file(key: tuple[str, str], then: str | None, now: str | None) -> dict[str, Any]:
    became = "added" if then is None else "gone" if now is None else "same" if then == now else "changed"
    return {"role": key[0], "path": key[1], "became": became, "sha256_old": then, "sha256_new": now}


def _renamed(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Take a file that is gone and one of the same bytes that was added as one with another name."""
    gone = {(row["role"], row["sha256_old"]): row for row in rows if row["became"] == "gone"}
    found = []
    for row in rows:
        before = gone.pop((row["role"], row["sha256_new"]), None) if row["became"] == "added" else None
        if before is not None:
            row = row | {"became": "renamed", "path_old": before["path"], "sha256_old": before["sha256_old"]}
        found.append(row)
    taken = {(row["role"], row["path_old"]) for row in found if row["became"] == "renamed"}
    return [row for row in found if row["became"] != "gone" or (row["role"], row["path"]) not in taken]


def _file_line(row: dict[str, Any]) -> str:
    if row["became"] == "renamed":
        return f"{row['role']}: {row['path_old']} is {row['path']} now, the same bytes"
    if row["became"] == "changed":
        return f"{row['role']}: {row['path']} has other bytes ({row['sha256_old'][:8]}, {row['sha256_new'][:8]} now)"
    return f"{row['role']}: {row['path']} is {'gone' if row['became'] == 'gone' else 'new'}"


def versions_part(old: Side, new: Side) -> Part:
    """Versions of program and libraries, and the coordinate operations."""
    then, now = (flat(side.manifest["versions"]) for side in (old, new))
    rows = [
        {"what": key, "old": then.get(key), "new": now.get(key)}
        for key in sorted(then.keys() | now.keys())
        if then.get(key) != now.get(key)
    ]
    own = [row for row in rows if row["what"] == "thermosaic"]
    first = f"thermosaic {now.get('thermosaic')}, the same libraries" if not rows else (
        f"thermosaic {own[0]['old']}, {own[0]['new']} now" if own else "the same program, other libraries: bytes may "
        "differ for that alone")  # fmt: skip
    lines = [
        f"{row['what']}: was {row['old'] or 'not there'}, is {row['new'] or 'not there'}" for row in rows
    ]
    moved = _operations(old.manifest["operations"], new.manifest["operations"])
    lines += [_operation_line(row) for row in moved]
    first += "; another coordinate operation" if moved else ", the same coordinate operations"
    return Part("versions", bool(rows or moved), (first, *lines), {"operations": moved}, tuple(rows))


def flat(value: Any, key: str = "") -> dict[str, Any]:
    """Leaves of nested mappings by dotted key, the words `libraries` left out.

    >>> flat({"thermosaic": "1", "libraries": {"numpy": "2"}, "gdal": {"fiona": "3"}})
    {'thermosaic': '1', 'numpy': '2', 'gdal.fiona': '3'}
    """
    if not isinstance(value, dict):
        return {key.removeprefix("libraries."): value}
    parts = [flat(item, f"{key}.{name}" if key else str(name)) for name, item in value.items()]
    return {name: item for part in parts for name, item in part.items()}


def _operations(then: dict[str, Any], now: dict[str, Any]) -> list[dict[str, Any]]:
    """Operations that are other ones, by what they bring to the map."""
    sides = []
    for stated in (then, now):
        reading = {item["input"]: item for item in stated["while_reading"]}
        sides.append({"fixes": stated["fixes_to_map"], **reading})
    words = ("name", "pipeline", "accuracy_m", "epoch")
    return [
        {"what": key, **{f"{word}_{end}": side.get(key, {}).get(word)
                         for end, side in zip(("old", "new"), sides, strict=True) for word in words}}
        for key in sorted(sides[0].keys() & sides[1].keys())
        if any(sides[0][key].get(word) != sides[1][key].get(word) for word in words)
    ]  # fmt: skip


def _operation_line(row: dict[str, Any]) -> str:
    if row["name_old"] != row["name_new"]:
        return f"{row['what']} to map: was {row['name_old']}, is {row['name_new']}"
    return f"{row['what']} to map: {row['name_new']}, with other parameters, accuracy or epoch"


def doubts_part(old: Side, new: Side) -> Part:
    """What the reader of the result should know, where it is no longer said, or said only now."""
    then, now = (
        {(item["stage"], item["kind"], item["text"]) for item in side.quality["doubts"]}
        for side in (old, new)
    )
    rows = [{"became": "new", "kind": key[1], "text": key[2]} for key in sorted(now - then)]
    rows += [{"became": "gone", "kind": key[1], "text": key[2]} for key in sorted(then - now)]
    first = f"the same {counted(len(now), 'doubt')}" if not rows else (
        f"{len(now - then)} said only now, {len(then - now)} no longer said")  # fmt: skip
    lines = [
        together(["now:" if row["became"] == "new" else "no longer:", stored(row["text"])]) for row in rows
    ]
    return Part("doubts", bool(rows), (first, *lines), {"old": len(then), "new": len(now)}, tuple(rows))
