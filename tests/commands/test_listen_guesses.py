"""What `goodwater listen` makes of messages and lines: guesses, never an exception."""

from __future__ import annotations

import re
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.commands.listen.guess import guess
from monitor.commands.listen.guess_line import form_of, guess_line, pattern_of, shape
from monitor.commands.listen.quantities import likely, range_for, resolution_of
from monitor.commands.listen.shown import plain, plain_bytes, toml
from monitor.commands.listen.sources import MOST_SOURCES, Sources
from monitor.intake.checksums import crc16_modbus, sum8, xor


@pytest.mark.parametrize(
    ("raw", "kind", "values", "keys"),
    [
        (b"12.3", "number", {"": 12.3}, {}),
        (b" 12,3 uS/cm\r\n", "number", {"": 12.3}, {"decimal": "comma", "unit_text": ["uS/cm"]}),
        (b"OFF", "number", {"": 0.0}, {}),
        (b"> 50", "number", {"": 50.0}, {}),
        (b'{"ec": 4.9, "on": true, "name": "x"}', "json", {"/ec": 4.9, "/on": 1.0}, {}),
        (b"[1, [2]]", "json", {"/0": 1.0, "/1/0": 2.0}, {}),
        (b'{"t": 21.5, "a/b~c": 1}', "json", {"/t": 21.5, "/a~1b~0c": 1.0}, {}),
        (b'{"t": 1800000000, "x": 1}', "json", {"/x": 1.0}, {"time": "/t", "time_unit": "s"}),
        (b'{"t": 1800000000000, "x": 1}', "json", {"/x": 1.0}, {"time": "/t", "time_unit": "ms"}),
        (
            b'{"log": [{"time": "2031-02-14T06:30:00Z", "ec": 1}, {"time": "2031-02-14T06:31Z", "ec": 2}]}',
            "json",
            {"/ec": 2.0},
            {"each": "/log", "time": "/time", "time_unit": "iso"},
        ),
        (
            b'[{"id": 7, "v": "1.5 bar", "ts": 1800000000}, {"id": "x", "v": null}]',
            "json-named",
            {"7": 1.5},
            {"each": "", "name": "/id", "value": "/v", "time": "/ts", "time_unit": "s", "unit_text": ["bar"]},
        ),
        (b'[{"bn": "d:", "n": "ec", "u": "S/m", "v": 0.001}, {"vs": "x"}]', "senml", {"d:ec": 0.001}, {}),
        (b"hello", "text", {}, {}),
        (b"12:30", "text", {}, {}),
        (b"", "text", {}, {}),
        (b"\xff\xfe1\0", "bytes", {}, {}),
        (b"null", "text", {}, {}),
        (b"{}", "json", {}, {}),
        (b"9" * 70_000, "bytes", {}, {}),
    ],
)
def test_a_message_is_taken_for_what_it_most_likely_is(
    raw: bytes, kind: str, values: dict[str, float], keys: dict[str, object]
) -> None:
    found = guess(raw)
    assert (found.kind, {part.where: part.value for part in found.parts}) == (kind, values)
    assert dict(found.keys) == keys


def nmea(text: str) -> str:
    return f"${text}*{xor(text.encode()):02X}"


def with_sum(text: str) -> str:
    return f"{text}{sum8(text.encode()):02x}"


def with_crc(text: str) -> str:
    return f"{text}{crc16_modbus(text.encode()):04X}"


@pytest.mark.parametrize(
    ("lines", "names", "keys"),
    [
        (["EC=12.3 uS/cm T=21.5 C", "EC=9.1 uS/cm T=22.0 C"], ["ec", "t"], {}),
        (["12.3 uS/cm;21.5 C"], ["conductivity", "temperature"], {}),
        (["  12.3   45.6", "1.2 5"], ["v1", "v2"], {}),
        (["12,3;21,5", "12,4;21"], ["v1", "v2"], {"decimal": "comma"}),
        (["310,21.5,1", "311,21.6,0"], ["v1", "v2", "v3"], {}),
        (["AI1 5 AI2 6"], ["ai1", "ai2"], {}),
        (["EC12.3"], ["ec"], {}),
        (["01.02.2031;13:45:02;12,3", "01.02.2031;13:45:03;2,0"], ["v1"], {"decimal": "comma"}),
        (["2031-02-14T06:30:00Z TDS 312 ppm"], ["tds"], {"time": "time", "time_unit": "iso"}),
        (
            ["2031-02-14T06:30:00Z 312 2031-02-14T06:31:00Z"],  # the first of two times is the value's
            ["v1"],
            {"time": "time", "time_unit": "iso"},
        ),
        (["2031-02-14 06:30:00 312"], ["v1"], {}),  # no offset: nobody knows which clock
        ([nmea("DI,12.35"), nmea("DI,1.2"), nmea("DI,7")], ["di"], {"checksum": "xor"}),
        ([with_sum(f"EC {n}.5;") for n in (1, 22, 3)], ["ec"], {"checksum": "sum8"}),
        ([with_crc(f"EC {n}.5,") for n in (1, 22, 3)], ["ec"], {"checksum": "crc16-modbus"}),
        (["on", "OFF"], ["state"], {}),
        (["time 5 checksum 6 time 7"], ["time2", "checksum2", "time3"], {}),
    ],
)
def test_a_pattern_reads_all_lines_of_its_shape(
    lines: list[str], names: list[str], keys: dict[str, object]
) -> None:
    form = form_of(lines)
    pattern, found = pattern_of(lines[0], form)
    assert found == keys
    assert [part.where for part in guess_line(lines[0], form).parts] == names
    for line in lines:
        match = re.fullmatch(pattern, line.strip())
        assert match is not None, (pattern, line)
        assert set(names) <= set(match.groupdict())


def test_lines_of_one_shape_differ_in_their_numbers_only() -> None:
    form = form_of(["A 1", "A  22.5", "B 1"])
    assert shape("A 1", form) == shape("A  22.5", form) != shape("B 1", form)


def test_two_lines_or_the_same_line_again_prove_no_checksum() -> None:
    assert form_of([with_sum("EC 1;")] * 5).checksum is None
    assert form_of([with_sum("EC 1;"), with_sum("EC 2;")]).checksum is None


@pytest.mark.parametrize(
    ("name", "unit", "quantity", "sent"),
    [
        ("feed/EC", "", "conductivity", "uS/cm"),
        ("ro.flow", "", "flow", "L/min"),
        ("waterTemp", "", "temperature", "degC"),
        ("x", "µS/cm", "conductivity", "uS/cm"),
        ("ec", "V", "", ""),  # a unit nobody knows is worth more than a name
        ("battery", "", "", ""),
    ],
)
def test_a_quantity_is_guessed_by_unit_then_by_name(name: str, unit: str, quantity: str, sent: str) -> None:
    assert (likely(name, unit).quantity, likely(name, unit).unit) == (quantity, sent)


def test_a_range_holds_what_came_and_a_resolution_is_that_of_the_digits() -> None:
    assert [range_for("uS/cm", high)[1] for high in (5, 310, 5000, 1e7)] == [200, 2000, 20_000, 1e9]
    assert range_for("", -3) == (-10, 10)
    assert [resolution_of(texts) for texts in (["5"], ["5.25", "5"], ["5,5"], [], ["1e-3"])] == [
        1,
        0.01,
        0.1,
        1,
        1,
    ]


@given(st.binary() | st.text().map(str.encode))
def test_whatever_bytes_are_shown_and_guessed_nothing_raises_and_nothing_unprintable_comes(
    raw: bytes,
) -> None:
    assert plain_bytes(raw).isprintable()
    found = guess(raw)
    assert plain(found.remark).isprintable()
    line = raw.decode("latin-1")
    form = form_of([line])
    pattern, _ = pattern_of(line, form)
    re.compile(pattern)
    assert len(guess_line(line, form).parts) <= 40


values = st.recursive(
    st.text() | st.integers(-9, 9) | st.booleans(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=6,
)


@given(values)
@settings(max_examples=60)
def test_a_value_written_as_toml_is_read_back_as_it_was(value: object) -> None:
    assert tomllib.loads(f"key = {toml(value)}")["key"] == value


def test_sources_are_bounded_and_what_is_beyond_is_counted() -> None:
    sources = Sources()
    for n in range(MOST_SOURCES + 5):
        sources.heard(f"topic/{n}", guess(b"5"), float(n))
    assert (len(sources.known), sources.others) == (MOST_SOURCES, 5)


def test_how_often_a_source_speaks_is_rounded_to_a_usual_interval() -> None:
    sources = Sources()
    for n in range(10):
        source = sources.heard("a", guess(b"5"), 58.7 * n)
    assert source is not None and source.interval_s == 60
    sources.heard("b", guess(b"5"), 0.0, retained=True)
    assert sources.known["b"].interval_s is None
