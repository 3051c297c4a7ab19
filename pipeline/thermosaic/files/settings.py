"""Read TOML settings safely, and say in one line for each error what is wrong, where, and what was expected.

Lot files, rule profiles, log formats and rigs all come through here; which file a name means is
`catalogue`'s to say.
"""

from __future__ import annotations

import difflib
import inspect
import re
import stat
import tomllib
import typing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn, TypeVar

from pydantic import BaseModel, ValidationError

from ..errors import ConfigError, ProductError
from ..values import shown
from .key_lines import key_lines

LARGEST = 1_000_000  # bytes of one settings file
DEEPEST = 12  # tables and lists within each other

Loc = tuple[str | int, ...]
Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True, eq=False, slots=True)
class Settings:
    """A TOML file as read: its values (lists as tuples), its text, and the line of each key path."""

    path: Path
    data: dict[str, Any]
    text: str
    lines: dict[Loc, int] = field(repr=False)

    def line(self, loc: Loc) -> int:
        """Return the line of a key path, or of the nearest table around it that has one."""
        return next(
            (self.lines[loc[:size]] for size in range(len(loc), 0, -1) if loc[:size] in self.lines), 1
        )

    def refuse(self, problems: list[tuple[Loc, str]]) -> NoReturn:
        """Raise ConfigError with one line for each problem, in the order of the file."""
        raise ConfigError("\n".join(self.describe(problems)))

    def describe(self, problems: list[tuple[Loc, str]]) -> list[str]:
        """Write each (key path, sentence) as `FILE:LINE: key: sentence`, once, in the order of the file."""
        placed = sorted(
            {(self.line(loc), key_text(loc), text): None for loc, text in problems}, key=lambda p: p[0]
        )
        return [
            printable(f"{self.path}:{line}: {key}: {text}" if key else f"{self.path}:{line}: {text}")
            for line, key, text in placed
        ]


def printable(text: str) -> str:
    """Write control and invisible characters of a message as escapes, so that it stays one honest line."""
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in text)


def refusal(text: str) -> ConfigError:
    """Make a ConfigError of one printable line."""
    return ConfigError(printable(text))


def refusals(lines: list[str]) -> ConfigError:
    """Make a ConfigError of several printable lines."""
    return ConfigError("\n".join(printable(line) for line in lines))


def key_text(loc: Loc) -> str:
    """Write a key path as `mark[2].distance`, entries counted from 1."""
    parts = (
        f"[{part + 1}]" if isinstance(part, int) else f".{part if len(part) <= 60 else part[:60] + '..'}"
        for part in loc
    )
    return "".join(parts).removeprefix(".")


# ------------------------------------------------------------------------------------------ reading TOML


def read_toml(path: Path) -> Settings:
    """Read a TOML file; every way in which it is not one is a ConfigError of one line.

    A byte order mark is dropped; other encodings than UTF-8, over 1 MB, over 12 levels are refused.
    """
    return toml_settings(path, _decoded(path, _bytes(path)))


def toml_settings(path: Path, text: str) -> Settings:
    """Take a text as the TOML file that it is or will be; errors are those of `read_toml`."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise refusal(f"{path}:{_syntax(str(error), text)}") from None
    except RecursionError:
        raise refusal(f"{path}:1: tables or lists nested deeper than {DEEPEST} levels") from None
    except ValueError:
        longest = re.search("[0-9_]{1000,}", text)
        line = text.count("\n", 0, longest.start()) + 1 if longest else 1
        raise refusal(f"{path}:{line}: a number of thousands of digits is not a value") from None
    if _depth(data) > DEEPEST:
        raise refusal(f"{path}:1: tables or lists nested deeper than {DEEPEST} levels")
    return Settings(path, _tuples(data), text, key_lines(text))


def write_settings(path: Path, text: str) -> None:
    """Write a TOML file whole or not at all: first beside its place, then over it."""
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(text, encoding="utf-8", newline="\n")
        part.replace(path)
    except OSError as error:
        raise ProductError(printable(f"{path}: cannot be written: {error.strerror}")) from None


def _bytes(path: Path) -> bytes:
    """Read an ordinary file of bounded size; never wait on a pipe or a device."""
    try:
        state = path.stat()
        if not stat.S_ISREG(state.st_mode):
            kind = "a folder" if stat.S_ISDIR(state.st_mode) else "not an ordinary file"
            raise refusal(f"{path}: is {kind}: a TOML file is expected")
        if state.st_size > LARGEST:
            raise refusal(f"{path}: {state.st_size} bytes is too large: at most {LARGEST}")
        return path.read_bytes()
    except (OSError, ValueError) as error:
        if isinstance(error, ConfigError):
            raise
        reason = getattr(error, "strerror", None) or "not a path"
        raise refusal(f"{path}: cannot be read: {reason}") from None


def _decoded(path: Path, raw: bytes) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise refusal(f"{path}:1: the file is UTF-16: save it as UTF-8")
    raw = raw.removeprefix(b"\xef\xbb\xbf")
    try:
        return raw.decode("utf-8").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line, byte = raw.count(b"\n", 0, error.start) + 1, raw[error.start]
        raise refusal(f"{path}:{line}: byte 0x{byte:02X} is not UTF-8: save the file as UTF-8") from None


def _syntax(message: str, text: str) -> str:
    """Turn tomllib's words into `LINE: what, what was expected`."""
    place = re.search(r" \(at (?:line ([0-9]+), column ([0-9]+)|end of document)\)$", message)
    what = message[: place.start()] if place else message
    last = text.rstrip("\n").count("\n") + 1
    line, column = (place[1] or last, f"column {place[2]}: " if place[2] else "") if place else (1, "")
    if "overwrite" in what or "twice" in what or "Duplicate" in what:
        return f"{line}: {column}this key or table is stated a second time: keep one of them"
    return f"{line}: {column}not TOML: {what[0].lower() + what[1:]}"


def _depth(data: Any) -> int:
    """Return how deep tables and lists lie within each other, without recursion."""
    deepest, level = 0, [data]
    while level:
        deepest += 1
        nested = (item.values() if isinstance(item, dict) else item for item in level)
        level = [inner for items in nested for inner in items if isinstance(inner, dict | list)]
    return deepest


def _tuples(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return tuple(_tuples(item) for item in value) if isinstance(value, list) else value


# ------------------------------------------------------------------------------------------- validation


def validated(
    model: type[Model], settings: Settings, problems: list[tuple[Loc, str]] | None = None, **context: Any
) -> Model:
    """Turn settings into a section of `config`; ConfigError lists every error with file, line and key.

    `problems` are such found before; `context` is handed to the validators: `folder` (paths become
    absolute), `labels` (stations).
    """
    known = problems or []
    try:
        section = model.model_validate(settings.data, context=context, by_alias=True, by_name=False)
    except ValidationError as error:
        settings.refuse(known + _problems(error, model, settings.data))
    if known:
        settings.refuse(known)
    return section


def _problems(error: ValidationError, model: type[BaseModel], data: Any) -> list[tuple[Loc, str]]:
    """Turn pydantic's errors into (key path as written, sentence)."""
    found = [(_written(item["loc"], data, item["type"]), item) for item in error.errors(include_url=False)]
    return [(loc, _sentence(loc, item, model)) for loc, item in found]


def _written(loc: Loc, data: Any, kind: str) -> Loc:
    """Drop from an error's place what is not a key of the file (names of alternatives)."""
    path: list[str | int] = []
    for number, part in enumerate(loc):
        is_key = part in data if isinstance(data, dict) else isinstance(part, int) and isinstance(data, tuple)
        if is_key:
            data = data[part]
        if is_key or (kind == "missing" and number == len(loc) - 1):
            path.append(part)
    return tuple(path)


_EXPECTED = {
    "model_type": "a table", "dict_type": "a table", "model_attributes_type": "a table",
    "tuple_type": "a list",
    "string_type": "text in quotes", "bool_type": "true or false", "int_type": "a whole number",
    "float_type": "a number", "finite_number": "a finite number", "int_from_float": "a whole number",
}  # fmt: skip


def _sentence(loc: Loc, item: Any, model: type[BaseModel]) -> str:
    """Say what was found and what was expected."""
    kind = item["type"]
    if kind == "extra_forbidden":
        return _unknown(loc, model)
    if kind == "missing":
        meaning = _meaning(loc, model)
        return "required, but missing" + (f" ({meaning})" if meaning else "")
    value = item["input"]
    found = "a table" if isinstance(value, dict) else "a list" if isinstance(value, tuple) else shown(value)
    if kind in _EXPECTED:
        return f"{_EXPECTED[kind]} is expected, not {found}"
    if kind == "literal_error":
        return f"{found} is not one of {item['ctx']['expected']}"
    if kind == "value_error":
        return str(item["ctx"]["error"])
    return f"{found}: {item['msg']}"


def _unknown(loc: Loc, model: type[BaseModel]) -> str:
    """Name the nearest known key, or the section that the key belongs to, or the keys that are known."""
    if loc in (("scanner", "id"), ("scanner", "file")):
        return "belongs to one of several scanners: write each as a [[scanner]] table, or leave it out"
    key, known = str(loc[-1]), list(_fields((model,), loc[:-1]))
    near = difflib.get_close_matches(key[:100], known, 1, cutoff=0.6)
    if near:
        return f'unknown key; did you mean "{near[0]}"?'
    homes = [section for section in _fields((model,), ()) if key in _fields((model,), (section,))]
    if homes:
        return f"unknown key here; it belongs to [{homes[0]}]"
    return f"unknown key; known here: {', '.join(known)}"


def _meaning(loc: Loc, model: type[BaseModel]) -> str | None:
    """Return the plain words that the schema has for a key."""
    info = _fields((model,), loc[:-1]).get(str(loc[-1]))
    sections = _sections_in(info.annotation) if info else ()
    return (info.description if info else None) or (inspect.getdoc(sections[0]) if sections else None)


def _fields(models: tuple[type[BaseModel], ...], loc: Loc) -> dict[str, Any]:
    """Return the fields, by key, of the section (or alternative sections) that a key path leads to."""
    for part in loc:
        if isinstance(part, str):
            info = _fields(models, ()).get(part)
            models = _sections_in(info.annotation) if info else ()
    return {info.alias or name: info for model in models for name, info in model.model_fields.items()}


def _sections_in(annotation: Any) -> tuple[type[BaseModel], ...]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return (annotation,)
    return tuple(section for inner in typing.get_args(annotation) for section in _sections_in(inner))
