"""The command line after the paving: lay a result over as-built records.

As in `cli`, one command is one library call, and only here is printed.
"""

from __future__ import annotations

from pathlib import Path

import click

from .errors import ConfigError

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
    from . import beside
    from .units import parse_quantity

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
