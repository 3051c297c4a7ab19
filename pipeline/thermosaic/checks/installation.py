"""Check an installation before it is trusted: versions, and one round trip through each library."""

from __future__ import annotations

import importlib.metadata
import platform
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

_LIBRARIES = (
    "numpy", "scipy", "pandas", "numba", "shapely", "pyproj", "rasterio", "fiona", "pyogrio", "geopandas",
    "pyarrow", "pydantic", "click", "matplotlib",
)  # fmt: skip


def check_installation() -> tuple[list[str], bool]:
    """Return lines for a person (versions, one round trip a library), and whether all is sound."""
    lines = [f"python     {platform.python_version()} on {platform.machine()}"]
    lines += [f"{name:<10} {importlib.metadata.version(name)}" for name in _LIBRARIES]
    lines += _bundled_versions()
    sound = True
    for name, trial in _TRIALS.items():
        try:
            lines.append(f"{name:<10} {trial()}")
        except Exception as error:  # a doctor reports every ailment
            sound = False
            lines.append(f"{name:<10} FAILED: {type(error).__name__}: {error}")
    return lines, sound


def _bundled_versions() -> list[str]:
    """Return the GDAL and PROJ versions that each library brings along."""
    import fiona
    import pyogrio
    import pyproj
    import rasterio

    return [
        f"GDAL       rasterio {rasterio.__gdal_version__}, fiona {fiona.__gdal_version__}, "
        f"pyogrio {'.'.join(map(str, pyogrio.__gdal_version__))}",
        f"PROJ       pyproj {pyproj.proj_version_str}",
    ]


def _try_datum() -> str:
    from ..datum import pin_operation

    operation = pin_operation("EPSG:6318", "EPSG:6344", accuracy_m=0.1, where=(-93.0, 45.0))
    return f"datum operation found: {operation.name}"


def _try_raster() -> str:
    import rasterio
    from rasterio.transform import from_origin

    cells = np.arange(12, dtype="float32").reshape(3, 4)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cells.tif"
        profile = {"driver": "GTiff", "width": 4, "height": 3, "count": 1, "dtype": "float32"}
        with rasterio.open(
            path, "w", transform=from_origin(0, 3, 1, 1), crs="EPSG:6344", **profile
        ) as dataset:
            dataset.write(cells, 1)
        with rasterio.open(path) as dataset:
            _expect(np.array_equal(dataset.read(1), cells), "cells read back differ")
    return "GeoTIFF written and read back"


def _try_vector() -> str:
    import fiona
    import geopandas as gpd
    from shapely import Point

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "points.gpkg"
        gpd.GeoDataFrame({"n": [7]}, geometry=[Point(1, 2)], crs="EPSG:6344").to_file(path, driver="GPKG")
        with fiona.open(path) as layer:
            _expect(next(iter(layer))["properties"]["n"] == 7, "feature read back differs")
    return "GeoPackage written by pyogrio and read by fiona"


def _expect(condition: bool, message: str) -> None:
    if not condition:
        raise RuntimeError(message)


_TRIALS: dict[str, Callable[[], str]] = {"datum": _try_datum, "raster": _try_raster, "vector": _try_vector}
