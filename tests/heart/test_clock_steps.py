"""What the heart does when a clock is set: nothing waits for a time that will not come for years."""

from __future__ import annotations

import pytest

from monitor.readings import Reason, Sample, Standing
from tests.heart.shop import MINUTE, START_MS, Heart, acknowledge, di, sample, tick

YEARS_MS = 10 * 365 * 86_400_000
YEARS_MINUTES = YEARS_MS / MINUTE


def test_a_condition_pending_when_the_clock_was_set_back_is_raised_after_its_on_delay(heart: Heart) -> None:
    heart.see(*di([(YEARS_MINUTES, 25)]))
    heart.see(*di([(minute, 25.0 + minute / 100) for minute in range(5)]))
    (raised,) = heart.transitions
    assert (raised.time_ms - START_MS) / MINUTE == 2
    assert raised.since_ms == START_MS


def test_what_is_usual_is_not_thrown_off_by_a_clock_that_was_set_back(heart: Heart) -> None:
    heart.see(*di([(YEARS_MINUTES, 5), (YEARS_MINUTES + 1, 5.1)]))
    heart.see(*di([(minute, 5.0 + minute / 100) for minute in range(5)]))
    assert heart.state.rules["di-high"].usual == pytest.approx(5.05, abs=0.1)
    assert "di-high" not in heart.state.failed


def test_water_that_ran_when_the_clock_was_set_back_still_opens_the_gate(heart: Heart) -> None:
    heart.see(sample("ro.flow", YEARS_MINUTES, 5.0))
    heart.see(*(sample("ro.flow", minute, 5.0) for minute in range(5)))
    assert heart.reading(sample("ro.ec", 4.5, 10.0)).standing == Standing.JUDGED


def test_the_temperature_of_now_is_none_for_a_value_of_hours_ago(heart: Heart) -> None:
    heart.see(sample("ro.t", 480, 35.0))
    old = Sample("ro.ec", 10.0, START_MS + 480 * MINUTE, START_MS)
    assert heart.reading(old).reasons & Reason.NO_TEMPERATURE


def test_the_flow_of_now_says_nothing_of_a_value_of_hours_ago(heart: Heart) -> None:
    heart.see(sample("ro.t", 480, 25.0), sample("ro.flow", 480, 0.0))
    old = heart.reading(Sample("ro.ec", 10.0, START_MS + 480 * MINUTE, START_MS))
    assert (old.standing, bool(old.reasons & Reason.GATE_UNKNOWN)) == (Standing.JUDGED, True)


def test_an_alarm_can_be_acknowledged_before_the_time_it_was_raised(heart: Heart) -> None:
    heart.see(*di([(0, 25), (2, 25)]), acknowledge(-5, "di-high#1"), tick(3))
    assert [t.cause for t in heart.transitions] == ["raised", "acknowledged"]
