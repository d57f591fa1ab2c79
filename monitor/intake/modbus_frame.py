"""Modbus reading as bytes: requests, and answers found in whatever a line delivers. No port needed.

Only the four functions that read exist here, so no other can be sent: Goodwater changes nothing in a device.
Sources: MODBUS Application Protocol Specification V1.1b3 (6.1 to 6.4, 7) and MODBUS over Serial Line V1.02
(2.3, 2.5.1, 6.2.2).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

from monitor.intake.checksums import crc16_modbus

MOST_REGISTERS = 125
MOST_BITS = 2000
HIGHEST_UNIT = 255
HIGHEST_ON_A_BUS = 247  # what is above is reserved there, and 0 is for all units at once
HIGHEST_ADDRESS = 0xFFFF
SHORTEST_ANSWER = 5  # a refusal: unit, function, code, CRC
_REFUSED = 0x80

_REFUSALS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledge: it needs longer",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target did not answer",
}


class ReadFunction(IntEnum):
    """The functions that read, by their code on the wire."""

    COILS = 1
    DISCRETE_INPUTS = 2
    HOLDING_REGISTERS = 3
    INPUT_REGISTERS = 4

    @property
    def reads_bits(self) -> bool:
        return self <= ReadFunction.DISCRETE_INPUTS

    @property
    def most(self) -> int:
        """Registers, or bits, that one request may ask for."""
        return MOST_BITS if self.reads_bits else MOST_REGISTERS


@dataclass(frozen=True, slots=True)
class Request:
    """One question to one unit: `count` registers or bits from `address`, counted from 0 as on the wire.

    Raises: ValueError for what no such request can ask.
    """

    unit: int
    function: ReadFunction
    address: int
    count: int

    def __post_init__(self) -> None:
        function = ReadFunction(self.function)  # any other code is refused
        if not 0 <= self.unit <= HIGHEST_UNIT:
            raise ValueError(f"unit {self.unit}: 0 to {HIGHEST_UNIT}")
        if not 1 <= self.count <= function.most:
            raise ValueError(f"{self.count} at once: 1 to {function.most}")
        if not 0 <= self.address <= HIGHEST_ADDRESS + 1 - self.count:
            raise ValueError(f"address {self.address}: 0 to {HIGHEST_ADDRESS + 1 - self.count}")

    def pdu(self) -> bytes:
        """Function, address, count: the part that is the same on every kind of Modbus wire.

        >>> Request(1, ReadFunction.HOLDING_REGISTERS, 0x6B, 3).pdu().hex(" ")
        '03 00 6b 00 03'
        """
        return struct.pack(">BHH", self.function, self.address, self.count)

    def rtu(self) -> bytes:
        """The frame for a serial bus.

        Raises: ValueError for a unit that no instrument on a bus can be.
        """
        if not 1 <= self.unit <= HIGHEST_ON_A_BUS:
            raise ValueError(f"unit {self.unit}: 1 to {HIGHEST_ON_A_BUS} on a bus")
        body = bytes([self.unit]) + self.pdu()
        return body + struct.pack("<H", crc16_modbus(body))

    @property
    def data_bytes(self) -> int:
        """Bytes of data in the answer."""
        return (self.count + 7) // 8 if self.function.reads_bits else 2 * self.count

    @property
    def answer_bytes(self) -> int:
        """Bytes of the whole answer on a serial bus."""
        return 5 + self.data_bytes


@dataclass(frozen=True, slots=True)
class Answer:
    """What a unit holds at the addresses asked for: 16-bit words, or bits as 0 and 1."""

    held: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Refused:
    """The unit answered that it will not: an exception of the protocol."""

    code: int

    @property
    def by_the_gateway(self) -> bool:
        """It is a gateway that speaks: the unit itself was not reached, or said nothing."""
        return self.code in (10, 11)

    def __str__(self) -> str:
        return f"{_REFUSALS.get(self.code, 'an unknown refusal')} (exception {self.code})"


@dataclass(frozen=True, slots=True)
class NoAnswer:
    """What came instead of an answer, if anything did."""

    received: bytes
    may_come: bool = False  # later, when it could be taken for the answer to another question
    why: str = ""  # what is known of the reason


def take_answer(request: Request, received: bytes) -> tuple[int, Answer | Refused | None]:
    """The answer to a request among the bytes received: (bytes used, answer).

    Without an answer the bytes used are those that can be no part of one (noise, an echo of the request,
    another unit's answer, a wrong CRC): drop them, and call again with what is left and what comes next.
    (0, None) is: more is needed. Whatever the bytes are, this does not raise.
    """
    unfinished: int | None = None
    for start in _starts(request, received):
        length = _length(request, received, start)
        if length is None:
            continue
        frame = received[start : start + length]
        if len(frame) < length:
            unfinished = start if unfinished is None else unfinished
        elif struct.unpack("<H", frame[-2:])[0] == crc16_modbus(frame[:-2]):
            return start + length, read_pdu(request, frame[1:-2])
    return (len(received) if unfinished is None else unfinished), None


def is_garbled(request: Request, received: bytes) -> bool:
    """A whole frame has come that begins as the answer does; with no answer found, its CRC is wrong."""
    lengths = ((start, _length(request, received, start)) for start in _starts(request, received))
    return any(length is not None and start + length <= len(received) for start, length in lengths)


def _starts(request: Request, received: bytes) -> Iterator[int]:
    at = received.find(request.unit)
    while at >= 0:
        yield at
        at = received.find(request.unit, at + 1)


def _length(request: Request, received: bytes, start: int) -> int | None:
    """How long an answer that begins here is; None when none begins here."""
    head = received[start + 1 : start + 3]
    if not head:
        return SHORTEST_ANSWER
    if head[0] == request.function | _REFUSED:
        return SHORTEST_ANSWER
    if head[0] != request.function or (len(head) > 1 and head[1] != request.data_bytes):
        return None
    return request.answer_bytes


def read_pdu(request: Request, pdu: bytes) -> Answer | Refused | None:
    """An answer without its framing; None when it is none to this request."""
    if len(pdu) == 2 and pdu[0] == request.function | _REFUSED:
        return Refused(pdu[1])
    if pdu[:2] != bytes([request.function, request.data_bytes]) or len(pdu) != 2 + request.data_bytes:
        return None
    if request.function.reads_bits:
        return Answer(tuple(pdu[2 + n // 8] >> n % 8 & 1 for n in range(request.count)))
    return Answer(struct.unpack(f">{request.count}H", pdu[2:]))
