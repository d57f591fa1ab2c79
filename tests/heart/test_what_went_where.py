"""Rule `what-went-where`: once bad water is over, which sumps got how much of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from monitor.config import ConfigMistakes, load
from monitor.readings import Event, OperatorAction, Sample, Status, Tick
from monitor.rules.what_went_where import wording
from tests.heart.coolant_shop import DAY_MS, HOUR_MS, MONDAY_MS, done, read, small_shop, sump_text, with_hours
from tests.heart.shop import Heart

RULE = """
[[rule]]
kind = "what-went-where"
id = "where"
water = "water.ec"
above = "50 uS/cm"
"""
METERED = RULE + 'outflow = "loop.volume"\n'
# Bad from 08:00 to 14:00 on Tuesday.
BEGAN_MS, ENDED_MS = MONDAY_MS + 32 * HOUR_MS, MONDAY_MS + 38 * HOUR_MS


def water(bad_us_cm: float = 420.0, until_day: int = 12) -> list[OperatorAction]:
    """The water every ten minutes: 20 uS/cm, and bad on Tuesday."""
    step_ms = HOUR_MS // 6
    return [
        read("water.ec", at_ms, bad_us_cm if BEGAN_MS <= at_ms < ENDED_MS else 20.0)
        for at_ms in range(MONDAY_MS, MONDAY_MS + until_day * DAY_MS, step_ms)
    ]


def counter(channel: str, litres_bad: float) -> list[Event]:
    """A counter read every half hour that counts ten litres on Monday, and these while the water is bad."""
    steps = (ENDED_MS - BEGAN_MS) // (HOUR_MS // 2)
    found: list[Event] = [
        read(channel, MONDAY_MS + HOUR_MS, 100.0),
        read(channel, MONDAY_MS + 5 * HOUR_MS, 110.0),
    ]
    for step in range(1, steps + 1):
        at_ms = BEGAN_MS + step * (HOUR_MS // 2) - 60_000
        found.append(read(channel, at_ms, 110.0 + litres_bad * step / steps))
    return [*found, read(channel, ENDED_MS + 3 * HOUR_MS, 140.0 + litres_bad)]


def live(watch: Heart, *events: Event, until_day: int = 5) -> Heart:
    watch.see(*with_hours([*water(until_day=until_day), *events], MONDAY_MS, MONDAY_MS + until_day * DAY_MS))
    return watch


def shop(folder: Path, rule: str = RULE, sumps: int = 3) -> Heart:
    return Heart(small_shop(folder, rule, sumps))


def with_a_meter(folder: Path, rule: str) -> Heart:
    """The third sump has a valve with a meter."""
    small_shop(folder, rule, 2)
    path = folder / "site.toml"
    path.write_text(path.read_text(encoding="utf-8") + sump_text("m03", meter=True), encoding="utf-8")
    return Heart(load(path))


def rows(watch: Heart) -> dict[str, Any]:
    """What each sump got, of the account that was given."""
    (alarm, *_) = watch.transitions
    found = alarm.evidence["sumps"]
    assert isinstance(found, list)
    return {str(row["sump"]): row for row in found if isinstance(row, dict)}


def test_it_is_silent_while_the_water_is_bad_and_speaks_once_a_day_after_its_end(tmp_path: Path) -> None:
    watch = live(shop(tmp_path), until_day=12)
    told = [(t.condition, t.cause, (t.time_ms - ENDED_MS) / DAY_MS) for t in watch.transitions]
    assert [(condition, cause) for condition, cause, _ in told] == [
        ("where", "raised"),
        ("where", "returned"),
    ]
    assert 1.0 <= told[0][2] <= 1.3
    assert 8.0 <= told[1][2] <= 8.6


def test_what_was_logged_within_it_is_sure_and_what_was_logged_near_it_may_be(tmp_path: Path) -> None:
    watch = live(
        shop(tmp_path),
        done("m01", BEGAN_MS + HOUR_MS, "top-off", 40.0),
        done("m01", ENDED_MS + 2 * HOUR_MS, "top-off", 20.0),
        done("m02", BEGAN_MS - 10 * HOUR_MS, "top-off", 30.0),
    )
    found = rows(watch)
    assert (found["machine m01"]["least_l"], found["machine m01"]["most_l"]) == (40.0, 60.0)
    assert found["machine m02"]["how"] == "unknown"


def test_a_top_off_told_on_the_next_day_is_in_the_account(tmp_path: Path) -> None:
    watch = shop(tmp_path)
    before = water(until_day=2)
    watch.see(*with_hours(before, MONDAY_MS, MONDAY_MS + 2 * DAY_MS))
    watch.see(done("m02", BEGAN_MS + HOUR_MS, "top-off", 25.0))
    watch.see(*with_hours([], MONDAY_MS + 2 * DAY_MS + HOUR_MS, MONDAY_MS + 4 * DAY_MS))
    assert rows(watch)["machine m02"]["least_l"] == 25.0


def test_a_metered_sump_got_what_its_meter_counted_while_the_water_was_bad(tmp_path: Path) -> None:
    watch = live(with_a_meter(tmp_path, RULE), *counter("m03.topoff", 60.0))
    row = rows(watch)["machine m03"]
    assert row["how"] == "metered"
    assert row["least_l"] == row["most_l"] == pytest.approx(60.0)


def test_what_was_drawn_and_is_in_no_book_bounds_what_the_others_got(tmp_path: Path) -> None:
    watch = live(
        with_a_meter(tmp_path, METERED),
        *counter("loop.volume", 120.0),
        *counter("m03.topoff", 60.0),
        done("m01", BEGAN_MS + HOUR_MS, "top-off", 40.0),
    )
    row = rows(watch)["machine m02"]
    assert (row["least_l"], row["most_l"]) == (0.0, pytest.approx(20.0))
    assert watch.transitions[0].evidence["rest_l"] == pytest.approx(20.0)


def test_minerals_are_those_beyond_the_usual_water(tmp_path: Path) -> None:
    watch = live(shop(tmp_path), done("m01", BEGAN_MS + HOUR_MS, "top-off", 30.0))
    evidence, row = watch.transitions[0].evidence, rows(watch)["machine m01"]
    more = (420.0 - 20.0) * 270.0 / 620.0  # by the tap's hardness and conductivity
    assert evidence["more_mg_l"] == pytest.approx(more, rel=0.01)
    assert row["least_mg_l"] == pytest.approx(more * 30.0 / 300.0, rel=0.02)


def test_a_probe_over_its_range_says_at_least(tmp_path: Path) -> None:
    watch = shop(tmp_path)
    over = [
        Sample("water.ec", 2000.0, at_ms, at_ms, Status.OVER_RANGE)
        for at_ms in range(BEGAN_MS + 60_000, ENDED_MS, HOUR_MS // 6)
    ]
    live(watch, *over, done("m01", BEGAN_MS + HOUR_MS, "top-off", 30.0))
    assert watch.transitions[0].evidence["at_least"] is True
    assert any("at least" in value for _, value in wording(watch.transitions[0].evidence).facts)


def test_a_short_dip_of_the_water_is_not_worth_an_account(tmp_path: Path) -> None:
    watch = shop(tmp_path)
    values = [read("water.ec", MONDAY_MS + n * 60_000, 400.0 if 60 <= n < 65 else 20.0) for n in range(600)]
    watch.see(*with_hours(values, MONDAY_MS, MONDAY_MS + 3 * DAY_MS))
    assert watch.transitions == []


def test_bad_twice_within_a_day_is_one_account_of_both_and_not_of_the_time_between(tmp_path: Path) -> None:
    watch = shop(tmp_path)
    second_ms = ENDED_MS + 12 * HOUR_MS
    again = [
        read("water.ec", at_ms + 60_000, 400.0)
        for at_ms in range(second_ms, second_ms + HOUR_MS, HOUR_MS // 12)
    ]
    steady = [e for e in water(until_day=5) if not (second_ms <= e.time_ms < second_ms + HOUR_MS)]
    pours = [
        done("m01", BEGAN_MS + HOUR_MS, "top-off", 20.0),
        done("m02", ENDED_MS + 6 * HOUR_MS, "top-off", 30.0),
        done("m03", second_ms + HOUR_MS // 2, "top-off", 10.0),
    ]
    watch.see(*with_hours([*steady, *again, *pours], MONDAY_MS, MONDAY_MS + 5 * DAY_MS))
    assert [t.cause for t in watch.transitions] == ["raised"]
    least = {name: row["least_l"] for name, row in rows(watch).items()}
    assert least == {"machine m01": 20.0, "machine m02": 0.0, "machine m03": 10.0}


def test_a_second_episode_has_an_account_of_its_own(tmp_path: Path) -> None:
    watch = live(shop(tmp_path), done("m01", BEGAN_MS + HOUR_MS, "top-off", 20.0))
    later = MONDAY_MS + 5 * DAY_MS
    values = [
        read("water.ec", at_ms, 400.0 if at_ms < later + 3 * HOUR_MS else 20.0)
        for at_ms in range(later, later + DAY_MS, HOUR_MS // 6)
    ]
    watch.see(
        *with_hours([*values, done("m02", later + HOUR_MS, "top-off", 50.0)], later, later + 3 * DAY_MS)
    )
    assert [t.cause for t in watch.transitions] == ["raised", "returned", "raised"]
    assert wording(watch.transitions[-1].evidence).first_line.endswith("went into machine m02")


def test_the_message_names_the_sumps_and_the_caution_of_a_spent_bed(tmp_path: Path) -> None:
    watch = live(shop(tmp_path), done("m01", BEGAN_MS + HOUR_MS, "top-off", 40.0))
    said = wording(watch.transitions[0].evidence)
    assert said.first_line == "conductivity at filling loop was bad for 6 h: went into machine m01"
    facts = dict(said.facts)
    assert facts["machine m01"].startswith("40 L (logged), ")
    assert facts["machine m02"] == "not logged, no meter: not known"
    assert any("acid or caustic" in step for step in said.steps)


def test_nothing_known_of_where_it_went_is_said_so(tmp_path: Path) -> None:
    watch = live(shop(tmp_path, METERED), *counter("loop.volume", 90.0))
    assert wording(watch.transitions[0].evidence).first_line.endswith("90 L of it went nobody knows where")


@pytest.mark.parametrize(
    ("change", "said"),
    [('above = "50 uS/cm"', 'above = "3 bar"'), ('water = "water.ec"', 'water = "mixer.brix"')],
)
def test_what_does_not_fit_is_refused_in_words(tmp_path: Path, change: str, said: str) -> None:
    with pytest.raises(ConfigMistakes):
        small_shop(tmp_path, RULE.replace(change, said))


def test_an_account_that_was_due_while_the_watch_was_away_is_given_when_it_is_back(tmp_path: Path) -> None:
    watch = shop(tmp_path)
    watch.see(*with_hours(water(until_day=2), MONDAY_MS, MONDAY_MS + 2 * DAY_MS))
    watch.see(Tick(MONDAY_MS + 6 * DAY_MS))
    assert [t.cause for t in watch.transitions] == ["raised"]
