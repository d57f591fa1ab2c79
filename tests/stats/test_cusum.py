"""The CUSUM and its run length."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.stats import cusum, run_length, run_length_ar1
from monitor.stats.errors import OutOfRange

numbers = st.lists(st.floats(-50.0, 50.0), min_size=1, max_size=60)


@given(x=numbers, target=st.floats(-5.0, 5.0), k=st.floats(0.0, 3.0), start=st.floats(0.0, 5.0))
def test_one_reading_at_a_time_gives_the_sums_of_the_whole_series(
    x: list[float], target: float, k: float, start: float
) -> None:
    upper, lower = cusum.cusum_series(x, target, k, start)
    state = cusum.cusum_start(start)
    for place, value in enumerate(x):
        state = cusum.cusum_step(state, value, target, k)
        assert (state.upper, state.lower) == (upper[place], lower[place])


@given(x=numbers, k=st.floats(0.0, 3.0))
def test_the_upper_sum_is_the_walk_above_its_least(x: list[float], k: float) -> None:
    walk = np.concatenate(([0.0], np.cumsum(np.array(x) - k)))
    closed = (walk - np.minimum.accumulate(walk))[1:]
    assert cusum.cusum_series(x, 0.0, k)[0] == pytest.approx(closed, abs=1e-9)


@given(x=numbers, k=st.floats(0.0, 3.0))
def test_upper_and_lower_sum_are_mirror_images(x: list[float], k: float) -> None:
    upper, lower = cusum.cusum_series(x, 0.0, k)
    mirrored = cusum.cusum_series([-value for value in x], 0.0, k)
    assert (upper.tolist(), lower.tolist()) == (mirrored[1].tolist(), mirrored[0].tolist())


@given(x=numbers, k=st.floats(0.0, 3.0), h=st.floats(0.1, 20.0))
def test_the_signal_is_the_first_reading_whose_sum_crosses(x: list[float], k: float, h: float) -> None:
    upper, lower = cusum.cusum_series(x, 0.0, k)
    crossing = np.flatnonzero((upper > h) | (lower > h))
    assert cusum.cusum_signal(x, 0.0, k, h) == (crossing[0] + 1 if crossing.size else None)


def test_a_sum_that_just_reaches_its_threshold_signals_only_when_asked_to() -> None:
    assert cusum.cusum_signal([5.0], 0.0, 0.0, 5.0) is None
    assert cusum.cusum_signal([5.0], 0.0, 0.0, 5.0, inclusive=True) == 1


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_a_missing_reading_is_refused_not_stepped(bad: float) -> None:
    with pytest.raises(OutOfRange, match=r"x = (nan|inf) is out of range"):
        cusum.cusum_step(cusum.CusumState(), bad, 0.0, 0.5)


def test_a_missing_reading_in_a_series_is_named_by_its_place() -> None:
    with pytest.raises(OutOfRange, match=r"x\[1\] = nan"):
        cusum.cusum_series([0.0, math.nan], 0.0, 0.5)


@pytest.mark.parametrize(
    ("shift", "h4", "h5"),
    # Lucas and Crosier 1982, Table 1; Montgomery and Runger, Table 16-9
    [(0, 168, 465), (0.25, 74.2, 139), (0.5, 26.6, 38.0), (1, 8.38, 10.4), (2, 3.34, 4.01), (3, 2.19, 2.57)],
)
def test_two_sided_run_lengths_are_those_printed(shift: float, h4: float, h5: float) -> None:
    assert run_length.cusum_arl_two_sided(0.5, 4.0, shift) == pytest.approx(h4, rel=0.005)
    assert run_length.cusum_arl_two_sided(0.5, 5.0, shift) == pytest.approx(h5, rel=0.007)


@settings(max_examples=20, deadline=None)  # each example solves systems of equations
@given(k=st.floats(0.0, 1.5), h=st.floats(0.5, 8.0), shift=st.floats(-1.0, 3.0))
def test_a_run_is_longer_at_a_higher_threshold_and_shorter_at_a_larger_shift(
    k: float, h: float, shift: float
) -> None:
    length = run_length.cusum_arl_one_sided(k, h, shift)
    assert run_length.cusum_arl_one_sided(k, h + 0.5, shift) >= length
    assert run_length.cusum_arl_one_sided(k, h, shift + 0.5) <= length


@settings(max_examples=20, deadline=None)  # each example solves systems of equations
@given(k=st.floats(0.1, 1.0), h=st.floats(1.0, 6.0), shift=st.floats(0.0, 3.0))
def test_a_headstart_only_shortens_the_run(k: float, h: float, shift: float) -> None:
    started = run_length.cusum_arl_two_sided(k, h, shift, h / 2.0)
    assert 1.0 <= started <= run_length.cusum_arl_two_sided(k, h, shift)


@settings(max_examples=20, deadline=None)  # each example solves systems of equations
@given(k=st.floats(0.1, 1.0), arl0=st.floats(20.0, 1e6), sides=st.sampled_from([1, 2]))
def test_a_threshold_gives_back_the_run_it_was_solved_for(k: float, arl0: float, sides: int) -> None:
    h = run_length.cusum_threshold(arl0, k, sides)  # type: ignore[arg-type]  # 1 or 2
    ours = (run_length.cusum_arl_one_sided, run_length.cusum_arl_two_sided)[sides - 1]
    assert ours(k, h) == pytest.approx(arl0, rel=1e-6)


def test_a_run_that_never_ends_in_practice_is_told_as_endless() -> None:
    assert math.isinf(run_length.cusum_arl_one_sided(1.0, 20.0, -3.0))


def test_a_run_shorter_than_any_threshold_gives_is_refused() -> None:
    with pytest.raises(OutOfRange, match="arl0 = 2 is out of range"):
        run_length.cusum_threshold(2.0, 1.5)


@pytest.mark.parametrize("h", [2.0, 3.5, 5.0])
def test_without_memory_the_ar1_run_length_is_the_plain_one(h: float) -> None:
    plain = run_length.cusum_arl_two_sided(0.5, h)
    assert run_length_ar1.cusum_arl_ar1(0.5, h, 0.0) == pytest.approx(plain, rel=5e-4)


def test_memory_shortens_the_run_to_what_simulation_printed() -> None:
    # Monte Carlo of 20,000 runs each: 117.9 +/- 0.8 and 52.0 +/- 0.3
    assert run_length_ar1.cusum_arl_ar1(0.5, 5.0, 0.25) == pytest.approx(117.9, rel=0.02)
    assert run_length_ar1.cusum_arl_ar1(0.5, 5.0, 0.5) == pytest.approx(52.0, rel=0.02)


@pytest.mark.parametrize("sides", [1, 2])
def test_a_threshold_for_noise_with_memory_gives_back_its_run(sides: int) -> None:
    h = run_length_ar1.cusum_threshold_ar1(370.0, 0.5, 0.4, sides)  # type: ignore[arg-type]  # 1 or 2
    assert run_length_ar1.cusum_arl_ar1(0.5, h, 0.4, sides) == pytest.approx(370.0, rel=1e-4)  # type: ignore[arg-type]  # 1 or 2


def test_a_chart_scaled_by_what_is_new_alarms_sooner_than_one_scaled_by_the_whole() -> None:
    whole = run_length_ar1.cusum_arl_ar1(0.5, 4.0, 0.5)
    new = run_length_ar1.cusum_arl_ar1(0.5, 4.0, 0.5, scaled_by="innovation sigma")
    assert new < whole


def test_a_headstart_is_worth_the_same_whichever_way_the_level_moves() -> None:
    """At k 0.5, h 10 the sum on the far side never signals; that has no say in the run length."""
    falling, rising = (run_length.cusum_arl_two_sided(0.5, 10.0, shift, 5.0) for shift in (-1.0, 1.0))
    assert falling == rising == pytest.approx(11.44, rel=0.01)


def test_a_headstart_for_which_the_equation_gives_less_than_one_sample_is_refused() -> None:
    with pytest.raises(OutOfRange, match="headstart = 8 is out of range: at most h/2 = 4"):
        run_length.cusum_arl_two_sided(0.25, 8.0, 0.0, 8.0)
