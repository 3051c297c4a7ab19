"""Lay a published result over as-built records: cores and gauges, polygons, lines.

What the mat was at each is told with the uncertainty of its place. Temperature is not density, and nothing here
is a judgement or a pay number. Nothing is read or written here.
"""

from .areas import area_frames
from .densities import Correlation, correlations, densities_frame
from .lines import line_frames
from .notes import notes
from .points import cores_frame

__all__ = [
    "Correlation",
    "area_frames",
    "cores_frame",
    "correlations",
    "densities_frame",
    "line_frames",
    "notes",
]
