"""The shop's clock as a function of the machine's."""

from __future__ import annotations

import pytest

from monitor.clock import PlayedClock
from simulator.clock import ShopClock

CLOCK = ShopClock(((1_000, 50_000), (2_000, 150_000), (4_000, 160_000)))


@pytest.mark.parametrize("machine", [0.0, 1_000.0, 1_500.0, 3_333.0, 9_000.0])
def test_the_inverse_brings_back_the_machine_time(machine: float) -> None:
    assert CLOCK.machine_ms(CLOCK.shop_ms(machine)) == pytest.approx(machine)


def test_the_nearest_slope_goes_on_outside_the_anchors() -> None:
    assert CLOCK.shop_ms(0) == pytest.approx(-50_000)
    assert CLOCK.shop_ms(5_000) == pytest.approx(165_000)


def test_a_clock_written_as_text_reads_back_the_same() -> None:
    assert ShopClock.parse(str(CLOCK)) == CLOCK


def test_a_slow_stretch_slows_only_itself_and_never_runs_back() -> None:
    fast = ShopClock.at_rate(0, 0, 1_000.0)
    slow = fast.slowed(5_000, 8_000, 2.0)
    assert slow.shop_ms(5_000) == pytest.approx(5_000_000)
    assert slow.shop_ms(8_000) - slow.shop_ms(5_000) == pytest.approx(6_000)
    assert slow.shop_ms(9_000) - slow.shop_ms(8_000) == pytest.approx(1_000_000)
    assert slow.shop_ms(4_000) == pytest.approx(fast.shop_ms(4_000))


@pytest.mark.parametrize("text", ["", "5:6", "1:2,x:3", "1:2,1:3", "2:5,3:4"])
def test_a_clock_that_does_not_rise_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="shop clock"):
        ShopClock.parse(text)


def test_the_watch_reads_the_same_clock_from_the_same_text() -> None:
    # Two classes, since simulator and watch share no code; one text is passed to both.
    played = PlayedClock.parse(str(CLOCK))
    for machine in (-500.0, 0.0, 1_000.0, 1_234.0, 2_000.0, 3_999.0, 4_000.0, 50_000.0):
        assert played.shop_ms(machine) == pytest.approx(CLOCK.shop_ms(machine))
        assert played.machine_ms(CLOCK.shop_ms(machine)) == pytest.approx(machine)
    assert str(played) == str(CLOCK)
