"""Open a published result, verify that it still is what was published, and explain a number of it.

`open_result` gives layers, spots, quality and manifest as they were written, in the delivery's units.
`verify_result` re-reads everything and lists every difference, not the first. Nothing is changed: files
are opened read-only.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyproj

from .delivery import as_read, deliver, delivered_name, in_units, together
from .errors import ConfigError, ProductError
from .files import csv_tables, dressing, exports, geopackage, manifest, parquet, project, raster_review
from .files.looks import sld
from .files.review import review_folder, review_tables
from .published import SPOT_COLUMNS, Published
from .studies.explain.readings import looked_at
from .studies.explain.steps import Explanation, Fact, Step
from .studies.explain.text import plain_text, told
from .tables import LAYERS, UNIT_OF_SUFFIX, Table, suffix

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from .config import AgencyPattern, HandIn
    from .files import hand_in
    from .files.sheets.lot_sheet import LotSheet
    from .studies.cooling import Part

DECIMALS = {"m": 3, "m2": 2, "s": 2, "frac": 4, "mps": 3}  # in an explanation; else 2
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
        return geopackage.read_table(self.folder / geopackage.PACKAGE, "lot_info")

    def spots(self, columns: list[str] | None = None) -> gpd.GeoDataFrame:
        """Read the readings on the mat, in the order of line and spot, SI; `columns` None = all."""
        return parquet.read_spots(self.folder / parquet.SPOTS_FILE, columns)


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
        raise manifest.not_whole(folder, error) from error
    return Result(folder, listed, quality, Layers(folder / geopackage.PACKAGE))


def _folder(path: Path | str) -> Path:
    folder = Path(path)
    if not folder.is_dir():
        raise ConfigError(f"{folder}: is no folder: name the folder that `run` published")
    if (folder / "lot.toml").is_file() and not (folder / manifest.MANIFEST).exists():
        raise ConfigError(f"{folder}: is a lot, not a result: name the folder that `run` published from it")
    return folder


def report_result(
    path: Path | str, out: Path | str, lang: str = "en", pdf: bool = False, without_names: bool = False
) -> list[Path]:
    """Write the report of a published result into `out`, check it, and return its files.

    `without_names` leaves out keys of [lot.agency] that name persons, and notes.

    Raises
    ------
    ConfigError
        `path` is no folder, or there is no language `lang`.
    ProductError
        The result is not whole, the report fails its check, or no program that writes PDF is installed.
    """
    from .files import pdf as printing
    from .files import persons, report

    folder, made = _folder(path), Path(out)
    if made.resolve() == folder.resolve():
        raise ConfigError(f"{out}: is the result itself, which stays as published: name another folder")
    with tempfile.TemporaryDirectory(prefix="thermosaic-") as working:
        source, differences = folder, []
        if without_names:
            source = Path(working) / "result"
            differences = persons.copy_without_names(folder, source, ())[1]
        written, wrong = report.make_report(source, made, lang)
    differences += wrong
    if differences:
        raise ProductError("the report failed its own check: " + "; ".join(differences[:10]))
    return [*written, printing.write_pdf(made / report.PAGE)] if pdf else written


def hand_in_result(
    path: Path | str,
    agency: str | Path,
    file: Path | str,
    lot: Path | str | None = None,
    without_names: bool = False,
    overwrite: bool = False,
) -> list[str]:
    """Pack what an agency's list asks of a published result into one ZIP, with checksums and a cover page.

    Parameters
    ----------
    agency : str or Path
        A shipped agency by name, or the path of a .toml file with a list, `[hand_in]`.
    file : Path
        The ZIP to write.
    lot : Path, optional
        The lot folder, for the raw logs.
    without_names : bool
        Leave out keys of [lot.agency] that name persons, and notes, from every file.

    Returns
    -------
    list of str
        What is missing from the agency's list, in plain words.

    Raises
    ------
    ConfigError
        The agency has no list, or `file` exists and `overwrite` is not set.
    MismatchError
        A raw log is not the one that the result was made from.
    ProductError
        The result is not whole, or what was made fails its check.
    """
    from .files import catalogue, hand_in

    folder, out = _folder(path), Path(file)
    pattern = catalogue.load_agency_file(str(agency))
    if pattern.hand_in is None:
        raise ConfigError(f"{agency}: has no [hand_in], the list of what the agency wants: write one")
    if out.exists() and not overwrite:
        raise ConfigError(f"{out}: exists already: choose another name, or replace it with --overwrite")
    if not out.parent.is_dir():
        raise ConfigError(f"{out.parent}: is no folder: make it, or name another place for {out.name}")
    with tempfile.TemporaryDirectory(prefix="thermosaic-") as working:
        source = _hand_in_source(folder, Path(working), pattern.hand_in, _lot_folder(lot), without_names)
        done = hand_in.collect(source, pattern.hand_in)
        problems = _agency_problems(folder, pattern, source.left_out or ())
        cover = hand_in.cover_text(source, pattern, done, problems)
        hand_in.write_hand_in(out, done, cover, source.stamp)
    missing = [f"{word}: {why}" for word, item, why in done.missing if item.required]
    return [*missing, *(f"lot.toml: {text}" for text in problems)]


def _lot_folder(lot: Path | str | None) -> Path | None:
    if lot is None:
        return None
    folder = Path(lot) if Path(lot).is_dir() else Path(lot).parent
    if not folder.is_dir():
        raise ConfigError(f"{lot}: is no lot folder: name the folder with lot.toml and the logs")
    return folder


def _hand_in_source(
    folder: Path, working: Path, plan: HandIn, lot: Path | None, without_names: bool
) -> hand_in.Source:
    """Make what a hand-in is made from: the result, or its copy without names; and a report where it has none."""
    from .files import hand_in, persons, report

    published = open_result(folder)
    used, left_out, differences = folder, None, []
    if without_names:
        used = working / "result"
        left_out, differences = persons.copy_without_names(folder, used, plan.persons)
        differences += persons.check_without_names(used, left_out)
    elif not (folder / report.PAGE).is_file():
        used = working / "result"
        persons.copy_linked(folder, used)
        differences = report.make_report(used, used)[1]
    if differences:
        raise ProductError(f"{folder}: what was made for the hand-in fails its check: {differences[0]}")
    (working / "made").mkdir()
    listed = manifest.read_json(used / manifest.MANIFEST) | {"paved_on": published.quality["paved_on"]}
    stamp = geopackage.read_stamp(used / geopackage.PACKAGE)
    names = None if left_out is None else tuple(left_out)
    return hand_in.Source(used, working / "made", listed, plan.units, stamp, lot, names)


def _agency_problems(folder: Path, pattern: AgencyPattern, left_out: tuple[str, ...]) -> list[str]:
    """What the agency's pattern asks of the lot's keys and does not find; nothing about keys left out."""
    from .questions import agency_problems

    stated = open_result(folder).manifest["configuration"]
    problems = agency_problems({"lot": stated["lot"], "stationing": stated["stationing"]}, pattern)
    return [f"{key}: {text}" for path, text in problems if (key := ".".join(map(str, path))) not in left_out]


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
    weather: tuple[float, float, str] | None = None,
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
    weather : air in degC, wind in m/s, a word for the sky; optional
        For the time that the mat takes to cool, where none was read on site.

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
        raise ConfigError(
            'explain: name one of a profile, a zone or a place, like --at "112+40, 6.2 ft right"'
        )
    ((kind, value),) = asked.items()
    sheet, published = published_result(path)
    try:
        steps = _steps(published, kind, value, pass_id)
        steps += _beside_steps(published, kind, value, steps, weather)
    except ValueError as error:
        text = in_units(error.args[0], sheet.measures.delivery, sheet.measures.foot_m)
        raise ConfigError(f"explain: {text}") from None
    lot = published.config["lot"]
    subject = f"{kind.capitalize()} {value}"
    return Explanation(subject, lot["id"], int(lot["revision"]), steps, lot["time_zone"], looked_at(steps))


def _steps(published: Published, kind: str, value: Any, pass_id: str | None) -> tuple[Step, ...]:
    """Steps of one row of a layer, or of a place; ValueError where there is none."""
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


def _beside_steps(
    published: Published,
    kind: str,
    value: Any,
    steps: tuple[Step, ...],
    weather: tuple[float, float, str] | None,
) -> tuple[Step, ...]:
    """What the studies say of it: how long it stays warm where weather is known, what mass a cycle holds."""
    from .studies import cooling, load_cycles

    found = []
    conditions = cooling.conditions_of(published, weather)
    told = cooling.tell_parts(
        conditions, _laid_parts(published, kind, value, steps), published.config["lot"]["time_zone"]
    )
    if told is not None:
        found.append(Step("cooling", told.sentence, tuple(Fact(*fact) for fact in told.facts)))
    if kind == "zone":
        zone = _row(published, "cold_zones", "zone_id", value)
        if "cyclic" in (zone["pattern"], zone["pattern_2"]):
            texts = [
                text
                for item in load_cycles.load_cycles(published, zone["pass_id"])
                for text in load_cycles.sentences(item, None, published.config["lot"]["load_length_m"])
            ]
            found.append(Step("cycle", together(texts)))
    return tuple(found)


def _laid_parts(published: Published, kind: str, value: Any, steps: tuple[Step, ...]) -> tuple[Part, ...]:
    """Temperatures that something was laid at, and its mat around, for the time it takes to cool."""
    from .studies import cooling

    if kind == "place":
        facts = {fact.key: fact.value for step in reversed(steps) for fact in step.facts}
        return cooling.parts_of_place(facts["laid_utc"], facts["cell_mean_c"], facts.get("mean_c"))
    layer, key = {"zone": ("cold_zones", "zone_id"), "profile": ("profiles", "profile_id")}[kind]
    return cooling.parts_of(_row(published, layer, key, value), layer)


def _row(published: Published, layer: str, key: str, value: int) -> pd.Series:
    frame = published.frames[layer]
    return frame[frame[key] == value].iloc[0]


def published_result(path: Path | str) -> tuple[LotSheet, Published]:
    """Read a published result as its sheets and as studies take it, SI.

    Raises
    ------
    ConfigError
        `path` is no folder.
    ProductError
        The result is not whole.
    """
    from .files.sheets.lot_sheet import read_sheet

    folder = _folder(path)
    sheet = read_sheet(folder)
    try:
        spots = parquet.read_columns(folder / parquet.SPOTS_FILE, SPOT_COLUMNS)
        scans = tuple(item["path"] for item in sheet.manifest["inputs"] if item["role"] == "scan")
        notes = next(iter(sheet.quality["inputs"].values()))["notes"]
    except (OSError, ValueError, KeyError, StopIteration) as error:
        raise manifest.not_whole(folder, error) from error
    return sheet, Published(
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
    units, foot_m = delivery["units"], delivery["foot_m"]

    def shown(value: Any, key: str) -> tuple[str, str]:
        ending = suffix(key)
        if not ending or ending == "utc" or isinstance(value, str) or value is None:
            return plain_text(in_units(value, units, foot_m)), "UTC" if ending == "utc" else ""
        read = as_read(key, units)
        if read is not None:
            return plain_text(float(value) / read[1], 1), read[0]
        name = delivered_name(key, units)
        number = float(deliver(float(value), key, units, foot_m))
        unit = UNIT_OF_SUFFIX[suffix(name)].replace("share 0..1", "").replace(" of difference", "")
        return plain_text(number, DECIMALS.get(ending, 2)), unit

    steps = tuple(
        replace(step, sentence=in_units(step.sentence, units, foot_m)) for step in explanation.steps
    )
    return told(replace(explanation, steps=steps), shown)


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
    try:
        listed = manifest.read_json(folder / manifest.MANIFEST)
    except (OSError, ValueError) as error:
        return [f"{manifest.MANIFEST}: cannot be read: {error}"]
    return review_folder(folder, listed, check_products)


def check_products(folder: Path, listed: dict[str, Any]) -> list[str]:
    """Run the checker of each product of a result, and compare counts between files; `listed` is its manifest."""
    crs, units = pyproj.CRS.from_json_dict(listed["crs"]["map"]), listed["delivery"]["units"]
    found = [] if (folder / manifest.RUN).is_file() else [f"{manifest.RUN}: is missing"]
    tables = tuple(dressing.delivered_table(table, units) for table in LAYERS)
    return found + _check_products(folder, tables, crs) + raster_review.review_rasters(folder)


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
    package, spots = folder / geopackage.PACKAGE, folder / parquet.SPOTS_FILE
    if package.is_file():
        trouble = geopackage.check_geopackage(package, tables, crs)
        found += trouble or _check_counts(package, layers, counts)
        found += _check_looks(folder, tables)
    if spots.is_file():
        found += parquet.check_spots(spots, crs, counts)
    return found + _check_report(folder, tables, layers)


def _check_report(folder: Path, tables: tuple[Table, ...], rows: dict[str, int]) -> list[str]:
    """Check page, card and tables of a result that has them."""
    from .files import report

    if not any((folder / name).exists() for name in (report.PAGE, csv_tables.FOLDER)):
        return []
    shown = [table for table in tables if table.name in csv_tables.NAMES]
    return report.review_report(folder) + review_tables(folder, shown, rows)


def _check_looks(folder: Path, tables: tuple[Table, ...]) -> list[str]:
    """Check the project and the servers' styles, and each copy that was made, against the layers."""
    columns = {table.name: {column.name for column in table.columns} for table in tables}
    found = sld.check_styles(folder, columns, None)
    found += project.check_project(folder / project.NAME, (folder / project.MOSAIC).is_file())
    made = {path.suffix[1:] for path in (folder / exports.FOLDER).glob("*")}
    return found + exports.check_also(
        folder / geopackage.PACKAGE, folder, tuple(k for k in COPIES if k in made)
    )


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
