"""Data of the page's plan map: the mat as pictures, values for the read-out, outlines; metres from one origin.

Pictures are for the eye and may be coarser than the tiles. The read-out's values are those of mat.tif, cell by
cell, in tenths of a degree of the delivery; the spine turns a place on the map into station and offset.
"""

from __future__ import annotations

import base64
import io
import zlib
from collections.abc import Iterator
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from PIL import Image
from rasterio.enums import Resampling

from ..cog import NODATA
from .look import class_face
from .lot_sheet import LotSheet, MatPicture
from .measures import duration
from .spine import Spine

MOST_CELLS = 360_000  # of the mat that the pictures show
SHADES = 96
EMPTY = -32768


def map_data(sheet: LotSheet) -> dict[str, Any] | None:
    """Everything that the map needs, ready for JSON; None where nothing has a place."""
    if not sheet.spines:
        return None
    origin = _origin(sheet)
    return {
        "crs": sheet.crs.name,
        "origin": origin,
        "pictures": list(_pictures(sheet, origin)),
        "passes": [_pass(sheet, mat, origin) for mat in sheet.mats if mat.pass_id in sheet.spines],
        "layers": [
            {"id": "profiles", "features": _features(sheet, "profiles", origin, _profile)},
            {"id": "zones", "features": _features(sheet, "cold_zones", origin, _zone)},
            {"id": "stops", "features": _features(sheet, "stops", origin, _stop)},
            {"id": "gaps", "features": _features(sheet, "gaps", origin, _gap)},
        ],
        "ticks": _ticks(sheet, origin),
        "labels": _labels(sheet),
    }


def _labels(sheet: LotSheet) -> dict[str, Any]:
    """What the page needs to write a station as a label."""
    labels = sheet.measures.labels
    equations = [[item.internal_m, item.ahead_m, 1 if item.rising else -1] for item in labels.equations]
    return {
        "digits": labels.digits,
        "decimals": labels.decimals,
        "length": labels.length_m,
        "equations": equations,
    }


def _origin(sheet: LotSheet) -> list[float]:
    east = min(float(spine.easting_m.min()) for spine in sheet.spines.values())
    north = min(float(spine.northing_m.min()) for spine in sheet.spines.values())
    return [float(np.floor(east / 100) * 100), float(np.floor(north / 100) * 100)]


def _pictures(sheet: LotSheet, origin: list[float]) -> Iterator[dict[str, Any]]:
    """One palette PNG a tile, coarser where the lot is long."""
    coarser = _coarser(sheet)
    for tile, bounds in sheet.tiles:
        with rasterio.open(tile) as file:
            shape = (-(-file.height // coarser), -(-file.width // coarser))
            values = file.read(1, out_shape=shape, resampling=Resampling.average, masked=True)
        filled = np.asarray(values.filled(NODATA), dtype=float)
        if np.all(filled == NODATA):
            continue
        rows, cols = (np.flatnonzero((filled != NODATA).any(axis=axis)) for axis in (1, 0))
        part = filled[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
        cell = (bounds[2] - bounds[0]) / shape[1], (bounds[3] - bounds[1]) / shape[0]
        west, north = bounds[0] + cols[0] * cell[0], bounds[3] - rows[0] * cell[1]
        box = [west, north - part.shape[0] * cell[1], west + part.shape[1] * cell[0], north]
        yield {
            "box": [round(value - origin[i % 2], 3) for i, value in enumerate(box)],
            "png": base64.b64encode(_png(sheet, part)).decode("ascii"),
        }


def _coarser(sheet: LotSheet) -> int:
    """Cells of a tile to one of its picture along each axis."""
    area = float(sheet.whole["area_m2"]) if np.isfinite(sheet.whole["area_m2"]) else 0.0
    cells = area / float(sheet.config["grid"]["map_cell_m"]) ** 2
    return max(int(np.ceil(np.sqrt(cells / MOST_CELLS))), 1)


def _png(sheet: LotSheet, values: np.ndarray) -> bytes:
    """Palette PNG: index 0 clear, then below, the ramp in even shades, above."""
    ramp = sheet.ramp
    share = (values - ramp.low) / (ramp.high - ramp.low)
    index = np.clip(np.rint(share * (SHADES - 1)), 0, SHADES - 1) + 2
    index = np.select([values == NODATA, share < 0, share > 1], [0, 1, SHADES + 2], index).astype(np.uint8)
    step = (ramp.high - ramp.low) / (SHADES - 1)
    shades = [ramp.low - 1, *(ramp.low + i * step for i in range(SHADES)), ramp.high + 1]
    colours = ramp.rgb(np.minimum(np.array(shades), [*[ramp.high] * (SHADES + 1), np.inf]))
    image = Image.fromarray(index, "P")
    image.putpalette(np.vstack([[[0, 0, 0]], colours]).astype(np.uint8).tobytes())
    buffer = io.BytesIO()
    image.save(buffer, "PNG", transparency=0, optimize=True)
    return buffer.getvalue()


def _pass(sheet: LotSheet, mat: MatPicture, origin: list[float]) -> dict[str, Any]:
    """Spine and values of one pass."""
    spine = sheet.spines[mat.pass_id]
    return {
        "id": mat.pass_id,
        "spine": _spine(spine, origin),
        "cell": mat.cell_m,
        "zero": mat.zero_m,
        "station": mat.station_from_m,
        "offset": mat.offset_from_m,
        "shape": list(mat.temp_c.shape),
        "values": pack_values(sheet.measures.shown(mat.temp_c.astype(float), "temp")),
    }


def _spine(spine: Spine, origin: list[float]) -> dict[str, list[float]]:
    return {
        "station": spine.station_m.round(3).tolist(),
        "east": (spine.easting_m - origin[0]).round(3).tolist(),
        "north": (spine.northing_m - origin[1]).round(3).tolist(),
        "middle": spine.middle_m.round(3).tolist(),
        "half": spine.half_m.round(3).tolist(),
        "joined": spine.joined.astype(int).tolist(),
    }


def pack_values(shown: np.ndarray) -> str:
    """Pack values as tenths: int16 little endian, each column less the one before, deflated, base64.

    >>> unpack_values(pack_values(np.array([[1.0, 2.5], [np.nan, 3.0]])), (2, 2)).tolist()
    [[1.0, 2.5], [nan, 3.0]]
    """
    tenths = np.where(np.isfinite(shown), np.rint(np.nan_to_num(shown) * 10), EMPTY).astype(np.int16)
    with np.errstate(over="ignore"):
        steps = np.diff(tenths, axis=1, prepend=np.int16(0))
    return base64.b64encode(zlib.compress(steps.astype("<i2").tobytes(), 9)).decode("ascii")


def unpack_values(text: str, shape: tuple[int, int]) -> np.ndarray:
    """Undo `pack_values`."""
    steps = np.frombuffer(zlib.decompress(base64.b64decode(text)), "<i2").reshape(shape)
    tenths = np.cumsum(steps, axis=1, dtype=np.int16)
    return np.where(tenths == EMPTY, np.nan, tenths / 10)


def _features(sheet: LotSheet, layer: str, origin: list[float], describe: Any) -> list[dict[str, Any]]:
    frame = sheet.frames[layer]
    return [
        {"rings": _rings(row.geometry, origin), **describe(sheet, row)}
        for _, row in frame.iterrows()
        if row.geometry is not None and not row.geometry.is_empty
    ]


def _rings(geometry: shapely.Geometry, origin: list[float]) -> list[list[list[float]]]:
    """Outer rings of a polygon's parts as [northing, easting] pairs."""
    parts = shapely.get_parts(shapely.simplify(geometry, 0.06))
    return [
        [[round(n - origin[1], 2), round(e - origin[0], 2)] for e, n, *_ in part.exterior.coords]
        for part in parts
        if not part.is_empty
    ]


def _profile(sheet: LotSheet, row: gpd.GeoSeries) -> dict[str, Any]:
    to = sheet.measures
    return {
        "id": f"profile-{row['profile_id']}",
        "title": f"Profile {row['profile_id']}: {row['profile_class']}",
        "colour": class_face(row["class_rank"], len(sheet.class_words))[0],
        "lines": [
            f"Sta {to.station(row['station_from_m'])} to {to.station(row['station_to_m'])}",
            f"differential {to.text(row['differential_delta_c'], 'delta')}",
        ],
    }


def _zone(sheet: LotSheet, row: gpd.GeoSeries) -> dict[str, Any]:
    to = sheet.measures
    side = f" from the {row['edge_side']} edge" if row["edge_side"] else ""
    return {
        "id": f"zone-{row['zone_id']}",
        "title": f"Cold zone {row['zone_id']}",
        "lines": [
            f"Sta {to.station(row['station_from_m'])} to {to.station(row['station_to_m'])}",
            f"{to.bare(row['edge_from_m'], 'length')} to {to.text(row['edge_to_m'], 'length')}{side}",
            f"up to {to.text(row['deficit_max_delta_c'], 'deficit')} below the mat around it, "
            f"{to.text(row['area_m2'], 'area')}",
            f"laid {to.clock(row['laid_from_utc'])}",
        ],
    }


def _stop(sheet: LotSheet, row: gpd.GeoSeries) -> dict[str, Any]:
    to = sheet.measures
    return {
        "id": f"stop-{row['stop_id']}",
        "title": f"Stop {row['stop_id']}: {duration(row['duration_s'])}",
        "lines": [f"Sta {to.station(row['station_m'])}", f"from {to.clock(row['start_utc'])}"],
    }


def _gap(sheet: LotSheet, row: gpd.GeoSeries) -> dict[str, Any]:
    to = sheet.measures
    kind = str(row["kind"]).replace("_", " ")
    return {
        "id": f"gap-{row.name + 1}",
        "title": "Not measured",
        "lines": [f"{kind}, {to.text(row['length_m'], 'distance')}"],
    }


def _ticks(sheet: LotSheet, origin: list[float]) -> list[list[Any]]:
    ticks = sheet.frames["station_ticks"]
    return [
        [
            round(row.geometry.y - origin[1], 2),
            round(row.geometry.x - origin[0], 2),
            sheet.measures.labels.whole_text(row["station_m"]),
            round(float(row["azimuth_deg"]), 1),
        ]
        for _, row in ticks.iterrows()
        if row.geometry is not None and not row.geometry.is_empty
    ]
