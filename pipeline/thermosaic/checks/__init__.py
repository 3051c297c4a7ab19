"""Check a lot before and while the paver moves, and an installation before it is trusted.

Names load on first use: a look while the paver moves must not wait for libraries that it does not need.
"""

from __future__ import annotations

import importlib

_PUBLIC = {
    "CheckItem": "items",
    "LotCheck": "items",
    "changes_against": "changes",
    "check_installation": "installation",
    "check_lot": "lot",
    "check_so_far": "so_far",
    "explain_formats": "formats",
    "used_by": "changes",
}
__all__ = list(_PUBLIC)


def __getattr__(name: str) -> object:
    if name not in _PUBLIC:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f".{_PUBLIC[name]}", __name__), name)
