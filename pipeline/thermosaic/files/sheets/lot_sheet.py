"""Read a result folder back as the noun that every sheet is drawn from: SI, metres of the map CRS, UTC.

Only what was published is read, so a report made beside a run and one made half a year later are the same.
Neither the list of products nor run.json is used: the report is itself a product.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import rasterio
import shapely

from ...delivery import deliver, delivered_name
from ...tables import LAYERS, Table
from ...units import F_PER_C, StationLabels
from .. import geopackage, manifest
from ..cog import MAT, NODATA, TILE_FOLDER
from ..dressing import lane_words, paved_lanes
from ..geopackage import PACKAGE
from ..looks.ramp import ColourRamp
from ..parquet import SPOTS_FILE
from .measures import Measures
from .spine import Spine, read_spines

Box = tuple[float, float, float, float]  # west, south, east, north in metres


@dataclass(frozen=True, eq=False, slots=True)
class MatPicture:
    """The mat of one pass as published in mat.tif: columns run upstation, rows to the right looking upstation."""

    pass_id: str
    cell_m: float
    zero_m: float  # station of the frame's zero
    frame_from_m: float  # left end of column 0
    offset_from_m: float  # upper end of row 0
    temp_c: np.ndarray  # float32 (row, col), NaN = empty

    @property
    def station_from_m(self) -> float:
        return self.zero_m + self.frame_from_m

    @property
    def station_to_m(self) -> float:
        return self.station_from_m + self.temp_c.shape[1] * self.cell_m

    @property
    def offset_to_m(self) -> float:
        return self.offset_from_m + self.temp_c.shape[0] * self.cell_m


@dataclass(frozen=True, eq=False)
class LotSheet:
    """Everything published about one lot that the sheets show.

    `frames` by layer name: columns of `tables` in SI, geometry in metres (map coordinate x unit factor).
    """

    folder: Path
    manifest: dict[str, Any]
    quality: dict[str, Any]
    info: pd.DataFrame  # key, value, unit, meaning
    layers: dict[str, gpd.GeoDataFrame]  # as delivered
    frames: dict[str, gpd.GeoDataFrame]
    mats: tuple[MatPicture, ...]
    ramp: ColourRamp  # in the delivery's unit, as the styles of the rasters have it
    measures: Measures
    crs: pyproj.CRS = field(repr=False)

    @property
    def config(self) -> dict[str, Any]:
        """Configuration as used, SI."""
        return self.manifest["configuration"]

    @property
    def factor(self) -> float:
        """Metres in one unit of the map CRS."""
        return float(self.manifest["crs"]["unit_m"])

    @property
    def whole(self) -> pd.Series:
        """The row of the layer `lot` that stands for the whole lot."""
        lots = self.frames["lot"]
        return lots[lots["pass_id"].isna()].iloc[0] if lots["pass_id"].isna().any() else lots.iloc[0]

    @cached_property
    def passes(self) -> pd.DataFrame:
        """Rows of the layer `lot` that stand for single passes, in order of time."""
        lots = self.frames["lot"]
        return lots[lots["pass_id"].notna()]

    @property
    def pass_ids(self) -> list[str]:
        """Ids of the passes in order of time; quality.json has them in order of their names."""
        return [name for name in self.passes["pass_id"] if name in self.quality["mat_frames"]]

    @property
    def lanes(self) -> tuple[str, ...]:
        """Lanes that the passes state, in order of time, else that of the lot."""
        return paved_lanes(self.config["lot"]["lane"], (item["lane"] for item in self.config["passes"]))

    @property
    def name(self) -> str:
        """Name of the lot, and the number of a later revision."""
        lot, revision = self.manifest["lot_id"], int(self.manifest["revision"])
        return lot if revision == 1 else f"{lot}, revision {revision}"

    @property
    def place(self) -> str:
        """Road, lanes and lift, and the day."""
        lot = self.config["lot"]
        lanes = lane_words(self.lanes)
        return f"{lot['route']}, {lanes}, lift {lot['lift']}, paved on {self.quality['paved_on']}"

    @property
    def class_words(self) -> list[str]:
        """Class words of the rule, best first."""
        return [entry["word"] for entry in self.config["rules"]["classes"]["words"]]

    @cached_property
    def spines(self) -> dict[str, Spine]:
        """The way from the map to station and offset, by pass."""
        return read_spines(self.folder / SPOTS_FILE)

    @cached_property
    def tiles(self) -> tuple[tuple[Path, Box], ...]:
        """Temperature tiles in order of their names, each with its bounds."""
        found = []
        for path in sorted((self.folder / TILE_FOLDER).glob("temperature_*.tif")):
            with rasterio.open(path) as file:
                found.append((path, tuple(value * self.factor for value in file.bounds)))
        return tuple(found)

    def facts(self, prefix: str) -> pd.DataFrame:
        """Rows of lot_info whose key begins with `prefix`."""
        return self.info[self.info["key"].str.startswith(prefix)]


def read_sheet(folder: Path) -> LotSheet:
    """Read a result folder.

    Raises
    ------
    ProductError
        A file is missing or cannot be read.
    """
    try:
        listed = manifest.read_json(folder / manifest.MANIFEST)
        quality = manifest.read_json(folder / manifest.QUALITY)
        units, foot_m = listed["delivery"]["units"], float(listed["delivery"]["foot_m"])
        factor = float(listed["crs"]["unit_m"])
        layers = {table.name: geopackage.read_layer(folder / PACKAGE, table.name) for table in LAYERS}
        frames = {table.name: _si_frame(layers[table.name], table, units, foot_m, factor) for table in LAYERS}
        return LotSheet(
            folder=folder,
            manifest=listed,
            quality=quality,
            info=geopackage.read_table(folder / PACKAGE, "lot_info"),
            layers=layers,
            frames=frames,
            mats=_mats(folder / MAT, units),
            ramp=_ramp(folder / MAT, units),
            measures=_measures(listed, frames["lot"]),
            crs=pyproj.CRS.from_json_dict(listed["crs"]["map"]),
        )
    except (OSError, ValueError, KeyError, TypeError, pyproj.exceptions.CRSError) as error:
        raise manifest.not_whole(folder, error) from error


def _measures(listed: dict[str, Any], lots: gpd.GeoDataFrame) -> Measures:
    labels = listed["configuration"]["labels"]
    sigma = lots["sigma_p50_m"].max() if len(lots) else np.nan
    return Measures(
        delivery=listed["delivery"]["units"],
        foot_m=float(listed["delivery"]["foot_m"]),
        zone=listed["configuration"]["lot"]["time_zone"],
        labels=StationLabels.stored(labels),
        sigma_m=float(sigma) if pd.notna(sigma) else np.nan,
    )


def _si_frame(
    frame: gpd.GeoDataFrame, table: Table, units: str, foot_m: float, factor: float
) -> gpd.GeoDataFrame:
    """Undo what the delivery did to a layer."""
    columns = {
        column.name: to_si(frame[delivered_name(column.name, units)], column.name, units, foot_m)
        for column in table.columns
    }
    for column in table.columns:
        values = columns[column.name]
        if column.dtype == "datetime":
            columns[column.name] = pd.to_datetime(values, utc=True)
        elif column.dtype == "text":
            columns[column.name] = values.astype(object).where(values.notna(), None)
    shapes = np.asarray(frame.geometry.array, dtype=object)
    if factor != 1.0:
        shapes = shapely.transform(shapes, lambda units: units * factor)
    return gpd.GeoDataFrame(columns, geometry=shapes)


def to_si(values: Any, name: str, units: str, foot_m: float) -> Any:
    """Undo `deliver` by the SI name's suffix.

    >>> round(to_si(265.0, "low_c", "us", 0.3048), 2), round(to_si(10.0, "length_m", "us", 0.3048), 4)
    (129.44, 3.048)
    """
    if units == "si" or delivered_name(name, units) == name:
        return values
    shift = deliver(0.0, name, units, foot_m)
    return (values - shift) / (deliver(1.0, name, units, foot_m) - shift)


def _mats(path: Path, units: str) -> tuple[MatPicture, ...]:
    """Blocks of mat.tif, one a pass; none where no mat was published."""
    if not path.is_file():
        return ()
    with rasterio.open(path) as file:
        values, tags, left_m = file.read(1), file.tags(), file.transform.c
    temp = np.where(values == np.float32(NODATA), np.nan, values)
    temp_c = (temp - 32) / F_PER_C if units == "us" else temp
    names = sorted((key for key in tags if key.startswith("PASS_")), key=lambda key: int(key[5:]))
    return tuple(_mat_picture(temp_c, tags[name], float(tags["CELL_M"]), left_m) for name in names)


def _mat_picture(temp_c: np.ndarray, tag: str, cell_m: float, left_m: float) -> MatPicture:
    """Cut the block of one pass out of the rows; all passes share the columns, which begin at `left_m`."""
    head, _, rest = tag.partition(" row_from=")
    fact = dict(item.split("=", 1) for item in f"row_from={rest}".split())
    block = temp_c[int(fact["row_from"]) : int(fact["row_to"])]
    held = np.flatnonzero(np.isfinite(block).any(axis=0))
    first, last = (int(held[0]), int(held[-1]) + 1) if len(held) else (0, 0)
    return MatPicture(
        pass_id=head.removeprefix("pass_id="),
        cell_m=cell_m,
        zero_m=float(fact["zero_m"]),
        frame_from_m=left_m + first * cell_m,
        offset_from_m=float(fact["offset_from_m"]),
        temp_c=block[:, first:last],
    )


def _ramp(mat: Path, units: str) -> ColourRamp:
    """The ramp as the raster's style has it."""
    unit = "degF" if units == "us" else "degC"
    style = mat.with_suffix(".qml")
    if not style.is_file():
        return ColourRamp(0.0, 1.0, unit)
    renderer = ElementTree.parse(style).getroot().find("pipe/rasterrenderer")
    if renderer is None:
        raise ValueError(f"{style.name}: has no renderer")
    return ColourRamp(
        float(renderer.get("classificationMin")), float(renderer.get("classificationMax")), unit
    )
