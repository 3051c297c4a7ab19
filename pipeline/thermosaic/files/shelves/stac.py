"""A published lot as a STAC 1.1 item, the catalogue of all items, and their checker.

An item is made from the result alone and lies in its bag. The catalogue holds a copy of each that knows where
the bags lie, which lots follow which, and the notes. Statistics come from every cell, never from overviews.
Footprints are in longitude and latitude of plain WGS 84 (OGC:CRS84), good to a few metres as they say: for
finding a lot, not for places. What STAC and its extensions do not name begins with `thermosaic:`, in SI.
"""

from __future__ import annotations

import math
import mimetypes
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pystac
import rasterio
import shapely

from ...datum import decimal_year, footprint_operation, own_lon_lat
from ...errors import ProductError
from ..cog import NODATA
from ..facts import CAUTIONS
from ..manifest import MANIFEST, plain, read_json, write_json
from ..sheets.lot_sheet import LotSheet, read_sheet
from ..sources import sha256_of
from .lots_index import OWN
from .notes import NAME as NOTES

ITEM, COLLECTION, ITEMS = "item.json", "collection.json", "items"
ID = "thermosaic-lots"
EXTENSIONS = [
    f"https://stac-extensions.github.io/{name}/schema.json"
    for name in ("file/v2.1.0", "processing/v1.2.0", "projection/v2.0.0", "table/v1.2.0")
]
SHA256_MULTIHASH = "1220"  # of a SHA-256 digest of 32 bytes
ALIKE = 1e-9  # relative, of two sums of the same numbers
SIMPLIFIED_M, DEGREE_STEP = 0.1, 1e-7  # of an outline good to metres
MEDIA = {
    ".tif": "image/tiff; application=geotiff; profile=cloud-optimized", ".gpkg": "application/geopackage+sqlite3",
    ".parquet": "application/vnd.apache.parquet", ".vrt": "application/xml", ".qgz": "application/zip",
    ".toml": "application/toml", ".nmea": "text/plain", ".json": "application/json", ".csv": "text/csv",
}  # fmt: skip
ROLES = {"card": "thumbnail", "manifest": "metadata", "quality": "metadata", "report": "overview"}
SKIPPED = (".qml", ".sld")  # styles lie beside what they dress


def item_of(bag: Path, result: str, logs: list[str]) -> dict[str, Any]:
    """Make the item of a published result, its files named from `bag`, without links.

    Parameters
    ----------
    result : str
        Folder of the result in the bag, like data/result.
    logs : list of str
        Files of the lot folder in the bag.

    Raises
    ------
    ProductError
        The result cannot be read.
    ConfigError
        Its map CRS has no operation of known accuracy to longitude and latitude.
    """
    sheet = read_sheet(bag / result)
    laid = sheet.frames["mat"][["laid_from_utc", "laid_to_utc"]]
    if laid.empty:
        raise ProductError(f"{bag / result}: holds no mat: there is nothing to archive")
    began, ended = (plain(time.to_datetime64()) for time in (laid.min().iloc[0], laid.max().iloc[1]))
    outline, operation = _outline(sheet, laid.min().iloc[0])
    made = pystac.Item(
        id=item_id(sheet.manifest["lot_id"], sheet.manifest["revision"]),
        geometry=shapely.geometry.mapping(outline),
        bbox=list(outline.bounds),
        datetime=None,
        start_datetime=datetime.fromisoformat(began),
        end_datetime=datetime.fromisoformat(ended),
        properties=_properties(sheet) | operation | {f"{OWN}has_logs": bool(logs)},
        stac_extensions=EXTENSIONS,
    )
    products = [(item["path"], item["role"]) for item in sheet.manifest["products"]]
    for path, role in [*products, (MANIFEST, "manifest")]:
        if not path.endswith(SKIPPED):
            made.add_asset(path, _asset(bag, f"{result}/{path}", ROLES.get(role, "data"), sheet))
    for path in logs:
        made.add_asset(path.partition("/")[2], _asset(bag, path, "source", sheet))
    return plain({**made.to_dict(include_self_link=False, transform_hrefs=False), "links": []})


def item_id(lot_id: str, revision: int) -> str:
    """Name of one revision of a lot among all: no lot's name can make it that of another."""
    return f"{lot_id}.r{revision}"


def _outline(sheet: LotSheet, moment: pd.Timestamp) -> tuple[Any, dict[str, Any]]:
    """Outline of the mat in OGC:CRS84, and how it came there."""
    mat = shapely.union_all(shapely.simplify(sheet.frames["mat"].geometry.to_numpy(), SIMPLIFIED_M))
    middle = mat.centroid.coords[0]
    where = own_lon_lat(sheet.crs, *(value / sheet.factor for value in middle))
    operation = footprint_operation(sheet.crs, where, decimal_year(moment.to_datetime64().astype("M8[ns]")))
    turned = shapely.transform(mat, lambda points: np.column_stack(operation.inverse(*points.T)))
    outline = shapely.set_precision(turned, DEGREE_STEP)
    parts = [part for part in shapely.get_parts(outline) if part.geom_type == "Polygon"]
    outline = shapely.MultiPolygon([shapely.geometry.polygon.orient(part) for part in parts])
    return outline, {
        f"{OWN}footprint_accuracy_m": operation.accuracy_m,
        f"{OWN}footprint_operation": operation.name,
    }


def _properties(sheet: LotSheet) -> dict[str, Any]:
    """What people look for, SI; class counts by the rule's word, best first."""
    lot, whole, rules = sheet.config["lot"], sheet.whole, sheet.config["rules"]
    known = ("route", "lane", "lift", "course", "mix", "time_zone", "supersedes", "reason", "agency")
    counted = (
        "station_from_m", "station_to_m", "station_from_label", "station_to_label", "paved_m", "measured_m",
        "unmeasured_m", "area_m2", "profile_count", "insufficient_count", "zone_count", "zone_area_m2", "stop_count",
        "stopped_s", "reading_kept_count", "reading_dropped_count",
    )  # fmt: skip
    authority = sheet.crs.to_authority(min_confidence=100)
    own = {
        "lot_id": sheet.manifest["lot_id"],
        "revision": sheet.manifest["revision"],
        "paved_on": sheet.quality["paved_on"],
        **{key: lot.get(key) for key in known},
        "lane": " & ".join(sheet.lanes),
        **{name: _number(whole[name]) for name in counted},
        "classes": [[word, int(whole[f"class_{i}_count"])] for i, word in enumerate(sheet.class_words)],
        "rule_id": rules["id"],
        "units": sheet.manifest["delivery"]["units"],
        "map_crs": sheet.crs.name,
        "doubt_count": len(sheet.quality["doubts"]),
    }
    return {
        "title": sheet.place,
        "gsd": sheet.config["grid"]["map_cell_m"],
        "processing:software": {"thermosaic": sheet.manifest["version"]},
        "proj:code": ":".join(authority) if authority else None,
        **({} if authority else {"proj:wkt2": sheet.crs.to_wkt()}),
        **{f"{OWN}{key}": value for key, value in own.items()},
    }


def _number(value: Any) -> Any:
    """Metres to the millimetre, so that a change of the foot and back leaves no trace."""
    return round(float(value), 3) if isinstance(value, float | np.floating) else value


def _asset(bag: Path, href: str, role: str, sheet: LotSheet) -> pystac.Asset:
    """One file with its digest; rasters with shape, transform and statistics, spots with their rows."""
    path = bag / href
    kind = MEDIA.get(path.suffix.lower()) or mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    extra: dict[str, Any] = {
        "file:checksum": SHA256_MULTIHASH + sha256_of(path),
        "file:size": path.stat().st_size,
    }
    if path.suffix == ".tif" and role == "data":
        extra |= _raster(path)
    if path.suffix == ".parquet" and role == "data":
        extra["table:row_count"] = sheet.quality["readings"]["rows"]
    return pystac.Asset(href, media_type=kind, roles=[role], extra_fields=extra)


def _raster(path: Path) -> dict[str, Any]:
    with rasterio.open(path) as file:
        placed = {} if file.crs and file.crs.is_projected else {"proj:code": None}  # the mat frame is no map
        return {
            **placed,
            "proj:shape": list(file.shape),
            "proj:transform": list(file.transform)[:6],
            "data_type": file.dtypes[0],
            "nodata": NODATA,
            "bands": [
                {"name": name, "unit": unit, "statistics": _statistics(file.read(number))}
                for number, name, unit in zip(file.indexes, file.descriptions, file.units, strict=True)
            ],
        }


def _statistics(values: np.ndarray) -> dict[str, float]:
    """Of every cell that holds a value, float64; an empty band counts none."""
    filled = values[values != np.float32(NODATA)].astype(np.float64)
    counted = {"count": int(filled.size), "valid_percent": 100 * filled.size / values.size}
    if not filled.size:
        return counted
    return counted | {
        "minimum": float(filled.min()), "maximum": float(filled.max()), "mean": float(filled.mean()),
        "stddev": float(filled.std()),
    }  # fmt: skip


# ------------------------------------------------------------------------------------------ the catalogue


def write_catalogue(folder: Path, items: dict[str, dict[str, Any]]) -> None:
    """Write collection.json and items/*.json into `folder`, made from the items as `placed_item` gives them."""
    (folder / ITEMS).mkdir()
    for name, item in items.items():
        write_json(folder / ITEMS / f"{name}.json", item)
    write_json(folder / COLLECTION, _collection(items))


def placed_item(
    item: dict[str, Any], bag: str, later: list[str], earlier: list[str], notes: str
) -> dict[str, Any]:
    """Give an item as it stands in the catalogue.

    Parameters
    ----------
    bag : str
        From the item to the folder of its bag, relative.
    later, earlier : list of str
        Ids of items that supersede this one, newest first, and of those that this one supersedes.
    notes : str
        Digest of the lot's notes, empty where there are none.
    """
    assets = {name: {**asset, "href": f"{bag}/{asset['href']}"} for name, asset in item["assets"].items()}
    if notes:
        assets[NOTES] = {
            "href": f"{Path(bag).parent.as_posix()}/{NOTES}", "type": "text/csv", "roles": ["metadata"],
            "file:checksum": SHA256_MULTIHASH + notes,
        }  # fmt: skip
    links = [{"rel": rel, "href": f"../{COLLECTION}", "type": "application/json"}
             for rel in ("root", "parent", "collection")]  # fmt: skip
    links += [_version("latest-version", later[0]), _version("successor-version", later[-1])] if later else []
    links += [_version("predecessor-version", name) for name in earlier]
    properties = {**item["properties"], f"{OWN}superseded_by": later[0] if later else None}
    return {**item, "collection": ID, "assets": assets, "links": links, "properties": properties}


def _version(rel: str, name: str) -> dict[str, str]:
    """A link between revisions, by the relations of RFC 5829."""
    return {"rel": rel, "href": f"./{name}.json", "type": "application/geo+json"}


def _collection(items: dict[str, dict[str, Any]]) -> dict[str, Any]:
    boxes = np.array([item["bbox"] for item in items.values()] or [[-180.0, -90.0, 180.0, 90.0]])
    box = [*boxes[:, :2].min(axis=0), *boxes[:, 2:].max(axis=0)]
    times = sorted(
        datetime.fromisoformat(item["properties"][key])
        for item in items.values()
        for key in ("start_datetime", "end_datetime")
    ) or [None, None]
    made = pystac.Collection(
        id=ID,
        title="Thermal profiles of asphalt mats, lot by lot",
        description="One item a revision of a lot; its files lie in a BagIt bag. " + " ".join(CAUTIONS),
        extent=pystac.Extent(
            pystac.SpatialExtent([[float(value) for value in box]]),
            pystac.TemporalExtent([[times[0], times[-1]]]),
        ),
        license="other",
        stac_extensions=[],
    )
    content = made.to_dict(include_self_link=False, transform_hrefs=False)
    links = [{"rel": "root", "href": f"./{COLLECTION}", "type": "application/json"}]
    links += [
        {"rel": "item", "href": f"./{ITEMS}/{name}.json", "type": "application/geo+json"} for name in items
    ]
    return plain({**content, "links": links})


def read_items(folder: Path) -> dict[str, dict[str, Any]]:
    """Items of a catalogue by id, in the collection's order."""
    links = read_json(folder / COLLECTION)["links"]
    paths = [folder / link["href"] for link in links if link["rel"] == "item"]
    return {path.stem: read_json(path) for path in paths}


# ------------------------------------------------------------------------------------------- the checker


def check_item(bag: Path, result: str, logs: list[str]) -> list[str]:
    """Make a bag's item anew from its payload; return what it states and the payload does not bear out.

    What a later version of the program would state besides is no difference.
    """
    try:
        stated = read_json(bag / ITEM)
    except (OSError, ValueError) as error:
        return [f"{ITEM}: cannot be read: {error}"]
    made = item_of(bag, result, logs)
    made |= {key: _shared(made.get(key), stated.get(key)) for key in ("properties", "assets")}
    return [f"{ITEM}: {text}" for text in _differ(stated, made)]


def _shared(made: Any, stated: Any) -> dict[str, Any]:
    return {key: made[key] for key in made if key in (stated or {})}


def check_catalogue(folder: Path, meant: dict[str, dict[str, Any]]) -> list[str]:
    """Re-read a catalogue, by itself and with pystac, and compare it with the items that the bags give."""
    try:
        have = read_items(folder)
        collection = read_json(folder / COLLECTION)
    except (OSError, ValueError, KeyError, TypeError) as error:
        return [f"{COLLECTION}: cannot be read: {error}"]
    found = [f"{ITEMS}: {name} has no bag" for name in have if name not in meant]
    found += [f"{ITEMS}: {name} is missing" for name in meant if name not in have]
    for name in [name for name in meant if name in have]:
        found += [f"{ITEMS}/{name}.json: {text}" for text in _differ(have[name], meant[name])]
    listed = {f"{name}.json" for name in have}
    found += [
        f"{ITEMS}/{path.name}: is in no link"
        for path in (folder / ITEMS).iterdir()
        if path.name not in listed
    ]
    if not found:
        found += [f"{COLLECTION}: {text}" for text in _differ(collection, _collection(meant))]
    return found or _check_with_pystac(folder)


def _differ(have: Any, meant: Any, where: str = "") -> Iterable[str]:
    """Say where two JSON values differ: at the deepest key that both have."""
    if isinstance(have, dict) and isinstance(meant, dict):
        for key in sorted({*have, *meant}):
            yield from _differ(have.get(key), meant.get(key), f"{where}.{key}" if where else key)
    elif isinstance(have, list) and isinstance(meant, list) and len(have) == len(meant):
        for number, (one, other) in enumerate(zip(have, meant, strict=True), start=1):
            yield from _differ(one, other, f"{where} {number}")
    elif isinstance(have, float) and isinstance(meant, float) and math.isclose(have, meant, rel_tol=ALIKE):
        return  # sums end in other digits on another machine
    elif have != meant:
        yield f"{where} is {str(have)[:60]}, the bag says {str(meant)[:60]}"


def _check_with_pystac(folder: Path) -> list[str]:
    """Follow every link and look up every file with the reference library."""
    try:
        collection = pystac.Collection.from_file(str(folder / COLLECTION))
        items = list(collection.get_items())
    except (OSError, ValueError, KeyError, TypeError, pystac.STACError) as error:
        return [f"{COLLECTION}: pystac says: {error}"]
    files = ((item.id, asset.get_absolute_href()) for item in items for asset in item.assets.values())
    return [
        f"{ITEMS}/{name}.json: {href} is missing" for name, href in files if not Path(str(href)).is_file()
    ]
