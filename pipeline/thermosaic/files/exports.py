"""also/: copies of lot.gpkg for programs that want another format; each read back by another reader.

FlatGeobuf, a file a layer, for web maps and scripts; KML, one file, for phones and globes. The GeoPackage
stays the product: copies carry no styles but KML's own.
"""

from __future__ import annotations

from pathlib import Path

import fiona
import pyogrio

from ..tables import LAYER, LAYERS
from . import geopackage, kml

FOLDER, KINDS = "also", ("fgb", "kml")
KML = "lot.kml"


def write_also(package: Path, folder: Path, kinds: tuple[str, ...]) -> list[Path]:
    """Write copies of a GeoPackage into folder/also; return their paths in order.

    Raise ValueError for a kind that is none of KINDS.
    """
    unknown = sorted(set(kinds) - set(KINDS))
    if unknown:
        raise ValueError(f"{', '.join(unknown)}: copies are made as {', '.join(KINDS)}")
    out = folder / FOLDER
    if kinds:
        out.mkdir(exist_ok=True)
    paths = [_write_flatgeobuf(package, out, table.name) for table in LAYERS] if "fgb" in kinds else []
    if "kml" in kinds:
        kml.write_kml(out / KML, package)
        paths.append(out / KML)
    return paths


def _write_flatgeobuf(package: Path, folder: Path, name: str) -> Path:
    """Write one layer; an index takes no row without geometry, so then there is none."""
    frame, path = geopackage.read_layer(package, name), folder / f"{name}.fgb"
    geometry_type = LAYER[name].geometry
    has_index = "NO" if frame.geometry.isna().any() or frame.empty else "YES"
    pyogrio.write_dataframe(
        frame, path, driver="FlatGeobuf", layer=name, geometry_type=geometry_type, use_arrow=False,
        layer_options={"SPATIAL_INDEX": has_index},
    )  # fmt: skip
    return path


def check_also(package: Path, folder: Path, kinds: tuple[str, ...]) -> list[str]:
    """Read the copies back and compare them with the GeoPackage; return what differs."""
    found = []
    for table in LAYERS if "fgb" in kinds else ():
        path = folder / FOLDER / f"{table.name}.fgb"
        try:
            with fiona.open(path) as layer, fiona.open(package, layer=table.name) as meant:
                have = sorted(row.properties["feature_uid"] for row in layer)
                wanted = sorted(row.properties["feature_uid"] for row in meant)
                if have != wanted or list(layer.schema["properties"]) != list(meant.schema["properties"]):
                    found.append(f"{path.name}: rows or columns differ from layer {table.name}")
        except (fiona.errors.FionaError, OSError) as error:
            found.append(f"{path.name}: cannot be read: {error}")
    return found + (kml.check_kml(folder / FOLDER / KML, package) if "kml" in kinds else [])
