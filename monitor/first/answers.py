"""What a shop has answered so far: text as it was typed, in a TOML file that is written at every answer."""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path

# Typed for "don't know", and how it is kept.
UNKNOWN = "don't know"
_UNKNOWNS = ("don't know", "dont know", "don’t know", "do not know", "dk", "unknown", "no idea", "-")
_HEAD = """\
# What was answered to `goodwater init`. It is written at every answer; init goes on from it, or makes the
# site file anew. It may be edited here: a line that is taken out is asked again. "don't know" is an answer.
"""
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_MOST_BYTES = 1_000_000


class AnswersUnreadable(Exception):
    """An answers file that cannot be used; the text says where and why."""


def is_unknown(text: str) -> bool:
    return text.strip().lower() in _UNKNOWNS


class Answers:
    """Answers by their question's key, like `tap.hardness`; with a path, each is on disk at once."""

    def __init__(self, texts: Mapping[str, str] | None = None, path: Path | None = None) -> None:
        self._texts = dict(texts or {})
        self.path = path

    @classmethod
    def load(cls, path: Path) -> Answers:
        """The answers of a file; none when there is no such file yet.

        Raises: AnswersUnreadable.
        """
        try:
            content = path.read_bytes()[: _MOST_BYTES + 1]
        except FileNotFoundError:
            return cls(path=path)
        except OSError as error:
            raise AnswersUnreadable(
                f"{path}: cannot be read: {(error.strerror or str(error)).lower()}"
            ) from error
        try:
            tables = tomllib.loads(content.decode("utf-8-sig"))
        except (ValueError, RecursionError) as error:  # no UTF-8, or no TOML
            raise AnswersUnreadable(
                f'{path}: {error}. It should hold lines like hardness = "18 gpg" under headings like [tap]'
            ) from error
        return cls(dict(_flat(path, tables)), path)

    def __contains__(self, key: str) -> bool:
        return key in self._texts

    def __iter__(self) -> Iterator[str]:
        return iter(self._texts)

    def get(self, key: str) -> str:
        """The answer as typed; empty when there is none."""
        return self._texts.get(key, "")

    def put(self, key: str, text: str) -> None:
        """Raises: OSError when the file cannot be written."""
        self._texts[key] = text
        self.save()

    def forget(self, key: str) -> None:
        if self._texts.pop(key, None) is not None:
            self.save()

    def save(self) -> None:
        """Written beside and moved into place: a cut of the power leaves the old file or the new one."""
        if self.path is None:
            return
        beside = self.path.with_name(self.path.name + ".part")
        with beside.open("w", encoding="utf-8") as file:
            file.write(self.text())
            file.flush()
            os.fsync(file.fileno())
        beside.replace(self.path)

    def text(self) -> str:
        """The file's text: tables by the first parts of the keys, in the order of the answers."""
        tables: dict[str, list[str]] = {}
        for key, text in self._texts.items():
            table, _, name = key.rpartition(".")
            # JSON's text in quotes is TOML's, but for DEL
            value = json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
            tables.setdefault(table, []).append(f"{name} = {value}")
        blocks = [
            "\n".join([f"[{'.'.join(map(_key, table.split('.')))}]", *lines])
            for table, lines in tables.items()
        ]
        return "\n".join([_HEAD, "\n\n".join(blocks), ""])


def _key(part: str) -> str:
    return part if _BARE.fullmatch(part) else json.dumps(part)


def _flat(path: Path, table: Mapping[str, object], around: str = "") -> Iterator[tuple[str, str]]:
    for name, value in table.items():
        key = f"{around}{name}"
        if isinstance(value, dict):
            yield from _flat(path, value, f"{key}.")
        elif isinstance(value, str | int | float) and not isinstance(value, bool) and around:
            if text := str(value).strip():
                yield key, text
        elif isinstance(value, bool) and around:
            yield key, "yes" if value else "no"
        else:
            raise AnswersUnreadable(
                f'{path}: {key} holds no answer: a text in quotes, like "18 gpg", under a heading'
            )
