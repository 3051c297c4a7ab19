"""Open a published result, verify that it still is what was published, and explain a number of it.

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
from .files import dressing, exports, geopackage, manifest, parquet, project, publishing, raster_review, sld
from .studies.explain.steps import SPOT_COLUMNS, Explanation, Published, Step
from .studies.explain.text import plain_text, told
from .tables import LAYERS, UNIT_OF_SUFFIX, Table, suffix

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

LAYERS_FILE, SPOTS_FILE = "lot.gpkg", "spots.parquet"
DECIMALS = {"m": 3, "m2": 2, "s": 1, "frac": 4, "mps": 3}  # in an explanation; else 2
COPIES = exports.KINDS


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


def explain_result(
    path: Path | str,
    *,
    profile: int | None = None,
    zone: int | None = None,
    at: str | None = None,
    pass_id: str | None = None,
) -> Explanation:
    """Explain one profile, one cold zone, or one place of a published result.

    Parameters
    ----------
    path : path of the result
    profile, zone : int
        Its number in the layer.
    at : str
        A place as a person names it: `"112+40, 6.2 ft right"`, offset right or left looking upstation.
    pass_id : str, optional
        The pass meant, where several covered the place.

    Returns
    -------
    Explanation
        Each step from file and row to the class; `differences` is empty where every number computed anew
        from the readings equals the product's. `tell` writes it for people.

    Raises
    ------
    ConfigError
        Not exactly one of `profile`, `zone` and `at`, or it names nothing.
    ProductError
        The result is not whole.
    """
    asked = {"profile": profile, "zone": zone, "place": at}
    asked = {name: value for name, value in asked.items() if value is not None}
    if len(asked) != 1:
        raise ConfigError('explain: name one of a profile, a zone or a place, like --at "112+40, 6.2 ft right"')
    ((kind, value),) = asked.items()
    published = _published(_folder(path))
    try:
        steps = _steps(published, kind, value, pass_id)
    except ValueError as error:
        raise ConfigError(f"explain: {error}") from None
    lot = published.config["lot"]
    return Explanation(f"{kind.capitalize()} {value}", lot["id"], int(lot["revision"]), steps)


def _steps(published: Published, kind: str, value: Any, pass_id: str | None) -> tuple[Step, ...]:
    from .studies.explain.places import parse_place, place_steps
    from .studies.explain.profiles import profile_steps
    from .studies.explain.zones import zone_steps

    if kind == "place":
        return place_steps(published, *parse_place(str(value), published.labels), pass_id)
    layer, key, explain = {
        "profile": ("profiles", "profile_id", profile_steps),
        "zone": ("cold_zones", "zone_id", zone_steps),
    }[kind]
    frame = published.frames[layer]
    rows = frame[frame[key] == value]
    if rows.empty:
        numbers = f"1 to {len(frame)}" if len(frame) else "none"
        raise ValueError(f"there is no {kind} {value}: the lot has {numbers}")
    return explain(published, rows.iloc[0])


def _published(folder: Path) -> Published:
    """Read what explanations stand on, SI."""
    from .files.sheets.lot_sheet import read_sheet

    sheet = read_sheet(folder)
    try:
        spots = parquet.read_columns(folder / SPOTS_FILE, SPOT_COLUMNS)
        scans = tuple(item["path"] for item in sheet.manifest["inputs"] if item["role"] == "scan")
        notes = next(iter(sheet.quality["inputs"].values()))["notes"]
    except (OSError, ValueError, KeyError, StopIteration) as error:
        raise ProductError(f"{folder}: is no whole result: {error}") from error
    return Published(
        frames=sheet.frames,
        spots=spots,
        config=sheet.config,
        quality=sheet.quality,
        scan_files=scans,
        rows_by_file=tuple(notes.get("rows_by_file", ())),
        labels=sheet.measures.labels,
    )


def tell(explanation: Explanation, path: Path | str) -> str:
    """Write an explanation for people, in the units that the result was delivered in."""
    delivery = open_result(path).manifest["delivery"]

    def shown(value: Any, key: str) -> tuple[str, str]:
        ending = suffix(key)
        if not ending or ending == "utc" or isinstance(value, str) or value is None:
            return plain_text(value, 0), "UTC" if ending == "utc" else ""
        name = dressing.delivered_name(key, delivery["units"])
        number = float(dressing.deliver(float(value), key, delivery["units"], delivery["foot_m"]))
        unit = UNIT_OF_SUFFIX[suffix(name)].replace("share 0..1", "").replace(" of difference", "")
        return plain_text(number, DECIMALS.get(ending, 2)), unit

    return told(explanation, shown)


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
        found += _check_looks(folder, tables)
    if spots.is_file():
        found += parquet.check_spots(spots, crs, counts)
    return found


def _check_looks(folder: Path, tables: tuple[Table, ...]) -> list[str]:
    """Check the project and the servers' styles, and each copy that was made, against the layers."""
    columns = {table.name: {column.name for column in table.columns} for table in tables}
    found = sld.check_styles(folder, columns, None)
    found += project.check_project(folder / project.NAME, (folder / project.MOSAIC).is_file())
    made = {path.suffix[1:] for path in (folder / exports.FOLDER).glob("*")}
    return found + exports.check_also(folder / LAYERS_FILE, folder, tuple(k for k in COPIES if k in made))


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
