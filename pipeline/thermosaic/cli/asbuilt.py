"""The command line after the paving: lay a result over as-built records, plan where cores are drilled.

As in `cli`, one command is one library call, and only here is printed.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ..errors import ConfigError

if TYPE_CHECKING:
    from ..studies.plan_cores import PlanRule

PATH = click.Path(path_type=Path)


@click.command()
@click.argument("result", type=PATH)
@click.argument("files", type=PATH, nargs=-1, required=True)
@click.option("-o", "--output", "folder", type=PATH, required=True, help="Folder to write.")
@click.option(
    "--sigma",
    metavar="LENGTH",
    help="How well cores and points were placed: one sigma, one axis, like '0.5 ft'.",
)
@click.option(
    "--crs",
    metavar="CODE",
    help="True frame of positions in files that name none, or plain WGS 84 (GeoJSON).",
)
@click.option("--format", "cores_format", metavar="NAME", default="cores-csv", show_default=True,
              help="Format of CSV files: a shipped name or a .toml file.")  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Replace an older overlay.")
def overlay(
    result: Path, files: tuple[Path, ...], folder: Path, sigma: str | None, crs: str | None, cores_format: str,
    overwrite: bool,
) -> None:  # fmt: skip
    """Lay a RESULT over cores and as-built records.

    FILES are CSV tables of cores and gauge densities, and vector files (GeoJSON, GeoPackage, Shapefile, DXF,
    FlatGeobuf) with polygons, lines or points. Tells what the mat was at each, within the uncertainty of its place.

    \b
    Example:
      thermosaic overlay lift1_result cores.csv patches.geojson --sigma "0.5 ft" --crs EPSG:6318 -o lift1_overlay
    """
    from .. import beside
    from ..units import parse_quantity

    try:
        sigma_m = None if sigma is None else parse_quantity(sigma, "length")
    except ValueError as error:
        raise ConfigError(f"--sigma: {error}") from None
    told = beside.overlay(
        result, files, folder, sigma_m=sigma_m, frame=crs, cores_format=cores_format, overwrite=overwrite
    )
    for text in told:
        click.echo(text)
    click.echo(str(folder))


@click.command()
@click.argument("result", type=PATH)
@click.option("-o", "--output", "folder", type=PATH, required=True, help="Folder to write.")
@click.option("--sublot", required=True, metavar="SIZE",
              help="Size of a sublot: a length like '500 ft', or a mass like '600 t' or '1000 tons'.")  # fmt: skip
@click.option(
    "--per-sublot", type=click.IntRange(1), default=1, show_default=True, help="Sites in each sublot."
)
@click.option("--seed", metavar="TEXT",
              help="Text agreed on before the lot was laid: it and the lot's id give the random numbers.")  # fmt: skip
@click.option("--numbers", type=PATH, metavar="FILE",
              help="Or your own random numbers: CSV with a column number, like 0.4823, two a site.")  # fmt: skip
@click.option("--edge", "edges", multiple=True, metavar="KIND=LENGTH",
              help="No site nearer to an edge: free, joint (or cold joint, hot joint) or kerb, like free='0.5 m'. "
                   "Without it 1 ft at each.")  # fmt: skip
@click.option(
    "--move", is_flag=True, help="Move a site drawn nearer to the limit; else sites are drawn from between."
)
@click.option("--overwrite", is_flag=True, help="Replace an older plan.")
def cores(
    result: Path, folder: Path, sublot: str, per_sublot: int, seed: str | None, numbers: Path | None,
    edges: tuple[str, ...], move: bool, overwrite: bool,
) -> None:  # fmt: skip
    """Plan where cores are drilled on a RESULT.

    Random sites, so many in each sublot, blind to temperature: anyone can draw them again from the seed, or by hand
    from the numbers printed. On sheets of their own, never to be mixed with them: cold zones to look at, each with a
    line for a density profile.

    \b
    Examples:
      thermosaic cores lift1_result --sublot "300 ft" --seed "contract C-2026-03" -o lift1_cores
      thermosaic cores lift1_result --sublot "50 tons" --per-sublot 2 --seed A17 --edge joint="0.5 ft" -o cores_2
    """
    from .. import beside

    rule = _plan_rule(sublot, per_sublot, edges, move)
    for text in beside.plan_cores(result, folder, rule, seed=seed, numbers=numbers, overwrite=overwrite):
        click.echo(text)
    click.echo(str(folder))


def _plan_rule(sublot: str, per_sublot: int, edges: tuple[str, ...], move: bool) -> PlanRule:
    """Read what is stated; ConfigError names the option."""
    from ..studies.plan_cores import EDGE_KINDS, PlanRule
    from ..units import parse_quantity

    try:
        size = _sublot_size(sublot)
        limits = dict(PlanRule(**size).limits_m)
        for edge in edges:
            word, _, length = edge.partition("=")
            kinds = [kind for kind in EDGE_KINDS if kind == word.strip() or kind.endswith(f" {word.strip()}")]
            if not kinds:
                raise ValueError(f'--edge: "{edge}" begins with none of free, joint, cold joint, hot joint, kerb, like '
                                 "--edge free='0.5 m'")  # fmt: skip
            limits |= dict.fromkeys(kinds, parse_quantity(length, "length"))
        return PlanRule(**size, per_sublot=per_sublot, limits_m=limits, move=move)
    except ValueError as error:
        raise ConfigError(f"cores: {error}") from None


def _sublot_size(text: str) -> dict[str, float]:
    """A length in m or a mass in kg, by its unit."""
    from ..units import UNITS, parse_quantity

    plain = text.removesuffix("s") if text.endswith(" tons") else text
    if plain.lstrip("0123456789. ") in UNITS["mass"]:
        return {"sublot_kg": parse_quantity(plain, "mass")}
    try:
        return {"sublot_m": parse_quantity(plain, "length")}
    except ValueError as error:
        raise ValueError(f"--sublot: {error}; or a mass like '600 t'") from None
