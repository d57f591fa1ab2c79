"""A mistake in a site file, and pydantic's findings turned into plain words."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, get_args

from pydantic import SecretStr
from pydantic.fields import FieldInfo

from monitor.config.locate import Path
from monitor.plant.fields import ID_PATTERN, ID_WORDS, Wrong

_LONGEST_SHOWN = 60
_NOT_SHOWN = "a secret, not shown here"


@dataclass(frozen=True, slots=True, order=True)
class Mistake:
    """One thing to put right: where, what stands there, what may stand there."""

    line: int  # 0: about the file as a whole
    place: str
    found: str
    allowed: str

    def __str__(self) -> str:
        where = f"line {self.line}, {self.place}" if self.line else self.place
        return f"{where}\n  found:   {self.found}\n  allowed: {self.allowed}"


class ConfigMistakes(Exception):
    """A site file that cannot be used, with all that is wrong in it, in the order of its lines."""

    def __init__(self, path: str, mistakes: Iterable[Mistake]) -> None:
        self.path = path
        self.mistakes = tuple(sorted(set(mistakes)))
        count = "1 mistake" if len(self.mistakes) == 1 else f"{len(self.mistakes)} mistakes"
        super().__init__("\n\n".join([f"{path}: {count}", *map(str, self.mistakes)]))


def quoted(value: object) -> str:
    """A value as it stands in the file, cut where it is long."""
    if isinstance(value, dict):
        return "a table"
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 3] + "..."


def one_of(names: Iterable[str], found: object) -> str:
    """The names that are allowed, the nearest to what was found first in the sentence."""
    known = list(dict.fromkeys(names))
    if not known:
        return "nothing: there is none in this file"
    likely = nearest(known, found)
    listed = ", ".join(f'"{name}"' for name in known)
    return f'"{likely}"? One of: {listed}' if likely else f"one of: {listed}"


def nearest(names: Iterable[str], found: object) -> str:
    """The name most like what was found; empty when none is like it."""
    return next(iter(get_close_matches(str(found), list(names), n=1, cutoff=0.5)), "")


# pydantic's names for what a value is not, and what we say it should be
_SHOULD_BE = {
    "string_type": "text in quotes",
    "int_type": "a whole number without quotes",
    "int_from_float": "a whole number",
    "int_parsing_size": "a whole number of usual size",
    "float_type": "a number without quotes",
    "bool_type": "true or false, without quotes",
    "date_type": "a date without quotes, like 2026-03-01",
    "date_parsing": "a date without quotes, like 2026-03-01",
    "date_from_datetime_parsing": "a date without quotes, like 2026-03-01",
    "date_from_datetime_inexact": "a date without a time, like 2026-03-01",
    "finite_number": "a finite number",
    "dict_type": "a table, like { kind = ... }",
    "model_type": "a table, like { kind = ... }",
    "model_attributes_type": "a table, like { kind = ... }",
    "url_type": "an address, like https://hooks.example/goodwater",
    "url_parsing": "an address, like https://hooks.example/goodwater",
    "path_type": "a file's path in quotes",
    "string_too_short": "text that is not empty",
}

_BOUNDS = {
    "greater_than": ("gt", "more than"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "less than"),
    "less_than_equal": ("le", "at most"),
    "string_too_long": ("max_length", "text with a number of characters at most"),
    "string_too_short": ("min_length", "text with a number of characters at least"),
}


def in_words(
    error: Mapping[str, Any], path: Path, found: object, fields: Mapping[str, FieldInfo]
) -> tuple[Path, str, str]:
    """One of pydantic's errors as (path, found, allowed).

    `path` leads to the value in the file, `found` is that value, `fields` are those of the table around it.
    """
    kind, context = str(error["type"]), error.get("ctx", {})
    field = fields.get(str(path[-1])) if path else None
    meaning = (field.description if field else None) or ""
    if field is not None and SecretStr in (field.annotation, *get_args(field.annotation)):
        found = None if found is None else _NOT_SHOWN
    wrong = context.get("error")
    if isinstance(wrong, Wrong):
        at = (*path, wrong.key) if wrong.key else path
        inner = found.get(wrong.key) if isinstance(found, dict) else found
        if wrong.key and not isinstance(found, dict):
            at, inner = path, found
        return at, *apart(wrong.found or _present(inner), str(wrong))
    if isinstance(wrong, ValueError):
        return path, *apart(_present(found), str(wrong))
    if kind == "missing" and path and isinstance(path[-1], int):
        array = fields.get(str(path[-2]))
        return path[:-1], f"an array of {path[-1]}", (array and array.description) or "more elements"
    if kind == "missing":
        return path, "nothing", f"this key is needed{': ' + meaning if meaning else ''}"
    if kind == "extra_forbidden":
        return path, f"the unknown key {quoted(path[-1])}", one_of(fields, path[-1])
    if kind == "union_tag_not_found":
        return (*path, "kind"), "nothing", "this key is needed: it says which keys the table has"
    if kind in ("literal_error", "union_tag_invalid"):
        names = re.findall(r"'([^']*)'", str(context.get("expected", context.get("expected_tags", ""))))
        if kind == "union_tag_invalid" and isinstance(found, dict):
            return (*path, "kind"), quoted(context["tag"]), one_of(names, context["tag"])
        return path, _present(found), one_of(names, found)
    return path, _present(found), _limits(kind, context, path, found, meaning, str(error["msg"]))


def apart(found: str, text: str) -> tuple[str, str]:
    """What was found and what is allowed, of a refusal that says both: `unit ...; flow is written in ...`."""
    reason, _, allowed = text.partition("; ")
    if " is written in " not in allowed:
        return found, text
    return reason if found in reason else f"{found}: {reason}", allowed


def _present(found: object) -> str:
    return "nothing" if found is None else quoted(found)


def _limits(
    kind: str, context: Mapping[str, Any], path: Path, found: object, meaning: str, fallback: str
) -> str:
    if kind in ("tuple_type", "list_type"):
        if isinstance(found, dict):
            return f"tables written with double brackets, like [[{path[-1]}]]"
        return "an array in square brackets"
    if kind == "too_short" and context.get("min_length") == 1:
        return "at least one"
    if kind in ("too_short", "too_long", "missing_positional_argument"):
        count = context.get("min_length", context.get("max_length"))
        return f"{count} elements"
    if kind == "string_pattern_mismatch":
        known = context.get("pattern") == ID_PATTERN
        return f"an id: {ID_WORDS}" if known else f"text of the pattern {context.get('pattern')}"
    if kind in _BOUNDS:
        key, words = _BOUNDS[kind]
        if kind != "string_too_short" or context.get(key) != 1:
            return (
                f"{words} {context.get(key)}"
                if "characters" not in words
                else (f"{words.replace('a number of', str(context.get(key)))}")
            )
    return _SHOULD_BE.get(kind) or fallback.replace("Input should be ", "").replace("Input ", "value ")
