"""Modbus over TCP as bytes: the header before a request, and frames found in a stream. No socket needed.

Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b (3.1.3, the MBAP header): transaction, protocol
0, length of what follows, unit; the transaction of an answer is that of its request.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from monitor.intake.modbus_frame import Request

HEADER_BYTES = 7
MOST_AFTER_LENGTH = 254  # the unit and a PDU of 253 bytes
LEAST_AFTER_LENGTH = 3  # the unit and a refusal, the shortest answer there is
MOST_TRANSACTION = 0xFFFF


@dataclass(frozen=True, slots=True)
class Frame:
    """One answer, whosever it is."""

    transaction: int
    unit: int
    pdu: bytes


@dataclass(frozen=True, slots=True)
class OutOfStep:
    """Bytes that begin no frame: where the next begins cannot be told, so the stream is of no more use."""

    why: str


def tcp(request: Request, transaction: int) -> bytes:
    """The frame of a request on a TCP connection.

    >>> from monitor.intake.modbus_frame import ReadFunction
    >>> tcp(Request(255, ReadFunction.INPUT_REGISTERS, 4, 1), 0x1501).hex(" ")
    '15 01 00 00 00 06 ff 04 00 04 00 01'
    """
    pdu = request.pdu()
    return struct.pack(">HHHB", transaction, 0, 1 + len(pdu), request.unit) + pdu


def take_frame(received: bytes) -> tuple[int, Frame | OutOfStep | None]:
    """The first frame of a stream: (bytes used, frame).

    (0, None) is: more is needed. Whatever the bytes are, this does not raise.
    """
    if len(received) < HEADER_BYTES:
        return 0, None
    transaction, protocol, length, unit = struct.unpack(">HHHB", received[:HEADER_BYTES])
    if protocol != 0:
        return 0, OutOfStep(f"protocol {protocol} in the header; Modbus is 0")
    if not LEAST_AFTER_LENGTH <= length <= MOST_AFTER_LENGTH:
        return 0, OutOfStep(
            f"a length of {length} in the header; {LEAST_AFTER_LENGTH} to {MOST_AFTER_LENGTH} can be"
        )
    end = HEADER_BYTES - 1 + length  # the length counts the unit, the header's last byte
    if len(received) < end:
        return 0, None
    return end, Frame(transaction, unit, received[HEADER_BYTES:end])
