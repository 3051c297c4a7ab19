"""What a check says: one item a thing looked at, ok, look or stop, with what to do about it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from ..config import LotConfig
from ..delivery import in_units
from ..errors import ThermosaicError
from ..model import Doubt


@dataclass(frozen=True, slots=True)
class CheckItem:
    """One thing looked at: verdict `ok`, `look` or `stop`, what was found, what to do about it."""

    verdict: str
    name: str
    found: str
    advice: str = ""


@dataclass(frozen=True, slots=True)
class LotCheck:
    """All items in the order of the work, the exit code that `run` would give, and proposed passes."""

    items: tuple[CheckItem, ...]
    exit_code: int
    pass_proposal: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return a mapping for JSON."""
        return asdict(self)


def in_lot_units(items: Iterable[CheckItem], config: LotConfig) -> tuple[CheckItem, ...]:
    """Write the sentences of items in the lot's units, with its map's foot."""
    return tuple(
        CheckItem(i.verdict, i.name, *(in_units(text, *config.reader) for text in (i.found, i.advice)))
        for i in items
    )


def stop(name: str, error: ThermosaicError) -> CheckItem:
    """Make an item of what stops a run, its numbers kept for the lot's units."""
    return CheckItem("stop", name, error.args[0] if error.args else "")


def ok(name: str, found: str, advice: str = "") -> CheckItem:
    """Make an item that asks for nothing."""
    return CheckItem("ok", name, found, advice)


def look(name: str, found: str, advice: str = "") -> CheckItem:
    """Make an item that a person should look at before the crew goes home."""
    return CheckItem("look", name, found, advice)


# items of their own say more
_SHOWN_ELSEWHERE = {"clock_estimated", "mark_off_alignment", "mat_off_plan", "bad_spot"}


def doubt_items(doubts: Iterable[Doubt]) -> list[CheckItem]:
    """Turn doubts of the stages into items, those left out that an item of its own shows."""
    return [
        look(doubt.kind.replace("_", " "), doubt.text)
        for doubt in doubts
        if doubt.kind not in _SHOWN_ELSEWHERE
    ]
