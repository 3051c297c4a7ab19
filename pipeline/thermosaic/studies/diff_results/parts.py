"""All parts of a difference, in the order that an engineer reads them: what went in, then what came of it."""

from __future__ import annotations

from ...delivery import tell
from .found import BY_NUMBER, BY_TIME, Shapes, by_number_part, by_time_part, totals_part, zones_part
from .nouns import Part, Side
from .places import positions_part, readings_part, stations_part, temperatures_part
from .profiles import profiles_part
from .stated import doubts_part, inputs_part, versions_part
from .tally import ReadingChanges


def result_parts(
    old: Side,
    new: Side,
    readings: ReadingChanges,
    configuration: Part,
    shapes: Shapes | None,
    refused: str = "",
    operation: str = "",
) -> tuple[Part, ...]:
    """Put all parts together.

    Parameters
    ----------
    configuration : Part
        The keys that changed, from `check`'s own table of what a key affects.
    shapes : Shapes, optional
        Cold zones on one map; None where there is none.
    refused : str
        Why the new places cannot be brought onto the older map; empty where they can.
    operation : str
        How they were; empty where both have the same map.
    """
    keys = [row["key"] for row in configuration.rows]
    return (
        inputs_part(old, new),
        configuration,
        versions_part(old, new),
        clock_part(old, new),
        positions_part(readings, refused, operation),
        stations_part(old, new, readings),
        readings_part(readings),
        temperatures_part(readings),
        profiles_part(old, new, readings.profiles, keys),
        zones_part(old, new, shapes),
        *(by_time_part(name, old, new) for name in BY_TIME),
        *(by_number_part(name, old, new) for name in BY_NUMBER),
        totals_part(old, new),
        doubts_part(old, new),
    )


def clock_part(old: Side, new: Side) -> Part:
    """Offset of the scan's clock as applied; each line is placed where the paver was then."""
    off = new.clock_s - old.clock_s
    numbers = {"offset_old_s": old.clock_s, "offset_new_s": new.clock_s}
    if off == 0:
        said = tell("the scan clock is {now_s:+.3f} against UTC in both", now_s=old.clock_s)
        return Part("clock", False, (said,), numbers)
    first = tell(
        "the scan clock was {was_s:+.3f} against UTC, is {now_s:+.3f}: lines are placed where the paver was {by_s:.3f} "
        "{way}", was_s=old.clock_s, now_s=new.clock_s, by_s=abs(off), way="earlier" if off > 0 else "later",
    )  # fmt: skip
    return Part("clock", True, (first,), numbers)
