"""Lines out of bytes, and what a line says; no port."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from monitor.intake.checksums import crc16_modbus, sum8, xor
from monitor.intake.decoded import Origin
from monitor.intake.lines import LineBuffer, LineReader
from monitor.intake.serial_settings import Port, Wire

ORIGIN = Origin("com", 1000)


def wire(pattern: str = r"(?P<ec>\S+)", **settings: Any) -> Wire:
    return Wire.model_validate({"port": "com", "pattern": pattern, "values": {"ec": "ec"}, **settings})


def read(line: str, pattern: str = r"(?P<ec>\S+)", **settings: Any) -> Any:
    return LineReader(wire(pattern, **settings), "ascii").read(line, ORIGIN)


def test_a_line_without_its_end_is_never_given_out() -> None:
    buffer = LineBuffer(b"\n", 100)
    assert buffer.feed(b"12.") == []
    assert buffer.pending == b"12."
    assert buffer.feed(b"35\n7") == [b"12.35"]


@given(
    st.lists(st.binary(max_size=30).filter(lambda line: b"\r" not in line and b"\n" not in line)), st.data()
)
def test_however_the_bytes_are_cut_the_lines_are_the_same(lines: list[bytes], data: st.DataObject) -> None:
    stream = b"".join(line + b"\r\n" for line in lines)
    buffer, found = LineBuffer(b"\r\n", 100), []
    while stream:
        piece = data.draw(st.integers(1, len(stream)))
        found += buffer.feed(stream[:piece])
        stream = stream[piece:]
    assert found == lines


@given(st.lists(st.binary(max_size=60)))
def test_noise_is_held_to_the_longest_line(pieces: list[bytes]) -> None:
    buffer = LineBuffer(b"\r\n", 16)
    for piece in pieces:
        assert all(len(line) <= 16 for line in buffer.feed(piece))
        assert len(buffer.pending) <= 18


@pytest.mark.parametrize("pieces", [[b"x" * 50 + b"\n12\n"], [b"x" * 25, b"x" * 25, b"x\n12", b"\n"]])
def test_a_line_that_is_too_long_is_dropped_whole_and_counted_once(pieces: list[bytes]) -> None:
    buffer = LineBuffer(b"\n", 16)
    assert [line for piece in pieces for line in buffer.feed(piece)] == [b"12"]
    assert buffer.too_long == 1


def test_after_a_skip_the_rest_of_a_line_is_dropped() -> None:
    buffer = LineBuffer(b"\n", 16)
    buffer.skip()
    assert buffer.feed(b"2.35\n12.35\n") == [b"12.35"]
    assert buffer.too_long == 0


def test_the_whole_line_must_match() -> None:
    assert read("EC 12.35", r"EC (?P<ec>[0-9.]+)").values == {"ec": 12.35}
    assert read("EC 12.35 uS", r"EC (?P<ec>[0-9.]+)") is None
    assert read("xEC 12.35", r"EC (?P<ec>[0-9.]+)") is None


def test_a_value_that_is_no_number_is_counted_with_its_channel() -> None:
    (problem,) = read("over").problems
    assert (problem.what, problem.detail) == ("not-a-number", "ec: 'over'")


def test_a_group_that_took_no_part_is_a_missing_value() -> None:
    (problem,) = read("EC", r"EC( (?P<ec>[0-9.]+))?").problems
    assert problem.what == "missing-value"


def test_a_line_may_carry_its_time() -> None:
    pattern = r"(?P<t>\S+) (?P<ec>\S+)"
    assert read("2023-11-14T22:13:20Z 5", pattern, time="t").time_ms == 1_700_000_000_000
    found = read("22:13 5", pattern, time="t")
    assert (found.time_ms, found.values) == (None, {"ec": 5.0})
    assert [problem.what for problem in found.problems] == ["bad-time"]


def test_the_checksums_give_their_known_values() -> None:
    # CRC-16/MODBUS, check value of "123456789": catalogue of parametrised CRC algorithms.
    assert crc16_modbus(b"123456789") == 0x4B37
    # MODBUS Application Protocol's usual example request, slave 1 reads one register at 0: CRC bytes 84 0A,
    # low byte first (from memory).
    assert crc16_modbus(bytes.fromhex("010300000001")) == 0x0A84
    # A position sentence as NMEA 0183 is usually shown (from memory).
    assert xor(b"GPGLL,5057.970,N,00146.110,E,142451,A") == 0x27
    assert sum8(b"123456789") == 0xDD  # 0x31 + ... + 0x39 = 477


@pytest.mark.parametrize(
    ("digits", "good"), [("0A", True), ("0a", True), ("0B", False), ("", False), ("zz", False)]
)
def test_a_line_is_taken_only_when_its_checksum_proves_it(digits: str, good: bool) -> None:
    assert xor(b"DI,12.35") == 0x0A  # 44^49^2C^31^32^2E^33^35
    found = read(
        f"$DI,12.35*{digits}", r"\$(?P<checked>DI,(?P<ec>[0-9.]+))\*(?P<checksum>\w*)", checksum="xor"
    )
    assert bool(found.values) == good
    assert [problem.what for problem in found.problems] == ([] if good else ["bad-checksum"])


def test_a_checksum_covers_all_before_it_when_nothing_else_is_said() -> None:
    line = "12.35;"
    pattern = r"(?P<ec>[0-9.]+);(?P<checksum>[0-9A-F]{4})"
    assert read(f"{line}{crc16_modbus(line.encode()):04X}", pattern, checksum="crc16-modbus").values
    assert not read(f"99.35;{crc16_modbus(line.encode()):04X}", pattern, checksum="crc16-modbus").values


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"pattern": "(?P<ec>"}, "no regular expression"),
        ({"pattern": "(?P<flow>.*)"}, 'no group "ec"; it has: flow'),
        ({"pattern": "(.*)"}, 'no group "ec"; it has: none'),
        ({"time": "t"}, 'no group "t"'),
        ({"checksum": "xor"}, 'no group "checksum"'),
        ({"ask": "R?"}, "ask and ask_every go together"),
        ({"ask": "R?", "ask_every": "10 ms"}, "greater than or equal to 100"),
    ],
)
def test_a_wire_that_cannot_work_is_refused_with_the_reason(settings: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        wire(**settings)


def test_a_wire_that_does_not_fit_its_instrument_says_so() -> None:
    assert wire().mistakes(["ec"]) == []
    assert wire().mistakes(["flow"]) == [
        'wire value "ec" is no channel of this instrument; it has: flow',
        'channel "flow" has no group in the wire\'s values',
    ]


def test_an_encoding_nobody_knows_is_refused() -> None:
    with pytest.raises(ValidationError, match="usual are ascii"):
        Port(id="com", device="/dev/null", encoding="klingon")
