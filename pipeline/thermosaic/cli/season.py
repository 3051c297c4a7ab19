"""The command line of a season: `run` over many lots.

As in `cli`, one command is one library call, and only here is printed.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from ..season import Outcome

PATH = click.Path(path_type=Path)


@click.command()
@click.argument("lots", metavar="LOTS...", type=PATH, nargs=-1, required=True)
@click.option("-o", "--output", "results", type=PATH, required=True, help="Folder of the results.")
@click.option("--jobs", type=int, metavar="N", help="Lots at once; by default as many as there are cores.")
@click.option(
    "--scheduler", metavar="ADDRESS", help="A running Dask scheduler whose workers see LOTS and RESULTS."
)
@click.option("--archive", type=PATH, help="Add each lot that is done to this archive, with its logs.")
@click.option("--no-report", is_flag=True, help="Leave out report.html, card.png, places.gpx and tables.")
@click.option("--dry-run", is_flag=True, help="Say what would be done with each lot, write nothing.")
@click.option(
    "--overwrite", is_flag=True, help="Replace results that were changed since, or are of a later revision."
)
def season(
    lots: tuple[Path, ...], results: Path, jobs: int | None, scheduler: str | None, archive: Path | None,
    no_report: bool, dry_run: bool, overwrite: bool,
) -> None:  # fmt: skip
    """Run many lots, each by itself; one that is bad sinks no other.

    LOTS are lot folders, or folders whose subfolders hold lot.toml. Each result lies in RESULTS under the lot's id,
    season.csv and season.html show all of them. Call it again as often as you like: it runs what is new, what was
    refused, and what is out of date (inputs, configuration, program). Exits 6 when lots were refused.

    \b
    Examples:
      thermosaic season lots -o results
      thermosaic season lots lift1 -o results --jobs 1 --archive season
    """
    from ..season import run_season

    done = run_season(
        lots, results, jobs=jobs, scheduler=scheduler, archive=archive, report=not no_report,
        overwrite=overwrite, dry_run=dry_run,
    )  # fmt: skip
    click.echo(_table(done.outcomes))
    for outcome in done.refused:
        click.echo(f"refused: {outcome.lot.name}: {outcome.error}", err=True)
    counts = ((done.count(state), state) for state in ("done", "up to date", "to do", "refused"))
    told = ", ".join(f"{count} {state}" for count, state in counts if count)
    end = "nothing written" if dry_run else f"see {results / 'season.html'}"
    click.echo(f"{len(done.outcomes)} lots: {told}; {end}")
    sys.exit(6 if done.refused else 0)


def _table(outcomes: tuple[Outcome, ...]) -> str:
    """Lay out one line a lot."""
    lines = [("lot", "id", "state", "time", "why")]
    for outcome in outcomes:
        state = f"{outcome.state}, exit {outcome.exit_code}" if outcome.exit_code else outcome.state
        taken = f"{outcome.duration_s:.1f} s"
        lines.append((outcome.lot.name, outcome.lot_id or "-", state, taken, outcome.why))
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    return "\n".join(
        "  ".join(f"{text:<{width}}" for text, width in zip(line, widths, strict=True)).rstrip()
        for line in lines
    )
