"""The command line: one command is one library call; errors become exit codes and advice.

Only in this package is printed. Data goes to stdout, progress and log to stderr.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import signal
import sys
import time
import traceback
from pathlib import Path
from typing import Any, NoReturn

import click

from .. import __version__
from ..errors import ConfigError, ThermosaicError
from . import archive, asbuilt, new, result, season, site

LOT = click.argument("lot", type=click.Path(path_type=Path))
DEMO_LOTS = ("lift1", "lift2")  # known here, so that their processes start before anything heavy is loaded


class _JsonLines(logging.Formatter):
    """One JSON object a record, for machines."""

    def format(self, record: logging.LogRecord) -> str:
        entry = {"level": record.levelname.lower(), "message": record.getMessage()}
        for key in ("done", "total"):
            if hasattr(record, key):
                entry[key] = getattr(record, key)
        return json.dumps(entry)


class _ProgressHandler(logging.Handler):
    """Show records that carry done/total as a bar on a terminal, once the work has run over a second."""

    def __init__(self) -> None:
        super().__init__()
        self.began = time.monotonic()

    def emit(self, record: logging.LogRecord) -> None:
        if not hasattr(record, "total") or time.monotonic() - self.began < 1:
            return
        share = record.done / max(record.total, 1)
        sys.stderr.write(f"\r{record.getMessage():<12} [{'#' * int(24 * share):<24}] {share:4.0%}")
        sys.stderr.flush()

    def clear(self) -> None:
        """Wipe the bar, so that what follows stands on a clean line."""
        sys.stderr.write("\r\033[K")
        sys.stderr.flush()


def _set_up_log(verbose: int, quiet: bool, log_format: str, log_file: Path | None) -> None:
    log = logging.getLogger("thermosaic")
    log.handlers.clear()
    log.setLevel(logging.DEBUG)
    stream = logging.StreamHandler(sys.stderr)
    stream.setLevel(
        logging.ERROR if quiet else [logging.WARNING, logging.INFO, logging.DEBUG][min(verbose, 2)]
    )
    stream.setFormatter(_JsonLines() if log_format == "json" else logging.Formatter("%(message)s"))
    log.addHandler(stream)
    if not quiet and sys.stderr.isatty() and log_format == "text" and not verbose:
        log.addHandler(_ProgressHandler())
    if log_file:
        file = logging.FileHandler(log_file, encoding="utf-8")
        file.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s %(message)s"))
        log.addHandler(file)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("-v", "--verbose", count=True, help="Say more on stderr (repeat for more).")
@click.option("-q", "--quiet", is_flag=True, help="Say nothing but errors.")
@click.option(
    "--log-format", type=click.Choice(["text", "json"]), default="text", help="Form of the log on stderr."
)
@click.option(
    "--log-file", type=click.Path(path_type=Path), help="Keep a full log, with tracebacks, in a file."
)
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
@click.version_option(__version__, message="thermosaic %(version)s")
@click.pass_context
def app(
    context: click.Context, verbose: int, quiet: bool, log_format: str, log_file: Path | None, debug: bool
) -> None:
    """Thermal profiles of fresh asphalt mats: infrared spots, GNSS fixes and a wheel become GIS layers.

    \b
    A first look, from any folder:
      thermosaic demo -o demo_result
    A lot of your own (a folder with lot.toml and its logs):
      thermosaic check my_lot
      thermosaic run my_lot -o my_result
    """
    _set_up_log(verbose, quiet, log_format, log_file)
    context.obj = {"debug": debug, "quiet": quiet}


@app.command()
@LOT
@click.option("-o", "--output", "result", type=click.Path(path_type=Path), help="Folder of the result.")
@click.option("--overwrite", is_flag=True, help="Replace an older result (kept until the new one is whole).")
@click.option(
    "--dry-run", is_flag=True, help="Read the configuration, say what would be done, write nothing."
)
@click.option("--no-report", is_flag=True, help="Leave out report.html, card.png, places.gpx and tables.")
@click.option(
    "--also",
    metavar="KINDS",
    default="",
    help="Copies of the layers in a folder also/: fgb (FlatGeobuf), kml, or both with a comma.",
)
@click.option(
    "--fail-on",
    metavar="WORD",
    help="Exit 10 when a profile has this class word of the rule, or a worse one.",
)
@click.pass_context
def run(
    context: click.Context,
    lot: Path,
    result: Path | None,
    overwrite: bool,
    dry_run: bool,
    no_report: bool,
    also: str,
    fail_on: str | None,
) -> None:
    """Turn one lot's logs into checked GIS products.

    LOT is a folder with lot.toml, or the file itself.

    Example: thermosaic run lift1 -o lift1_result
    """
    from ..opening import load_config

    config = load_config(lot)
    rank, copies = _rank_of(config, fail_on), _copies(also)
    if dry_run:
        click.echo(f"{config.lot.id} is sound: rule {config.rules.id}, map {config.crs.map}; nothing written")
        return
    if result is None:
        raise ConfigError("run: -o RESULT is missing: name the folder to write, for example -o lift1_result")
    from ..delivery import errors_in_units
    from ..run import run_lot

    with errors_in_units(*config.reader):
        products = run_lot(config, result, overwrite, not no_report, copies)
    _show(products, config.delivery.units, context.obj["quiet"])
    counts = products.summary["class_counts"]
    if rank is not None and sum(list(counts.values())[rank:]):
        sys.exit(10)


def _copies(also: str) -> tuple[str, ...]:
    """Kinds of copies asked for."""
    from ..results import COPIES

    kinds = tuple(kind.strip() for kind in also.split(",") if kind.strip())
    unknown = [kind for kind in kinds if kind not in COPIES]
    if unknown:
        raise ConfigError(f'--also: "{unknown[0]}" is not known: copies are made as {", ".join(COPIES)}')
    return kinds


def _rank_of(config: Any, word: str | None) -> int | None:
    """Rank of a class word of the rule, 0 = best."""
    if word is None:
        return None
    words = [entry.word for entry in config.rules.classes.words]
    if word not in words:
        raise ConfigError(
            f'--fail-on: "{word}" is not a class of {config.rules.id}: it has {", ".join(words)}'
        )
    return words.index(word)


def _show(products: Any, units: str, quiet: bool) -> None:
    _clear_progress()
    if not quiet:
        click.echo(closing_table(products.summary, units))
        click.echo(f"Result: {products.folder}")


def closing_table(summary: dict[str, Any], units: str) -> str:
    """Lay out the numbers of a run so that a foreman can read them."""
    from ..delivery import Reader, in_units, tell

    classes = ", ".join(f"{count} {word}" for word, count in summary["class_counts"].items())
    rows = {
        "Lot": summary["lot_id"],
        "Paved": tell("{paved_m:,.0f}", **summary),
        "Not measured": tell("{unmeasured_m:,.0f}", **summary),
        "Profiles": f"{classes}, {summary['insufficient_count']} insufficient",
        "Cold zones": tell("{zone_count}, {zone_area_m2:,.1f}", **summary),
        "Stops": f"{summary['stop_count']}, {summary['stopped_s'] / 60:.1f} min in all",
        "Mean speed": tell("{speed_mean_mps:.1f}", **summary),
        "Position": tell("{sigma_p50_m:.3f} typical, {sigma_p95_m:.3f} for 95 %", **summary),
        "Readings kept": f"{summary['kept']:,} of {summary['rows']:,}",
    }
    lines = [f"{name:<14} {in_units(text, *Reader(units))}" for name, text in rows.items()]
    lines += [f"{'Look at' if not i else '':<14} {text}" for i, text in enumerate(summary["doubts"])]
    return "\n".join(lines)


@app.command()
@click.argument("result", type=click.Path(path_type=Path))
@click.option(
    "-o", "--output", "folder", type=click.Path(path_type=Path), required=True, help="Folder to write."
)
@click.option(
    "--lang", default="en", show_default=True, help="Language of card, first page and cautions: en, es."
)
@click.option("--pdf", is_flag=True, help="Make report.pdf too (needs Chromium or WeasyPrint).")
@click.option(
    "--without-names", is_flag=True, help="Leave out keys of [lot.agency] that name persons, and notes."
)
def report(result: Path, folder: Path, lang: str, pdf: bool, without_names: bool) -> None:
    """Write the report of a RESULT anew.

    That is one page, a card for a phone, waypoints and tables.

    Example: thermosaic report lift1_result -o lift1_report --lang es
    """
    from ..results import report_result

    for path in report_result(result, folder, lang, pdf, without_names):
        click.echo(str(path))


@app.command("hand-in")
@click.argument("result", type=click.Path(path_type=Path))
@click.option("--agency", metavar="FILE", required=True, help="The agency: a shipped name or a .toml file.")
@click.option(
    "-o", "--output", "path", type=click.Path(path_type=Path), required=True, help="The .zip to write."
)
@click.option(
    "--lot", type=click.Path(path_type=Path), help="The lot folder, where the list asks for raw logs."
)
@click.option(
    "--without-names",
    is_flag=True,
    help="Leave out what names persons: such keys of [lot.agency], and notes.",
)
@click.option("--overwrite", is_flag=True, help="Replace a .zip that is there.")
def hand_in(
    result: Path, agency: str, path: Path, lot: Path | None, without_names: bool, overwrite: bool
) -> None:
    """Pack what an agency's list asks of a RESULT.

    Its file names, columns and formats, checksums, a cover page. Prints what is missing from the list; the
    cover page says it too.

    \b
    Example:
      thermosaic hand-in lift1_result --agency county-roads --lot lift1 -o lift1.zip
    """
    from ..results import hand_in_result

    for line in hand_in_result(result, agency, path, lot, without_names, overwrite):
        click.echo(f"missing: {line}")
    click.echo(str(path))


@app.command()
@click.argument("results", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "-o", "--output", "out", type=click.Path(path_type=Path), required=True, help="Folder of the comparison."
)
@click.option("--overwrite", is_flag=True, help="Replace an older comparison.")
def compare(results: tuple[Path, ...], out: Path, overwrite: bool) -> None:
    """Compare lifts in space: cold zones over cold zones, stops over stops, classes side by side.

    RESULTS are published results; the first is compared with each of the others, in its map, units and
    stations. Each count stands beside what chance gives, found by shifting one lot along the other. A
    coincidence is a place to look, not a cause.

    \b
    Example, after the demonstration:
      thermosaic compare demo_result/LBR-L1-20260514 demo_result/LBR-L2-20260516 -o compared
    """
    from ..beside.comparing import compare as compare_results

    for sentence in compare_results(results, out, overwrite):
        click.echo(sentence)
    click.echo(f"Comparison: {out}")


@app.command()
@click.option(
    "-o", "--output", "folder", type=click.Path(path_type=Path), required=True, help="Folder for the results."
)
@click.option("--overwrite", is_flag=True, help="Replace older results.")
@click.pass_context
def demo(context: click.Context, folder: Path, overwrite: bool) -> None:
    """Run the demonstration lots: two lifts of an invented county road.

    Example: thermosaic demo -o demo_result
    """
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    folder.mkdir(parents=True, exist_ok=True)
    workers = min(len(DEMO_LOTS), os.cpu_count() or 1)
    with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn")) as pool:  # a lot a core
        jobs = [pool.submit(_run_demo_lot, name, folder, overwrite) for name in DEMO_LOTS]
        for job in jobs:
            text = job.result()
            if not context.obj["quiet"]:
                click.echo(text + "\n")


def _run_demo_lot(name: str, folder: Path, overwrite: bool) -> str:
    """Run one demonstration lot in a process of its own; return its closing table.

    On a new machine the kernels are compiled once: all but the first process begin with the longest of
    them, while the first reads its logs and compiles the others.
    """
    from ..kernels.mesh import compile_fill
    from ..opening import demo_lots, load_config
    from ..run import run_lot

    if name != DEMO_LOTS[0]:
        compile_fill()
    config = load_config({lot.name: lot for lot in demo_lots()}[name])
    products = run_lot(config, folder / config.lot.id, overwrite)
    return f"{closing_table(products.summary, config.delivery.units)}\nResult: {products.folder}"


@app.command()
def doctor() -> None:
    """Print versions, and try one round trip through each library.

    Example: thermosaic doctor
    """
    from ..checks import check_installation

    lines, sound = check_installation()
    click.echo("\n".join(lines))
    sys.exit(0 if sound else 5)


@app.group()
def config() -> None:
    """The lot file: its schema, and the values in effect."""


@config.command()
def schema() -> None:
    """Print the JSON Schema of lot.toml, for editors.

    Example: thermosaic config schema
    """
    from ..opening import config_schema

    click.echo(json.dumps(config_schema(), indent=2, sort_keys=True))


@config.command()
@LOT
def show(lot: Path) -> None:
    """Print every value in effect and where it came from.

    Example: thermosaic config show lift1
    """
    from ..opening import config_show

    for key, (value, origin) in config_show(lot).items():
        click.echo(f"{key:<42} {value!s:<36} {origin}")


for command in (
    new.new,
    *site.COMMANDS,
    *result.COMMANDS,
    archive.archive,
    asbuilt.overlay,
    asbuilt.cores,
    season.season,
):
    app.add_command(command)


def _clear_progress() -> None:
    for handler in logging.getLogger("thermosaic").handlers:
        if isinstance(handler, _ProgressHandler):
            handler.clear()


def _fail(message: str, code: int) -> NoReturn:
    _clear_progress()
    click.echo(f"error: {message}", err=True)
    raise SystemExit(code)


def _on_terminate(signum: int, frame: Any) -> NoReturn:
    raise SystemExit(143)


def _report_bug(error: BaseException, debug: bool) -> NoReturn:
    logging.getLogger("thermosaic").debug("unexpected error", exc_info=error)
    if debug:
        traceback.print_exception(error)
    _fail(
        f"this is a bug in thermosaic ({type(error).__name__}: {str(error)[:300]}). Run again with "
        "--debug or --log-file FILE to get the details for a report",
        1,
    )


def main() -> None:
    """Run the command and turn every error into one line and an exit code."""
    debug = "--debug" in sys.argv
    with contextlib.suppress(ValueError):  # not in the main thread
        signal.signal(signal.SIGTERM, _on_terminate)
    try:
        app(standalone_mode=False)
    except click.exceptions.Abort:
        _fail("interrupted", 130)
    except KeyboardInterrupt:
        _fail("interrupted", 130)
    except click.ClickException as error:
        error.show()
        raise SystemExit(2) from None
    except ThermosaicError as error:
        if debug:
            traceback.print_exc()
        logging.getLogger("thermosaic").debug("stopped", exc_info=error)
        _fail(str(error), error.exit_code)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(0) from None
    except MemoryError:
        _fail("out of memory: cut the lot by day with [lot] limits, or run on a machine with more memory", 5)
    except Exception as error:
        _report_bug(error, debug)
