"""Weeks by the shop's clock, and which one's digest is due."""

from __future__ import annotations

import doctest
from datetime import UTC, datetime

import pytest

from monitor.reports import week as module
from monitor.reports.week import Week, due_by

HOUR = 3_600_000


def ms(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def test_the_examples_of_the_module_are_so() -> None:
    assert doctest.testmod(module).failed == 0


@pytest.mark.parametrize(
    ("text", "zone", "hours"),
    [
        ("2031-W13", "Europe/Vienna", 167),  # the clock goes forward on 30 March 2031
        ("2031-W43", "Europe/Vienna", 169),
        ("2031-W42", "Europe/Vienna", 168),
        ("2031-W10", "America/Chicago", 167),
        ("2031-W44", "America/Chicago", 169),
        ("2031-W07", "Asia/Kolkata", 168),
        ("2031-W07", "UTC", 168),
    ],
)
def test_a_week_with_a_clock_change_is_an_hour_shorter_or_longer(text: str, zone: str, hours: int) -> None:
    week = Week.parse(text, zone)
    assert (week.to_ms - week.from_ms) / HOUR == hours
    assert week.earlier().to_ms == week.from_ms


def test_a_week_begins_at_midnight_on_monday_by_the_shops_clock() -> None:
    assert Week.parse("2031-W07", "Europe/Vienna").from_ms == ms("2031-02-09T23:00")
    assert Week.parse("2031-W26", "Europe/Vienna").from_ms == ms("2031-06-22T22:00")
    assert Week.of(ms("2031-02-09T22:59"), "Europe/Vienna").label == "2031-W06"
    assert Week.of(ms("2031-02-09T23:00"), "Europe/Vienna").label == "2031-W07"


def test_the_last_days_of_a_year_may_belong_to_the_first_week_of_the_next() -> None:
    assert Week.of(ms("2030-12-31T12:00"), "UTC").label == "2031-W01"
    assert Week.parse("2026-W53", "UTC").earlier(-1).label == "2027-W01"


@pytest.mark.parametrize("text", ["2031-W54", "2031-W7", "2031-07", "W07", "2031-W00", ""])
def test_what_is_no_week_is_refused_in_words(text: str) -> None:
    with pytest.raises(ValueError, match="write 2031-W07"):
        Week.parse(text, "UTC")


@pytest.mark.parametrize("zone", ["Europe/Vienna", "America/Chicago", "UTC", "Australia/Lord_Howe"])
def test_each_week_becomes_due_once_on_monday_morning_all_year_round(zone: str) -> None:
    first = Week.parse("2031-W01", zone)
    seen: list[str] = []
    for n in range(52):
        due_ms = first.earlier(-n).due_ms
        assert due_by(due_ms - 1, zone).label == first.earlier(1 - n).label
        seen.append(due_by(due_ms, zone).label)
        local = datetime.fromtimestamp(due_ms / 1000, module.ZoneInfo(zone))
        assert (local.weekday(), local.hour, local.minute) == (0, 6, 0)
    assert seen == [first.earlier(-n).label for n in range(52)]
