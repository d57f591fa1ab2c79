"""Rule `stuck`."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from monitor.config import RULES, ConfigMistakes
from tests.heart.shop import SITE, Heart, sample, site

RULE = """
[[rule]]
kind = "stuck"
id = "stuck"
channels = ["di.ec"]
"""
DAY = 1440


@pytest.fixture
def heart(tmp_path: Path) -> Heart:
    return Heart(site(tmp_path, SITE + RULE))


def noisy(heart: Heart, first: int, last: int, sigma: float, seed: int = 1, mean: float = 5.0) -> None:
    """A reading each five minutes: normal noise of the DI meter, rounded to its 0.1."""
    chance = random.Random(seed)
    for minute in range(first, last, 5):
        heart.see(sample("di.ec", minute, round(chance.gauss(mean, sigma), 1)))


def hold(heart: Heart, first: int, last: int, value: float = 5.0) -> None:
    for minute in range(first, last, 5):
        heart.see(sample("di.ec", minute, value))


def first_raised(heart: Heart) -> float:
    return next(at for cause, at in heart.story("stuck/di.ec") if cause == "raised")


def test_a_lively_probe_that_freezes_is_told_within_hours(heart: Heart) -> None:
    noisy(heart, 0, 10 * DAY, 0.2)
    assert heart.story("stuck/di.ec") == []
    hold(heart, 10 * DAY, 11 * DAY)
    assert 10 * DAY + 110 <= first_raised(heart) <= 10 * DAY + 8 * 60


def test_the_alarm_returns_when_the_value_moves(heart: Heart) -> None:
    noisy(heart, 0, 10 * DAY, 0.2)
    hold(heart, 10 * DAY, 11 * DAY)
    heart.see(sample("di.ec", 11 * DAY, 5.3))
    assert heart.story("stuck/di.ec")[-1] == ("returned", 11 * DAY)


def test_a_month_of_healthy_noise_of_any_size_raises_nothing(tmp_path: Path) -> None:
    for sigma in (0.03, 0.06, 0.1, 0.3):
        heart = Heart(site(tmp_path, SITE + RULE))
        noisy(heart, 0, 30 * DAY, sigma, seed=int(100 * sigma), mean=5.03)
        assert heart.story("stuck/di.ec") == [], sigma


def test_forty_hours_at_one_digit_are_no_alarm_where_the_digit_seldom_moves(heart: Heart) -> None:
    # Twice what a healthy conductivity sensor does in the open GECCO 2018 data (doi 10.5281/zenodo.3884398):
    # constant for up to 20 h in counts of 1 and 3 to 4 uS/cm.
    for day in range(12):
        hold(heart, day * DAY, day * DAY + DAY - 5, 5.0 + 0.1 * (day % 2))
    hold(heart, 12 * DAY, 12 * DAY + 40 * 60, 5.0)
    assert heart.story("stuck/di.ec") == []


def test_before_a_week_is_learned_flat_after_decides(heart: Heart) -> None:
    noisy(heart, 0, DAY, 0.2)
    hold(heart, DAY, 4 * DAY)
    assert first_raised(heart) == pytest.approx(DAY + 2 * DAY, abs=15)


def test_a_standstill_that_was_called_stuck_teaches_nothing(heart: Heart) -> None:
    noisy(heart, 0, 10 * DAY, 0.2)
    hold(heart, 10 * DAY, 12 * DAY)
    noisy(heart, 12 * DAY, 13 * DAY, 0.2, seed=2)
    hold(heart, 13 * DAY, 14 * DAY)
    first, second = (at for cause, at in heart.story("stuck/di.ec") if cause == "raised")
    assert second - 13 * DAY < 1.5 * (first - 10 * DAY)


@pytest.mark.parametrize("end", [0.0, 200.0])
def test_a_value_at_an_end_of_its_range_is_never_called_stuck(heart: Heart, end: float) -> None:
    noisy(heart, 0, 10 * DAY, 0.2)
    hold(heart, 10 * DAY, 20 * DAY, end)
    assert heart.story("stuck/di.ec") == []


def test_the_message_says_value_duration_and_on_what_it_rests(heart: Heart) -> None:
    noisy(heart, 0, 10 * DAY, 0.2)
    hold(heart, 10 * DAY, 11 * DAY)
    raised = next(t for t in heart.transitions if t.condition == "stuck/di.ec")
    words = RULES["stuck"].wording(raised.evidence)
    assert words.first_line.startswith("DI outlet: DI meter stuck at 5")
    assert "never stood still for so long" in words.meaning
    assert dict(words.facts)["its longest standstill before"].endswith("min")


def test_a_counter_cannot_be_watched_for_standing_still(tmp_path: Path) -> None:
    text = SITE.replace('quantity = "flow"\nunit = "L/min"', 'quantity = "contact"\nunit = "1"')
    with pytest.raises(ConfigMistakes, match="stands still by nature"):
        site(tmp_path, text + RULE.replace("di.ec", "ro.flow"))
