"""The command line around a result that is there: verify, diff, explain, plot.

As in `cli`, one command is one library call, and only here is printed.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from ..errors import ConfigError

PATH = click.Path(path_type=Path)


@click.command()
@click.argument("folder", type=PATH)
@click.option("--from", "sources", type=PATH, multiple=True,
              help="A result or file that FOLDER was made from: a change of it is a difference.")  # fmt: skip
@click.option("--rebuild", "lot", metavar="LOT", type=PATH,
              help="Run LOT anew, and hold every byte of its RESULT against what comes of it.")  # fmt: skip
def verify(folder: Path, sources: tuple[Path, ...], lot: Path | None) -> None:
    """Re-check every file, digest and count of a FOLDER.

    FOLDER is a RESULT, or what compare or overlay published. Exits 5 when anything differs; with --rebuild 4 where
    the lot is not the one that the result was made from, with each file and key that changed.

    \b
    Examples:
      thermosaic verify lift1_result
      thermosaic verify lift1_result --rebuild lift1
      thermosaic verify compared --from demo_result/LBR-L1-20260514
    """
    from ..verifying import RESULT, verify_folder

    found = verify_folder(folder, sources)
    differences = list(found.differences)
    _print(differences, found.notes)
    if lot is not None and found.kind != RESULT:
        raise ConfigError(f"{folder}: was not written by `run`: --rebuild runs the lot of a RESULT anew")
    if lot is not None:
        from ..rebuilding import rebuild_result

        again = rebuild_result(folder, lot)
        _print(again.differences, again.notes)
        differences += again.differences
    good = (
        "all products check" if lot is None else "all products check, and the lot gives the same bytes again"
    )
    click.echo(f"{folder}: {'differs' if differences else good}")
    sys.exit(5 if differences else 0)


def _print(differences: tuple[str, ...] | list[str], notes: tuple[str, ...]) -> None:
    for line in (*differences, *(f"note: {text}" for text in notes)):
        click.echo(line)


@click.command()
@click.argument("old", type=PATH)
@click.argument("new", type=PATH)
@click.option("--json", "as_json", is_flag=True, help="Print it as JSON, SI.")
@click.option("--fail-on", type=click.Choice(["class", "any"]),
              help="Exit 10 when a profile has another class, or when any file but run.json differs.")  # fmt: skip
def diff(old: Path, new: Path, as_json: bool, fail_on: str | None) -> None:
    """Say what changed between two RESULTs of one lot, where, by how much, and why.

    Inputs, keys, versions; places along and across travel, stations, readings kept and left out; every profile with
    another class, with its causes; zones, stops, totals. Places are compared on the map of OLD.

    \b
    Example:
      thermosaic diff lift1_result demo_result/LBR-L1-20260514
    """
    from ..differing import diff_results, tell_differences

    found = diff_results(old, new)
    if as_json:
        click.echo(json.dumps(found.as_dict(), indent=2, allow_nan=False))
    else:
        click.echo(tell_differences(found, new))
    if found.class_changed if fail_on == "class" else fail_on == "any" and not found.is_same:
        sys.exit(10)


@click.command()
@click.argument("result", type=PATH)
@click.option("--profile", type=int, metavar="N", help="Number of a profile.")
@click.option("--zone", type=int, metavar="N", help="Number of a cold zone.")
@click.option("--at", metavar="PLACE", help="A place: station, offset right or left looking upstation.")
@click.option("--pass", "pass_id", metavar="ID", help="The paver pass, where several covered the place.")
@click.option("--lot", type=PATH, help="The lot's folder: look its logs up too.")
@click.option(
    "--weather", metavar="TEXT", help="Air, wind, sky, else as read on site: '64 degF, 7 mph, clear'."
)
@click.option("--json", "as_json", is_flag=True, help="Print it as JSON, SI.")
def explain(
    result: Path, profile: int | None, zone: int | None, at: str | None, pass_id: str | None, lot: Path | None,
    weather: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Explain a number of a RESULT, from file and row to the class.

    Exits 5 when a step differs. Everything is computed anew from the published readings; = marks what equals
    the product's number. Where weather is known it says how long the mat there stays warm: an estimate.

    \b
    Examples:
      thermosaic explain lift1_result --profile 3
      thermosaic explain lift1_result --at "112+40, 6.2 ft right" --lot lift1
    """
    from .. import beside
    from ..results import tell

    found = beside.explain(result, lot, profile, zone, at, pass_id, _weather(weather))
    if as_json:
        click.echo(json.dumps(found.as_dict(), indent=2, allow_nan=False))
    else:
        click.echo(tell(found, result))
    sys.exit(5 if found.differences else 0)


def _weather(text: str | None) -> tuple[float, float, str] | None:
    """Weather as stated on the command line."""
    from ..studies.cooling import parse_weather

    try:
        return None if text is None else parse_weather(text)
    except ValueError as error:
        raise ConfigError(f"--weather: {error}") from None


def _quantity(text: str | None, kind: str, option: str) -> float | None:
    """A quantity as stated on the command line, SI."""
    from ..units import parse_quantity

    try:
        return None if text is None else parse_quantity(text, kind)
    except ValueError as error:
        raise ConfigError(f"{option}: {error}") from None


@click.command()
@click.argument("result", type=PATH)
@click.option(
    "--what",
    type=click.Choice(["strip", "plan", "speed", "histogram", "layers", "cooling", "loads"]),
    required=True,
    help="The drawing.",
)
@click.option("-o", "--output", "path", type=PATH, required=True, help="A .png or .svg file.")
@click.option(
    "--weather",
    metavar="TEXT",
    help="cooling: air, wind, sky: '64 degF, 7 mph, clear'; else as read on site.",
)
@click.option(
    "--base", metavar="TEMP", help="cooling: temperature of the base, like '70 degF'; else near the air's."
)
@click.option(
    "--cessation", metavar="TEMP", help="cooling: temperature to fall to; else '175 degF', a rule of thumb."
)
@click.option(
    "--load", metavar="MASS", help="loads: a truck load to hold against what comes back, like '24 ton'."
)
def plot(
    result: Path,
    what: str,
    path: Path,
    weather: str | None,
    base: str | None,
    cessation: str | None,
    load: str | None,
) -> None:
    """Draw one picture of a RESULT as PNG or SVG.

    cooling: how long the mat of each profile and zone stays warm, an estimate of what weather and thickness allow.
    loads: whether cold bands come back along a pass, and what mass of mix that distance holds.

    \b
    Examples:
      thermosaic plot lift1_result --what strip -o strip.png
      thermosaic plot lift1_result --what cooling -o cooling.png
      thermosaic plot lift1_result --what loads --load "24 ton" -o loads.png
    """
    from .. import beside
    from ..results import plot_result

    for option, value, of in (("--weather", weather, "cooling"), ("--base", base, "cooling"),
                              ("--cessation", cessation, "cooling"), ("--load", load, "loads")):  # fmt: skip
        if value is not None and what != of:
            raise ConfigError(f"{option}: is for --what {of}")
    if what == "cooling":
        stated = {"base_c": _quantity(base, "temperature", "--base")}
        if cessation is not None:
            stated["cessation_c"] = _quantity(cessation, "temperature", "--cessation")
        beside.plot_cooling(result, path, weather=_weather(weather), **stated)
    elif what == "loads":
        beside.plot_loads(result, path, _quantity(load, "mass", "--load"))
    else:
        plot_result(result, what, path)
    click.echo(str(path))


COMMANDS = (verify, diff, explain, plot)
