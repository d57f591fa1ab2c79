"""Trends, slopes, outliers, changes of level."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from monitor.stats import change, distributions, ewma, regression, robust, run_length, trend
from monitor.stats.errors import OutOfRange

values = st.lists(st.integers(-50, 50).map(lambda i: i / 4.0), min_size=4, max_size=25)


@given(
    y=values, slope=st.integers(-8, 8), offset=st.integers(-100, 100), scale=st.sampled_from([0.5, 2.0, 4.0])
)
def test_theil_sen_follows_a_line_added_and_a_change_of_units(
    y: list[float], slope: int, offset: int, scale: float
) -> None:
    t = np.arange(len(y), dtype=float) * 2.0
    plain = trend.theil_sen(t, y)
    moved = trend.theil_sen(t, scale * np.array(y) + slope * t + offset)
    assert moved.slope == pytest.approx(scale * plain.slope + slope, abs=1e-9)
    scaled = trend.theil_sen(t, scale * np.array(y) + offset)  # a line added would undo ties
    assert (scaled.low, scaled.high) == pytest.approx((scale * plain.low, scale * plain.high))


@given(y=values)
def test_theil_sen_mirrored_in_time_mirrors_its_interval(y: list[float]) -> None:
    t = np.arange(len(y), dtype=float)
    plain, mirrored = trend.theil_sen(t, y), trend.theil_sen(-t, y)
    assert mirrored.slope == pytest.approx(-plain.slope)
    assert plain.low <= plain.slope <= plain.high


def test_theil_sen_goes_by_the_time_of_a_reading_not_by_its_number() -> None:
    t = [0.0, 1.0, 2.0, 50.0, 51.0, 52.0]
    assert trend.theil_sen(t, [0.1 * each for each in t]).slope == pytest.approx(0.1)


def test_a_wild_fifth_of_the_points_does_not_move_theil_sen_far() -> None:
    t = np.arange(30.0)
    y = 2.0 * t
    y[::5] = 1000.0
    assert trend.theil_sen(t, y).slope == pytest.approx(2.0, abs=0.2)
    assert abs(regression.least_squares(t, y).slope - 2.0) > 2.0


def test_pairs_of_one_time_are_refused_only_when_there_are_no_others() -> None:
    assert trend.theil_sen([1.0, 1.0, 2.0], [0.0, 2.0, 2.0]).slope == pytest.approx(1.0)
    with pytest.raises(OutOfRange, match="at least two different times"):
        trend.theil_sen([1.0, 1.0], [0.0, 2.0])


@given(y=values)
def test_mann_kendall_counts_what_counting_counts(y: list[float]) -> None:
    counted = sum((b > a) - (b < a) for a, b in itertools.combinations(y, 2))
    assert trend.mann_kendall(y).s == counted


@pytest.mark.parametrize("n", [4, 5, 6, 7])
def test_the_exact_probability_is_the_share_of_all_orders(n: int) -> None:
    orders = [trend.mann_kendall(order).s for order in itertools.permutations(range(n))]
    for order in itertools.islice(itertools.permutations(range(n)), 0, None, 7):
        result = trend.mann_kendall(order, probability="exact")
        share = sum(abs(s) >= abs(result.s) for s in orders) / len(orders)
        assert result.p_two_sided == pytest.approx(share)


def test_the_exact_probability_meets_the_normal_one_at_thirty_readings() -> None:
    draw = np.random.default_rng(5)
    for _ in range(20):
        x = draw.normal(size=30) + 0.02 * np.arange(30)
        exact, normal = (trend.mann_kendall(x, probability=kind).p_two_sided for kind in ("exact", "normal"))  # type: ignore[arg-type]  # the two words
        assert exact == pytest.approx(normal, abs=0.01)


def test_the_exact_probability_is_refused_with_ties() -> None:
    with pytest.raises(OutOfRange, match="no ties"):
        trend.mann_kendall([1.0, 1.0, 2.0], probability="exact")


def test_readings_that_never_change_have_no_trend() -> None:
    result = trend.mann_kendall([5.0] * 6)
    assert (result.s, result.z, result.p_two_sided) == (0, 0.0, 1.0)


@given(x=st.lists(st.floats(-10.0, 10.0), min_size=3, max_size=30))
@example(x=[0.0, 1.0, 2.225073858507203e-309])
def test_the_modified_z_is_always_finite(x: list[float]) -> None:
    assert np.isfinite(robust.modified_z(x)).all()


def test_a_quantised_sensor_s_equal_readings_do_not_make_its_next_step_an_outlier() -> None:
    x = [5.0] * 7 + [5.1, 9.0]
    assert robust.outliers(x, resolution=0.1) == [8]
    assert robust.median_and_mad(x)[1] == 0.0


def test_readings_that_are_all_equal_have_no_outlier() -> None:
    assert robust.outliers([5.0] * 9) == []


@given(x=st.lists(st.floats(-5.0, 5.0), min_size=2, max_size=40))
def test_page_hinkley_up_is_page_hinkley_down_of_the_mirror_image(x: list[float]) -> None:
    up = change.page_hinkley_series(x, 0.1, mode="up")
    down = change.page_hinkley_series([-value for value in x], 0.1, mode="down")
    both = change.page_hinkley_series(x, 0.1, mode="both")
    assert up == pytest.approx(down, abs=1e-9)
    assert (both >= up - 1e-12).all()


def test_page_hinkley_waits_for_its_least_number_of_readings() -> None:
    x = [0.0, 5.0, 5.0, 5.0, 5.0]
    assert change.page_hinkley_signal(x, 0.1, 1.0) == 2
    assert change.page_hinkley_signal(x, 0.1, 1.0, min_readings=4) == 4


@pytest.mark.parametrize("place", [8, 20, 32])
def test_a_clear_change_of_level_is_found_where_it_is(place: int) -> None:
    draw = np.random.default_rng(place)
    x = draw.normal(size=40) + 6.0 * (np.arange(40) >= place)
    found = change.level_change(x)
    assert found.first_after == place
    assert found.p < 0.01
    assert found.after - found.before == pytest.approx(6.0, abs=1.5)


def test_a_change_is_seen_in_quiet_series_no_more_often_than_told() -> None:
    draw = np.random.default_rng(9)
    p = [change.level_change(draw.normal(size=40)).p for _ in range(400)]
    assert np.mean(np.array(p) < 0.05) < 0.07


@given(x=values, start=st.floats(-5.0, 5.0))
def test_an_ewma_of_full_weight_is_the_reading_itself(x: list[float], start: float) -> None:
    assert ewma.ewma_series(x, 1.0, start).tolist() == x


def test_opening_limits_start_at_one_reading_s_width_and_end_at_the_asymptotic_ones() -> None:
    first = ewma.ewma_limits(0.0, 1.0, 0.2, 3.0, sample=1)
    assert first[1] == pytest.approx(0.2 * 3.0)
    assert ewma.ewma_limits(0.0, 1.0, 0.2, 3.0, sample=200) == pytest.approx(
        ewma.ewma_limits(0.0, 1.0, 0.2, 3.0)
    )


def test_opening_limits_find_an_early_shift_sooner_and_cost_some_quiet_run() -> None:
    for shift in (0.0, 1.0):
        opening = run_length.ewma_arl(0.1, 2.7, shift, limits="time-varying")
        assert opening < run_length.ewma_arl(0.1, 2.7, shift)


def test_an_ewma_of_full_weight_runs_as_long_as_the_plain_threshold() -> None:
    assert run_length.ewma_arl(1.0, 3.0) == pytest.approx(run_length.shewhart_arl0(3.0), rel=1e-6)


@given(y=st.lists(st.floats(-10.0, 10.0), min_size=5, max_size=40), rho=st.floats(0.05, 0.4))
def test_memory_in_the_residuals_widens_the_interval_of_a_slope(y: list[float], rho: float) -> None:
    assume(np.ptp(y) > 0.1)
    t = np.arange(len(y), dtype=float)
    if len(y) * (1.0 - rho) / (1.0 + rho) <= 2.5:
        return
    plain, wide = regression.least_squares(t, y), regression.least_squares(t, y, lag1_rho=rho)
    assert wide.slope == plain.slope
    assert wide.slope_se == pytest.approx(plain.slope_se * math.sqrt((1.0 + rho) / (1.0 - rho)))
    assert wide.slope_low <= plain.slope_low


def test_the_widened_interval_of_a_slope_covers_it_where_the_plain_one_does_not() -> None:
    draw = np.random.default_rng(12)
    rho, n, hits = 0.6, 200, [0, 0]
    for _ in range(600):
        noise = np.zeros(n)
        for i in range(1, n):
            noise[i] = rho * noise[i - 1] + draw.standard_normal()
        for place, given_rho in enumerate((0.0, rho)):
            line = regression.least_squares(np.arange(n), noise, lag1_rho=given_rho)
            hits[place] += line.slope_low <= 0.0 <= line.slope_high
    assert hits[0] / 600 < 0.80
    assert hits[1] / 600 == pytest.approx(0.95, abs=0.03)


def test_a_loss_as_fast_as_its_baseline_is_not_called_faster() -> None:
    line = regression.least_squares([0.0, 1.0, 2.0, 3.0], [300.0, 299.1, 298.0, 297.05])
    assert regression.faster_than_baseline(line, line.slope).p_one_sided == pytest.approx(0.5)


@given(p=st.floats(1e-12, 0.5))
def test_normal_quantile_and_probability_are_inverse(p: float) -> None:
    assert distributions.normal_cdf(distributions.normal_quantile(p)) == pytest.approx(p, rel=1e-12)


@given(p=st.floats(1e-6, 0.499), degrees=st.floats(1.0, 200.0))
def test_student_quantile_and_probability_are_inverse(p: float, degrees: float) -> None:
    quantile = distributions.student_t_quantile(p, degrees)
    assert distributions.student_t_cdf(quantile, degrees) == pytest.approx(p, rel=1e-9)
    assert distributions.student_t_quantile(1.0 - p, degrees) == pytest.approx(-quantile, rel=1e-6)
