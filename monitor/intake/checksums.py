"""Checksums that instruments put on their lines and frames.

The names and check values of the CRCs are those of the catalogue of parametrised CRC algorithms (reveng).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache, partial, reduce


def xor(data: bytes) -> int:
    """All bytes combined by exclusive or, as in NMEA 0183 sentences."""
    return reduce(lambda a, b: a ^ b, data, 0)


def sum8(data: bytes) -> int:
    """The sum of all bytes, modulo 256."""
    return sum(data) & 0xFF


def sum16(data: bytes) -> int:
    """The sum of all bytes, modulo 65536."""
    return sum(data) & 0xFFFF


def lrc(data: bytes) -> int:
    """What makes the sum of all bytes zero, modulo 256: the LRC of MODBUS over Serial Line V1.02, 6.2.1."""
    return -sum(data) & 0xFF


def crc16_modbus(data: bytes) -> int:
    """The CRC of MODBUS over Serial Line V1.02, 6.2.2: polynomial 0xA001 reflected, start 0xFFFF.

    >>> hex(crc16_modbus(b"123456789"))
    '0x4b37'
    """
    return _reflected(data, polynomial=0xA001, start=0xFFFF)


def _reflected(data: bytes, *, polynomial: int, start: int, last_xor: int = 0) -> int:
    """A CRC that takes the low bit of each byte first; the polynomial is written reflected."""
    table = _reflected_table(polynomial)
    crc = start
    for byte in data:
        crc = crc >> 8 ^ table[(crc ^ byte) & 0xFF]
    return crc ^ last_xor


def _forward(data: bytes, *, bits: int, polynomial: int, start: int) -> int:
    """A CRC that takes the high bit of each byte first."""
    top, mask = 1 << bits - 1, (1 << bits) - 1
    crc = start
    for byte in data:
        crc ^= byte << bits - 8
        for _ in range(8):
            crc = (crc << 1 ^ (polynomial if crc & top else 0)) & mask
    return crc


@cache
def _reflected_table(polynomial: int) -> tuple[int, ...]:
    def entry(crc: int) -> int:
        for _ in range(8):
            crc = crc >> 1 ^ (polynomial if crc & 1 else 0)
        return crc

    return tuple(map(entry, range(256)))


# By the name a site file gives it: the function, and how many bytes it has.
CHECKSUMS: Mapping[str, tuple[Callable[[bytes], int], int]] = {
    "xor": (xor, 1),
    "sum8": (sum8, 1),
    "sum16": (sum16, 2),
    "lrc": (lrc, 1),
    "crc8": (partial(_forward, bits=8, polynomial=0x07, start=0), 1),
    "crc8-maxim": (partial(_reflected, polynomial=0x8C, start=0), 1),
    "crc16-modbus": (crc16_modbus, 2),
    "crc16-arc": (partial(_reflected, polynomial=0xA001, start=0), 2),
    "crc16-ccitt": (partial(_forward, bits=16, polynomial=0x1021, start=0xFFFF), 2),
    "crc16-xmodem": (partial(_forward, bits=16, polynomial=0x1021, start=0), 2),
    "crc32": (partial(_reflected, polynomial=0xEDB88320, start=0xFFFFFFFF, last_xor=0xFFFFFFFF), 4),
}
