"""JSON payloads: the document in the bytes, what a pointer finds in it, and the time it carries."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Annotated

from pydantic import AfterValidator, Field
from pydantic_core import from_json

from monitor.intake.decoded import Origin, Refusal, TimeUnit, shortened, text_of, time_from
from monitor.readings import Count

MAX_ELEMENTS = 4096  # of an array that is read element by element; a day of minutes is 1440

_POINTER = re.compile(r"(/([^~/]|~[01])*)*")
_INDEX = re.compile(r"0|[1-9][0-9]{0,5}")


def _pointer(text: str) -> str:
    if _POINTER.fullmatch(text):
        return text
    raise ValueError(
        f'"{text}" is no JSON pointer (RFC 6901): write "/key", "/key/0" or "/outer/inner"; '
        'a "/" inside a key is written "~1" and a "~" is written "~0"'
    )


Pointer = Annotated[str, Field(max_length=256), AfterValidator(_pointer)]


class _Absent:
    """Nothing stands there; not the same as null."""


ABSENT = _Absent()


@lru_cache(maxsize=4096)
def tokens(pointer: str) -> tuple[str, ...]:
    """A valid pointer's reference tokens: `/a~1b/0` as `("a/b", "0")`."""
    return tuple(part.replace("~1", "/").replace("~0", "~") for part in pointer.split("/")[1:])


def at_pointer(document: object, pointer: str) -> object:
    """What a pointer names in a document; `ABSENT` when there is nothing."""
    found = document
    for token in tokens(pointer):
        if isinstance(found, dict):
            found = found.get(token, ABSENT)
        elif isinstance(found, list) and _INDEX.fullmatch(token) and int(token) < len(found):
            found = found[int(token)]
        else:
            return ABSENT
    return found


def document_of(raw: bytes, origin: Origin) -> object | Count:
    """The JSON document in the bytes, or why there is none: `not-utf-8` or `not-json`.

    NaN and Infinity, which are no JSON and yet are sent, are read, so that the values beside them are kept.
    """
    try:
        document: object = from_json(raw.removeprefix(b"\xef\xbb\xbf"), allow_inf_nan=True)
    except ValueError as error:
        text = text_of(raw)
        if isinstance(text, Refusal):
            return origin.count(text.what, text.detail)
        return origin.count("not-json", f"{error}: {shortened(raw)}"[:160])
    return document


def elements_at(document: object, pointer: str, origin: Origin) -> list[object] | Count:
    """The elements of the array a pointer names, or why they are not read: `not-an-array`, `too-many`."""
    found = at_pointer(document, pointer)
    if not isinstance(found, list):
        return origin.count("not-an-array", f'at "{pointer}": {_words(found)}')
    if len(found) > MAX_ELEMENTS:
        return origin.count("too-many", f"{len(found)} elements, at most {MAX_ELEMENTS} are read")
    return found


def time_of(
    pointer: str | None, unit: TimeUnit, element: object, document: object, origin: Origin
) -> int | Count | None:
    """The time of an element of a document, or of the document where the element has none of its own.

    None where no time is looked for; or why there is none: `missing-time`, `bad-time`.
    """
    if pointer is None:
        return None
    found = at_pointer(element, pointer)
    if found is ABSENT and element is not document:
        found = at_pointer(document, pointer)
    if found is ABSENT:
        return origin.count("missing-time", f"nothing at {pointer}")
    time_ms = time_from(found, unit)
    if isinstance(time_ms, Refusal):
        return origin.count(time_ms.what, f"{time_ms.detail} is no time in {unit}")
    return time_ms


def _words(found: object) -> str:
    return "nothing" if found is ABSENT else shortened(found)
