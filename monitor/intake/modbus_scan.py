"""A range of registers looked over once: what is there, what is refused, what each could mean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.intake.modbus_frame import Answer, NoAnswer, ReadFunction, Refused, Request
from monitor.intake.modbus_poll import Asked, in_words
from monitor.intake.modbus_settings import REGISTERS_OF, Order
from monitor.intake.modbus_values import number

_ILLEGAL_FUNCTION = 1
_TRIES = 2
# A float beyond these is two registers that are none: nothing in a water shop is so large or so small.
_LARGEST, _SMALLEST = 1e9, 1e-6


@dataclass(slots=True)
class Scanned:
    """What a range holds by address, what of it was refused and how, and why the rest was not read."""

    held: dict[int, int] = field(default_factory=dict)
    refused: dict[int, str] = field(default_factory=dict)
    broke_off: str = ""


def scan(
    asked: Asked, unit: int, function: ReadFunction, begin: int, count: int, timeout_s: float
) -> Scanned:
    """Read a range by as few questions as the unit takes: a block that it refuses is asked in halves.

    Breaks off when the unit does not answer, or refuses the function.
    """
    found = Scanned()
    blocks = [
        Request(unit, function, at, min(function.most, begin + count - at))
        for at in range(begin, begin + count, function.most)
    ]
    while blocks and not found.broke_off:
        request = blocks.pop(0)
        answer = _ask(asked, request, timeout_s)
        if isinstance(answer, Answer):
            found.held |= {request.address + n: word for n, word in enumerate(answer.held)}
        elif isinstance(answer, NoAnswer) or answer.by_the_gateway:
            found.broke_off = in_words(request, answer, timeout_s)[1]
        elif request.count == 1 or answer.code == _ILLEGAL_FUNCTION:
            addresses = range(request.address, request.address + request.count)
            found.refused |= dict.fromkeys(addresses, str(answer))
            if answer.code == _ILLEGAL_FUNCTION:
                found.broke_off = str(answer)
        else:
            blocks[:0] = _halves(request)
    return found


def _ask(asked: Asked, request: Request, timeout_s: float) -> Answer | Refused | NoAnswer:
    """The answer; asked once more where none came, since one frame may be lost to noise."""
    answer = asked.ask(request, timeout_s)
    for _ in range(_TRIES - 1):
        if not isinstance(answer, NoAnswer):
            break
        answer = asked.ask(request, timeout_s)
    return answer


def _halves(request: Request) -> list[Request]:
    first = request.count // 2
    return [
        Request(request.unit, request.function, request.address, first),
        Request(request.unit, request.function, request.address + first, request.count - first),
    ]


def meaning(
    held: Mapping[int, int], address: int, kind: str, word_order: Order, byte_order: Order
) -> float | None:
    """The number of a type that begins at an address; None where a register of it is not there, or where
    no such number can be meant."""
    words = [held[at] for at in range(address, address + REGISTERS_OF[kind]) if at in held]
    if len(words) < REGISTERS_OF[kind]:
        return None
    value = number(kind, words, word_order, byte_order)
    if kind == "float32" and value != 0.0 and not _SMALLEST <= abs(value) <= _LARGEST:  # nor NaN
        return None
    return value
