"""Do cold bands come back at the length of a truck load? Asked of a published result."""

from __future__ import annotations

from dataclasses import dataclass

from ...published import Published
from .cycle import Interval, PassCycle, load_cycles
from .told import sentences

__all__ = ["Interval", "LoadCycles", "PassCycle", "load_cycles", "sentences", "study_loads"]


@dataclass(frozen=True, eq=False, slots=True)
class LoadCycles:
    """What comes back along each pass of a lot, and what is said about it."""

    passes: tuple[PassCycle, ...]
    load_kg: float | None  # as stated by who asks
    load_length_m: float | None  # as the lot states it
    sentences: dict[str, tuple[str, ...]]  # by pass id

    @property
    def told(self) -> tuple[str, ...]:
        """Everything that is said, pass after pass."""
        return tuple(text for texts in self.sentences.values() for text in texts)

    def told_of(self, pass_id: str) -> tuple[str, ...]:
        return self.sentences[pass_id]


def study_loads(published: Published, load_kg: float | None = None) -> LoadCycles:
    """Study a published lot; `load_kg` is the mass of a load as who asks states it."""
    passes = load_cycles(published)
    stated_m = published.config["lot"]["load_length_m"]
    told = {item.pass_id: sentences(item, load_kg, stated_m) for item in passes}
    return LoadCycles(passes, load_kg, stated_m, told)
