"""A Modbus RTU slave as bytes in, bytes out (Modbus Application Protocol V1.1b3, Serial Line V1.02)."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
READ_COILS, READ_DISCRETE, READ_HOLDING, READ_INPUT = 1, 2, 3, 4
MOST_REGISTERS = 125

# Words of one register range of a unit: a list, None where nothing lives, TimeoutError when the unit
# is silent.
Bank = Callable[[int, int, int], list[int] | None]


class Silent(Exception):
    """The unit does not answer: unplugged, off, or its instrument is lost."""


def crc16(data: bytes) -> int:
    """CRC of Modbus RTU: polynomial 0xA001 (reflected), start 0xFFFF."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def framed(body: bytes) -> bytes:
    """A body with its CRC, low byte first."""
    return body + struct.pack("<H", crc16(body))


def take_request(buffer: bytes) -> tuple[bytes, int]:
    """First whole request in a buffer as (body without CRC, bytes used); (b"", 0) when more is needed.

    Bytes that begin no request with a right CRC are dropped one at a time, as noise on a line is.
    """
    for start in range(len(buffer)):
        length = _request_length(buffer[start:])
        if length is None or start + length > len(buffer):
            if len(buffer) - start > 256:
                continue
            return b"", start
        frame = buffer[start : start + length]
        if crc16(frame[:-2]) == struct.unpack("<H", frame[-2:])[0]:
            return frame[:-2], start + length
    return b"", len(buffer)


def _request_length(data: bytes) -> int | None:
    if len(data) < 2:
        return None
    if data[1] in (15, 16):
        return 9 + data[6] if len(data) > 6 else None
    return 8


def respond(body: bytes, units: set[int], bank: Bank) -> bytes | None:
    """Answer to a request body, or None when nobody answers (other unit, broadcast, silent instrument)."""
    unit, function = body[0], body[1]
    if unit not in units:
        return None
    if function not in (READ_HOLDING, READ_INPUT):
        return framed(bytes([unit, function | 0x80, ILLEGAL_FUNCTION]))
    address, count = struct.unpack(">HH", body[2:6])
    if not 1 <= count <= MOST_REGISTERS:
        return framed(bytes([unit, function | 0x80, ILLEGAL_VALUE]))
    try:
        words = bank(unit, address, count)
    except Silent:
        return None
    if words is None:
        return framed(bytes([unit, function | 0x80, ILLEGAL_ADDRESS]))
    return framed(bytes([unit, function, 2 * count]) + struct.pack(f">{count}H", *words))


def words_of(value: float, encoding: str, scale: float) -> list[int]:
    """Register words of a value: float32 (high word first), uint16 or int16 of value x scale.

    What an integer cannot hold is given as its end value, a failed sensor (NaN) as 0xFFFF or 0x8000.
    """
    if encoding == "float32":
        high, low = struct.unpack(">HH", struct.pack(">f", value))
        return [high, low]
    if encoding == "uint16":
        return [0xFFFF if math.isnan(value) else min(max(round(value * scale), 0), 0xFFFF)]
    if encoding == "int16":
        whole = -0x8000 if math.isnan(value) else min(max(round(value * scale), -0x7FFF), 0x7FFF)
        return [whole & 0xFFFF]
    raise ValueError(f"unknown register encoding {encoding!r}; allowed are float32, uint16, int16")
