"""Transitions of alarms as rows of a table."""

from __future__ import annotations

from typing import Any

from monitor.readings import AlarmState, Cause, Silence, Transition
from monitor.replay.alarms import spans

KEPT_BACK = Silence("instruments/fault/di.ec", "its instrument has a fault", 0)


def went(minute: int, cause: Cause, state: AlarmState, **more: Any) -> Transition:
    return Transition(
        "high", 1, minute, cause, state, minute, minute, "high", "limit", "di.ec", 0.9, {}, **more
    )


def rows(*transitions: Transition) -> list[tuple[int, int | None]]:
    return [(one.raised.time_ms, one.end_ms) for one in spans(transitions)]


def test_an_alarm_lasts_until_its_condition_is_gone_whoever_acknowledged_it_when() -> None:
    assert rows(
        went(1, "raised", AlarmState.UNACKNOWLEDGED),
        went(2, "acknowledged", AlarmState.ACKNOWLEDGED),
        went(3, "worse", AlarmState.UNACKNOWLEDGED),
        went(9, "returned", AlarmState.RETURNED),
        went(10, "acknowledged", AlarmState.NORMAL),
    ) == [(1, 9)]


def test_one_that_comes_back_before_it_was_acknowledged_is_a_row_of_its_own() -> None:
    assert rows(
        went(1, "raised", AlarmState.UNACKNOWLEDGED),
        went(3, "returned", AlarmState.RETURNED),
        went(5, "raised", AlarmState.UNACKNOWLEDGED),
    ) == [(1, 3), (5, None)]


def test_one_that_chatters_or_is_latched_ends_with_its_condition() -> None:
    assert rows(
        went(1, "chattering", AlarmState.LATCHED_UNACKNOWLEDGED),
        went(8, "returned", AlarmState.LATCHED_UNACKNOWLEDGED),
        went(9, "acknowledged", AlarmState.LATCHED_ACKNOWLEDGED),
        went(10, "reset", AlarmState.NORMAL),
    ) == [(1, 8)]


def test_one_that_is_kept_back_is_none_until_it_speaks() -> None:
    hidden = {"silence": KEPT_BACK, "beneath": AlarmState.UNACKNOWLEDGED}
    over = {"silence": KEPT_BACK, "beneath": AlarmState.RETURNED}
    assert (
        rows(
            went(1, "raised", AlarmState.SUPPRESSED, **hidden),
            went(2, "returned", AlarmState.SUPPRESSED, **over),
        )
        == []
    )
    assert rows(
        went(1, "raised", AlarmState.SUPPRESSED, **hidden),
        went(4, "unsuppressed", AlarmState.UNACKNOWLEDGED),
        went(7, "returned", AlarmState.RETURNED),
    ) == [(4, 7)]
