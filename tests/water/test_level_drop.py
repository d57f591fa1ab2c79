"""Splitting a loss: it adds up, it knows how sure it is, and it does not talk beyond that."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.water import level_drop, period_balance, sump
from monitor.water.errors import OutOfRange
from monitor.water.loss_split import LossSplit

volume = st.floats(100.0, 1000.0)
drop = st.floats(0.05, 0.5)
reading = st.floats(3.0, 12.0)
ratio = st.floats(0.8, 1.6)


@given(before=volume, part=drop, b0=reading, r=ratio)
def test_evaporated_and_lost_make_up_the_drop(before: float, part: float, b0: float, r: float) -> None:
    split = level_drop.split_level_drop(before, before * (1.0 - part), b0, b0 * r)
    assert split.evaporated_l + split.mixture_lost_l == pytest.approx(before * part, rel=1e-9)
    assert split.total_l == pytest.approx(before * part, rel=1e-9)
    assert split.fraction == pytest.approx(split.evaporated_l / split.total_l)


@given(before=volume, c0=reading, e=st.floats(0.0, 10.0), d=st.floats(0.0, 10.0), days=st.floats(1.0, 4.0))
def test_the_split_finds_the_losses_that_made_the_drop(
    before: float, c0: float, e: float, d: float, days: float
) -> None:
    if e + d < 0.5:
        return
    after = sump.sump_volume_after_l(before, e, d, days)
    c1 = sump.sump_concentration_after_pct(before, c0, e, d, days)
    assert level_drop.evaporated_volume_l(before, after, c0, c1) == pytest.approx(e * days, abs=1e-6)
    assert level_drop.mixture_lost_l(before, after, c0, c1) == pytest.approx(d * days, abs=1e-6)
    bracket = level_drop.evaporated_bracket(before, after, c0, c1)
    assert bracket.low_l - 1e-6 <= e * days <= bracket.high_l + 1e-6


@given(before=volume, part=drop, b0=reading, r=ratio, zero=st.floats(-0.5, 1.0))
def test_the_zero_on_water_is_taken_off_both_readings(
    before: float, part: float, b0: float, r: float, zero: float
) -> None:
    after = before * (1.0 - part)
    with_zero = level_drop.split_level_drop(before, after, b0 + zero, b0 * r + zero, zero_brix=zero)
    assert with_zero.fraction == pytest.approx(level_drop.evaporated_fraction(before, after, b0, b0 * r))


@given(before=volume, part=drop, b0=reading, r=ratio)
def test_the_split_s_uncertainty_is_that_of_first_order(
    before: float, part: float, b0: float, r: float
) -> None:
    after, b1 = before * (1.0 - part), b0 * r
    split = level_drop.split_level_drop(
        before, after, b0, b1, reading_std_brix=0.1, level_std_l=1.0, holdup_std_l=0.0, zero_std_brix=0.0
    )
    told = level_drop.evaporated_fraction_std(before, after, b0, b1, 0.1, 1.0)
    assert split.fraction_std == pytest.approx(told, rel=1e-4)


def scattered(part: float, true_fraction: float, seed: int, draws: int = 4000) -> list[LossSplit]:
    """Splits of the same true loss, its readings scattered as the defaults of a digital one assume."""
    draw = np.random.default_rng(seed)
    before, b0, zero = 300.0, 6.0, 0.3
    after = before * (1.0 - part)
    b1 = b0 * (before / after) ** true_fraction
    volume_std = math.hypot(1.0, 2.0)
    found = []
    for _ in range(draws):
        v0, v1 = draw.normal((before, after), volume_std)
        r0, r1 = draw.normal((b0 + zero, b1 + zero), 0.15)
        z = draw.normal(zero, 0.1)
        if v1 < v0:
            found.append(level_drop.split_level_drop(v0, v1, r0, r1, instrument="digital", zero_brix=z))
    return found


@pytest.mark.parametrize("part", [0.05, 0.1, 0.2, 0.3])
@pytest.mark.parametrize("true_fraction", [0.0, 0.4, 1.0])
def test_the_90_percent_interval_covers_the_truth_nine_times_in_ten(
    part: float, true_fraction: float
) -> None:
    splits = scattered(part, true_fraction, seed=int(1000 * part + 10 * true_fraction))
    covered = [
        s.fraction_low is None
        or (s.fraction_high is not None and s.fraction_low <= true_fraction <= s.fraction_high)
        for s in splits
    ]
    assert np.mean(covered) == pytest.approx(0.90, abs=0.02)


@pytest.mark.parametrize(("part", "litres"), [(0.1, 12.0), (0.3, 54.0)])
def test_the_90_percent_interval_of_the_litres_covers_them_too(part: float, litres: float) -> None:
    splits = scattered(part, litres / (300.0 * part), seed=7)
    inside = [s.evaporated_low_l <= litres <= s.evaporated_high_l for s in splits]
    lost = [s.mixture_lost_low_l <= 300.0 * part - litres <= s.mixture_lost_high_l for s in splits]
    assert np.mean(inside) == pytest.approx(0.90, abs=0.02)
    assert np.mean(lost) == pytest.approx(0.90, abs=0.02)


@pytest.mark.parametrize("true_fraction", [0.0, 1.0])
def test_a_verdict_for_the_wrong_cause_is_rare(true_fraction: float) -> None:
    wrong = {0.0: "evaporation", 1.0: "lost mixture"}[true_fraction]
    for part in (0.05, 0.1, 0.2):
        verdicts = [s.verdict for s in scattered(part, true_fraction, seed=11)]
        assert verdicts.count(wrong) / len(verdicts) < 0.02, part


def test_a_five_percent_drop_tells_nothing_and_a_forty_percent_drop_tells() -> None:
    assert level_drop.split_level_drop(300, 285, 6.0, 6.0 * 300 / 285).verdict == "cannot tell yet"
    assert level_drop.split_level_drop(300, 180, 6.0, 10.0).verdict == "evaporation"
    assert level_drop.split_level_drop(300, 180, 6.0, 6.0).verdict == "lost mixture"


def test_a_drop_within_its_own_uncertainty_has_no_interval() -> None:
    split = level_drop.split_level_drop(300, 298, 6.0, 6.1)
    assert (split.fraction_low, split.fraction_high, split.verdict) == (None, None, "cannot tell yet")


def test_half_and_half_is_told_as_both_when_the_readings_are_good() -> None:
    after = 150.0
    split = level_drop.split_level_drop(
        300, after, 6.0, 6.0 * 2.0**0.5, reading_std_brix=0.1, zero_std_brix=0.0
    )
    assert split.verdict == "both"


def test_a_concentration_that_fell_far_is_told_as_something_that_came_in() -> None:
    assert (
        level_drop.split_level_drop(300, 200, 9.0, 6.0, instrument="digital").verdict == "something came in"
    )


def test_an_optical_reading_is_less_sure_than_a_digital_one() -> None:
    optical, digital = (
        level_drop.split_level_drop(300, 240, 6.0, 7.0, instrument=kind).fraction_std
        for kind in ("optical", "digital")  # type: ignore[arg-type]  # the two words of Instrument
    )
    assert optical > digital


@pytest.mark.parametrize(
    ("call", "told"),
    [
        ((300, 300, 6.0, 6.5), "below the volume before, 300 L"),
        ((300, 240, 0.0, 6.5), "before_brix"),
        ((300, math.nan, 6.0, 6.5), "volume_after_l"),
    ],
)
def test_what_is_no_drop_or_no_reading_is_refused(call: tuple[float, ...], told: str) -> None:
    with pytest.raises(OutOfRange, match=told):
        level_drop.split_level_drop(*call)  # type: ignore[arg-type]  # four floats


def test_an_unknown_instrument_is_refused_with_the_known_ones() -> None:
    with pytest.raises(OutOfRange, match="optical or digital"):
        level_drop.split_level_drop(300, 240, 6.0, 7.0, instrument="eye")  # type: ignore[arg-type]  # that is the test


@given(
    before=volume, c0=reading, e=st.floats(1.0, 8.0), d=st.floats(1.0, 8.0), added=st.floats(0.0, 40.0),
    strength=st.floats(0.0, 5.0),
)  # fmt: skip
def test_the_period_balance_conserves_volume_and_concentrate(
    before: float, c0: float, e: float, d: float, added: float, strength: float
) -> None:
    after, c1 = before + added - e - d, c0 * 1.05
    lost = period_balance.period_mixture_lost_l(before, c0, after, c1, added, strength)
    evaporated = period_balance.period_evaporated_l(before, c0, after, c1, added, strength)
    assert before + added - lost - evaporated == pytest.approx(after)
    left = before * c0 + added * strength - lost * (c0 + c1) / 2.0
    assert left == pytest.approx(after * c1)


def test_without_additions_the_period_balance_is_close_to_the_drop() -> None:
    period = period_balance.split_period(300, 6.0, 270, 6.4, 0.0, 0.0)
    single = level_drop.split_level_drop(300, 270, 6.0, 6.4)
    assert period.fraction == pytest.approx(single.fraction, abs=0.01)
    assert period.fraction_std == pytest.approx(single.fraction_std, rel=0.1)


def test_a_period_that_lost_nothing_is_refused() -> None:
    with pytest.raises(OutOfRange, match="nothing was lost"):
        period_balance.split_period(300, 6.0, 320, 6.0, 10.0, 3.0)
