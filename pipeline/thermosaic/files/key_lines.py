"""At which line of a TOML text each key stands, so that an error can point at it.

The text has been accepted by `tomllib` before: this scan only follows tables, keys, arrays and inline
tables, and does not judge. Values are skipped, not read.
"""

from __future__ import annotations

import re
from typing import Any

KeyPath = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|' + r"'''.*?'{3,5}|" + r'"(?:\\.|[^"\\\n])*"|' + r"'[^'\n]*'", re.DOTALL
)
_PLAIN_VALUE = re.compile(r"[^,\]}#\r\n]*")
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|(.))", re.DOTALL)
_ESCAPED = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r"}


def key_lines(text: str) -> dict[KeyPath, int]:
    """Map every key path of a valid TOML text to its line, 1 = first.

    Entries of arrays are numbered from 0; a table's line is that of its first header, or of the first key
    that makes it.

    >>> key_lines('[a]\\nb = [1,\\n  2]\\n[[c]]\\nd.e = "x"')[("a", "b", 1)]
    3
    """
    return _Scan(text).document()


class _Scan:
    """A cursor over the text, and the lines found so far."""

    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0
        self.lines: dict[KeyPath, int] = {}
        self.counts: dict[KeyPath, int] = {}  # entries seen of each array of tables
        self.line_at, self.line = 0, 1

    def document(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        while self._skip(_BLANK) and self.at < len(self.text):
            if self.text.startswith("[", self.at):
                table = self._header()
            else:
                self._pair(table)
        return self.lines

    def _skip(self, pattern: re.Pattern[str]) -> re.Match[str]:
        match = pattern.match(self.text, self.at)
        if match is None:
            raise ValueError(f"TOML not understood at character {self.at}")
        self.at = match.end()
        return match

    def _note(self, path: KeyPath) -> None:
        """Keep the line of a path and of the tables it makes on its way."""
        self.line += self.text.count("\n", self.line_at, self.at)
        self.line_at = self.at
        for size in range(1, len(path) + 1):
            self.lines.setdefault(path[:size], self.line)

    def _header(self) -> KeyPath:
        is_array = self.text.startswith("[[", self.at)
        self.at += 2 if is_array else 1
        keys = self._keys()
        path: KeyPath = ()
        for number, key in enumerate(keys):
            path = (*path, key)
            if is_array and number == len(keys) - 1:
                self.counts[path] = self.counts.get(path, -1) + 1
            if path in self.counts:
                path = (*path, self.counts[path])
        self._note(path)
        self._skip(_SPACE)
        self.at += 2 if is_array else 1
        return path

    def _keys(self) -> list[str]:
        keys = []
        while True:
            self._skip(_SPACE)
            quoted = self.text[self.at] in "\"'"
            part = self._skip(_STRING if quoted else _BARE_KEY)[0]
            keys.append(_unquoted(part) if quoted else part)
            self._skip(_SPACE)
            if not self.text.startswith(".", self.at):
                return keys
            self.at += 1

    def _pair(self, table: KeyPath) -> None:
        path = (*table, *self._keys())
        self._note(path)
        self.at += 1  # the equals sign
        self._skip(_SPACE)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        opening = self.text[self.at]
        if opening == "[":
            self._entries(path, "]")
        elif opening == "{":
            self._entries(path, "}")
        else:
            self._skip(_STRING if opening in "\"'" else _PLAIN_VALUE)

    def _entries(self, path: KeyPath, closing: str) -> None:
        self.at += 1
        number = 0
        while self._skip(_BLANK) and not self.text.startswith(closing, self.at):
            if closing == "]":
                self._note((*path, number))
                self._value((*path, number))
            else:
                self._pair(path)
            number += 1
            self._skip(_BLANK)
            self.at += self.text.startswith(",", self.at)
        self.at += 1


def _unquoted(part: str) -> str:
    if part[0] == "'":
        return part[1:-1]
    return _ESCAPE.sub(_escaped, part[1:-1])


def _escaped(match: re.Match[str]) -> Any:
    code = match[1] or match[2]
    return chr(int(code, 16)) if code else _ESCAPED.get(match[3], match[3])
