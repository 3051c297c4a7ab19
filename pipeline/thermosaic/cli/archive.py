"""The command line of the archive: a season of lots in plain folders.

As in `cli`, one command is one library call, and only here is printed.
"""

from __future__ import annotations

import json
import sys
from datetime import date
from pathlib import Path
from typing import Any

import click

from ..errors import ConfigError, ThermosaicError

PATH = click.Path(path_type=Path)
ARCHIVE = click.argument("folder", metavar="ARCHIVE", type=PATH)


@click.group()
def archive() -> None:
    """Keep a season's lots in plain folders that outlive the program.

    Each revision of a lot is a BagIt bag that holds its RESULT unchanged; index/lots.gpkg shows them all in any
    GIS, index/collection.json is a STAC catalogue of them.
    """


@archive.command()
@ARCHIVE
@click.argument("results", metavar="RESULT...", type=PATH, nargs=-1, required=True)
@click.option(
    "--lot", type=PATH, help="The lot folder: its lot.toml and logs go into the bag too (one RESULT)."
)
def add(folder: Path, results: tuple[Path, ...], lot: Path | None) -> None:
    """Add a RESULT as one revision of its lot.

    An archive that is not there is made. A RESULT that does not verify is refused; the same one again changes
    nothing. With several, each is tried: exits 6 when one was refused.

    Example: thermosaic archive add season lift1_result --lot lift1
    """
    from ..archive import add as add_result

    if lot is not None and len(results) > 1:
        raise ConfigError("archive add: --lot goes with one RESULT: add the others by themselves")
    refused = 0
    for result in results:
        try:
            added = add_result(folder, result, lot)
        except ThermosaicError as error:
            if len(results) == 1:
                raise
            refused += 1
            click.echo(f"refused: {error}", err=True)
            continue
        what = "is archived already" if added.already else "added"
        click.echo(f"{added.lot_id} revision {added.revision} {what}: {added.bag}")
        if lot is None and not added.already:
            click.echo(
                f"{added.lot_id}: its raw logs are not kept: --lot keeps them, with a new revision from now on"
            )
    sys.exit(6 if refused else 0)


@archive.command()
@ARCHIVE
@click.argument("lot", metavar="[LOT]", required=False)
@click.option("--rebuild", is_flag=True, help="First make index/ anew from the bags alone.")
def verify(folder: Path, lot: str | None, rebuild: bool) -> None:
    """Re-check every bag, product and count.

    Exits 5 when anything differs. LOT, or LOT/r1 for one revision, checks that alone.

    Example: thermosaic archive verify season
    """
    from ..archive import verify as verify_archive

    differences = verify_archive(folder, lot, rebuild)
    for line in differences:
        click.echo(line)
    said = "all of it checks" if not differences else f"{len(differences)} of what was checked differs"
    click.echo(f"{folder}: {said}")
    sys.exit(5 if differences else 0)


@archive.command()
@ARCHIVE
@click.option("--route", help="Route, or a part of it.")
@click.option("--lane", help="Lane.")
@click.option("--lift", type=int, help="Lift, counted from the bottom.")
@click.option("--from", "first", metavar="DATE", help="Paved on this local date or later, like 2026-05-01.")
@click.option("--to", "last", metavar="DATE", help="Paved on this local date or earlier.")
@click.option("--near", metavar="'LAT, LON'", help="Near a place, degrees WGS 84; nearest first.")
@click.option("--within", default="1 km", show_default=True, help="How near, a length with its unit.")
@click.option("--bbox", metavar="'W, S, E, N'", help="In a box of longitudes and latitudes, degrees WGS 84.")
@click.option("--class", "word", metavar="WORD", help="With at least one profile of this class word.")
@click.option("--superseded", is_flag=True, help="Show superseded revisions too.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON, SI.")
def find(
    folder: Path, route: str | None, lane: str | None, lift: int | None, first: str | None, last: str | None,
    near: str | None, within: str, bbox: str | None, word: str | None, superseded: bool, as_json: bool,
) -> None:  # fmt: skip
    """Find lots by route, day, place or class.

    Shows the newest revision of each that fits all that is asked.

    \b
    Examples:
      thermosaic archive find season --class severe
      thermosaic archive find season --near "43.188, -111.872"
    """
    from ..archive import as_records
    from ..archive import find as find_lots
    from ..units import parse_quantity

    try:
        within_m = parse_quantity(within, "length")
    except ValueError as error:
        raise ConfigError(f"--within: {error}") from None
    rows = find_lots(
        folder, near=_degrees("--near", near, 2), within_m=within_m, bbox=_degrees("--bbox", bbox, 4),
        class_word=word, from_=_date("--from", first), to=_date("--to", last), superseded=superseded,
        route=route, lane=lane, lift=lift,
    )  # fmt: skip
    if as_json:
        click.echo(json.dumps(as_records(rows), indent=2, allow_nan=False, ensure_ascii=False))
    else:
        click.echo(_table(rows))


def _degrees(option: str, text: str | None, count: int) -> Any:
    """Read numbers of degrees apart by commas; the latitudes among them within 90."""
    if text is None:
        return None
    order, example = {
        2: ("latitude, longitude", "43.188, -111.872"),
        4: ("west, south, east, north", "-112, 43, -111, 44"),
    }[count]
    try:
        values = tuple(float(part) for part in text.split(","))
    except ValueError:
        values = ()
    lats = (values[0],) if count == 2 and values else values[1::2]
    if len(values) != count or not all(abs(v) <= 180 for v in values) or not all(abs(v) <= 90 for v in lats):
        raise ConfigError(f'{option} "{text}": write {order} in degrees, like "{example}"')
    return values


def _date(option: str, text: str | None) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError:
        raise ConfigError(f'{option} "{text}": write a date like 2026-05-14') from None


def _table(rows: Any) -> str:
    """Lay rows out in columns, as wide as what stands in them."""
    if rows.empty:
        return "no lot fits: --superseded shows older revisions, and fewer options show more lots"
    near = "distance_m" in rows
    head = [
        "lot",
        "rev",
        "route, lane, lift",
        "paved on",
        "stations",
        "classes",
        "zones",
        "stops",
        "notes",
        "bag",
    ]
    lines = [[*head, "away"] if near else head]
    for row in rows.to_dict("records"):
        place = f"{row['route']}, {row['lane']}, {row['lift']}"
        older = f" superseded by {row['superseded_by']}" if row["standing"] == "superseded" else ""
        lines.append([
            row["lot_id"], str(row["revision"]), place, row["paved_on"],
            f"{row['station_from_label']} - {row['station_to_label']}",
            f"{row['classes']}, {row['insufficient_count']} insufficient", str(row["zone_count"]),
            str(row["stop_count"]), str(row["note_count"]), row["bag"] + older,
            *([f"{row['distance_m']:.0f} m"] if near else []),
        ])  # fmt: skip
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    rows_text = (
        "  ".join(f"{text:<{width}}" for text, width in zip(line, widths, strict=True)) for line in lines
    )
    return "\n".join(text.rstrip() for text in rows_text)


@archive.command()
@ARCHIVE
@click.argument("lot")
@click.option(
    "-o", "--output", "out", type=PATH, required=True, help="New folder: result/, lot/ and notes.csv."
)
def extract(folder: Path, lot: str, out: Path) -> None:
    """Copy a LOT out, to work with, and verify it on arrival.

    LOT is the newest revision, LOT/r1 the first.

    Example: thermosaic archive extract season LBR-L1-20260514 -o lift1_copy
    """
    from ..archive import extract as extract_lot

    click.echo(str(extract_lot(folder, lot, out)))


@archive.command()
@ARCHIVE
@click.argument("lot")
@click.argument("text")
@click.option("--on", "stated", metavar="DATE", required=True, help="Date that the note's author states.")
@click.option("--by", "author", default="", help="Its author.")
def note(folder: Path, lot: str, text: str, stated: str, author: str) -> None:
    """Append a note to a LOT, beside its bags.

    \b
    Example:
      thermosaic archive note season LBR-L1-20260514 "Cores 3 and 4 drilled" --on 2026-06-02
    """
    from ..archive import note as add_note

    day = _date("--on", stated)
    assert day is not None
    click.echo(str(add_note(folder, lot, text, day, author)))
