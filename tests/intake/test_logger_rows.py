"""Rows of a logger's file: columns, times, units, and what cannot be read. No file needed."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from monitor.intake.decoded import Decoded, Origin
from monitor.intake.logger_rows import Form, Heading, same_unit
from monitor.intake.logger_settings import Logger
from monitor.plant.model import Channel
from monitor.readings import Status

ORIGIN = Origin("train.csv", 1000)
UTC_NOON = 1_772_539_200_000  # 2026-03-03 12:00 UTC


def channel(id: str, quantity: str = "conductivity", unit: str = "uS/cm") -> Channel:
    return Channel.model_construct(id=id, quantity=quantity, unit=unit)


def form(columns: dict[str, Any] | None = None, zone: str = "UTC", **settings: Any) -> Form:
    logger = Logger.model_validate({"id": "l", "files": ["*.csv"], "time": ["time"], **settings})
    columns = columns or {"ec": "EC"}
    channels = {name: channel(name, *(("contact", "1") if name == "run" else ())) for name in columns}
    return Form(logger, columns, channels, zone)


def read(made: Form, *lines: str, last_ms: int = 0) -> Decoded:
    """The last line, read under a heading of those before it."""
    *above, line = (text.encode(made.logger.encoding) for text in lines)
    return made.row(line, made.layout(made.heading(above)), last_ms, ORIGIN)


def test_columns_are_found_by_name_whatever_their_order() -> None:
    found = read(form({"ec": "EC", "run": "Pump"}), "Pump,time,x,EC", "on,2026-03-03T12:00:00Z,9,12.5")
    assert (found.values, found.time_ms, found.problems) == ({"ec": 12.5, "run": 1.0}, UTC_NOON, ())


def test_columns_are_found_by_number_where_nothing_names_them() -> None:
    made = form({"ec": 3}, names=False, time=[1])
    assert read(made, "2026-03-03T12:00:00Z,9,12.5").values == {"ec": 12.5}


def test_lines_above_the_names_are_skipped() -> None:
    made = form(skip_lines=2)
    lines = ("Logger 7, EC, time", "", "time,EC", "2026-03-03T12:00:00Z,12.5")
    assert made.heading_lines == 3
    assert read(made, *lines).values == {"ec": 12.5}


def test_decimal_comma_semicolons_and_latin_1_are_read() -> None:
    made = form({"ec": "Leitfähigkeit"}, decimal="comma", delimiter="semicolon", encoding="latin-1")
    assert read(made, "time;Leitfähigkeit", "2026-03-03T12:00:00Z;12,5").values == {"ec": 12.5}


def test_quoted_cells_may_hold_the_delimiter() -> None:
    assert read(form(decimal="comma"), 'time,"EC"', '"2026-03-03T12:00:00Z","12,5"').values == {"ec": 12.5}


def test_a_cell_left_empty_is_a_value_that_was_not_there() -> None:
    found = read(form(), "time,EC", "2026-03-03T12:00:00Z,")
    assert (found.values, found.problems) == ({}, ())


def test_a_meter_over_its_range_says_so_in_its_cell() -> None:
    found = read(form(), "time,EC", "2026-03-03T12:00:00Z,>50.0")
    assert (found.values, found.statuses) == ({"ec": 50.0}, {"ec": Status.OVER_RANGE})


@pytest.mark.parametrize(
    ("settings", "text"),
    [
        ({}, "2026-03-03T12:00:00Z"),
        ({}, "2026-03-03 13:00:00+01:00"),
        ({}, "2026-03-03 12:00"),
        ({"zone": "Europe/Vienna"}, "2026-03-03 13:00:00"),
        ({"zone": "Europe/Vienna", "timezone": "Etc/GMT-2"}, "2026-03-03 14:00:00"),
        ({"time_format": "ms"}, str(UTC_NOON)),
        ({"time_format": "s"}, f"{UTC_NOON / 1000:.1f}"),
        ({"time_format": "%d.%m.%Y %H:%M:%S"}, "03.03.2026 12:00:00"),
        ({"time_format": "%m/%d/%y %I:%M %p"}, "03/03/26 12:00 PM"),
    ],
)
def test_times_are_read_as_they_are_written(settings: dict[str, Any], text: str) -> None:
    assert read(form(**settings), "time,EC", f"{text},1").time_ms == UTC_NOON


def test_date_and_time_may_stand_in_two_columns() -> None:
    made = form(time=["Date", "Time"], time_format="%Y/%m/%d %H:%M")
    assert read(made, "Date,EC,Time", "2026/03/03,1,12:00").time_ms == UTC_NOON


def test_the_hour_that_comes_twice_in_autumn_is_told_apart_by_the_row_before() -> None:
    """Vienna sets its clocks back on 2026-10-25 at 03:00 summer time, 01:00 UTC (IANA time zone database)."""
    made = form(zone="Europe/Vienna", time_format="%Y-%m-%d %H:%M")
    last_ms, hours = 0, []
    for text in ("01:30", "02:00", "02:30", "02:00", "02:30", "03:00"):
        found = read(made, "time,EC", f"2026-10-25 {text},1", last_ms=last_ms)
        assert found.time_ms is not None
        last_ms = found.time_ms
        hours.append(datetime.fromtimestamp(last_ms / 1000, UTC).strftime("%H:%M"))
    assert hours == ["23:30", "00:00", "00:30", "01:00", "01:30", "02:00"]


@pytest.mark.parametrize(
    ("line", "slugs"),
    [
        ("yesterday,1", ["bad-time"]),
        (",1", ["bad-time"]),
        ("2026-03-03T12:00:00Z,----", ["not-a-number"]),
        ("2026-03-03T12:00:00Z,nan", ["not-finite"]),
        ("2026-03-03T12:00:00Z,1 mS/cm", ["unit-text"]),
        ("2026-03-03T12:00:00Z", ["short-row"]),
        ("", []),
        (" , ", []),
    ],
)
def test_what_cannot_be_read_is_counted_by_its_reason(line: str, slugs: list[str]) -> None:
    found = read(form(), "time,EC", line)
    assert [problem.what for problem in found.problems] == slugs
    assert found.values == {}


def test_a_column_in_another_unit_than_its_channels_is_not_read() -> None:
    made = form({"ec": "EC", "t": 2}, unit_row=True)
    layout = made.layout(Heading(("time", "T", "EC"), ("", "°C", "mS/cm")))
    assert layout.refused == {"ec": "mS/cm", "t": "°C"}
    assert layout.columns == {}


@pytest.mark.parametrize(
    ("written", "same"),
    [
        ("uS/cm", True), ("[µS/cm]", True), ("(uS/cm)", True), ("", True), ("--", True), ("units", True),
        ("EC units", True),
        ("mS/cm", False), ("S/m", False), ("ppm", False), ("degC", False),
    ],
)  # fmt: skip
def test_units_are_compared_as_far_as_they_can_be_read(written: str, same: bool) -> None:
    assert same_unit(written, "uS/cm") == same


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"encoding": "utf-16"}, "line end is one byte"),
        ({"encoding": "klingon"}, "that is known"),
        ({"time_format": "%d.%m.%Y"}, "date, hours and minutes"),
        ({"time_format": "%"}, "date, hours and minutes"),
        ({"time_format": "%H:%M"}, "date, hours and minutes"),
        ({"timezone": "Vienna"}, "IANA"),
        ({"time": [0]}, "its number from 1"),
        ({"time": []}, "at least 1 item"),
        ({"files": []}, "at least 1 item"),
        ({"delimiter": ","}, "'comma'"),
    ],
)
def test_settings_that_cannot_be_are_refused_in_words(settings: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        form(**settings)


@given(line=st.binary(max_size=300), last_ms=st.integers(0, 2**42))
def test_no_line_raises(line: bytes, last_ms: int) -> None:
    for made in (form(), form(zone="Europe/Vienna", time_format="%d.%m.%Y %H:%M", decimal="comma")):
        layout = made.layout(made.heading([line]))
        assert isinstance(made.is_heading(line, layout), bool)
        made.row(line, layout, last_ms, ORIGIN)
        found = made.row(line, made.layout(Heading(("time", "EC"))), last_ms, ORIGIN)
        assert not found.values or found.time_ms is not None


@given(text=st.text(max_size=60), unit=st.text(max_size=12))
def test_no_heading_raises(text: str, unit: str) -> None:
    made = form(unit_row=True)
    made.layout(made.heading([text.encode(), unit.encode()]))
