"""What an instrument sends, pasted as it comes: which of it is the value, which the time."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Any, Literal

from monitor.first.written import NotRight

_NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?(?![\w.])|(?<=[=:>])[-+]?\d+(?:\.\d+)?|[-+]?\d+(?:\.\d+)?")
_TIMES = ("time", "timestamp", "ts", "t", "datetime", "date", "at", "utc")
_ISO = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d")
# 2020 to 2100, as seconds and as milliseconds since 1970
_SECONDS, _MILLISECONDS = (1.58e9, 4.1e9), (1.58e12, 4.1e12)


@dataclass(frozen=True)
class Value:
    """A number in a sample: where it is, and how it was written."""

    where: str  # a JSON pointer; for a line the number's place, counted from 1
    written: str

    @property
    def digit(self) -> str:
        """Its last digit, as a step: `12.3` shows 0.1."""
        decimals = len(self.written.partition(".")[2])
        return f"{10.0**-decimals:.{decimals}f}" if decimals else "1"


@dataclass(frozen=True)
class Message:
    """An MQTT message: a bare number, or JSON with one or several numbers in it."""

    kind: Literal["number", "json"]
    values: tuple[Value, ...]
    time: str = ""  # pointer to the time; empty where there is none
    time_unit: str = "ms"
    unit_text: str = ""
    decimal: Literal["point", "comma"] = "point"


def message(typed: str) -> Message:
    """Raises: NotRight when there is no number in it."""
    plain = typed.strip()
    if plain[:1] in "{[" and plain:
        return _json(plain)
    bare = re.fullmatch(r"([-+]?\d+(?:([.,])\d+)?)\s*(\S{0,12})", plain)
    if bare is None:
        raise NotRight(
            'a bare number like 12.3, one with its unit, or JSON like {"t": 1790000000000, "ec": 12.3}'
        )
    decimal: Literal["point", "comma"] = "comma" if bare[2] == "," else "point"
    return Message("number", (Value("", bare[1].replace(",", ".")),), unit_text=bare[3], decimal=decimal)


def _json(plain: str) -> Message:
    try:
        document = json.loads(plain, parse_float=_Written, parse_int=_Written)
    except (ValueError, RecursionError) as error:
        raise NotRight(f"that begins like JSON but is none: {error}") from error
    leaves = list(_leaves(document))
    time = next((leaf for leaf in leaves if _time_unit(*leaf)), None)
    values = tuple(
        Value(pointer, str(found))
        for pointer, found in leaves
        if (pointer, found) != time and _is_number(found)
    )
    if not values:
        raise NotRight("there is no number in it")
    if time is None:
        return Message("json", values)
    return Message("json", values, time[0], _time_unit(*time))


class _Written(str):
    """A number as it was written, so that its digits are known."""


def _is_number(found: object) -> bool:
    return isinstance(found, _Written) or (
        isinstance(found, str) and bool(re.fullmatch(r"[-+]?\d+(\.\d+)?", found))
    )


def _leaves(found: Any, pointer: str = "") -> list[tuple[str, Any]]:
    if isinstance(found, dict):
        parts = [(str(name).replace("~", "~0").replace("/", "~1"), inner) for name, inner in found.items()]
    elif isinstance(found, list):
        parts = [(str(index), inner) for index, inner in enumerate(found)]
    else:
        return [(pointer, found)]
    return [leaf for name, inner in parts for leaf in _leaves(inner, f"{pointer}/{name}")]


def _time_unit(pointer: str, found: object) -> str:
    """How a leaf is a time: `ms`, `s` or `iso`; empty where it is none."""
    if pointer.rpartition("/")[2].lower() not in _TIMES:
        return ""
    if isinstance(found, _Written):
        value = float(found)
        if _MILLISECONDS[0] <= value <= _MILLISECONDS[1]:
            return "ms"
        return "s" if _SECONDS[0] <= value <= _SECONDS[1] else ""
    return "iso" if isinstance(found, str) and _ISO.match(found) else ""


def line_values(typed: str) -> tuple[Value, ...]:
    """The numbers in a line of text, in their order.

    Raises: NotRight when there is none.
    """
    found = tuple(Value(str(n), m.group()) for n, m in enumerate(_NUMBER.finditer(typed.strip()), 1))
    if not found:
        raise NotRight("there is no number in that line; paste it as the meter prints it, like EC=12.3 uS")
    return found


def line_pattern(typed: str, number: int, name: str) -> str:
    """A regular expression for lines like this one, in which the number of that place is the value.

    Other numbers may be any; spaces may be more or fewer.
    """
    plain, parts, at = typed.strip(), [], 0
    for position, found in enumerate(_NUMBER.finditer(plain), 1):
        parts.append(_literal(plain[at : found.start()]))
        parts.append(f"(?P<{name}>[-+]?[0-9.]+)" if position == number else "[-+]?[0-9.]+")
        at = found.end()
    return "".join([*parts, _literal(plain[at:])])


def _literal(text: str) -> str:
    return (
        r"\s+".join(re.escape(part).replace("'", "\\x27") for part in re.split(r"\s+", text)) if text else ""
    )
