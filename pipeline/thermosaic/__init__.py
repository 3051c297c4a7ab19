"""thermosaic: thermal profiles of fresh asphalt mats as checked GIS layers.

Public names load on first use, so that `import thermosaic` stays light. Two guards run here, before any
geospatial library: a foreign PROJ database is unset, and BLAS is held to one thread (same bytes anywhere).
"""

from __future__ import annotations

import importlib
import os
import sys
import warnings

__version__ = "0.1.0"

_PUBLIC = {
    "load_config": "opening",
    "config_schema": "opening",
    "config_show": "opening",
    "run_lot": "run",
    "run_season": "season",
    "check_lot": "checks",
    "open_result": "results",
    "verify_result": "results",
    "verify_folder": "verifying",
    "diff_results": "differing",
    "LotConfig": "config",
    "RuleProfile": "config",
    "ThermosaicError": "errors",
    "ConfigError": "errors",
    "InputError": "errors",
    "MismatchError": "errors",
    "ProductError": "errors",
}
__all__ = ["__version__", *_PUBLIC]


def _guard_environment() -> None:
    """Unset a PROJ database of another program, and hold BLAS to one thread if it is not loaded yet."""
    for name in ("PROJ_LIB", "PROJ_DATA"):
        folder = os.environ.pop(name, None)
        if folder:
            warnings.warn(
                f"{name}={folder} belongs to another program and would break coordinate operations: it is "
                "unset for this process. Extra datum grids go into pyproj's own user folder (pyproj sync).",
                RuntimeWarning,
                stacklevel=3,
            )
    if "numpy" not in sys.modules:
        for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
            os.environ.setdefault(name, "1")


_guard_environment()


def __getattr__(name: str) -> object:
    if name not in _PUBLIC:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f".{_PUBLIC[name]}", __name__), name)


def __dir__() -> list[str]:
    return sorted(__all__)
