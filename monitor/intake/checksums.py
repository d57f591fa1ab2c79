"""Checksums that instruments put on their lines and frames."""

from __future__ import annotations

from functools import reduce


def xor(data: bytes) -> int:
    """All bytes combined by exclusive or, as in NMEA 0183 sentences."""
    return reduce(lambda a, b: a ^ b, data, 0)


def sum8(data: bytes) -> int:
    """The sum of all bytes, modulo 256."""
    return sum(data) & 0xFF


def crc16_modbus(data: bytes) -> int:
    """The CRC of MODBUS over Serial Line V1.02, 6.2.2: polynomial 0xA001 reflected, start 0xFFFF.

    >>> hex(crc16_modbus(b"123456789"))
    '0x4b37'
    """
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc
