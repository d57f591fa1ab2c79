"""Water, sumps and alarms of a week; what changed; weeks with a clock change and of other zones."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.readings import AlarmState
from monitor.reports.sumps import Account
from monitor.reports.week import Week
from tests.reports.shop import DAY, HOUR, MINUTE, SITE, WEEK, ZONE, Shop, shop

LAST = WEEK.earlier()


@pytest.fixture
def one(tmp_path: Path) -> Iterator[Shop]:
    with shop(tmp_path) as made:
        yield made


def test_litres_are_what_the_counter_rose_by_since_its_last_value_before_the_week(one: Shop) -> None:
    one.well(LAST, WEEK)
    digest = one.digest()
    metered = digest.metered
    assert metered is not None
    assert (metered.id, metered.litres) == ("permeate", pytest.approx(504 * 40.0))
    assert metered.litres_before == pytest.approx(503 * 40.0)
    assert digest.made is not None
    assert digest.made.id == "di-out"


def test_quality_is_weighted_by_the_water_that_flowed(one: Shop) -> None:
    """A quarter of the readings at 10 µS/cm, while ten times as much flows: 10/13 of the water."""
    heavy = range(0, 504, 4)
    one.said("ro.flow", WEEK, lambda n: 10.0 if n in heavy else 1.0)
    one.said("di.ec", WEEK, lambda n: 10.0 if n in heavy else 2.0)
    made = one.digest().made
    assert made is not None
    assert made.weighted_by == "litres"
    assert made.mean == pytest.approx((10 * 10.0 + 3 * 2.0) / 13, rel=0.01)


def test_worse_water_is_told_first_and_less_water_after_it(one: Shop) -> None:
    one.well(LAST)
    one.said("ro.flow", WEEK, lambda n: 2.0)
    one.said("ro.total", WEEK, lambda n: (WEEK.from_ms - WEEK.earlier(8).from_ms) // MINUTE * 2 + n * 10.0)
    one.said("di.ec", WEEK, lambda n: 6.0 + n % 3 / 10)
    one.said("di2.ec", WEEK, lambda n: 6.1 + n % 3 / 10)
    texts = [(c.need, c.text) for c in one.digest().changes]
    assert texts[0] == (True, "Water at DI outlet is worse: 6.1 µS/cm, 2.1 µS/cm the week before.")
    assert any("75% less water was made: 5,070 L, 20,120 L the week before." in text for _, text in texts)
    assert [need for need, _ in texts] == sorted((need for need, _ in texts), reverse=True)


def test_what_a_bed_has_left_is_reckoned_from_its_earlier_lives(one: Shop) -> None:
    """Lives of 8 and 10 L a reading; the first change ends one whose beginning nobody counted."""
    weeks = [WEEK.earlier(n) for n in (4, 3, 2, 1, 0)]
    for week, begin, each in zip(weeks, (500, 0, 0, 0, 2000), (1, 8, 10, 2, 3), strict=True):
        one.said("di.litres", week, lambda n, begin=begin, each=each: begin + n * float(each))
    for week in weeks[1:4]:
        one.told(week.from_ms - MINUTE, "resin-change", "di")
    (life,) = one.digest().lives
    assert (life.lives, life.usual) == (2, pytest.approx((503 * 8 + 503 * 10) / 2))
    assert life.used == pytest.approx(2000 + 503 * 3)
    assert life.used_this_week == pytest.approx(2000 + 503 * 3 - 503 * 2)
    assert life.left == pytest.approx(503 * 9 - life.used)
    assert life.weeks_left == pytest.approx(life.left / life.used_this_week)


def test_a_bed_whose_life_nobody_has_seen_has_no_number_left(one: Shop) -> None:
    one.said("di.litres", WEEK, float)
    (life,) = one.digest().lives
    assert (life.usual, life.left, life.weeks_left) == (None, None, None)


def test_a_sump_has_its_make_up_losses_checks_and_what_was_noticed(one: Shop) -> None:
    one.told(WEEK.from_ms + HOUR, "top-off", "m01", 20.0)
    one.told(WEEK.from_ms + 30 * HOUR, "top-off", "m01", 15.0)
    one.told(WEEK.from_ms + 31 * HOUR, "smell", "m01", 2.0)
    one.told(LAST.from_ms + HOUR, "top-off", "m01", 100.0)
    one.by_hand(
        "m01.brix", (LAST.from_ms + DAY, 8.0), (WEEK.from_ms + DAY, 6.5), (WEEK.from_ms + 2 * DAY, 6.0)
    )
    accounts = {
        "m01": [
            Account(LAST.from_ms + 2 * DAY, 48.0, 12.0, 0.0),
            Account(WEEK.from_ms + DAY, 24.0, 30.0, 35.0),
            Account(WEEK.from_ms + 2 * DAY, 24.0, 25.0, 0.0),
            Account(WEEK.to_ms + DAY, 24.0, 99.0, 0.0),
        ]
    }
    digest = one.digest(accounts=accounts)
    (sump,) = digest.sumps
    assert (sump.make_up, sump.make_up_by) == (35.0, ("logged",))
    assert (sump.lost, sump.lost_before, sump.accounted_h) == (55.0, 12.0, 48.0)
    assert sump.noticed == (("smell", 2.0),)
    assert (sump.checks_done, sump.checks_due) == (2, 7)
    assert [(m.name, m.value, m.before) for m in sump.minerals] == [("concentration", 6.0, 8.0)]
    assert sump.mineral_limit == pytest.approx(500.0)
    # the hand meter at the DI outlet is due twice a week as well
    assert (digest.checks_done, digest.checks_due) == (2, 9)


def test_a_sump_that_loses_more_a_day_is_told_where_enough_was_accounted_for(one: Shop) -> None:
    one.ticks(LAST.from_ms, WEEK.to_ms, HOUR)

    def told(hours: float) -> list[str]:
        accounts = {
            "m01": [
                Account(LAST.from_ms + 5 * DAY, hours, 0.5 * hours, 0.0),
                Account(WEEK.from_ms + 5 * DAY, hours, 2.0 * hours, 0.0),
            ]
        }
        return [c.text for c in one.digest(accounts=accounts).changes if c.need and "lathe 1" in c.text]

    assert told(120.0) == ["lathe 1 lost more: 48 L a day, 12 L the week before."]
    assert told(48.0) == []


def test_a_sump_that_nothing_is_known_of_has_no_numbers(one: Shop) -> None:
    (sump,) = one.digest().sumps
    assert (sump.make_up, sump.lost, sump.make_up_by) == (None, None, ())


def test_alarms_are_counted_with_the_time_until_somebody_took_them_on(one: Shop) -> None:
    at = WEEK.from_ms + DAY
    one.alarm(LAST.from_ms + DAY, condition="old", priority="low")
    one.alarm(at)
    one.alarm(at + 30 * MINUTE, "acknowledged", step=2, state=AlarmState.ACKNOWLEDGED)
    one.alarm(at + HOUR, condition="other", priority="low")
    one.alarm(at + 3 * HOUR, "acknowledged", condition="other", step=2, state=AlarmState.ACKNOWLEDGED)
    one.alarm(at + 4 * HOUR, "returned", condition="other", step=3, state=AlarmState.NORMAL)
    one.alarm(at + 5 * HOUR, condition="third", priority="medium")
    alarms = one.digest().alarms
    assert dict(alarms.raised) == {"high": 1, "low": 1, "medium": 1}
    assert dict(alarms.raised_before) == {"low": 1}
    assert (alarms.acknowledged, alarms.minutes_to_acknowledge, alarms.longest_to_acknowledge) == (
        2,
        75.0,
        120.0,
    )
    assert alarms.never_acknowledged == 1
    assert [line.name for line in alarms.standing] == ["old#1", "di-high#1", "third#1"]
    assert alarms.standing[2].state == "not acknowledged"
    assert alarms.chattering == ()


def test_an_alarm_that_came_three_times_within_a_day_chatters(one: Shop) -> None:
    for n in range(3):
        one.alarm(WEEK.from_ms + n * 9 * HOUR, condition="often", occurrence=n + 1)
        one.alarm(WEEK.from_ms + n * 2 * DAY, condition="seldom", occurrence=n + 1)
    assert [(name, n) for name, _, n in one.digest().alarms.chattering] == [("often", 3)]


def test_what_came_after_the_week_is_not_told_of_it(one: Shop) -> None:
    one.well(WEEK)
    before = one.digest()
    one.well(WEEK.earlier(-1))
    one.alarm(WEEK.to_ms + HOUR)
    one.told(WEEK.to_ms + HOUR, "top-off", "m01", 20.0)
    assert one.digest() == before


def test_hours_without_a_watch_are_named(one: Shop) -> None:
    one.ticks(LAST.from_ms, LAST.to_ms)
    one.ticks(WEEK.from_ms, WEEK.from_ms + 10 * HOUR)
    one.ticks(WEEK.from_ms + 20 * HOUR, WEEK.to_ms)
    (away,) = one.digest().not_watched
    assert (away.from_ms - WEEK.from_ms, away.hours) == (10 * HOUR - 5 * MINUTE, pytest.approx(10, abs=0.1))


def test_the_first_week_is_compared_with_none(one: Shop) -> None:
    one.well(WEEK)
    (change,) = one.digest().changes
    assert "first week" in change.text


@pytest.mark.parametrize(("text", "hours"), [("2031-W13", 167), ("2031-W43", 169)])
def test_a_week_with_a_clock_change_has_all_its_hours(one: Shop, text: str, hours: int) -> None:
    week = Week.parse(text, ZONE)
    one.well(week.earlier(), week)
    digest = one.digest(week)
    assert [len(i.hours) for i in digest.instruments] == [hours] * 3
    assert {i.hours for i in digest.instruments} == {"g" * hours}
    assert digest.instruments[1].channels[0].readings == hours * 3


def test_a_zone_half_an_hour_off_has_its_own_week(tmp_path: Path) -> None:
    with shop(tmp_path, SITE.replace('"Europe/Vienna"', '"Asia/Kolkata"')) as one:
        week = Week.parse("2031-W07", "Asia/Kolkata")
        one.well(week.earlier(), week)
        digest = one.digest(week)
        channel = digest.instruments[1].channels[0]
        assert (channel.readings, channel.hours) == (504, "g" * 168)
