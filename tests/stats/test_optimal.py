"""The yardstick is where it is printed, and in its order."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.stats import optimal, run_length

arls = st.floats(50.0, 1e5)
shifts = st.floats(0.3, 4.0)


@settings(max_examples=8, deadline=None)  # each example solves some dozen systems
@given(arl0=arls, shift=shifts)
def test_no_stationary_delay_beats_shiryaev_roberts_and_none_is_worse_than_the_worst(
    arl0: float, shift: float
) -> None:
    if arl0 < 1.05 / (0.5 * math.erfc(shift / 2.0 / math.sqrt(2.0))):
        return  # the run of a threshold of zero is longer already
    worst = optimal.optimal_cusum_worst_delay(arl0, shift)
    stationary = optimal.optimal_cusum_stationary_delay(arl0, shift)
    least = optimal.shiryaev_roberts_stationary_delay(arl0, shift)
    assert 1.0 <= least <= stationary * (1.0 + 1e-5)
    assert stationary <= worst * (1.0 + 1e-9)


@pytest.mark.parametrize(
    ("shift", "share"),
    [(0.5, 0.748), (1.0, 0.560), (2.0, 0.320), (3.0, 0.194)],
)
def test_the_shiryaev_bar_is_a_share_of_the_run_that_falls_with_the_shift(shift: float, share: float) -> None:
    # the renewal-theory constant of Pollak and Tartakovsky 2009 (from memory), recomputed
    assert optimal.shiryaev_roberts_threshold(10_000, shift) / 10_000 == pytest.approx(share, abs=6e-4)


def test_another_allowance_than_half_the_shift_is_slower_at_the_same_run() -> None:
    best = optimal.optimal_cusum_worst_delay(1000.0, 1.0)
    for k in (0.3, 0.7):
        h = run_length.cusum_threshold(1000.0, k)
        assert run_length.cusum_arl_one_sided(k, h, 1.0) > best


def test_the_leading_term_is_no_bound() -> None:
    assert optimal.optimal_cusum_delay_ratio(10_000, 0.5) < 0.7
    assert optimal.optimal_cusum_delay_ratio(10_000, 3.0) > 1.1
