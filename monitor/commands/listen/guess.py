"""How a message might be read: its payload kind, what is in it, and its time. Guesses, for a person to check.

Pure, and safe for whatever the bytes are: what is looked at is bounded.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from monitor.commands.listen.shown import plain, plain_bytes
from monitor.intake.decoded import CONTACT_WORDS, MAX_BYTES, Origin, Refusal, TimeUnit, text_of, time_from
from monitor.intake.json_document import at_pointer, document_of
from monitor.intake.senml import resolve
from monitor.readings import Count

MOST_PARTS = 40
_DEEPEST = 6
_NUMBER = re.compile(r"\s*([<>]?)\s*([+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?)\s*([a-zA-Zµμ°%Ω/].{0,15})?\s*")
_TIME_KEYS = frozenset({"t", "ts", "time", "timestamp", "at", "date", "datetime", "utc"})
_NAME_KEYS = ("id", "name", "n", "tag", "key", "channel", "sensor")
_VALUE_KEYS = ("v", "value", "val", "reading")
_TIME_UNITS: tuple[TimeUnit, ...] = ("ms", "s", "iso")
_EARLIEST_MS, _LATEST_MS = 1_500_000_000_000, 4_100_000_000_000  # 2017 to 2099


@dataclass(frozen=True, slots=True)
class Part:
    """One value of a source."""

    name: str  # what the source calls it
    where: str  # what stands for it in the site file's `values`: a pointer, a name, a group
    value: float
    text: str  # as it was written
    unit: str = ""  # as it was sent
    contact: bool = False


@dataclass(frozen=True, slots=True)
class Guess:
    """How the message of one source might be read."""

    kind: str  # of payload; or what it is instead: "text", "bytes"
    parts: tuple[Part, ...] = ()
    keys: Mapping[str, object] = field(default_factory=dict)  # of the payload, besides kind and values
    time: str = ""  # as it was written
    remark: str = ""


def guess(raw: bytes) -> Guess:
    """How a message might be read."""
    text = text_of(raw)
    if len(raw) > MAX_BYTES:
        return Guess("bytes", remark=f"{len(raw)} bytes; at most {MAX_BYTES} are read")
    if isinstance(text, Refusal):
        return Guess("bytes", remark=plain_bytes(raw))
    part = _part("", "", text)
    if part is not None:
        return Guess("number", (part,), _written([part]))
    document = document_of(raw, Origin("", 0))
    if isinstance(document, Count) or not isinstance(document, (dict, list)):
        return Guess("text", remark=plain(text))
    return _senml(document) or _array(document) or _object(document, document, {})


def _part(name: str, where: str, found: object, unit: str = "") -> Part | None:
    """A value that can be a channel's; None for what is none."""
    if isinstance(found, bool):
        return Part(name, where, float(found), "1" if found else "0", unit, contact=True)
    if isinstance(found, (int, float)):
        number = float(found) if abs(found) < 1e300 else 0.0
        return Part(name, where, number, repr(found), unit) if number - number == 0.0 else None
    if not isinstance(found, str) or len(found) > 80:
        return None
    word = found.strip().lower()
    if word in CONTACT_WORDS:
        return Part(name, where, CONTACT_WORDS[word], word, unit, contact=True)
    match = _NUMBER.fullmatch(found.strip("\0"))
    if match is None:
        return None
    number = float(match[2].replace(",", "."))
    behind = (match[3] or "").strip()
    return Part(name, where, number, match[2], behind or unit) if abs(number) < 1e300 else None


def _written(parts: list[Part]) -> dict[str, object]:
    """The keys that say how numbers are written as text."""
    keys: dict[str, object] = {}
    if any("," in part.text for part in parts):
        keys["decimal"] = "comma"
    behind = sorted({part.unit for part in parts if part.unit})
    return keys | ({"unit_text": behind} if behind else {})


def _senml(document: dict[str, object] | list[object]) -> Guess | None:
    if not isinstance(document, list) or not document or len(document) > 4096:
        return None
    first = document[0]
    if not isinstance(first, dict) or not ({"n", "bn"} & set(first)) or {"value", "id"} & set(first):
        return None
    resolved = resolve(document)
    if not resolved.records:
        return None
    parts: dict[str, Part] = {}
    for record in resolved.records:
        part = _part(record.name, record.name, record.value, record.unit)
        if part is not None and len(parts) < MOST_PARTS:
            parts[record.name] = part
    last = resolved.records[-1]
    time = "" if last.time_ms is None else f"{last.time_s:.3f}"
    return Guess("senml", tuple(parts.values()), {}, time)


def _array(document: dict[str, object] | list[object]) -> Guess | None:
    """A message whose values are in an array of objects: named ones, or readings each with its time."""
    for pointer, elements in _arrays(document, "", 0):
        first = elements[0]
        if not isinstance(first, dict):
            continue
        name = next((key for key in _NAME_KEYS if isinstance(first.get(key), (str, int))), None)
        value = next((key for key in _VALUE_KEYS if key in first), None)
        if name is not None and value is not None:
            return _named(document, pointer, elements, name, value)
        if _time_in(first)[0]:
            found = _object(elements[-1], document, {"each": pointer})
            if found.parts:
                return found
    return None


def _arrays(found: object, pointer: str, depth: int) -> Iterator[tuple[str, list[object]]]:
    if depth > _DEEPEST:
        return
    if isinstance(found, list):
        if found and isinstance(found[0], dict):
            yield pointer, found
    elif isinstance(found, dict):
        for key, inner in list(found.items())[:MOST_PARTS]:
            yield from _arrays(inner, f"{pointer}/{_token(key)}", depth + 1)


def _named(document: object, pointer: str, elements: list[object], name: str, value: str) -> Guess:
    parts: dict[str, Part] = {}
    for element in elements[:4096]:
        if not isinstance(element, dict) or not isinstance(element.get(name), (str, int)):
            continue
        called = str(element[name])
        part = _part(called, called, element.get(value))
        if part is not None and called and len(parts) < MOST_PARTS:
            parts[called] = part
    keys: dict[str, object] = {"each": pointer, "name": f"/{name}", "value": f"/{value}"}
    where = elements[0] if _time_in(elements[0])[0] else document
    time, said, text = _time_in(where)
    if time:
        keys |= {"time": time, "time_unit": said}
    return Guess("json-named", tuple(parts.values()), keys | _written(_texts(parts.values())), text)


def _object(found: object, document: object, keys: Mapping[str, object]) -> Guess:
    """Values at their pointers. What is a time is no value."""
    time, unit, text = _time_in(found)
    if not time and found is not document:
        time, unit, text = _time_in(document)
    parts = [
        part
        for pointer, leaf in _leaves(found, "", 0)
        if pointer != time and (part := _part(pointer.strip("/"), pointer, leaf)) is not None
    ][:MOST_PARTS]
    timed: dict[str, object] = {"time": time, "time_unit": unit} if time else {}
    remark = "" if parts else plain(str(document))
    return Guess("json", tuple(parts), {**keys, **timed, **_written(_texts(parts))}, text, remark)


def _texts(parts: Iterable[Part]) -> list[Part]:
    """Those that came as text: only of them it matters how numbers are written."""
    return [part for part in parts if part.unit or "," in part.text]


def _leaves(found: object, pointer: str, depth: int) -> Iterator[tuple[str, object]]:
    if depth > _DEEPEST:
        return
    if isinstance(found, dict):
        for key, inner in list(found.items())[:MOST_PARTS]:
            yield from _leaves(inner, f"{pointer}/{_token(key)}", depth + 1)
    elif isinstance(found, list):
        for n, inner in enumerate(found[:MOST_PARTS]):
            yield from _leaves(inner, f"{pointer}/{n}", depth + 1)
    elif len(pointer) <= 256:
        yield pointer, found


def _token(key: str) -> str:
    return key.replace("~", "~0").replace("/", "~1")


def _time_in(found: object) -> tuple[str, str, str]:
    """Pointer, unit and text of what looks like the time in an object; empty when there is none."""
    if not isinstance(found, dict):
        return "", "", ""
    for key in list(found)[:MOST_PARTS]:
        if str(key).lower() not in _TIME_KEYS:
            continue
        pointer = f"/{_token(key)}"
        value = at_pointer(found, pointer)
        for unit in _TIME_UNITS:
            time_ms = time_from(value, unit)
            if isinstance(time_ms, int) and _EARLIEST_MS <= time_ms <= _LATEST_MS:
                return pointer, unit, plain(str(value))
    return "", "", ""
