"""The difference of two lots' deficits as one Cloud Optimized GeoTIFF on the map, with its style and checker.

Positive: the upper lot lies farther below its own mat than the lower one does below its own. The cell is that of
the rule's statistic, on the map's lattice from its zero; a very long lot gets whole multiples of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import rasterio
import rasterio.features
import rasterio.shutil
import shapely
from affine import Affine
from rasterio.enums import Resampling

from ... import __version__
from ...delivery import deliver
from ..cog import NODATA, PROFILES, block_cells, overview_levels
from ..looks.ramp import write_raster_style

if TYPE_CHECKING:
    from ..sheets.lot_sheet import LotSheet
    from .pair import Pair

MOST_CELLS = 40_000_000
PUOR = (
    "2d004b", "542788", "8073ac", "b2abd2", "d8daeb", "f7f7f7", "fee0b6", "fdb863", "e08214", "b35806", "7f3b08",
)  # fmt: skip  # ColorBrewer PuOr (Brewer 2003): purple where the lower lot is the colder, brown the upper
END = {"si": 15.0, "us": 30.0}  # degC, degF of difference at the ends of the colours


@dataclass(frozen=True, slots=True)
class DivergingRamp:
    """Colours of a difference, white at zero; as `ColourRamp` for a style."""

    end: float
    unit: str

    @property
    def low(self) -> float:
        return -self.end

    @property
    def high(self) -> float:
        return self.end

    def entries(self) -> list[tuple[float, str, str]]:
        """Values, colours and legend words, ascending."""
        values = np.linspace(-self.end, self.end, len(PUOR))
        return [(float(v), c, f"{v:+g} {self.unit}") for v, c in zip(values, PUOR, strict=True)]


@dataclass(frozen=True, eq=False, slots=True)
class DifferenceRaster:
    """What the file holds, in the delivery's units."""

    values: np.ndarray  # float32 (row, col), NODATA where empty
    transform: Affine
    crs: Any
    unit: str
    tags: dict[str, str]


def write_difference(path: Path, pair: Pair, first: LotSheet) -> DifferenceRaster:
    """Write a pair's difference and its style; return what was written, for the check."""
    raster = _raster(pair, first)
    rows, cols = raster.values.shape
    shape = {"height": rows, "width": cols, "count": 1, "dtype": "float32", "nodata": NODATA}
    with rasterio.open(
        path.name, "w+", driver="MEM", **shape, crs=raster.crs, transform=raster.transform
    ) as memory:
        memory.write(raster.values, 1)
        memory.update_tags(TIFFTAG_SOFTWARE=f"thermosaic {__version__}", AREA_OR_POINT="Area", **raster.tags)
        memory.set_band_description(1, "deficit of the lot less that of the other")
        memory.set_band_unit(1, raster.unit)
        memory.build_overviews(overview_levels(rows, cols), Resampling.average)
        layout = {"BLOCKSIZE": str(block_cells(rows, cols)), "OVERVIEWS": "FORCE_USE_EXISTING"}
        rasterio.shutil.copy(memory, path, driver="COG", **layout, **PROFILES["widest reach"].options)
    units = first.measures.delivery
    write_raster_style(path, DivergingRamp(END[units], raster.unit))  # type: ignore[arg-type]
    return raster


def _raster(pair: Pair, first: LotSheet) -> DifferenceRaster:
    """Take the difference at the middle of each cell that lies on the mat of both."""
    cell_m = float(pair.numbers["cell_m"])
    west, south, east, north = pair.mat.bounds
    cell_m *= max(1, math.ceil(math.sqrt((east - west) * (north - south) / cell_m**2 / MOST_CELLS)))
    col, row = math.floor(west / cell_m), math.ceil(north / cell_m)
    shape = row - math.floor(south / cell_m), math.ceil(east / cell_m) - col
    metres = Affine(cell_m, 0.0, col * cell_m, 0.0, -cell_m, row * cell_m)
    mat = rasterio.features.rasterize([shapely.buffer(pair.mat, 0)], shape, transform=metres) > 0
    at = np.nonzero(mat)
    easting, northing = (col + at[1] + 0.5) * cell_m, (row - at[0] - 0.5) * cell_m
    values = np.full(shape, NODATA, np.float32)
    units, foot_m = first.measures.delivery, first.measures.foot_m
    found = deliver(pair.difference_at(easting, northing), "difference_delta_c", units, foot_m)
    values[at] = np.where(np.isfinite(found), found, NODATA)
    transform = Affine.scale(1 / first.factor) * metres
    lots = {"LOT_ID": str(pair.numbers["lot_id"]), "OTHER_LOT_ID": str(pair.numbers["other_lot_id"])}
    unit = "degF" if units == "us" else "degC"
    return DifferenceRaster(values, transform, first.crs.to_wkt(), unit, {**lots, "CELL_M": repr(cell_m)})


def review_difference(path: Path, crs: Any, units: str) -> list[str]:
    """Review a published difference by itself; return what is wrong, nothing if all is well."""
    try:
        with rasterio.open(path) as file:
            facts = {
                "CRS": (file.crs, rasterio.crs.CRS.from_wkt(crs.to_wkt())),
                "nodata": (file.nodata, NODATA),
                "unit": (file.units, ("degF" if units == "us" else "degC",)),
                "layout": (file.tags(ns="IMAGE_STRUCTURE").get("LAYOUT"), "COG"),
                "cells": (bool(np.isfinite(file.read(1)).all()), True),
            }
    except rasterio.errors.RasterioError as error:
        return [f"{path.name}: cannot be read: {error}"]
    return _unlike(path, facts)


def check_difference(path: Path, meant: DifferenceRaster) -> list[str]:
    """Read the file back; return what differs, nothing if all is well."""
    try:
        with rasterio.open(path) as file:
            facts = {
                "values": (bool(np.array_equal(file.read(1), meant.values)), True),
                "CRS": (file.crs, rasterio.crs.CRS.from_wkt(meant.crs)),
                "transform": (file.transform.almost_equals(meant.transform, 1e-9), True),
                "nodata": (file.nodata, NODATA),
                "unit": (file.units, (meant.unit,)),
                "layout": (file.tags(ns="IMAGE_STRUCTURE").get("LAYOUT"), "COG"),
            }
    except rasterio.errors.RasterioError as error:
        return [f"{path.name}: cannot be read back: {error}"]
    return _unlike(path, facts)


def _unlike(path: Path, facts: dict[str, tuple[Any, Any]]) -> list[str]:
    return [
        f"{path.name}: {what} is {have}, not {wanted}"
        for what, (have, wanted) in facts.items()
        if have != wanted
    ]
