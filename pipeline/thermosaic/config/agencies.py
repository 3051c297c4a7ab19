"""How an agency names its lots, which keys it asks for, and what is handed in under which names."""

from __future__ import annotations

import re
from typing import Literal

from pydantic import Field, model_validator

from ..tables import LAYER, LINES
from ..values import Line, Name, Note, shown
from .section import Section


class AgencyKey(Section):
    """A free key of [lot.agency] that an agency asks for, and the pattern its value follows whole."""

    meaning: Line = Field(description="What it is, in the agency's words")
    example: Line = Field(description="A value that is taken")
    pattern: Line = Field(default=".+", description="Regular expression of the whole value")

    @model_validator(mode="after")
    def _check(self) -> AgencyKey:
        _require_taken(self.pattern, self.example)
        return self


class AgencyPart(Section):
    """A named part of a lot's name: which key it is taken from, and words the agency shortens."""

    key: Line = Field(description="Key of lot.toml that it is taken from, like lot.route or lot.agency.date")
    meaning: Line = Field(description="What it is")
    example: Line = Field(description="A value of that key")
    words: dict[str, str] = Field(default={}, description="Words of the value = how the name writes them")

    @model_validator(mode="after")
    def _check(self) -> AgencyPart:
        if not re.fullmatch(r"lot\.(agency\.)?[A-Za-z0-9_-]+|stationing\.alignment", self.key):
            raise ValueError(f"a key of [lot], [lot.agency] or stationing.alignment, not {shown(self.key)}")
        return self


HANDED_IN = (
    "page", "pdf", "card", "waypoints", "layers", "kml", "flatgeobuf", "mosaic", "mat", "table", "lines", "spots",
    "raw_logs", "lot_file", "quality", "manifest",
)  # fmt: skip


SEVERAL_FILES = ("flatgeobuf", "mosaic", "mat", "raw_logs")


NAME_PARTS = ("lot_id", "revision", "route", "lane", "lift", "paved_on", "file")


class HandedIn(Section):
    """One thing that an agency wants: what it is, its name in the hand-in, and for tables their columns."""

    what: Literal[HANDED_IN] = Field(description="What it is")  # type: ignore[valid-type]
    name: Line = Field(
        description="Its path in the hand-in, parts in braces; {file} where it is several files"
    )
    meaning: Line = Field(description="What it is, in the agency's words")
    required: bool = Field(default=True, description="Its absence is named as missing, not as left out")
    layer: Line | None = Field(default=None, description="Layer of a table, like profiles")
    columns: dict[str, str] = Field(
        default={}, description="The agency's name of a column = our column, in SI"
    )
    readings: Line | None = Field(default=None, description="Name of a column of readings, with {spot}")

    @model_validator(mode="after")
    def _check(self) -> HandedIn:
        parts = re.findall(r"\{([^{}]*)\}", self.name)
        unknown = [part for part in parts if part not in NAME_PARTS]
        if unknown:
            raise ValueError(f"{{{unknown[0]}}} is no part of a name: known are {', '.join(NAME_PARTS)}")
        if ("file" in parts) != (self.what in SEVERAL_FILES):
            raise ValueError("{file} belongs in the name of several files, and only there")
        if not re.fullmatch(r"(?!/)(?!.*//)(?!.*\.\.)[A-Za-z0-9 ._/{}-]+(?<!/)", self.name):
            raise ValueError(
                f"{shown(self.name)} is no path inside a folder: letters, digits, blank . _ - / are taken"
            )
        if (self.layer is not None) != (self.what == "table"):
            raise ValueError("layer is given for a table, and only there")
        if (self.columns and self.what not in ("table", "lines")) or (self.readings and self.what != "lines"):
            raise ValueError("columns are given for table and lines, readings for lines only")
        if self.readings and self.readings.count("{spot}") != 1:
            raise ValueError(f"{shown(self.readings)} lacks {{spot}}, the number of the column")
        self._check_columns()
        return self

    def _check_columns(self) -> None:
        """Refuse a layer or a column that there is not."""
        if self.layer is not None and self.layer not in LAYER:
            raise ValueError(f"there is no layer {shown(self.layer)}: known are {', '.join(LAYER)}")
        table = LINES if self.what == "lines" else LAYER[self.layer] if self.layer else None
        known = {column.name for column in table.columns} if table else set()
        unknown = sorted(set(self.columns.values()) - known)
        if table is not None and unknown:
            raise ValueError(f"{table.name} has no column {shown(unknown[0])}")


class HandIn(Section):
    """What an agency wants handed in, under which names; each agency has its own list."""

    units: Literal["us", "si"] = Field(description="Units that the agency takes")
    files: dict[str, HandedIn] = Field(description="The list: a word for each thing = what, name, meaning")
    persons: tuple[str, ...] = Field(default=(), description="Keys of [lot.agency] that name persons")


class AgencyPattern(Section):
    """How an agency names its lots, and which keys it wants in [lot.agency]; each agency has its own."""

    id: Name = Field(description="Name of the naming pattern")
    title: Line = Field(description="Title in plain words")
    note: Note | None = Field(default=None, description="What a reader should know")
    name: Line = Field(description="Template of the lot's name, its parts in braces")
    pattern: Line = Field(description="Regular expression of the whole name")
    parts: dict[str, AgencyPart] = Field(description="Parts of the template")
    required: dict[str, AgencyKey] = Field(default={}, description="Keys of [lot.agency] that must be there")
    optional: dict[str, AgencyKey] = Field(default={}, description="Keys of [lot.agency] that may be there")
    hand_in: HandIn | None = Field(default=None, description="What is handed in, where the agency has a list")

    @model_validator(mode="after")
    def _check(self) -> AgencyPattern:
        named = re.findall(r"\{([^{}]*)\}", self.name)
        if sorted(named) != sorted(self.parts) or re.search(
            r"[{}]", re.sub(r"\{[a-z0-9_]+\}", "", self.name)
        ):
            raise ValueError(f"name uses {', '.join(named)} in braces, [parts] has {', '.join(self.parts)}")
        _require_taken(self.pattern, None)
        return self

    def agency_keys(self) -> list[tuple[str, AgencyKey, bool]]:
        """List the keys of [lot.agency] with whether each is required."""
        both = ((self.required, True), (self.optional, False))
        return [(name, entry, needed) for entries, needed in both for name, entry in entries.items()]


def _require_taken(pattern: str, example: str | None) -> None:
    """Refuse a regular expression that is none, or that does not take its own example."""
    try:
        taken = example is None or re.fullmatch(pattern, example) is not None
    except re.error as error:
        raise ValueError(f"{shown(pattern)} is not a regular expression: {error}") from None
    if not taken:
        raise ValueError(f"the pattern {shown(pattern)} does not take the example {shown(example)}")
