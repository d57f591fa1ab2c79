"""Rule `silent`."""

from __future__ import annotations

from pathlib import Path

from monitor.config import RULES
from monitor.readings import Standing, Status
from tests.heart.shop import SITE, Heart, di, sample, site, tick, timeless


def minutes(heart: Heart, first: int, last: int, *, ro: bool = True) -> None:
    """Ticks, with the RO node speaking each minute."""
    for minute in range(first, last + 1):
        if ro:
            for channel, value in (("ro.flow", 5.0), ("ro.t", 20.0), ("ro.ec", 10.0)):
                heart.see(sample(channel, minute, value))
        heart.see(tick(minute))


def test_an_instrument_silent_for_longer_than_three_intervals_is_an_alarm(heart: Heart) -> None:
    heart.see(*di([(0, 5)]))
    minutes(heart, 0, 5)
    assert heart.story("silent/di-meter") == [("raised", 4)]


def test_the_alarm_returns_at_the_first_minute_after_it_spoke_again(heart: Heart) -> None:
    heart.see(*di([(0, 5)]))
    minutes(heart, 0, 5)
    heart.see(*di([(5.5, 5)]))
    minutes(heart, 6, 6)
    assert heart.story("silent/di-meter") == [("raised", 4), ("returned", 6)]


def test_an_instrument_never_heard_is_silent_from_the_beginning_of_the_watch(heart: Heart) -> None:
    minutes(heart, 0, 5)
    (raised,) = heart.transitions
    assert raised.condition == "silent/di-meter"
    wording = RULES["silent"].wording(raised.evidence)
    assert "has not been heard since the watch began" in wording.meaning


def test_after_the_watch_was_away_everybody_gets_a_full_allowance(heart: Heart) -> None:
    heart.see(*di([(0, 5)]))
    minutes(heart, 0, 1)
    minutes(heart, 500, 503)
    assert heart.story("silent/di-meter") == []
    minutes(heart, 504, 504)
    assert heart.story("silent/di-meter") == [("raised", 504)]


def test_old_values_of_a_backlog_are_no_speech(heart: Heart) -> None:
    heart.see(*di([(0, 5)]))
    minutes(heart, 0, 3)
    heart.see(sample("di.ec", 0.5, 5, arrival_ms=sample("di.ec", 3.5, 0).arrival_ms))
    minutes(heart, 4, 4)
    assert heart.story("silent/di-meter") == [("raised", 4)]


def test_a_retained_value_without_a_time_is_no_speech(heart: Heart) -> None:
    heart.see(*di([(0, 5)]))
    minutes(heart, 0, 3)
    heart.see(timeless("di.ec", 3.5, 5, Status.RETAINED))
    minutes(heart, 4, 4)
    assert heart.story("silent/di-meter") == [("raised", 4)]


def test_a_retained_value_is_as_old_as_the_time_it_carries_and_no_speech_of_today(heart: Heart) -> None:
    now = sample("di.ec", 3.5, 0).arrival_ms
    minutes(heart, 0, 3)
    old = heart.reading(sample("di.ec", 0.2, 5, arrival_ms=now, status=Status.RETAINED))
    assert (old.standing, old.time_ms) == (Standing.JUDGED, now - round(3.3 * 60_000))
    again = heart.reading(sample("di.ec", 0.2, 5, arrival_ms=now + 9, status=Status.RETAINED))
    assert again.standing == Standing.LATE  # what was known is not news at the next connection
    minutes(heart, 4, 4)
    assert heart.story("silent/di-meter") == [("raised", 4)]


def test_one_silent_channel_of_an_instrument_that_speaks_is_named(heart: Heart) -> None:
    for minute in range(6):
        heart.see(sample("ro.flow", minute, 5.0), sample("ro.t", minute, 20.0), *di([(minute, 5)]))
        heart.see(tick(minute))
    (raised,) = heart.transitions
    assert raised.condition == "silent/ro-node"
    assert raised.evidence["silent"] == ["ro.ec"]
    assert raised.evidence["speaking"] == ["ro.flow", "ro.t"]


def test_a_clock_that_was_set_back_does_not_keep_silence_hidden(heart: Heart) -> None:
    heart.see(*di([(600, 5)]))
    minutes(heart, 600, 601)
    minutes(heart, 0, 4)
    assert ("raised", 4) in heart.story("silent/di-meter")


def test_a_quick_instrument_is_not_called_silent_after_a_restart_within_a_minute(tmp_path: Path) -> None:
    quick = SITE.replace(
        'point = "di-out"\nexpected_interval = "1 min"', 'point = "di-out"\nexpected_interval = "10 s"'
    )
    heart = Heart(site(tmp_path, quick))
    for minute in range(3):
        heart.see(tick(minute), *di([(minute + n / 6, 5) for n in range(6 if minute < 2 else 1)]))
    # Stopped for 50 s, and what was sent meanwhile has not come when the next minute begins.
    heart.see(tick(3))
    assert heart.story("silent/di-meter") == []
    heart.see(tick(4))
    assert heart.story("silent/di-meter") == [("raised", 4)]
