"""A paving lot with its truth in closed form: logs as bytes, and what a perfect program would find in them.

The non-slip point of the paver follows a line beside the alignment (straights, arcs, clothoids, weave);
the body's heading is that line's tangent plus a crab angle; C, the antenna and every spot follow by the
exact lever arm. Nothing of the code under test is used: no kernel, no reader, no writer. Not done here:
writing files (the caller does), several scanners.

>>> lot = make_lot(LotPlan(road=(straight(60.0),)))
>>> lot.truth.temp_c.shape == lot.logged.temp_c.shape
True
"""

from .lot import make_lot
from .motion import Body, Motion
from .plan import (
    BackUp,
    Change,
    Episode,
    Exclude,
    Gnss,
    LotPlan,
    Mat,
    PassPlan,
    Patch,
    Person,
    Rig,
    Scanner,
    SpotFault,
    Stop,
    Stretch,
    Wheel,
    arc,
    bend,
    clothoid,
    straight,
)
from .planted import line_stations, outline, spot_stations
from .road import Road, Site, alignment_vertices
from .truth import Logged, SyntheticLot, TrueGap, TrueSpeed, TrueStop, TrueZone, Truth

__all__ = [
    "BackUp",
    "Body",
    "Change",
    "Episode",
    "Exclude",
    "Gnss",
    "Logged",
    "LotPlan",
    "Mat",
    "Motion",
    "PassPlan",
    "Patch",
    "Person",
    "Rig",
    "Road",
    "Scanner",
    "Site",
    "SpotFault",
    "Stop",
    "Stretch",
    "SyntheticLot",
    "TrueGap",
    "TrueSpeed",
    "TrueStop",
    "TrueZone",
    "Truth",
    "Wheel",
    "alignment_vertices",
    "arc",
    "bend",
    "clothoid",
    "line_stations",
    "make_lot",
    "outline",
    "spot_stations",
    "straight",
]
