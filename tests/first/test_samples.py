"""One message, one line, two rows of a file: which of it is the value, which the time."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.first import samples
from monitor.first.logged import logged
from monitor.first.written import NotRight


def test_a_bare_number_is_one_with_its_unit_text_and_decimal_sign() -> None:
    assert samples.message("12.3") == samples.Message("number", (samples.Value("", "12.3"),))
    found = samples.message("12,3 uS/cm")
    assert (found.unit_text, found.decimal, found.values[0].digit) == ("uS/cm", "comma", "0.1")


TIMES = [
    ('{"t": 1790000000000, "ec": 12.3}', "/t", "ms"),
    ('{"ts": 1790000000, "ec": 12.3}', "/ts", "s"),
    ('{"time": "2031-02-14T06:30:00Z", "ec": 12.3}', "/time", "iso"),
    ('{"ec": 12.3}', "", "ms"),
    ('{"t": 14.2, "ec": 12.3}', "", "ms"),  # a temperature that is called t
]


@pytest.mark.parametrize(("typed", "pointer", "unit"), TIMES)
def test_the_time_in_a_message_is_found_by_its_name_and_its_size(typed: str, pointer: str, unit: str) -> None:
    found = samples.message(typed)
    assert (found.time, found.time_unit) == (pointer, unit)
    assert found.values[-1] == samples.Value("/ec", "12.3")


def test_every_number_of_a_message_has_its_pointer() -> None:
    found = samples.message('{"feed": {"ec": 610}, "out": [{"a/b": 0.25}], "ok": true, "note": "x"}')
    assert [(v.where, v.written) for v in found.values] == [("/feed/ec", "610"), ("/out/0/a~1b", "0.25")]


@pytest.mark.parametrize("typed", ["", "hello", '{"ec": ', "[]", '{"ok": true}', "[" * 5000])
def test_a_message_without_a_number_is_refused(typed: str) -> None:
    with pytest.raises(NotRight):
        samples.message(typed)


LINES = [
    ("EC=12.3 uS", 1, "EC=7 uS", "7"),
    ("EC 3.21 uS/cm T 21.4 C", 1, "EC  103.4 uS/cm  T -2 C", "103.4"),
    ("EC 3.21 uS/cm T 21.4 C", 2, "EC 3.21 uS/cm T 19.0 C", "19.0"),
    ("2026-05-04 06:30;12.3;ok", 6, "2026-05-05 07:10;9.9;ok", "9.9"),
    ("a'b (x) 5", 1, "a'b (x) 6", "6"),
]


@pytest.mark.parametrize(("typed", "number", "other", "value"), LINES)
def test_a_pattern_fits_the_line_it_was_made_of_and_others_like_it(
    typed: str, number: int, other: str, value: str
) -> None:
    pattern = re.compile(samples.line_pattern(typed, number, "v"))
    own = pattern.fullmatch(typed)
    assert own is not None and own["v"] == samples.line_values(typed)[number - 1].written
    found = pattern.fullmatch(other)
    assert found is not None and found["v"] == value
    assert pattern.fullmatch("ERROR 7") is None


@given(st.text(max_size=60))
def test_any_line_with_a_number_gives_a_pattern_that_fits_it(typed: str) -> None:
    try:
        values = samples.line_values(typed)
    except NotRight:
        return
    found = re.compile(samples.line_pattern(typed, len(values), "v")).fullmatch(typed.strip())
    assert found is not None


FILES = [
    ("Time;EC DI;M01", "2026-05-04 06:30;12,3;310", ("semicolon", ("EC DI", "M01"), ("Time",), "iso", True)),
    ("Date,Time,EC", "14.05.2026,06:30,3", ("comma", ("EC",), ("Date", "Time"), "%d.%m.%Y %H:%M", False)),
    ("when\tEC", "1790000000\t12.3", ("tab", ("EC",), ("when",), "s", False)),
    ("Timestamp,EC", "05/24/2026 18:30,3", ("comma", ("EC",), ("Timestamp",), "%m/%d/%Y %H:%M", False)),
]  # fmt: skip


@pytest.mark.parametrize(("header", "row", "expected"), FILES)
def test_a_file_is_told_by_its_first_lines(header: str, row: str, expected: tuple[object, ...]) -> None:
    found = logged(header, row)
    assert (found.delimiter, found.columns, found.time, found.time_format, found.comma) == expected


UNCLEAR = [
    ("Time;EC", "05/04/2026 06:30;3", "a day after the 12th"),
    ("Time;EC", "yesterday;3", "is no time that can be read"),
    ("Time;EC", "2026-05-04 06:30:00;3;4", "3 values for 2 columns"),
    ("Time", "2026-05-04 06:30:00", "at least two columns"),
]


@pytest.mark.parametrize(("header", "row", "words"), UNCLEAR)
def test_a_file_that_can_be_read_in_two_ways_is_asked_back(header: str, row: str, words: str) -> None:
    with pytest.raises(NotRight, match=words):
        logged(header, row)
