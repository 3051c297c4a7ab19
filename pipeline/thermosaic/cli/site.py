"""The command line before and while the paver moves: check the logs, check the rig.

As in `cli`, one command is one library call, and only here is printed.
"""

from __future__ import annotations

import gc
import json
import sys
from pathlib import Path
from typing import Any

import click

from ..errors import ConfigError

PATH = click.Path(path_type=Path)


@click.command()
@click.argument("lot", type=PATH)
@click.option("--json", "as_json", is_flag=True, help="Print the findings as JSON.")
@click.option(
    "--so-far", is_flag=True, help="The paver still moves: look at the ends of the logs, in seconds."
)
@click.option(
    "--explain-format", is_flag=True, help="Show the first rows of each log as they are understood."
)
@click.option(
    "--against",
    type=PATH,
    metavar="RESULT",
    help="Say which keys differ from a RESULT or LOT, and what they affect.",
)
def check(lot: Path, as_json: bool, so_far: bool, explain_format: bool, against: Path | None) -> None:
    """Check a lot's logs before the crew goes home.

    Each line says ok, look or stop, and what to do. Exits as `run` would: 2, 3 or 4 on a stop, else 0.

    Example: thermosaic check lift1
    """
    if explain_format:
        from .. import checks
        from ..opening import load_config

        click.echo("\n".join(checks.explain_formats(load_config(lot))))
        return
    report = _against(lot, against) if against else _so_far(lot) if so_far else _whole(lot)
    if as_json:
        click.echo(json.dumps(report.as_dict(), indent=2, allow_nan=False, sort_keys=True))
        sys.exit(report.exit_code)
    for item in report.items:
        click.echo(f"{item.verdict:<5} {item.name:<22} {item.found}")
        if item.advice:
            click.echo(f"{'':<28} -> {item.advice}")
    if report.pass_proposal:
        click.echo("\nThe logs look like several passes. To split them, paste this into lot.toml:\n")
        click.echo(report.pass_proposal)
    sys.exit(report.exit_code)


def _whole(lot: Path) -> Any:
    """Check a lot whose logs are whole."""
    from ..checks import check_lot
    from ..opening import load_config

    return check_lot(load_config(lot))


def _so_far(lot: Path) -> Any:
    """Check the ends of logs that are still written; a process this short looks for no garbage: a tenth of its time."""
    gc.disable()
    try:
        from ..checks import check_so_far
        from ..opening import load_config

        return check_so_far(load_config(lot))
    finally:
        gc.freeze()
        gc.enable()


def _against(lot: Path, other: Path) -> Any:
    """Compare a lot with the result that was made of it, or with another lot."""
    from ..checks import changes_against, used_by
    from ..config import config_as_used
    from ..opening import load_config

    is_lot = other.suffix == ".toml" or (other / "lot.toml").is_file()
    before, digests = (config_as_used(load_config(other)), {}) if is_lot else used_by(other)
    return changes_against(load_config(lot), before, digests)


@click.group()
def rig() -> None:
    """Check the rig before it is trusted.

    Measure with the paver parked, engine off, brake set, outside traffic.
    """


def _quantity(kind: str, value: str | None, words: tuple[str, ...] = ()) -> float | None:
    """Read a quantity of the command line in SI."""
    from ..units import parse_quantity

    try:
        return None if value is None else parse_quantity(value, kind, words)
    except ValueError as error:
        raise ConfigError(str(error)) from None


def _dates(valid_from: str, days: int) -> tuple[Any, Any]:
    from datetime import date, timedelta

    try:
        start = date.fromisoformat(valid_from)
    except ValueError:
        raise ConfigError(f'--date "{valid_from}": write it like 2026-05-01') from None
    return start, start + timedelta(days=days)


def _say(finding: Any, table: Any, evidence: Path | None, reader: Any) -> None:
    from ..delivery import deliver_columns, in_units

    shown = deliver_columns(table, *reader).dropna(axis="columns", how="all")
    click.echo(shown.to_string(index=False, float_format=lambda value: f"{round(value, 9):.5g}"))
    click.echo(f"{finding.check.verdict}: {in_units(finding.check.finding, *reader)}")
    if evidence is not None:
        click.echo(f'{evidence}: name it in lot.toml, [rig] evidence = ["{evidence.name}"]')


DATE = click.option("--date", "day", required=True, help="Local date of the check, like 2026-05-01.")
DAYS = click.option("--days", default=90, show_default=True, help="Days that the check stays valid.")
UNITS = click.option(
    "--units",
    type=click.Choice(["us", "si"]),
    help="Units to print and draw in; else the lot's, or the table's.",
)
EVIDENCE = click.option("-o", "--output", "evidence", type=PATH, help="Evidence file to write (.toml).")


@rig.command()
@click.argument("runs", type=PATH)
@DATE
@DAYS
@click.option("--in-use", metavar="LENGTH", help='Constant in use, like "0.5 mm".')
@click.option("--per-turn", type=float, help="Counts of one turn of the wheel: gives its effective radius.")
@click.option("--tolerance", type=float, default=0.01, show_default=True, help="Share of the distance.")
@UNITS
@EVIDENCE
def wheel(
    runs: Path,
    day: str,
    days: int,
    in_use: str | None,
    per_turn: float | None,
    tolerance: float,
    units: str | None,
    evidence: Path | None,
) -> None:
    """Find the wheel's constant from runs over a measured course.

    RUNS is a CSV with a row a run: course_ft (or course_m), count, and where known gnss_ft (or gnss_m). Drive
    150 ft or more in paving direction, several times.

    \b
    Example:
      thermosaic rig wheel runs.csv --date 2026-05-01 --in-use "0.5 mm" -o wheel-0501.toml
    """
    from ..beside import rig_reader, rig_wheel
    from ..delivery import in_units, tell

    reader = rig_reader(units, table=runs)
    found = rig_wheel(runs, _quantity("length", in_use), per_turn, tolerance, _dates(day, days), evidence)
    _say(found, found.runs, evidence, reader)
    used = found.in_use_off_frac
    if used is not None:
        text = f"the constant in use is {100 * used:+.2f} % off"
        if abs(used) > tolerance:
            text += tell(': state wheel_per_count = "{count_m:.5gmm}"', count_m=found.per_count_m)
        click.echo(in_units(text, *reader))
    if found.radius_m is not None:
        click.echo(in_units(tell("effective radius {radius_m:.4gmm}", radius_m=found.radius_m), *reader))


@rig.command()
@click.argument("reference", type=PATH)
@DATE
@DAYS
@click.option("--lot", type=PATH, help="Lot whose scan is matched in time, where REFERENCE gives times.")
@click.option(
    "--window", default="2 s", show_default=True, help="Scan readings this far before and after count."
)
@click.option("--tolerance", metavar="DEGREES", help='Like "4 degF"; default: the larger of 4 degF and 2 %.')
@click.option("--emissivity", type=float, help="Of the mat: says what of a bias it explains.")
@click.option("--emissivity-set", type=float, default=0.95, show_default=True, help="Of the instrument.")
@click.option(
    "--reflected",
    metavar="DEGREES",
    default="20 degC",
    show_default=True,
    help="Temperature of what the mat reflects: the sky, or a canopy.",
)
@click.option("--plot", "drawing", type=PATH, help="Draw differences against means (.png or .svg).")
@UNITS
@EVIDENCE
def thermometer(
    reference: Path,
    day: str,
    days: int,
    lot: Path | None,
    window: str,
    tolerance: str | None,
    emissivity: float | None,
    emissivity_set: float,
    reflected: str,
    drawing: Path | None,
    units: str | None,
    evidence: Path | None,
) -> None:
    """Compare the scanner's spots with a reference thermometer.

    REFERENCE is a CSV with a row a reading: spot, reference_f (or reference_c), and either scanner_f (or
    scanner_c) or time_utc with --lot. Raw readings stay as they are; nothing is corrected. With --emissivity a
    second line says what the bias would be, had the instrument been set to it.

    \b
    Example:
      thermosaic rig thermometer pairs.csv --date 2026-05-01 -o thermometer-0501.toml
    """
    from ..beside import rig_reader, rig_thermometer, thermometer_by_emissivity
    from ..delivery import errors_in_units, in_units
    from ..opening import load_config
    from ..studies.check_thermometer import Emissivity

    config = None if lot is None else load_config(lot)
    limit = _quantity("temperature difference", tolerance)
    seconds = _quantity("time", window) or 0.0
    reader = rig_reader(units, config, reference)
    with errors_in_units(*reader):
        found = rig_thermometer(
            reference, config, seconds, limit, _dates(day, days), evidence, drawing, reader
        )
        _say(found, found.spots, evidence, reader)
        if emissivity is not None:
            radiation = Emissivity(emissivity_set, emissivity, _quantity("temperature", reflected) or 0.0)
            click.echo(in_units(thermometer_by_emissivity(found, radiation), *reader))


@rig.command()
@click.argument("lot", type=PATH)
@click.argument("sightings", type=PATH)
@DATE
@DAYS
@click.option("--tolerance", default="0.05 m", show_default=True, help="Largest error that passes.")
@click.option("--plot", "drawing", type=PATH, help="Draw the antenna and the marks (.png or .svg).")
@UNITS
@EVIDENCE
def antenna(
    lot: Path,
    sightings: Path,
    day: str,
    days: int,
    tolerance: str,
    drawing: Path | None,
    units: str | None,
    evidence: Path | None,
) -> None:
    """Find the antenna's true place, from marks on the ground.

    LOT holds scan, fixes and rig of a drive over marks: over each in both directions, or once where its place
    is surveyed. SIGHTINGS is a CSV with a row a sighting:

    \b
      mark        its name, the same in every pass
      kind        point (default), or line: a joint, a tape across the lane, an edge; two spots well apart
      spot, line  which spot saw it (1 = first column), at which scan line; time_utc serves too
      from_line, to_line (or from_utc, to_utc) and look = hot or cold: instead, find it in the scan
      easting_m, northing_m (or _ft, or lon_deg, lat_deg, or station, offset_ft), sigma_m: its place, where known

    \b
    Example:
      thermosaic rig antenna drive sightings.csv --date 2026-05-01 --plot antenna.png -o antenna-0501.toml
    """
    from ..beside import rig_antenna, rig_reader
    from ..delivery import errors_in_units, in_units
    from ..opening import load_config

    config, limit = load_config(lot), _quantity("length", tolerance) or 0.0
    reader = rig_reader(units, config)
    with errors_in_units(*reader):
        found = rig_antenna(config, sightings, limit, _dates(day, days), evidence, drawing, reader)
    _say(found, found.sightings, evidence, reader)
    for text in found.advice:
        click.echo(f"  {in_units(text, *reader)}")


@rig.command()
@click.option("--rig", "rig_name", metavar="NAME", help="A shipped rig file, or the path of your own.")
@click.option("--lot", type=PATH, help="A lot: its scanner, and the number of its scan's columns.")
@click.option("--spots", type=int, help="Number of spot columns.")
@click.option("--height", metavar="LENGTH", help="Optics above the mat, where [scanner] does not state it.")
@click.option("--view", "view", default="1 deg", show_default=True, help="Full angle that one spot sees.")
@click.option("--plot", "drawing", type=PATH, help="Draw the reach (.png or .svg).")
@UNITS
def reach(
    rig_name: str | None,
    lot: Path | None,
    spots: int | None,
    height: str | None,
    view: str,
    drawing: Path | None,
    units: str | None,
) -> None:
    """Show where each spot falls, and which lie on the mat.

    Also how large each is and how they overlap.

    \b
    Example:
      thermosaic rig reach --rig scanner-on-mast --spots 64 --view "1.2 deg" --plot reach.png
    """
    from ..beside import rig_reach, rig_reader
    from ..opening import load_config

    if (rig_name is None) == (lot is None):
        raise ConfigError("rig reach: give either --rig NAME or --lot LOT")
    config = None if lot is None else load_config(lot)
    angle = _quantity("angle", view) or 0.0
    reader = rig_reader(units, config)
    found = rig_reach(rig_name, config, spots, _quantity("length", height), angle, drawing, reader)
    _say(found, found.spots, None, reader)


COMMANDS = (check, rig)
