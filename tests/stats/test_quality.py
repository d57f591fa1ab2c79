"""Tests of single readings: what is flagged, what is left alone, what is missing."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.stats import current_loop, flat, qartod
from monitor.stats.errors import OutOfRange
from monitor.stats.qartod import Flag

readings = st.lists(st.none() | st.floats(-100.0, 100.0), min_size=1, max_size=30)


@given(x=readings)
def test_a_missing_reading_is_flagged_missing_by_every_test(x: list[float | None]) -> None:
    times = [60.0 * i for i in range(len(x))]
    for flags in (
        qartod.gross_range_flags(x, (-50.0, 50.0), (-20.0, 20.0)),
        qartod.spike_flags(x, 1.0, 5.0),
        qartod.spike_flags(x, 1.0, 5.0, "differential"),
        qartod.rate_flags(x, times, 0.1),
        qartod.flat_line_flags(x, 60.0, 120.0, 240.0, 0.1),
        qartod.flat_line_count_flags(x, 0.1, 3, 5),
        qartod.attenuated_flags(x, 1.0, 0.1),
    ):
        assert len(flags) == len(x)
        assert [flag == Flag.MISSING for flag in flags] == [value is None for value in x]


def test_nan_counts_as_missing() -> None:
    assert qartod.gross_range_flags([1.0, math.nan], (0.0, 2.0)) == [Flag.GOOD, Flag.MISSING]


def test_a_tolerance_of_zero_flags_readings_that_are_exactly_equal() -> None:
    flags = qartod.flat_line_flags([5.0] * 8, 60.0, 180.0, 300.0, 0.0)
    assert [int(flag) for flag in flags] == [1, 1, 1, 3, 3, 4, 4, 4]


def test_the_differential_spike_test_leaves_the_neighbours_of_a_spike_alone() -> None:
    x = [1.0, 1.0, 2.0, 1.0, 1.0]
    average, differential = (
        qartod.spike_flags(x, 0.1, 0.4, method) for method in ("average", "differential")
    )  # type: ignore[arg-type]  # the two words
    assert [int(flag) for flag in average] == [2, 4, 4, 4, 2]
    assert [int(flag) for flag in differential] == [2, 1, 4, 1, 2]


def test_a_step_is_a_rate_but_no_differential_spike() -> None:
    x = [1.0, 1.0, 9.0, 9.0, 9.0]
    assert Flag.FAIL not in qartod.spike_flags(x, 1.0, 2.0, "differential")
    assert qartod.rate_flags(x, [0, 60, 120, 180, 240], 0.05)[2] == Flag.SUSPECT


def test_the_manual_s_text_and_its_code_line_differ_by_one_reading() -> None:
    x = [2.0] * 4
    text = qartod.flat_line_count_flags(x, 0.001, 3, 5)
    code = qartod.flat_line_count_flags(x, 0.001, 3, 5, present_included=False)
    assert (text.index(Flag.SUSPECT), code.index(Flag.SUSPECT)) == (2, 3)


def test_a_missing_reading_ends_a_counted_run() -> None:
    flags = qartod.flat_line_count_flags([2.0, 2.0, None, 2.0, 2.0, 2.0], 0.001, 3, 5)
    assert [int(flag) for flag in flags] == [1, 1, 9, 1, 1, 3]


def test_neighbours_that_disagree_are_flagged_and_a_lone_one_is_not_evaluated() -> None:
    assert qartod.neighbour_flag(1.0, 1.1, 0.03, 0.05) == Flag.FAIL
    assert qartod.neighbour_flag(1.0, None, 0.03, 0.05) == Flag.NOT_EVALUATED


def test_one_reading_is_too_few_to_call_a_signal_attenuated() -> None:
    assert qartod.attenuated_flags([1.0, None], 1.0, 0.5) == [Flag.NOT_EVALUATED, Flag.MISSING]


@pytest.mark.parametrize(
    "call",
    [
        lambda: qartod.gross_range_flag(1.0, (5.0, 0.0)),
        lambda: qartod.gross_range_flag(1.0, (0.0, 5.0), (-1.0, 4.0)),
        lambda: qartod.rate_flags([1.0, 2.0], [0.0, 0.0], 1.0),
        lambda: qartod.flat_line_flags([1.0], 60.0, 30.0, 300.0, 0.1),
        lambda: qartod.attenuated_flags([1.0, 2.0], 0.1, 0.2),
        lambda: qartod.gap_flag(-1.0, 60.0),
        lambda: qartod.spike_flag(1.0, math.inf, 1.0, 0.1, 0.2),
    ],
)
def test_settings_and_readings_that_make_no_sense_are_refused(call: object) -> None:
    with pytest.raises(OutOfRange):
        call()  # type: ignore[operator]  # a lambda of the list above


@given(q=st.floats(0.2, 10.0), n=st.integers(1, 50), u=st.floats(-0.5, 0.5))
def test_equal_readings_are_a_probability_that_falls_with_their_number(q: float, n: int, u: float) -> None:
    chance = flat.identical_readings_probability(q, n, u)
    assert 0.0 <= chance <= 1.0 + 1e-12
    assert flat.identical_readings_probability(q, n + 1, u) <= chance + 1e-15
    assert flat.identical_readings_probability(q, 1, u) == pytest.approx(1.0)


@given(q=st.floats(0.2, 5.0), rate=st.floats(0.001, 1.0))
def test_the_limit_for_a_stuck_sensor_is_the_first_that_is_bearable(q: float, rate: float) -> None:
    limit = flat.flat_run_limit(q, 1440, rate)

    def per_day(n: int) -> float:
        return flat.expected_flat_runs(q, n, 1440 + n)

    assert per_day(limit) <= rate * (1.0 + 1e-9)
    assert limit == 2 or per_day(limit - 1) > rate


def test_a_sensor_that_never_moves_cannot_be_judged_by_repetition() -> None:
    with pytest.raises(OutOfRange, match="small enough that readings move at all"):
        flat.flat_run_limit(50.0, 1440, 0.01)


@given(value=st.floats(-100.0, 600.0), span=st.floats(1.0, 1000.0))
def test_a_current_stands_for_the_value_it_was_made_from(value: float, span: float) -> None:
    current = 4.0 + 16.0 * min(max(value / 600.0, 0.0), 1.0)
    got = current_loop.current_to_value(current, 10.0, 10.0 + span)
    assert got == pytest.approx(10.0 + span * min(max(value / 600.0, 0.0), 1.0))


@pytest.mark.parametrize("current", [3.5, 21.5, 3.7, math.nan])
def test_a_current_that_measures_nothing_has_no_value(current: float) -> None:
    with pytest.raises(OutOfRange, match="current_ma"):
        current_loop.current_to_value(current, 0.0, 600.0)


def test_a_short_dropout_is_no_fault_and_a_lasting_one_is() -> None:
    assert current_loop.fault_standing([12, 3.4, 3.4, 12, 12], 1.0) == [False] * 5
    assert current_loop.fault_standing([3.4] * 5, 1.0) == [False, False, False, True, True]


def test_an_undefined_current_is_no_declared_fault() -> None:
    assert current_loop.fault_time_s(10.0, 3.7, 1.0) == 0.0
