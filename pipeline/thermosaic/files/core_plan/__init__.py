"""A core plan as a folder: layers, tables, lists to fill in, waypoints and a page to print and sign."""

from .folder import publish
from .plan import CorePlan

__all__ = ["CorePlan", "publish"]
