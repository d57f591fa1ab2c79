"""What to ask a Modbus unit for, and what its registers mean. Pure, and the same on every Modbus wire."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping, Sequence

from monitor.intake.decoded import Decoded, Origin, Refusal, finite
from monitor.intake.modbus_frame import Answer, ReadFunction, Request
from monitor.intake.modbus_settings import REGISTERS_OF, Order, Status, UnitWire, Value
from monitor.readings import Count
from monitor.readings import Status as Flag

# What has been read of one unit: words and bits by function and address.
Image = Mapping[tuple[ReadFunction, int], int]

_FORMATS = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}


def requests(wire: UnitWire) -> tuple[Request, ...]:
    """The fewest requests that read all values and statuses of a wire.

    Neighbours are read together, with at most `gap` addresses between them that nobody wants; a value of
    two registers is never torn apart.
    """
    wanted: tuple[Value | Status, ...] = (*wire.value, *wire.status)
    spans = sorted({(wire.function_of(i), i.address, i.address + _size(i)) for i in wanted})
    asked: list[tuple[ReadFunction, int, int]] = []
    for function, begin, end in spans:
        if asked and asked[-1][0] == function and begin - asked[-1][2] <= wire.gap:
            together = (function, asked[-1][1], max(end, asked[-1][2]))
            if together[2] - together[1] <= function.most:
                asked[-1] = together
                continue
        asked.append((function, begin, end))
    return tuple(Request(wire.unit, function, begin, end - begin) for function, begin, end in asked)


def _size(item: Value | Status) -> int:
    return REGISTERS_OF[item.type] if isinstance(item, Value) else 1


def held(request: Request, answer: Answer) -> dict[tuple[ReadFunction, int], int]:
    """An answer as part of an image."""
    return {(request.function, request.address + n): word for n, word in enumerate(answer.held)}


def decode(wire: UnitWire, image: Image, origin: Origin) -> Decoded:
    """The values that an image holds. One whose registers, or whose status, could not be read is left out."""
    values: dict[str, float] = {}
    statuses: dict[str, Flag] = {}
    problems: list[Count] = []
    for item in wire.value:
        words = _words(wire, item, image)
        flag = _flag(wire, item.channel, image)
        if words is None or flag is None:
            continue
        raw = _raw(item, words)
        value = finite(raw * item.scale + item.offset)
        if isinstance(value, Refusal):
            problems.append(origin.count(value.what, f"{item.channel}: {value.detail}"))
            continue
        values[item.channel] = value
        statuses[item.channel] = flag | Flag.DEVICE_FAULT if raw in item.invalid else flag
    return Decoded(values, None, tuple(problems), statuses)


def _words(wire: UnitWire, item: Value | Status, image: Image) -> list[int] | None:
    function = wire.function_of(item)
    words = [image.get((function, item.address + n)) for n in range(_size(item))]
    return None if None in words else [word for word in words if word is not None]


def _raw(item: Value, words: list[int]) -> float:
    if item.type == "bit":
        return words[0] >> (item.bit or 0) & 1
    return number(item.type, words, item.word_order, item.byte_order)


def number(kind: str, words: Sequence[int], word_order: Order, byte_order: Order) -> float:
    """The number that registers hold, before scale and offset; `kind` is any type but bit.

    >>> number("float32", [0x4145, 0x3333], "high-first", "high-first")
    12.324999809265137
    >>> number("int32", [0xFFFE, 0xFFFF], "low-first", "high-first")
    -2
    """
    in_order = words[::-1] if word_order == "low-first" else words
    packed = struct.pack(f"{'>' if byte_order == 'high-first' else '<'}{len(words)}H", *in_order)
    found: float = struct.unpack(_FORMATS[kind], packed)[0]
    return found


def _flag(wire: UnitWire, channel: str, image: Image) -> Flag | None:
    """What the statuses say of a channel; None when one of them could not be read."""
    flag = Flag.OK
    for status in _speaking_of(wire, channel):
        words = _words(wire, status, image)
        if words is None:
            return None
        word = words[0]
        if word in status.fault_codes or any(word >> bit & 1 for bit in status.fault_bits):
            flag |= Flag.DEVICE_FAULT
        if word in status.over_codes:
            flag |= Flag.OVER_RANGE
        if word in status.under_codes:
            flag |= Flag.UNDER_RANGE
    return flag


def _speaking_of(wire: UnitWire, channel: str) -> Iterator[Status]:
    return (status for status in wire.status if not status.channels or channel in status.channels)
