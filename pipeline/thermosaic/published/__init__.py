"""A published result as studies take it: layers and readings in SI, and the field of zones made anew from them.

Nothing is read or written here; `results` fills it.
"""

from .nouns import SPOT_COLUMNS, Published
from .readings import Place, Readings, readings_of

__all__ = ["SPOT_COLUMNS", "Place", "Published", "Readings", "readings_of"]
