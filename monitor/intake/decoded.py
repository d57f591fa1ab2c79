"""What a payload turns into, and the reading of numbers and times that all payloads share.

Nothing here raises for what a wire may carry: a thing that cannot be read becomes a `Count` with a short
reason, and what stood beside it in the same payload is kept.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Annotated, Literal

from pydantic import Field

from monitor.plant.channel import Channel
from monitor.plant.fields import Table
from monitor.readings import DELIVERED_LATE, Count, Sample, Status

MAX_BYTES = 64 * 1024  # a payload of a water instrument is some hundred bytes; past this it is a mistake
MAX_TIME_MS = 253_402_300_799_999  # the last millisecond of the year 9999
_DETAIL_CHARACTERS = 80
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

TimeUnit = Literal["ms", "s", "iso"]
ShortText = Annotated[str, Field(min_length=1, max_length=32)]


class NumberText(Table):
    """How numbers are written where they come as text."""

    decimal: Literal["point", "comma"] = Field(
        default="point", description="what separates the decimals in a number written as text: point or comma"
    )
    unit_text: tuple[ShortText, ...] = Field(
        default=(),
        description=(
            'texts that may follow a number and are taken off, like ["uS/cm"]; a number followed by any '
            "other text is refused, so that an instrument which changes to mS/cm by itself is not misread"
        ),
    )
    over_text: tuple[ShortText, ...] = Field(
        default=(),
        description='texts that stand for "over my range", like ["OL"]: taken as the upper end of the '
        "channel's range, at least so much",
    )
    under_text: tuple[ShortText, ...] = Field(
        default=(),
        description='texts that stand for "under my range", like ["UL"]: taken as its lower end, at most '
        "so much",
    )


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a payload came from and when: what every Count about it says."""

    subject: str  # topic or port
    arrival_ms: int

    def count(self, what: str, detail: str = "") -> Count:
        return Count(what=what, subject=self.subject, time_ms=self.arrival_ms, detail=detail)


@dataclass(frozen=True, slots=True)
class Decoded:
    """The values of one moment by channel, the time it carries if any, and what could not be read."""

    values: Mapping[str, float] = field(default_factory=dict)
    time_ms: int | None = None
    problems: tuple[Count, ...] = ()
    statuses: Mapping[str, Status] = field(default_factory=dict)  # where the wire says more than the value
    ago_ms: int | None = None  # the time as so long before the sending, where that is all that is known

    def samples(self, arrival_ms: int, status: Status = Status.OK) -> Iterator[Sample]:
        """The values as Samples; `status` is what the wire says of all of them.

        "Five seconds ago" means something only in what comes as it is sent.
        """
        time_ms = self.time_ms
        if time_ms is None and self.ago_ms is not None and not status & DELIVERED_LATE:
            time_ms = arrival_ms - self.ago_ms
        for channel, value in self.values.items():
            own = self.statuses.get(channel, Status.OK)
            yield Sample(channel, value, arrival_ms, time_ms, status | own)


def merged(problems: Iterable[Count]) -> tuple[Count, ...]:
    """One Count for each reason, with how often: ten thousand wrong values are no ten thousand Counts."""
    found: dict[tuple[str, str], Count] = {}
    for problem in problems:
        key = (problem.what, problem.subject)
        before = found.get(key)
        found[key] = problem if before is None else replace(before, n=before.n + problem.n)
    return tuple(found.values())


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a text, a number or a time was not taken: a slug and the offending thing, shortened."""

    what: str
    detail: str


def shortened(found: object) -> str:
    """Anything as a short, printable text, for the detail of a Count."""
    if isinstance(found, int) and abs(found) > 10**30:
        return "an integer of more than 30 digits"  # its text may be refused by Python itself
    if isinstance(found, (str, bytes)):
        found = found[:_DETAIL_CHARACTERS]
    text = "(nested)" if isinstance(found, (list, dict)) else repr(found)
    return text if len(text) <= _DETAIL_CHARACTERS else text[: _DETAIL_CHARACTERS - 1] + "…"


def text_of(raw: bytes) -> str | Refusal:
    """Bytes as the UTF-8 text they should be; a byte order mark, which some gateways send, is left out."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return Refusal("not-utf-8", shortened(raw))
    if "\0" in text.strip("\0"):  # UTF-16 of plain letters is valid UTF-8, with a zero byte after each
        return Refusal("not-utf-8", f"zero bytes inside, as in UTF-16: {shortened(raw)}"[:_DETAIL_CHARACTERS])
    return text


# ASCII on purpose: float() would also take "1_000", "١٢" and "infinity".
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)", re.ASCII)
_NOT_FINITE = re.compile(r"[+-]?(nan|inf|infinity)", re.IGNORECASE | re.ASCII)


def number_from_text(text: str, written: NumberText) -> float | Refusal:
    """The number a text holds, e.g. `"12.3 uS/cm"` as 12.3 where `unit_text` has `"uS/cm"`.

    Refused with a reason: no number, not finite, another text behind it, thousands separators, a comma
    where a point is configured and the reverse.
    """
    bare = text.strip(" \t\r\n\0")
    for unit in written.unit_text:
        if bare.endswith(unit):
            bare = bare[: -len(unit)].rstrip()
            break
    if written.decimal == "comma":
        if "." in bare:
            return Refusal("not-a-number", shortened(text))
        bare = bare.replace(",", ".", 1)
    if _NUMBER.fullmatch(bare):
        return finite(float(bare))
    if _NOT_FINITE.fullmatch(bare):
        return Refusal("not-finite", shortened(text))
    begins = _NUMBER.match(bare)
    if begins and bare[begins.end() :].strip()[:1].isalpha():
        return Refusal("unit-text", shortened(text))
    return Refusal("not-a-number", shortened(text))


# What contacts send in words; 1 is a closed contact, whatever that means (a channel's `normally` says it).
CONTACT_WORDS: Mapping[str, float] = {
    "on": 1.0, "off": 0.0, "closed": 1.0, "open": 0.0, "true": 1.0, "false": 0.0,
}  # fmt: skip
_BEYOND = {">": Status.OVER_RANGE, "<": Status.UNDER_RANGE}


def said(found: object, written: NumberText, channel: Channel) -> tuple[float, Status] | Refusal:
    """What an instrument says for one channel: a number, a number as text, and for a contact also a word.

    `"> 50.0"`, as a meter past its range writes it, is 50.0 with `Status.OVER_RANGE`; `"<"` likewise. A text
    of `over_text` is the upper end of the channel's range with the same status.
    """
    contact = channel.quantity == "contact"
    if isinstance(found, bool):
        return (float(found), Status.OK) if contact else Refusal("not-a-number", "a boolean")
    if isinstance(found, (int, float)):
        return _with(finite(found), Status.OK)
    if not isinstance(found, str):
        return Refusal("not-a-number", shortened(found))
    bare = found.strip(" \t\r\n\0")
    if contact and bare.lower() in CONTACT_WORDS:
        return CONTACT_WORDS[bare.lower()], Status.OK
    if bare in written.over_text:
        return _end(channel, upper=True), Status.OVER_RANGE
    if bare in written.under_text:
        return _end(channel, upper=False), Status.UNDER_RANGE
    beyond = _BEYOND.get(bare[:1], Status.OK)
    return _with(number_from_text(bare[1:] if beyond else found, written), beyond)


def _end(channel: Channel, *, upper: bool) -> float:
    """The end of a channel's range, as it would be sent."""
    loop = channel.current_loop
    return channel.range[upper] if loop is None else loop.counts[upper is not loop.falling]


def _with(number: float | Refusal, status: Status) -> tuple[float, Status] | Refusal:
    return number if isinstance(number, Refusal) else (number, status)


def finite(value: float) -> float | Refusal:
    """A number a store can hold, or why not (NaN, infinity, an integer beyond a double)."""
    try:
        number = float(value)
    except OverflowError:
        return Refusal("not-finite", shortened(value))
    # NaN is the one number that is not equal to itself; infinity minus itself is NaN.
    if number - number != 0.0:
        return Refusal("not-finite", shortened(value))
    return number


def time_from(found: object, unit: TimeUnit) -> int | Refusal:
    """UTC milliseconds from what a payload carries as its time.

    `ms` and `s` count from 1970-01-01 UTC, as numbers or as text; `iso` is a text of ISO 8601 with its
    offset from UTC. Refused: no offset, booleans, before 1970, after 9999.
    """
    if unit == "iso":
        time_ms = _time_from_iso(found)
    else:
        time_ms = _time_from_number(found, 1000.0 if unit == "s" else 1.0)
    if time_ms is None or not 0 <= time_ms <= MAX_TIME_MS:
        return Refusal("bad-time", shortened(found))
    return time_ms


def _time_from_number(found: object, to_ms: float) -> int | None:
    if isinstance(found, str):
        found = number_from_text(found, NumberText())
    if isinstance(found, bool) or not isinstance(found, (int, float)):
        return None
    number = finite(found)
    return None if isinstance(number, Refusal) else round(number * to_ms) if abs(number) < 1e18 else None


def _time_from_iso(found: object) -> int | None:
    if not isinstance(found, str):
        return None
    try:
        moment = datetime.fromisoformat(found.strip())
        if moment.tzinfo is None:
            return None
        return (moment - _EPOCH) // timedelta(milliseconds=1)
    except (ValueError, OverflowError):
        return None
