"""Give every spot its station and offset, along an alignment or along the pass's own path from marks.

Stations of an alignment are its own map lengths; without one they are ground lengths of C's path. Not
done here: reading or smoothing an alignment, and station labels.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..model import LotInputs, Stations, Swath, Trajectory
from ..stationing.marks import place_mark
from ..stationing.own_path import by_own_path
from ..stationing.road import by_alignment

if TYPE_CHECKING:
    from ..config import StationPlan


def station_lot(swath: Swath, trajectory: Trajectory, inputs: LotInputs, plan: StationPlan) -> Stations:
    """Station all spots of a lot.

    Parameters
    ----------
    swath : Swath
        Scan lines on the ground; `distance_m` is C's path distance.
    trajectory : Trajectory
        For marks noted by time.
    inputs : LotInputs
        Passes, and the alignment if there is one.
    plan : StationPlan
        Direction, marks, limits, points of the paver.

    Returns
    -------
    Stations
        Without an alignment the zero of `frame_m` is the pass's first line and marks move `zero_m` alone;
        two marks or more in a pass also stretch `frame_m` between them. `line_frame_m` goes on through
        lines without a position, interpolated over distance.

    Raises
    ------
    ConfigError
        A mark, a direction or a pass is missing or names nothing.
    MismatchError
        Marks, directions, path and alignment contradict each other.
    """
    marks = tuple(
        place_mark(
            f"[[mark]] {number} ({plan.labels.text(mark.station_m)})",
            mark,
            swath,
            trajectory,
            inputs.passes,
            plan,
        )
        for number, mark in enumerate(plan.marks, 1)
    )
    if inputs.alignment is None:
        return by_own_path(swath, inputs.passes, marks, plan)
    return by_alignment(swath, inputs, trajectory, marks, plan)
