"""Where in a TOML text each key and each element of an array stands.

tomllib reads TOML but tells no lines. This scanner is run only on a text that tomllib has already accepted,
so it looks for where things begin and end and judges nothing. (Kept rather than a second TOML library with
positions: it is one page, and what is right is still decided by the standard library alone.)
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_left
from contextlib import suppress

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}|' + r"'''.*?'{3,5}|" + r'"(?:[^"\\\n]|\\.)*"|' + r"'[^'\n]*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}#\n]*")


class _Lost(Exception):
    """The text does not go on as TOML would."""


class Lines:
    """The line, counted from 1, of every path of one document."""

    def __init__(self, text: str) -> None:
        self._text = text.replace("\r\n", "\n")
        self._at = 0
        self._newlines = [match.start() for match in re.finditer("\n", self._text)]
        self._elements: dict[Path, int] = {}  # how many tables each array of tables has so far
        self._lines: dict[Path, int] = {(): 1}
        # A line is a courtesy: were there TOML this scanner cannot follow, the mistakes would still be told,
        # at the line of the last table it understood.
        with suppress(_Lost, IndexError):
            self._document()

    def of(self, path: Path) -> int:
        """The line of a path, or of the nearest table around it when the path is not in the file."""
        while path not in self._lines:
            path = path[:-1]
        return self._lines[path]

    def knows(self, path: Path) -> bool:
        """Whether the path stands in the file."""
        return path in self._lines

    def _document(self) -> None:
        table: Path = ()
        self._skip(_BLANK)
        while self._at < len(self._text):
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(_BLANK)

    def _header(self) -> Path:
        start = self._at
        of_array = self._text.startswith("[[", start)
        self._at += 2 if of_array else 1
        path: Path = ()
        for key in (keys := self._keys())[:-1]:
            path = self._enter(path, key, start)
        if not of_array:
            path = (*path, keys[-1])
            self._mark(path, start)
        else:
            array = (*path, keys[-1])
            self._mark(array, start)
            path = (*array, self._elements.get(array, 0))
            self._elements[array] = self._elements.get(array, 0) + 1
            self._mark(path, start)
        self._at += 2 if of_array else 1
        return path

    def _enter(self, path: Path, key: str, start: int) -> Path:
        """One key further; in an array of tables, its last table."""
        path = (*path, key)
        self._mark(path, start)
        return (*path, self._elements[path] - 1) if path in self._elements else path

    def _pair(self, table: Path) -> None:
        start = self._at
        for key in self._keys():
            table = (*table, key)
            self._mark(table, start)
        self._at += 1  # the equals sign
        self._skip(_SPACE)
        self._value(table)

    def _value(self, path: Path) -> None:
        match self._text[self._at]:
            case '"' | "'":
                self._skip(_STRING)
            case "[":
                self._inside("]", path)
            case "{":
                self._inside("}", path)
            case _:
                self._skip(_SCALAR)

    def _inside(self, closing: str, path: Path) -> None:
        self._at += 1
        index = 0
        self._skip(_BLANK)
        while self._text[self._at] != closing:
            if closing == "]":
                self._mark((*path, index), self._at)
                self._value((*path, index))
                index += 1
            else:
                self._pair(path)
            self._skip(_BLANK)
            if self._text[self._at] == ",":
                self._at += 1
                self._skip(_BLANK)
        self._at += 1

    def _keys(self) -> list[str]:
        """A dotted key, up to the `=` or `]` after it."""
        keys: list[str] = []
        while True:
            self._skip(_SPACE)
            if self._text[self._at] in "\"'":
                quoted = self._skip(_STRING)
                keys.append(str(tomllib.loads(f"key = {quoted}")["key"]))
            else:
                keys.append(self._skip(_BARE_KEY))
            self._skip(_SPACE)
            if self._text[self._at] != ".":
                return keys
            self._at += 1

    def _mark(self, path: Path, at: int) -> None:
        if path not in self._lines:
            self._lines[path] = 1 + bisect_left(self._newlines, at)

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._at)
        if match is None:
            raise _Lost
        self._at = match.end()
        return match.group()
