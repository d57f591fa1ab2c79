"""Rule `top-off-mix`: a mixer that is off what it is set to, and a drum that runs out."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config import ConfigMistakes, load
from monitor.readings import OperatorAction
from monitor.rules.band import judged, side
from monitor.rules.top_off_mix import wording
from tests.heart.coolant_shop import DAY_MS, HOUR_MS, MONDAY_MS, done, read, small_shop, sump_text, with_hours
from tests.heart.shop import Heart

RULE = """
[[rule]]
kind = "top-off-mix"
id = "mix"
coolant = "general"
set = "3.9 %"
mix = "mixer.brix"
zero = "water.brix"
"""


@pytest.fixture
def shop(tmp_path: Path) -> Heart:
    return Heart(small_shop(tmp_path, RULE, sumps=3))


def day(number: float) -> int:
    return MONDAY_MS + round(number * DAY_MS) + 9 * HOUR_MS


def brix(*values: float, first: int = 0) -> list[OperatorAction]:
    """The mix, read every week."""
    return [read("mixer.brix", day(7 * (first + week)), value) for week, value in enumerate(values)]


def delivered(number: float, litres: float) -> OperatorAction:
    return done("general", day(number), "concentrate-delivered", litres)


def there(number: float, litres: float) -> OperatorAction:
    return done("general", day(number), "concentrate-counted", litres)


def poured(days: int, litres: float = 50.0) -> list[OperatorAction]:
    """So much mix into the three sumps together every day."""
    return [done(f"m{1 + n % 3:02}", day(n), "top-off", litres) for n in range(days)]


def told(watch: Heart) -> list[tuple[str, str, int]]:
    """What happened to alarms: condition, cause, and days since Monday."""
    return [(t.condition, t.cause, (t.time_ms - MONDAY_MS) // DAY_MS) for t in watch.transitions]


def live(watch: Heart, *events: OperatorAction, days: int = 60) -> list[tuple[str, str, int]]:
    watch.see(*with_hours(events, MONDAY_MS, MONDAY_MS + days * DAY_MS))
    return told(watch)


@pytest.mark.parametrize(
    ("values", "weeks"),
    [
        ([3.0, 3.1, 2.9, 3.0, 3.0], []),
        ([3.0, 2.3, 3.0, 2.3, 3.0], []),  # 2.99 %: out of the band once, within a reading's error
        ([3.0, 2.3, 2.3, 3.0], [2]),
        ([3.0, 2.0], [1]),
        ([3.0, 4.0], [1]),
    ],
)
def test_a_mixer_is_told_when_it_is_surely_off(shop: Heart, values: list[float], weeks: list[int]) -> None:
    live(shop, *brix(*values))
    assert [at // 7 for condition, cause, at in told(shop) if cause == "raised"] == weeks


def test_a_mixer_set_right_again_returns_at_once(shop: Heart) -> None:
    assert [cause for _, cause, _ in live(shop, *brix(3.0, 2.0, 3.0))] == ["raised", "returned"]


def test_the_mix_is_read_from_the_zero_of_the_shops_own_water(shop: Heart) -> None:
    live(shop, read("water.brix", day(0) - HOUR_MS, 0.8), *brix(3.0, 3.0))
    (alarm,) = shop.transitions
    assert alarm.evidence["pct"] == pytest.approx(1.3 * 2.2)
    said = wording(alarm.evidence)
    assert said.first_line == "Mixer: 2.9 % general coolant, set to 3.9 %"
    assert any("never concentrate alone" in caution for caution in said.cautions)


def test_concentrate_is_told_a_fortnight_before_the_drum_is_empty(shop: Heart) -> None:
    # 50 L a day at 3.9 % are 1.95 L of concentrate: 60 L last for 30 days.
    (condition, cause, at), *rest = live(shop, there(20, 60.0), *poured(50), *brix(*[3.0] * 8), days=48)
    assert (condition, cause, rest) == ("mix/stock", "raised", [])
    assert at == pytest.approx(20 + 30.8 - 14, abs=1.5)
    assert wording(shop.transitions[0].evidence).first_line.startswith(
        "general coolant: concentrate for about 1"
    )


def test_what_comes_in_takes_the_alarm_away(shop: Heart) -> None:
    found = live(shop, there(20, 40.0), *poured(50), delivered(30, 200.0), days=48)
    assert [cause for _, cause, _ in found] == ["raised", "returned"]


def test_two_counts_tell_the_use_without_any_log(shop: Heart) -> None:
    live(shop, there(0, 100.0), delivered(5, 50.0), there(20, 90.0), days=45)
    alarm = shop.transitions[0]
    assert alarm.evidence["use_l_week"] == pytest.approx(7 * 60.0 / 20.0)
    assert "two counts" in str(alarm.evidence["how"])
    assert told(shop)[0][2] == pytest.approx(20 + 30 - 14, abs=1)


def test_nothing_is_said_of_a_stock_that_nobody_counted(shop: Heart) -> None:
    assert live(shop, *poured(50), delivered(3, 10.0)) == []


def test_a_delivery_told_late_and_older_than_the_count_is_in_the_count(shop: Heart) -> None:
    found = live(shop, *poured(40), there(20, 40.0), days=39)
    assert [cause for _, cause, _ in found] == ["raised"]
    shop.see(delivered(10, 200.0))
    shop.see(*with_hours([], day(40), day(42)))
    assert [cause for _, cause, _ in told(shop)] == ["raised"]


def test_metered_sumps_use_concentrate_too(tmp_path: Path) -> None:
    small_shop(tmp_path, RULE, 1)
    path = tmp_path / "site.toml"
    path.write_text(path.read_text(encoding="utf-8") + sump_text("m02", meter=True), encoding="utf-8")
    watch = Heart(load(path))
    counter = [read("m02.topoff", day(n), 1000.0 + 50.0 * n) for n in range(50)]
    (_, _, at), *_ = live(watch, there(20, 60.0), *counter, days=48)
    assert at == pytest.approx(37, abs=2)


def test_a_band_is_left_and_entered_surely() -> None:
    band = (3.0, 5.0)
    assert side(2.9, band) == "below"
    assert judged("", 2.9, 4.0, band, 0.3) == ""
    assert judged("", 2.95, 2.95, band, 0.3) == ""
    assert judged("", 2.85, 2.8, band, 0.3) == "below"
    assert judged("", 2.6, 4.0, band, 0.3) == "below"
    assert judged("below", 3.1, 2.5, band, 0.3) == "below"
    assert judged("below", 3.1, 3.2, band, 0.3) == ""
    assert judged("below", 4.0, 2.5, band, 0.3) == ""
    assert judged("below", 5.6, 2.5, band, 0.3) == "above"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('coolant = "general"', 'coolant = "other"', "other"),
        ('set = "3.9 %"', 'set = "90 %"', "set must be"),
        ('mix = "mixer.brix"', 'mix = "water.ec"', "water.ec"),
        ('zero = "water.brix"', 'off = "2 %"', "off must be"),
    ],
)
def test_what_does_not_fit_is_refused_in_words(tmp_path: Path, old: str, new: str, said: str) -> None:
    with pytest.raises(ConfigMistakes, match=said):
        small_shop(tmp_path, RULE.replace(old, new))
