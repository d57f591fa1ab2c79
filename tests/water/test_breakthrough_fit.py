"""The fitted breakthrough: limits that hold as often as they say, and an honest "cannot tell"."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.water.breakthrough import breakthrough_volume_l
from monitor.water.breakthrough_fit import BreakthroughFit, fit_breakthrough, student_t
from monitor.water.errors import OutOfRange

K, V50, LEAK = 0.008, 3000.0, 0.02
RUNS = 80
# 80 runs of an honest 90 % interval hold between 63 and 79 times, but for 1 in 1000
LEAST, MOST = 63 / RUNS, 79 / RUNS


def seen(
    up_to: float, scatter: float, count: int, draw: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Readings of a bed until its effluent holds a share of the feed."""
    volume = np.linspace(100.0, breakthrough_volume_l(up_to, K, V50), count)
    curve = LEAK + (1.0 - LEAK) / (1.0 + np.exp(-K * (volume - V50)))
    return volume, curve + draw.normal(0.0, scatter, count)


def holds(low: float | None, high: float | None, true: float) -> bool:
    return (-math.inf if low is None else low) <= true <= (math.inf if high is None else high)


def many(up_to: float, scatter: float, count: int, limit: float, seed: int) -> list[BreakthroughFit]:
    draw = np.random.default_rng(seed)
    return [fit_breakthrough(*seen(up_to, scatter, count, draw), limit) for _ in range(RUNS)]


@pytest.mark.parametrize(
    ("up_to", "scatter", "count", "limit"),
    [(0.98, 0.01, 40, 0.1), (0.4, 0.01, 40, 0.1), (0.08, 0.01, 40, 0.2)],
    ids=["whole curve", "a good part of it", "early front"],
)
def test_nine_in_ten_of_the_90_percent_limits_hold_the_truth(
    up_to: float, scatter: float, count: int, limit: float
) -> None:
    fits = many(up_to, scatter, count, limit, seed=7)
    true = breakthrough_volume_l(limit, K, V50)
    shares = {
        "limit": np.mean([holds(fit.limit_low_l, fit.limit_high_l, true) for fit in fits]),
        "v50": np.mean([holds(fit.v50_low_l, fit.v50_high_l, V50) for fit in fits]),
        "k": np.mean([holds(fit.k_low_per_l, fit.k_high_per_l, K) for fit in fits]),
    }
    for name, share in shares.items():
        assert LEAST <= share <= MOST, (name, share)


def test_the_limits_close_in_as_more_of_the_front_is_seen() -> None:
    draw = np.random.default_rng(3)
    widths = []
    for up_to in (0.06, 0.2, 0.8):
        fit = fit_breakthrough(*seen(up_to, 0.005, 80, draw), 0.5)
        assert fit.limit_high_l is not None
        widths.append(fit.limit_high_l - fit.limit_low_l)
    assert widths[0] > 3 * widths[1] > 3 * widths[2]


def test_while_the_effluent_is_flat_only_an_earliest_volume_is_named() -> None:
    volume, share = seen(0.002, 0.005, 40, np.random.default_rng(4))
    fit = fit_breakthrough(volume, share, 0.2)
    assert fit.verdict == "no front yet" and not fit.determined
    assert (fit.limit_l, fit.limit_high_l, fit.v50_l, fit.k_per_l) == (None, None, None, None)
    assert volume[-1] - 200 < fit.limit_low_l <= breakthrough_volume_l(0.2, K, V50)


def test_a_front_lost_in_scatter_has_a_beginning_and_an_uncertain_end() -> None:
    """A slow rise of the effluent in its own scatter: it has begun, when it ends may be anywhere."""
    draw = np.random.default_rng(5)
    volume = np.linspace(100.0, 2000.0, 40)
    share = 0.02 + 3e-5 * volume + draw.normal(0.0, 0.014, 40)
    fit = fit_breakthrough(volume, share, 0.5)
    assert fit.verdict == "front seen, end uncertain" and not fit.determined
    assert fit.limit_low_l > 1.5 * volume[-1]
    assert fit.limit_high_l is None or fit.limit_high_l > 1.5 * fit.limit_low_l


def test_a_steepness_known_from_earlier_runs_narrows_the_limits() -> None:
    volume, share = seen(0.05, 0.01, 60, np.random.default_rng(6))
    free = fit_breakthrough(volume, share, 0.5)
    known = fit_breakthrough(volume, share, 0.5, k_low_per_l=0.0075, k_high_per_l=0.0085)
    assert free.limit_high_l is not None and known.limit_high_l is not None
    assert known.limit_high_l - known.limit_low_l < 0.5 * (free.limit_high_l - free.limit_low_l)
    assert holds(known.limit_low_l, known.limit_high_l, V50)


def test_a_limit_above_all_that_was_seen_is_called_extrapolated() -> None:
    fit = fit_breakthrough(*seen(0.2, 0.005, 60, np.random.default_rng(8)), 0.5)
    assert fit.extrapolated
    assert not fit_breakthrough(*seen(0.9, 0.005, 60, np.random.default_rng(8)), 0.5).extrapolated


@pytest.mark.parametrize(("limit", "near"), [(0.5, False), (0.85, True)])
def test_a_limit_near_the_feed_is_flagged_since_its_alarm_may_never_come(limit: float, near: bool) -> None:
    fit = fit_breakthrough(*seen(0.98, 0.005, 60, np.random.default_rng(9)), limit)
    assert fit.limit_near_feed is near


def test_thousands_of_readings_fit_as_a_hundred_do() -> None:
    draw = np.random.default_rng(10)
    fit = fit_breakthrough(*seen(0.6, 0.02, 5000, draw), 0.2)
    assert fit.readings == 5000
    assert fit.limit_l == pytest.approx(breakthrough_volume_l(0.2, K, V50), rel=0.01)


def test_a_bed_that_discharges_what_it_held_is_no_breakthrough_curve() -> None:
    volume, share = seen(0.98, 0.005, 60, np.random.default_rng(11))
    share[-1] = 2.1
    with pytest.raises(OutOfRange, match=r"ratio = 2\.1 .*above the feed no such curve holds"):
        fit_breakthrough(volume, share)


@pytest.mark.parametrize("count", [0, 1, 5])
def test_too_few_readings_are_refused(count: int) -> None:
    with pytest.raises(OutOfRange, match="at least 6"):
        fit_breakthrough(np.arange(count, dtype=float), np.zeros(count))


def test_readings_of_one_and_the_same_volume_are_refused() -> None:
    with pytest.raises(OutOfRange, match="spread over some volume"):
        fit_breakthrough([100.0] * 8, [0.1] * 8)


def test_the_order_of_the_readings_does_not_matter() -> None:
    volume, share = seen(0.6, 0.01, 50, np.random.default_rng(12))
    mixed = np.random.default_rng(13).permutation(50)
    assert fit_breakthrough(volume, share) == fit_breakthrough(volume[mixed], share[mixed])


@pytest.mark.parametrize(
    ("confidence", "freedom", "t"),
    [(0.90, 5, 2.015), (0.95, 10, 2.228), (0.99, 30, 2.750), (0.90, 120, 1.658), (0.95, 3, 3.182)],
)
def test_student_t_is_that_of_the_printed_tables(confidence: float, freedom: int, t: float) -> None:
    """Two-sided critical values as printed in every statistics text (NIST/SEMATECH e-Handbook 1.3.6.7.2)."""
    assert student_t(confidence, freedom) == pytest.approx(t, abs=6e-4)
