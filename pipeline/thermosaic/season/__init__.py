"""A season: `run_lot` over many lots, each by itself, in processes of this machine or through a Dask scheduler.

Rooms: `lots` (which lots are meant, and that no two claim one place), `one_lot` (what a lot needs, and running it),
`workers` (Dask, and nowhere else), `whole` (all of them, their table, page and archive).
"""

from .one_lot import Outcome
from .whole import Season, run_season

__all__ = ["Outcome", "Season", "run_season"]
