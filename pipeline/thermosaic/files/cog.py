"""Write rasters as Cloud Optimized GeoTIFFs with a mosaic and styles beside them, and read each back.

GDAL's COG driver writes the files, through rasterio. Every band carries its name, its unit and exact
statistics, so that no viewer needs to estimate them; overviews are means for display and feed no number.
Nothing in a file depends on the clock, the host or the number of threads.
Not done here: numbers. Values are those of the rasters, in the delivery's units.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import rasterio
import rasterio.shutil
from affine import Affine
from rasterio.enums import Resampling

from .. import __version__
from ..datum import map_foot_m, unit_factor
from ..delivery import deliver
from ..model import TILE_CELLS, Raster, Rasters, Tile
from .looks.ramp import check_raster_style, temperature_ramp, write_raster_style
from .mosaic import check_mosaic, write_mosaic

if TYPE_CHECKING:
    import pyproj

NODATA = -9999.0
BLOCK_CELLS, LEAST_BLOCK_CELLS = 256, 128  # GDAL's COG driver asks for no less
TILE_FOLDER, MOSAIC, MAT = "tiles", "mosaic.vrt", "mat.tif"
MAT_CRS = 'LOCAL_CS["Mat frame: station along, offset across",UNIT["metre",1]]'
THREADS = 2


@dataclass(frozen=True, slots=True)
class Profile:
    """Creation options of the COG driver."""

    options: dict[str, str]
    tolerance: float = 0.0  # largest difference of a stored value from its raster


PROFILES = {
    # every GIS and library that reads tiled TIFF with deflate; nothing is rounded, no block is left out
    "widest reach": Profile({"COMPRESS": "DEFLATE", "PREDICTOR": "NO", "LEVEL": "1"}),
    # GDAL 3 built with LERC and ZSTD (QGIS on Linux and Windows), not every viewer in a browser; empty blocks left out
    "compact": Profile({"COMPRESS": "LERC_ZSTD", "MAX_Z_ERROR": "0.001", "SPARSE_OK": "YES"}, 0.001),
}
# Some readers fail on a predictor for floating point or on left-out blocks: the default has neither. Without the
# predictor a file is a third larger and made in two thirds of the time. Level 1 costs 3 % and saves half the time.


@dataclass(frozen=True, slots=True)
class Band:
    """One band: SI column name (its suffix picks the delivery's unit), words, and unit in each delivery."""

    column: str
    words: str
    unit: dict[str, str]


BANDS = (
    Band("temp_c", "temperature", {"si": "degC", "us": "degF"}),
    Band("laid_s", "laid time", {"si": "s", "us": "s"}),
    Band("sigma_m", "position sigma", {"si": "m", "us": "ft"}),
)


@dataclass(frozen=True, slots=True)
class RasterDress:
    """How the rasters of a lot are delivered: frame, units, and the lot's own tags on every file."""

    crs: pyproj.CRS  # of the map; geometry is stored in its unit
    units: str = "si"  # or "us"
    tags: dict[str, str] = field(default_factory=dict)  # lot_id, revision, route, ...
    profile: str = "widest reach"
    display_c: tuple[float | None, float | None] = (None, None)  # ends of the colours that the lot states

    @property
    def factor(self) -> float:
        """Metres in one unit of the map CRS."""
        return unit_factor(self.crs)

    def delivered(self, bands: Iterable[np.ndarray]) -> np.ndarray:
        """Convert bands in the order of BANDS, any shape, to the delivery's units; empty becomes nodata."""
        foot_m = map_foot_m(self.crs)
        converted = np.stack([
            deliver(values, band.column, self.units, foot_m).astype(np.float32, copy=False)
            for band, values in zip(BANDS, bands, strict=True)
        ])  # fmt: skip
        converted[np.isnan(converted)] = NODATA
        return converted

    def transform(self, tile: Tile) -> Affine:
        """Pixel to map coordinate of a tile, in units of the map CRS."""
        cell = tile.lattice.cell_m / self.factor
        return Affine(cell, 0.0, tile.col0 * cell, 0.0, -cell, (tile.row0 + 1) * cell)


@dataclass(frozen=True, eq=False)
class _Picture:
    """What one file holds, in the delivery's units."""

    values: np.ndarray  # float32 (band, row, col), NODATA where empty
    filled: tuple[np.ndarray, ...]  # float32 (cell) of each band: those that are not empty
    transform: Affine
    wkt: str
    tags: dict[str, str]

    @cached_property
    def statistics(self) -> list[dict[str, float]]:
        """Statistics of every band, from every cell."""
        return [_statistics(filled, self.values[0].size) for filled in self.filled]


def _tile_picture(tile: Tile, dress: RasterDress) -> _Picture:
    delivered = dress.delivered(tile.bands)
    values = np.full((len(BANDS), TILE_CELLS * TILE_CELLS), NODATA, np.float32)
    values[:, tile.cell] = delivered
    filled = tuple(band[band != NODATA] for band in delivered)
    values = values.reshape(len(BANDS), TILE_CELLS, TILE_CELLS)
    tags = {"CELL_M": repr(tile.lattice.cell_m)}
    return _Picture(values, filled, dress.transform(tile), dress.crs.to_wkt(), tags)


def tile_name(tile: Tile) -> str:
    """Name of a tile's file: temperature_E_N.tif with E, N = floor(cell index / 512) of the lattice."""
    return f"temperature_{tile.col0 // TILE_CELLS}_{tile.row0 // TILE_CELLS}.tif"


# ------------------------------------------------------------------------------------------------ writing


def make_tiles(folder: Path, rasters: Rasters, dress: RasterDress) -> tuple[list[Path], list[str]]:
    """Write tiles/temperature_E_N.tif, mosaic.vrt over them, and a style beside each; read all of it back.

    Each tile is read back while others are written.

    Parameters
    ----------
    folder : Path
        Result folder; `tiles` is made in it.
    rasters : Rasters
        Map tiles; without any, nothing is written.
    dress : RasterDress
        CRS, units, tags and profile of the delivery.

    Returns
    -------
    files : list of Path
        Every file written, in a fixed order: each tile and its style, then the mosaic and its style.
    differences : list of str
        As of `check_tiles`.
    """
    made = _each_tile(_make_tile, folder, rasters, dress)
    files = _join_tiles(folder, rasters, dress, [statistics for statistics, _ in made])
    differences = [item for _, found in made for item in found]
    return files, differences + _check_joined(folder, rasters, dress)


def _tile_paths(folder: Path, rasters: Rasters) -> list[Path]:
    return [folder / TILE_FOLDER / tile_name(tile) for tile in rasters.tiles]


def _join_tiles(
    folder: Path, rasters: Rasters, dress: RasterDress, statistics: list[list[dict[str, float]]]
) -> list[Path]:
    """Write styles and mosaic of the tiles; return every file, the tiles among them."""
    if not rasters.tiles:
        return []
    paths, ramp = _tile_paths(folder, rasters), temperature_ramp(rasters, dress.units, dress.display_c)
    written = [file for path in paths for file in (path, write_raster_style(path, ramp))]
    mosaic = folder / MOSAIC
    transforms = [dress.transform(tile) for tile in rasters.tiles]
    tags = [{**_band_tags(rasters, band), **_joined(statistics, band)} for band in range(len(BANDS))]
    write_mosaic(mosaic, paths, transforms, dress.crs, TILE_CELLS, NODATA, _described(dress), tags)
    return [*written, mosaic, write_raster_style(mosaic, ramp)]


def write_mat(
    folder: Path, rasters: Rasters, dress: RasterDress, pass_ids: Iterable[str], zero_m: Iterable[float]
) -> list[Path]:
    """Write mat.tif: the mat frame, one block of rows a pass, and its style; nothing without mat.

    Columns run upstation and rows to the right looking upstation, so the picture is not mirrored. The first
    column starts at `frame_from_m` along the frame; a pass's rows start at its `offset_from_m`; one empty row
    parts two passes. The file's tags say so for each pass. Coordinates are metres in any delivery:
    x = frame_m, y = -offset_m of the first pass's rows.

    Parameters
    ----------
    pass_ids, zero_m
        Of each pass in the order of `rasters.mat`: its id, and the station of its frame's zero in metres.
    """
    if not _mat_blocks(rasters):
        return []
    path, picture = folder / MAT, _mat_picture(rasters, dress)
    picture.tags.update({"MAT_FRAME": _MAT_WORDS, **_mat_tags(rasters, list(pass_ids), list(zero_m))})
    _write_cog(path, picture, rasters, dress)
    return [path, write_raster_style(path, temperature_ramp(rasters, dress.units, dress.display_c))]


_MAT_WORDS = (
    "x = frame_m, station = frame_m + zero_m of the pass; columns run upstation; rows run to the right "
    "looking upstation: offset_m = offset_from_m + (row - row_from) x cell_m; metres"
)


def _each_tile(work: Callable, folder: Path, rasters: Rasters, dress: RasterDress) -> list:
    """Do `work(path, tile, rasters, dress)` for each tile, in order; a dataset never leaves its thread."""

    def one(path: Path, tile: Tile) -> object:
        with rasterio.Env():
            return work(path, tile, rasters, dress)

    if rasters.tiles:
        (folder / TILE_FOLDER).mkdir(exist_ok=True)
    with ThreadPoolExecutor(THREADS) as pool:
        return list(pool.map(one, _tile_paths(folder, rasters), rasters.tiles))


def _make_tile(
    path: Path, tile: Tile, rasters: Rasters, dress: RasterDress
) -> tuple[list[dict[str, float]], list[str]]:
    picture = _tile_picture(tile, dress)
    return _write_cog(path, picture, rasters, dress), _check_cog(path, picture, dress)


def _write_cog(path: Path, picture: _Picture, rasters: Rasters, dress: RasterDress) -> list[dict[str, float]]:
    """Write one file and return the statistics of its bands."""
    statistics = picture.statistics
    bands, rows, cols = picture.values.shape
    shape = {"height": rows, "width": cols, "count": bands, "dtype": "float32", "nodata": NODATA}
    frame = {"crs": rasterio.crs.CRS.from_wkt(picture.wkt), "transform": picture.transform}
    with rasterio.open(path.name, "w+", driver="MEM", **shape, **frame) as memory:
        memory.write(picture.values)
        software = {"TIFFTAG_SOFTWARE": f"thermosaic {__version__}", "AREA_OR_POINT": "Area"}
        memory.update_tags(**software, **dress.tags, **picture.tags)
        for number, (words, unit) in enumerate(_described(dress), start=1):
            memory.set_band_description(number, words)
            memory.set_band_unit(number, unit)
            memory.update_tags(number, **_band_tags(rasters, number - 1), **_as_tags(statistics[number - 1]))
        memory.build_overviews(overview_levels(rows, cols), Resampling.average)
        layout = {"BLOCKSIZE": str(block_cells(rows, cols)), "OVERVIEWS": "FORCE_USE_EXISTING"}
        options = {**layout, **PROFILES[dress.profile].options}
        rasterio.shutil.copy(memory, path, driver="COG", **options)
    return statistics


def block_cells(rows: int, cols: int) -> int:
    """Cells of a block's side: less where the picture is narrower, since blocks are stored whole.

    >>> block_cells(512, 512), block_cells(13, 15000), block_cells(90, 15000)
    (256, 128, 128)
    """
    block = BLOCK_CELLS
    while block > LEAST_BLOCK_CELLS and block // 2 >= min(rows, cols):
        block //= 2
    return block


def overview_levels(rows: int, cols: int) -> list[int]:
    """Halve until the picture fits one block.

    >>> overview_levels(512, 512), overview_levels(13, 1500)
    ([2], [2, 4, 8])
    """
    levels = []
    while max(rows, cols) > BLOCK_CELLS * 2 ** len(levels):
        levels.append(2 ** (len(levels) + 1))
    return levels


def _reported_levels(rows: int, cols: int) -> list[int]:
    """Levels as GDAL reports them: whole size by overview size, whose last cell is a part of one.

    >>> _reported_levels(12, 32809)[-1]
    254
    """
    size = max(rows, cols)
    return [round(size / -(-size // level)) for level in overview_levels(rows, cols)]


def _described(dress: RasterDress) -> list[tuple[str, str]]:
    return [(band.words, band.unit[dress.units]) for band in BANDS]


def _band_tags(rasters: Rasters, band: int) -> dict[str, str]:
    if BANDS[band].column != "laid_s":
        return {}
    return {"TIME_ORIGIN_UTC": f"{np.datetime_as_string(rasters.origin_utc, unit='s')}Z"}


# --------------------------------------------------------------------------------------------- statistics


def _statistics(filled: np.ndarray, size: int) -> dict[str, float]:
    """Describe the cells of a band that are not empty: count of all, extremes, mean, variance."""
    if len(filled) == 0:
        return {"count": 0, "size": size}
    filled = filled.astype(np.float64)
    return {
        "count": len(filled), "size": size, "mean": float(filled.mean()), "variance": float(filled.var()),
        "minimum": float(filled.min()), "maximum": float(filled.max()),
    }  # fmt: skip


def _joined(statistics: list[list[dict[str, float]]], band: int) -> dict[str, str]:
    """Statistics of all tiles of a band together, as tags: exact, from those of the parts."""
    parts = [tile[band] for tile in statistics if tile[band]["count"]]
    if not parts:
        return {}
    count = sum(part["count"] for part in parts)
    mean = sum(part["mean"] * part["count"] for part in parts) / count
    spread = sum(part["count"] * (part["variance"] + (part["mean"] - mean) ** 2) for part in parts) / count
    lowest, highest = min(part["minimum"] for part in parts), max(part["maximum"] for part in parts)
    return _as_tags({"count": count, "minimum": lowest, "maximum": highest, "mean": mean, "variance": spread})


def _as_tags(statistics: dict[str, float]) -> dict[str, str]:
    """Return GDAL's STATISTICS_* tags; a band without a value has none."""
    if not statistics["count"]:
        return {}
    tags = {f"STATISTICS_{name.upper()}": repr(statistics[name]) for name in ("minimum", "maximum", "mean")}
    tags["STATISTICS_STDDEV"] = repr(float(np.sqrt(statistics["variance"])))
    if "size" in statistics:
        tags["STATISTICS_VALID_PERCENT"] = f"{100 * statistics['count'] / statistics['size']:.4g}"
    return tags


# ---------------------------------------------------------------------------------------------- mat frame


def _mat_blocks(rasters: Rasters) -> list[tuple[int, Raster, int]]:
    """Pass code, raster and first row of each block of mat.tif."""
    blocks, row = [], 0
    for code, raster in enumerate(rasters.mat):
        if raster.temp_c.size:
            blocks.append((code, raster, row))
            row += len(raster.temp_c) + 1
    return blocks


def _mat_picture(rasters: Rasters, dress: RasterDress) -> _Picture:
    """Stack the passes over one range of columns."""
    blocks = _mat_blocks(rasters)
    first = min(raster.col0 for _, raster, _ in blocks)
    cols = max(raster.col0 + raster.temp_c.shape[1] for _, raster, _ in blocks) - first
    _, last, row = blocks[-1]
    values = np.full((len(BANDS), row + len(last.temp_c), cols), NODATA, np.float32)
    for _, raster, row in blocks:
        height, width = raster.temp_c.shape
        col = raster.col0 - first
        bands = (raster.temp_c, raster.laid_s, raster.sigma_m)
        values[:, row : row + height, col : col + width] = dress.delivered(bands)
    cell_m = last.lattice.cell_m
    transform = Affine(cell_m, 0.0, first * cell_m, 0.0, -cell_m, -blocks[0][1].row0 * cell_m)
    filled = tuple(band[band != NODATA] for band in values)
    return _Picture(values, filled, transform, MAT_CRS, {"CELL_M": repr(cell_m)})


def _mat_tags(rasters: Rasters, ids: list[str], zero_m: list[float]) -> dict[str, str]:
    """Say where each pass lies; PASS_1, PASS_2, .. in the order of the rows."""
    tags = {}
    for number, (code, raster, row) in enumerate(_mat_blocks(rasters), start=1):
        cell_m, rows = raster.lattice.cell_m, len(raster.temp_c)
        tags[f"PASS_{number}"] = (
            f"pass_id={ids[code]} row_from={row} row_to={row + rows} zero_m={float(zero_m[code])!r} "
            f"frame_from_m={raster.col0 * cell_m!r} offset_from_m={raster.row0 * cell_m!r}"
        )
    return tags


# ----------------------------------------------------------------------------------------------- checking


def check_tiles(folder: Path, rasters: Rasters, dress: RasterDress) -> list[str]:
    """Read every tile, the mosaic and the styles back; return what differs, nothing if all is well."""
    found = _each_tile(_check_tile, folder, rasters, dress)
    return [item for differences in found for item in differences] + _check_joined(folder, rasters, dress)


def _check_joined(folder: Path, rasters: Rasters, dress: RasterDress) -> list[str]:
    """Read the mosaic of the tiles and all styles back."""
    if not rasters.tiles:
        return []
    paths, ramp = _tile_paths(folder, rasters), temperature_ramp(rasters, dress.units, dress.display_c)
    files = (*paths, folder / MOSAIC)
    differences = [item for path in files for item in check_raster_style(path.with_suffix(".qml"), ramp)]
    transforms = [dress.transform(tile) for tile in rasters.tiles]
    return differences + check_mosaic(folder / MOSAIC, paths, transforms)


def check_mat(folder: Path, rasters: Rasters, dress: RasterDress) -> list[str]:
    """Read mat.tif back; return what differs from the rasters, nothing if all is well."""
    if not _mat_blocks(rasters):
        return []
    path = folder / MAT
    differences = _check_cog(path, _mat_picture(rasters, dress), dress)
    return differences + check_raster_style(
        path.with_suffix(".qml"), temperature_ramp(rasters, dress.units, dress.display_c)
    )


def _check_tile(path: Path, tile: Tile, rasters: Rasters, dress: RasterDress) -> list[str]:
    return _check_cog(path, _tile_picture(tile, dress), dress)


def _check_cog(path: Path, picture: _Picture, dress: RasterDress) -> list[str]:
    """Compare a file with what it should hold: shape, frame, nodata, layout, bands, statistics, values."""
    rows, cols = picture.values.shape[1:]
    try:
        with rasterio.open(path) as file:
            stored = file.read()
            layout = file.tags(ns="IMAGE_STRUCTURE").get("LAYOUT")
            facts = {
                "size": (file.shape, (rows, cols)),
                "type": (set(file.dtypes), {"float32"}),
                "nodata": (file.nodata, NODATA),
                "CRS": (file.crs, rasterio.crs.CRS.from_wkt(picture.wkt)),
                "transform": (file.transform.almost_equals(picture.transform, 1e-9), True),
                "layout": (layout, "COG"),
                "overviews": (file.overviews(1), _reported_levels(rows, cols)),
                "bands": (list(zip(file.descriptions, file.units, strict=True)), _described(dress)),
            }
            tags = [file.tags(number) for number in file.indexes]
    except rasterio.errors.RasterioError as error:
        return [f"{path.name}: cannot be read back: {error}"]
    found = [
        f"{path.name}: {what} is {have}, not {wanted}"
        for what, (have, wanted) in facts.items()
        if have != wanted
    ]
    return found or _check_values(path.name, stored, picture, tags, PROFILES[dress.profile].tolerance)


def _check_values(
    name: str, stored: np.ndarray, picture: _Picture, tags: list[dict[str, str]], tolerance: float
) -> list[str]:
    found = []
    if not np.array_equal(stored, picture.values):
        if not np.array_equal(stored == NODATA, picture.values == NODATA):
            return [f"{name}: empty cells differ"]
        most = float(np.abs(stored - picture.values).max())
        if most > tolerance + np.spacing(np.abs(picture.values).max()) * (tolerance > 0):
            found.append(f"{name}: values differ by up to {most:g}")
    for statistics, have in zip(picture.statistics, tags, strict=True):
        wanted = _as_tags(statistics)
        if {key: have.get(key) for key in wanted} != wanted:
            found.append(f"{name}: statistics of a band differ from its cells")
    return found
