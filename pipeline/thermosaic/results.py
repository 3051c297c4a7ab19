"""Open a published result, and verify that it still is what was published.

`open_result` gives layers, spots, quality and manifest as they were written, in the delivery's units.
`verify_result` re-reads everything and lists every difference, not the first. Nothing is changed: files
are opened read-only.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyproj

from .errors import ConfigError, ProductError
from .files import dressing, geopackage, manifest, parquet, publishing, raster_review
from .tables import LAYERS, Table

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

LAYERS_FILE, SPOTS_FILE = "lot.gpkg", "spots.parquet"


class Layers(Mapping[str, "gpd.GeoDataFrame"]):
    """The layers of lot.gpkg by name, each read when first asked for."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._read: dict[str, gpd.GeoDataFrame] = {}

    def __getitem__(self, name: str) -> gpd.GeoDataFrame:
        if name not in set(self):
            raise KeyError(f'no layer "{name}": there are {", ".join(self)}')
        if name not in self._read:
            self._read[name] = geopackage.read_layer(self._path, name)
        return self._read[name]

    def __iter__(self) -> Iterator[str]:
        return iter(table.name for table in LAYERS)

    def __len__(self) -> int:
        return len(LAYERS)


@dataclass(frozen=True, eq=False)
class Result:
    """A published result; layers and spots are read when asked for.

    `layers["profiles"]` is a GeoDataFrame in the map CRS with the delivery's columns; `quality` and
    `manifest` are the JSON files as dictionaries (SI).
    """

    folder: Path
    manifest: dict[str, Any] = field(repr=False)
    quality: dict[str, Any] = field(repr=False)
    layers: Layers = field(repr=False)

    @property
    def crs(self) -> pyproj.CRS:
        """Map CRS of all products."""
        return pyproj.CRS.from_json_dict(self.manifest["crs"]["map"])

    @property
    def units(self) -> str:
        """Units of the layers: us or si."""
        return str(self.manifest["delivery"]["units"])

    @cached_property
    def lot_info(self) -> pd.DataFrame:
        """key, value, unit, meaning: everything needed to judge the numbers."""
        return geopackage.read_table(self.folder / LAYERS_FILE, "lot_info")

    def spots(self, columns: list[str] | None = None) -> gpd.GeoDataFrame:
        """Read the readings on the mat, in the order of line and spot, SI; `columns` None = all."""
        return parquet.read_spots(self.folder / SPOTS_FILE, columns)


def open_result(path: Path | str) -> Result:
    """Open a published result folder.

    Raises
    ------
    ConfigError
        `path` is no folder.
    ProductError
        Its manifest or quality file is missing or cannot be read.
    """
    folder = _folder(path)
    try:
        listed, quality = (
            manifest.read_json(folder / name) for name in (manifest.MANIFEST, manifest.QUALITY)
        )
    except (OSError, ValueError) as error:
        raise ProductError(f"{folder}: is no whole result: {error}") from error
    return Result(folder, listed, quality, Layers(folder / LAYERS_FILE))


def _folder(path: Path | str) -> Path:
    folder = Path(path)
    if not folder.is_dir():
        raise ConfigError(f"{folder}: is no folder: name the folder that `run` published")
    return folder


def report_result(path: Path | str, out: Path | str, lang: str = "en", pdf: bool = False) -> list[Path]:
    """Write the report of a published result into `out`, check it, and return its files.

    Raises
    ------
    ConfigError
        `path` is no folder, or there is no language `lang`.
    ProductError
        The result is not whole, the report fails its check, or no program that writes PDF is installed.
    """
    from .files import pdf as printing
    from .files import report

    folder, made = _folder(path), Path(out)
    if made.resolve() == folder.resolve():
        raise ConfigError(f"{out}: is the result itself, which stays as published: name another folder")
    written, differences = report.make_report(folder, made, lang)
    if differences:
        raise ProductError("the report failed its own check: " + "; ".join(differences[:10]))
    return [*written, printing.write_pdf(made / report.PAGE)] if pdf else written


def plot_result(path: Path | str, what: str, file: Path | str) -> Path:
    """Draw one picture of a published result as .png or .svg: strip, plan, speed, histogram or layers.

    Raises
    ------
    ConfigError
        `path` is no folder, or there is no such picture or format.
    ProductError
        The result is not whole.
    """
    from .files import plots

    return plots.draw_plot(_folder(path), what, Path(file))


def verify_result(path: Path | str) -> list[str]:
    """Re-read a published result and return every difference in plain words; an empty list is a whole result.

    Every file is hashed again, missing and foreign files are named, each product's checker runs again, and
    the counts of layers, spots and quality.json are compared with each other.

    Raises
    ------
    ConfigError
        `path` is no folder.
    """
    folder = _folder(path)
    found = []
    try:
        listed = manifest.read_json(folder / manifest.MANIFEST)
        products = [(item["path"], item["bytes"], item["sha256"]) for item in listed["products"]]
        crs, units = pyproj.CRS.from_json_dict(listed["crs"]["map"]), listed["delivery"]["units"]
    except (OSError, ValueError, KeyError, TypeError, pyproj.exceptions.CRSError) as error:
        return [f"{manifest.MANIFEST}: cannot be read: {error}"]
    for name, size, digest in products:
        found += _check_bytes(folder, name, size, digest)
    found += [f"{manifest.RUN}: is missing"] if not (folder / manifest.RUN).is_file() else []
    found += [f"{name}: is not listed in {manifest.MANIFEST}" for name in publishing.foreign_files(folder)]
    tables = tuple(dressing.delivered_table(table, units) for table in LAYERS)
    return found + _check_products(folder, tables, crs) + raster_review.review_rasters(folder)


def _check_bytes(folder: Path, name: str, size: int, digest: str) -> list[str]:
    path = folder / name
    if not path.is_file():
        return [f"{name}: is missing"]
    if path.stat().st_size != size:
        return [f"{name}: has {path.stat().st_size} bytes, published with {size}"]
    return [] if manifest.sha256_of(path) == digest else [f"{name}: its bytes changed since it was published"]


def _check_products(folder: Path, tables: tuple[Table, ...], crs: pyproj.CRS) -> list[str]:
    """Run each checker on what is there, and compare counts between files."""
    try:
        quality = manifest.read_json(folder / manifest.QUALITY)
        readings, layers = quality["readings"], quality["layers"]
        counts = {
            "rows": readings["rows"],
            "kept": readings["kept"],
            **{k: n for k, n in readings["dropped"].items() if n},
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        return [f"{manifest.QUALITY}: cannot be read: {error}"]
    found = []
    package, spots = folder / LAYERS_FILE, folder / SPOTS_FILE
    if package.is_file():
        trouble = geopackage.check_geopackage(package, tables, crs)
        found += trouble or _check_counts(package, layers, counts)
    if spots.is_file():
        found += parquet.check_spots(spots, crs, counts)
    return found


def _check_counts(package: Path, layers: dict[str, int], readings: dict[str, int]) -> list[str]:
    """Compare the rows of each layer, and the readings that the lot's own row states, with quality.json."""
    frames = Layers(package)
    found = [
        f"{package.name}: layer {name}: {len(frames[name])} rows, {manifest.QUALITY} says {layers.get(name)}"
        for name in frames
        if len(frames[name]) != layers.get(name)
    ]
    whole = frames["lot"][frames["lot"]["pass_id"].isna()]
    for column, meant in (
        ("reading_kept_count", readings["kept"]),
        ("reading_dropped_count", readings["rows"] - readings["kept"]),
    ):
        for stated in whole[column]:
            if stated != meant:
                found.append(
                    f"{package.name}: lot says {column} {stated}, spots and {manifest.QUALITY} say {meant}"
                )
    return found
