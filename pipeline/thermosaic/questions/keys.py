"""Keys of lot.toml: the field of `config` that a key path leads to, and what reads a value of it."""

from __future__ import annotations

from typing import Annotated, Any, get_args

from pydantic import TypeAdapter

from ..config import LotFile, Section

Key = tuple[str | int, ...]


def field_of(key: Key) -> Any:
    """Return the field of `config` that a key path leads to."""
    model: type[Section] = LotFile
    names = [part for part in key if isinstance(part, str)]
    for number, part in enumerate(names):
        info = fields_of(model)[part]
        if number == len(names) - 1:
            return info
        model = sections_of(info)[0]
    raise KeyError(key)


def adapter_of(key: Key) -> TypeAdapter[Any]:
    """Return what reads a value of a key as `config` does."""
    info = field_of(key)
    kind = Annotated[info.annotation, *info.metadata] if info.metadata else info.annotation
    return TypeAdapter(
        kind, config={"strict": True, "arbitrary_types_allowed": True} if _is_plain(kind) else None
    )


def _is_plain(kind: Any) -> bool:
    return not (isinstance(kind, type) and issubclass(kind, Section))


def fields_of(model: type[Section]) -> dict[str, Any]:
    """Fields of a section by their keys in lot.toml."""
    return {info.alias or name: info for name, info in model.model_fields.items()}


def sections_of(info: Any) -> list[type[Section]]:
    """Sections that a key holds: the one of a single table first, that of several tables last."""

    def inside(annotation: Any) -> list[type[Section]]:
        if isinstance(annotation, type) and issubclass(annotation, Section):
            return [annotation]
        return [model for part in get_args(annotation) for model in inside(part)]

    return inside(info.annotation)
