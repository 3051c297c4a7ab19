"""Review published rasters by themselves, without the arrays they were written from.

Each file must still be a cloud optimised GeoTIFF whose stated statistics are those of its cells, and the
mosaic must hold each tile in its place.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rasterio
from affine import Affine

from .cog import MAT, MOSAIC, NODATA, TILE_FOLDER
from .mosaic import check_mosaic


def review_rasters(folder: Path) -> list[str]:
    """Re-read tiles, mosaic and mat.tif of a result folder; return every difference in plain words."""
    tiles = sorted((folder / TILE_FOLDER).glob("*.tif"))
    found, transforms = [], []
    for path in [*tiles, *folder.glob(MAT)]:
        differences, transform = _review(path)
        found += differences
        transforms += [transform] if transform is not None and path in tiles else []
    if len(transforms) == len(tiles) and tiles:
        found += check_mosaic(folder / MOSAIC, tiles, transforms)
    return found


def _review(path: Path) -> tuple[list[str], Affine | None]:
    """Return the differences of one file, and its transform where it could be read."""
    try:
        with rasterio.open(path) as file:
            found = []
            if file.tags(ns="IMAGE_STRUCTURE").get("LAYOUT") != "COG":
                found.append(f"{path.name}: is no cloud optimised GeoTIFF any more")
            for number, name in zip(file.indexes, file.descriptions, strict=True):
                found += _statistics_differ(path.name, name, file.read(number), file.tags(number))
            return found, file.transform
    except rasterio.errors.RasterioError as error:
        return [f"{path.name}: cannot be read: {error}"], None


def _statistics_differ(file: str, band: str | None, values: np.ndarray, tags: dict) -> list[str]:
    """Compare a band's stated minimum, maximum and mean with its cells (rtol 1e-6, for stored rounding)."""
    filled = values[values != np.float32(NODATA)].astype(np.float64)
    if not len(filled):
        return []
    exact = {"MINIMUM": filled.min(), "MAXIMUM": filled.max(), "MEAN": filled.mean()}
    return [
        f"{file}: {name.lower()} of {band} is {value:g}, stated is {tags.get(f'STATISTICS_{name}')}"
        for name, value in exact.items()
        if not np.isclose(float(tags.get(f"STATISTICS_{name}", "nan")), value, rtol=1e-6, atol=0.002)
    ]
