"""Lines out of bytes, and what a line says; no port."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from monitor.intake.checksums import CHECKSUMS, crc16_modbus, sum8, xor
from monitor.intake.decoded import Origin
from monitor.intake.lines import LineBuffer, LineReader, line_from
from monitor.intake.serial_settings import Port, Wire, delimiter_bytes
from monitor.readings import Status
from tests.intake.shop import channel

ORIGIN = Origin("com", 1000)
CHANNELS = (channel("ec"), channel("t", "temperature", "degC", 100.0))


def wire(pattern: str = r"(?P<ec>\S+)", **settings: Any) -> Wire:
    return Wire.model_validate({"port": "com", "pattern": pattern, "values": {"ec": "ec"}, **settings})


def read(line: str, pattern: str = r"(?P<ec>\S+)", **settings: Any) -> Any:
    return LineReader(wire(pattern, **settings), "latin-1", CHANNELS).read(line, ORIGIN)


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


@given(
    st.lists(
        st.tuples(
            st.binary(max_size=20).filter(lambda b: b"\x03" not in b), st.binary(min_size=2, max_size=2)
        )
    ),
    st.data(),
)
def test_a_block_check_behind_the_delimiter_belongs_to_its_line_whatever_its_bytes(
    lines: list[tuple[bytes, bytes]], data: st.DataObject
) -> None:
    stream = b"".join(text + b"\x03" + check for text, check in lines)
    buffer, found = LineBuffer(b"\x03", 100, trailer=2), []
    while stream:
        piece = data.draw(st.integers(1, len(stream)))
        found += buffer.feed(stream[:piece])
        stream = stream[piece:]
    assert found == [text + b"\x03" + check for text, check in lines]


@given(st.lists(st.binary(max_size=60)))
def test_noise_is_held_to_the_longest_line_also_with_a_block_check(pieces: list[bytes]) -> None:
    buffer = LineBuffer(b"\r\n", 16, trailer=3)
    for piece in pieces:
        assert all(len(line) <= 16 for line in buffer.feed(piece))
        assert len(buffer.pending) <= 21


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


def test_a_meter_with_a_line_for_each_quantity_has_one_pattern_of_alternatives() -> None:
    settings = {"values": {"ec": "ec", "t": "t"}, "pattern": r"EC (?P<ec>\S+)|T (?P<t>\S+)|-"}
    assert (read("EC 5", **settings).values, read("EC 5", **settings).problems) == ({"ec": 5.0}, ())
    assert read("T 21", **settings).values == {"t": 21.0}
    assert [problem.what for problem in read("-", **settings).problems] == ["missing-value"] * 2


def test_a_meter_past_its_range_that_writes_a_word_gives_the_end_of_the_range() -> None:
    found = read("EC OL", r"EC (?P<ec>\S+)", over_text=["OL"])
    assert (found.values, found.statuses) == ({"ec": 2000.0}, {"ec": Status.OVER_RANGE})


@pytest.mark.parametrize(
    ("line", "value"),
    [
        ("12.3 uS/cm", 12.3),
        ("1.23 mS/cm", 1230.0),
        ("12.3 µS/cm", 12.3),
        ("OL mS/cm", 2000.0),
        (">1.9 mS/cm", 1900.0),
    ],
)
def test_a_meter_that_changes_its_unit_by_itself_is_read_by_the_unit_it_prints(
    line: str, value: float
) -> None:
    settings = {"units": {"ec": "u"}, "over_text": ["OL"]}
    assert read(line, r"(?P<ec>\S+) (?P<u>\S+)", **settings).values == {"ec": pytest.approx(value)}


@pytest.mark.parametrize("unit", ["S", "ppm", "degC", "furlong", ""])
def test_a_printed_unit_of_another_quantity_is_refused(unit: str) -> None:
    found = read(f"12.3 {unit}", r"(?P<ec>\S+) ?(?P<u>.*)", units={"ec": "u"})
    assert (found.values, [problem.what for problem in found.problems]) == ({}, ["wrong-unit"])


def test_a_line_may_carry_its_time() -> None:
    pattern = r"(?P<t>\S+) (?P<ec>\S+)"
    assert read("2023-11-14T22:13:20Z 5", pattern, time="t").time_ms == 1_700_000_000_000
    found = read("22:13 5", pattern, time="t")
    assert (found.time_ms, found.values) == (None, {"ec": 5.0})
    assert [problem.what for problem in found.problems] == ["bad-time"]


def test_the_checksums_give_their_known_values() -> None:
    # Check values of "123456789" in the catalogue of parametrised CRC algorithms (reveng): CRC-8/SMBUS,
    # CRC-8/MAXIM-DOW, CRC-16/MODBUS, CRC-16/ARC, CRC-16/IBM-3740, CRC-16/XMODEM, CRC-32/ISO-HDLC.
    checks = {"crc8": 0xF4, "crc8-maxim": 0xA1, "crc16-modbus": 0x4B37, "crc16-arc": 0xBB3D}
    checks |= {"crc16-ccitt": 0x29B1, "crc16-xmodem": 0x31C3, "crc32": 0xCBF43926}
    assert {name: CHECKSUMS[name][0](b"123456789") for name in checks} == checks
    # MODBUS Application Protocol's usual example request, slave 1 reads one register at 0: CRC bytes 84 0A,
    # low byte first (from memory).
    assert crc16_modbus(bytes.fromhex("010300000001")) == 0x0A84
    # A position sentence as NMEA 0183 is usually shown (from memory).
    assert xor(b"GPGLL,5057.970,N,00146.110,E,142451,A") == 0x27
    assert sum8(b"123456789") == 0xDD  # 0x31 + ... + 0x39 = 477
    assert CHECKSUMS["sum16"][0](b"123456789") == 0x1DD
    # LRC: what makes the sum zero (MODBUS over Serial Line V1.02, 6.2.1)
    assert (477 + CHECKSUMS["lrc"][0](b"123456789")) % 256 == 0


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


@pytest.mark.parametrize(
    ("form", "pattern", "written"),
    [
        ("hex", r"(?P<ec>[0-9.]+);(?P<checksum>\w+)", "{crc:04x}"),
        ("hex-low-first", r"(?P<ec>[0-9.]+);(?P<checksum>\w+)", "{low:02X}{high:02X}"),
        ("decimal", r"(?P<ec>[0-9.]+);(?P<checksum>\d+)", "{crc}"),
        ("bytes", r"(?P<ec>[0-9.]+);(?P<checksum>.{{2}})", "{high:c}{low:c}"),
        ("bytes-low-first", r"(?P<ec>[0-9.]+);(?P<checksum>.{{2}})", "{low:c}{high:c}"),
    ],
)
def test_a_checksum_is_read_in_the_form_it_is_written_in(form: str, pattern: str, written: str) -> None:
    settings = {
        "checksum": "crc16-modbus",
        "checksum_form": form,
        "pattern": pattern.replace("{{", "{").replace("}}", "}"),
    }
    ends = set()
    for n in range(300):  # among them checksums that end in a space, a line feed or a zero
        text = f"{n}.35;"
        crc = crc16_modbus(text.encode())
        line = text + written.format(crc=crc, low=crc & 255, high=crc >> 8)
        assert read(line, **settings).values == {"ec": n + 0.35}
        assert not read(f"9{line}", **settings).values
        ends.add(line[-1])
    assert not form.startswith("bytes") or ends & set(" \n\0\r\t")


def test_a_block_check_behind_an_etx_covers_it() -> None:
    pattern = "\\x02(?P<checked>EC (?P<ec>[0-9.]+)\\x03)(?P<checksum>.)"
    check = xor(b"EC 12.35\x03")
    settings = {"checksum": "xor", "checksum_form": "bytes"}
    (line,) = LineBuffer(b"\x03", 64, trailer=1).feed(b"\x02EC 12.35\x03" + bytes([check]))
    assert read(line.decode("latin-1"), pattern, **settings).values == {"ec": 12.35}
    assert not read(line[:-1].decode("latin-1") + chr(check ^ 1), pattern, **settings).values


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
        ({"ask_end": "cr"}, "ask_end goes with ask"),
        ({"units": {"ec": "u"}}, 'no group "u"'),
        ({"units": {"flow": "ec"}}, "units of flow, which has no group in values"),
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


@pytest.mark.parametrize("encoding", ["klingon", "utf-16", "rot13", "undefined", "idna\0"])
def test_an_encoding_nobody_knows_or_without_lines_of_bytes_is_refused(encoding: str) -> None:
    with pytest.raises(ValidationError, match="an encoding"):
        Port(id="com", device="/dev/null", encoding=encoding)


def test_a_delimiter_is_a_name_or_a_text() -> None:
    assert [delimiter_bytes(text) for text in ("lf", "crlf", "etx", ";", "\x04")] == [
        b"\n",
        b"\r\n",
        b"\x03",
        b";",
        b"\x04",
    ]
    for wrong in ("", "§", "123456789"):
        with pytest.raises(ValidationError):
            Port(id="com", device="/dev/null", delimiter=wrong)


def test_a_question_ends_as_the_port_does_unless_it_is_said_otherwise() -> None:
    port = Port(id="com", device="/dev/null", delimiter="crlf")
    assert [port.question("R", end) for end in (None, "cr", "", "!")] == [b"R\r\n", b"R\r", b"R", b"R!"]


def test_a_line_is_read_by_all_it_fits_and_says_who_they_were() -> None:
    one, other = (LineReader(wire(f"{name} (?P<ec>.+)"), "utf-8", CHANNELS) for name in ("A", "."))
    found = line_from(b"A 5\r", "utf-8", [one, other], ORIGIN)
    assert found is not None and found.readers == (one, other)
    assert [sample.value for sample in found.parcel.samples] == [5.0, 5.0]
    assert line_from(b" \0\r", "utf-8", [one], ORIGIN) is None
    for raw, what in ((b"B 5", "unmatched-line"), (b"A \xb5", "undecodable-line")):
        found = line_from(raw, "utf-8", [one], ORIGIN)
        assert found is not None and [count.what for count in found.parcel.counts] == [what]
