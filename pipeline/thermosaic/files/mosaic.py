"""One virtual raster over the tiles of a lot, written by hand, with relative names.

GDAL's VRT format, as its documentation describes it, in the part that GDAL 3.6 and QGIS 3.22 read: sources,
nodata, description, unit, statistics. Not done here: styles.
"""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree
from xml.etree.ElementTree import Element, SubElement

import pyproj
import rasterio
from affine import Affine


def write_mosaic(
    path: Path,
    tiles: list[Path],
    transforms: list[Affine],
    crs: pyproj.CRS,
    tile_cells: int,
    nodata: float,
    bands: list[tuple[str, str]],
    tags: list[dict[str, str]],
) -> None:
    """Write a virtual raster over square tiles of one lattice.

    Parameters
    ----------
    path : Path
        The .vrt; the tiles lie in or below its folder.
    tiles, transforms
        File and pixel-to-map transform of each tile.
    bands : list of (description, unit)
        One a band of the tiles, float32.
    tags : list of dict
        Metadata of each band, statistics among them.
    """
    origin, rows, cols = _extent(transforms, tile_cells)
    root = Element("VRTDataset", rasterXSize=str(cols), rasterYSize=str(rows))
    SubElement(root, "SRS", dataAxisToSRSAxisMapping=_axis_mapping(crs)).text = _wkt(crs)
    SubElement(root, "GeoTransform").text = ", ".join(repr(float(number)) for number in origin.to_gdal())
    windows = [_window(transform, origin, tile_cells) for transform in transforms]
    for number, ((words, unit), band_tags) in enumerate(zip(bands, tags, strict=True), start=1):
        band = SubElement(root, "VRTRasterBand", dataType="Float32", band=str(number))
        metadata = SubElement(band, "Metadata")
        for key, text in band_tags.items():
            SubElement(metadata, "MDI", key=key).text = text
        SubElement(band, "Description").text = words
        SubElement(band, "NoDataValue").text = repr(nodata)
        SubElement(band, "UnitType").text = unit
        for tile, window in zip(tiles, windows, strict=True):
            _source(band, tile.relative_to(path.parent).as_posix(), number, tile_cells, window)
    ElementTree.indent(root)
    path.write_text(ElementTree.tostring(root, encoding="unicode") + "\n", encoding="utf-8")


def _extent(transforms: list[Affine], tile_cells: int) -> tuple[Affine, int, int]:
    """Transform of the top left corner over all tiles, rows, columns."""
    west, north = min(item.c for item in transforms), max(item.f for item in transforms)
    east, south = max(item.c for item in transforms), min(item.f for item in transforms)
    cell = transforms[0].a
    rows, cols = (round(length / cell) + tile_cells for length in (north - south, east - west))
    return Affine(cell, 0.0, west, 0.0, -cell, north), rows, cols


def _window(transform: Affine, origin: Affine, tile_cells: int) -> dict[str, str]:
    col, row = (transform.c - origin.c) / origin.a, (origin.f - transform.f) / origin.a
    return {
        "xOff": str(round(col)), "yOff": str(round(row)), "xSize": str(tile_cells), "ySize": str(tile_cells),
    }  # fmt: skip


def _source(band: Element, name: str, number: int, tile_cells: int, window: dict[str, str]) -> None:
    source = SubElement(band, "SimpleSource")
    SubElement(source, "SourceFilename", relativeToVRT="1").text = name
    SubElement(source, "SourceBand").text = str(number)
    size = str(tile_cells)
    SubElement(
        source, "SourceProperties", RasterXSize=size, RasterYSize=size, DataType="Float32",
        BlockXSize=str(tile_cells // 2), BlockYSize=str(tile_cells // 2),
    )  # fmt: skip
    SubElement(source, "SrcRect", xOff="0", yOff="0", xSize=size, ySize=size)
    SubElement(source, "DstRect", **window)


def _wkt(crs: pyproj.CRS) -> str:
    """WKT 1 with its axes where the CRS has one, which every GDAL reads, else WKT 2."""
    try:
        return crs.to_wkt("WKT1_GDAL", output_axis_rule=True)
    except pyproj.exceptions.CRSError:  # a CRS that WKT 1 cannot say
        return crs.to_wkt("WKT2_2019")


def _axis_mapping(crs: pyproj.CRS) -> str:
    """Which axes of the CRS are east and north; GDAL stores east first whatever their order."""
    return "2,1" if crs.axis_info[0].direction.lower() == "north" else "1,2"


def check_mosaic(path: Path, tiles: list[Path], transforms: list[Affine]) -> list[str]:
    """Read the mosaic back: it opens, and each tile lies where it should; return what differs."""
    try:
        root = ElementTree.parse(path).getroot()
        with rasterio.open(path) as file:
            origin, count = file.transform, file.count
    except (ElementTree.ParseError, rasterio.errors.RasterioError, OSError) as error:
        return [f"{path.name}: cannot be read back: {error}"]
    found = []
    for number in range(1, count + 1):
        sources = root.findall(f"VRTRasterBand[@band='{number}']/SimpleSource")
        names = {source.findtext("SourceFilename"): source.find("DstRect") for source in sources}
        for tile, transform in zip(tiles, transforms, strict=True):
            name = tile.relative_to(path.parent).as_posix()
            if name not in names or not tile.is_file():
                found.append(f"{path.name}: band {number} lacks {name}")
            elif dict(names[name].attrib) != _window(transform, origin, int(names[name].get("xSize"))):
                found.append(f"{path.name}: band {number} has {name} in the wrong place")
        if len(names) != len(tiles):
            found.append(f"{path.name}: band {number} has {len(names)} sources for {len(tiles)} tiles")
    return found
