"""Rule `overdue`: checks due by time, litres or a condition, in one line a working day."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from monitor.config import RULES, ConfigMistakes
from monitor.readings import Event, OperatorAction, Sample, Tick
from tests.heart.shop import SITE, Heart, site
from tests.heart.stored import through_the_store

VIENNA = ZoneInfo("Europe/Vienna")
MONDAY = datetime(2026, 6, 1, tzinfo=VIENNA)
HAND = """
[[instrument]]
id = "kit"
name = "test kit"
point = "permeate"
expected_interval = "7 days"
wire = { kind = "hand" }

[[instrument.channel]]
id = "soft.hardness"
quantity = "hardness"
unit = "mg/L"
range = [0.0, 500.0]
resolution = 1.0

[[instrument]]
id = "counter"
point = "permeate"
expected_interval = "10 min"
wire = { kind = "mqtt", broker = "hall", topic = "litres", payload = { kind = "number" } }

[[instrument.channel]]
id = "total"
quantity = "volume"
unit = "L"
range = [0.0, 1000000.0]
resolution = 1.0
counter = { rolls_over_at = 1000000 }
"""
RULE = """
[[rule]]
kind = "overdue"
id = "checks"
at = "07:00"
holidays = [2026-06-04]
priority = "low"
"""
HARDNESS = '\n[[rule.check]]\nname = "hardness test"\nreading = "soft.hardness"\nevery = "7 d"\n'
RESIN = """
[[rule.check]]
name = "resin"
event = "resin-change"
of = "di"
litres = "5000 L"
counter = "total"
"""
DRAIN = """
[[rule.check]]
name = "rinse the bed"
event = "rinse"
of = "di"
channel = "di.ec"
above = "20 uS/cm"
"""


def shop(folder: Path, *checks: str, rule: str = RULE) -> Heart:
    head = SITE.split("[[rule]]", 1)[0]
    people = SITE[SITE.index("[[person]]") :]
    return Heart(site(folder, head + HAND + rule + "".join(checks) + people))


def at(day: float, hour: float = 0.0) -> int:
    """A time of the shop so many days after the Monday."""
    moment = MONDAY + timedelta(days=day)
    return round((moment.timestamp() + hour * 3600) * 1000)


def days(first: int, last: int, more: Iterable[Event] = (), every_min: int = 30) -> list[Event]:
    """Ticks of whole days, with other events at their times."""
    ticks: list[Event] = [Tick(ms) for ms in range(at(first), at(last), every_min * 60_000)]

    def when(event: Event) -> int:
        return event.arrival_ms if isinstance(event, Sample) else event.time_ms

    return sorted([*ticks, *more], key=when)


def did(day: float, hour: float, target: str, event: str) -> OperatorAction:
    return OperatorAction(at(day, hour), "event", target, "lead", event=event)


def read(day: float, hour: float, channel: str = "soft.hardness", value: float = 3.0) -> OperatorAction:
    return OperatorAction(at(day, hour), "reading", channel, "lead", value=value, told_ms=at(day, hour))


def said(heart: Heart) -> list[tuple[str, str, str]]:
    """What went out: cause, the shop's time, and the first line."""
    return [
        (
            t.cause,
            f"{datetime.fromtimestamp(t.time_ms / 1000, VIENNA):%a %d %H:%M}",
            RULES["overdue"].wording(t.evidence).first_line,
        )
        for t in heart.transitions
    ]


def test_a_weekly_test_is_due_on_its_day_and_reminded_each_working_day_until_it_is_logged(
    tmp_path: Path,
) -> None:
    heart = shop(tmp_path, HARDNESS)
    heart.see(*days(0, 11, [read(0, 10), read(10, 8)]))
    assert said(heart) == [
        ("raised", "Mon 08 07:00", "Checks due: hardness test (today)"),
        ("worse", "Tue 09 07:00", "Checks due: hardness test (1 day overdue)"),
        ("worse", "Wed 10 07:00", "Checks due: hardness test (2 days overdue)"),
        ("worse", "Thu 11 07:00", "Checks due: hardness test (3 days overdue)"),
    ]
    heart.see(*days(11, 13))
    assert said(heart)[4:] == [("returned", "Fri 12 07:00", "Checks: nothing is due")]


def test_a_daily_check_is_due_on_every_working_day_whatever_the_hour_it_was_done(tmp_path: Path) -> None:
    daily = HARDNESS.replace('"7 d"', '"1 d"').replace("hardness test", "concentration")
    heart = shop(tmp_path, daily)
    heart.see(*days(0, 12, [read(day, 15) for day in range(12)]))
    # Thursday the 4th is a holiday; the 6th and 7th are a week-end
    assert [when for _, when, _ in said(heart)] == [
        f"{day} 07:00"
        for day in ("Tue 02", "Wed 03", "Fri 05", "Mon 08", "Tue 09", "Wed 10", "Thu 11", "Fri 12")
    ]
    assert {first for _, _, first in said(heart)} == {"Checks due: concentration (today)"}


def test_all_checks_share_one_line(tmp_path: Path) -> None:
    more = "".join(HARDNESS.replace("hardness test", f"test {n}") for n in range(5))
    heart = shop(tmp_path, more)
    heart.see(*days(0, 9, [read(0, 10)]))
    assert [first for _, _, first in said(heart)] == [
        "Checks due: test 0 (today), test 1 (today), test 2 (today) and 2 more",
        "Checks due: test 0 (1 day overdue), test 1 (1 day overdue), test 2 (1 day overdue) and 2 more",
    ]


def test_what_falls_due_on_days_off_is_noted_on_the_last_working_day_before(tmp_path: Path) -> None:
    heart = shop(tmp_path, HARDNESS)
    heart.see(*days(-2, 9, [read(-1, 10)]))  # a Sunday, so that it falls due on the next
    assert said(heart)[0] == ("raised", "Fri 05 07:00", "Checks due soon: hardness test (in 2 days)")
    assert said(heart)[1] == ("worse", "Mon 08 07:00", "Checks due: hardness test (1 day overdue)")


def test_an_early_note_is_given_once(tmp_path: Path) -> None:
    heart = shop(tmp_path, HARDNESS.replace('every = "7 d"', 'every = "14 d"\nearly = "4 d"'))
    heart.see(*days(0, 15, [read(0, 10)]))
    assert said(heart) == [
        ("raised", "Thu 11 07:00", "Checks due soon: hardness test (in 4 days)"),
        ("worse", "Mon 15 07:00", "Checks due: hardness test (today)"),
    ]


def test_what_was_never_logged_counts_from_the_beginning_of_the_watch(tmp_path: Path) -> None:
    heart = shop(tmp_path, HARDNESS)
    heart.see(*days(0, 8))
    assert said(heart) == [("raised", "Mon 08 07:00", "Checks due: hardness test (today)")]
    assert "not logged yet" in RULES["overdue"].wording(heart.transitions[0].evidence).facts[0][1]


def test_the_day_it_was_last_done_may_stand_in_the_site_file(tmp_path: Path) -> None:
    heart = shop(tmp_path, HARDNESS + "last_done = 2026-05-20\n")
    heart.see(*days(0, 1))
    assert said(heart) == [("raised", "Mon 01 07:00", "Checks due: hardness test (5 days overdue)")]


def test_a_calibration_in_the_site_file_is_one_that_was_done(tmp_path: Path) -> None:
    check = (
        '\n[[rule.check]]\nname = "calibration"\nevent = "calibration"\nof = "di-meter"\nevery = "180 d"\n'
    )
    heart = shop(tmp_path, check)
    plain = heart.watch.rules["checks"].explain(heart.watch.rules["checks"].start(), moment())
    assert "not done yet" in plain["checks"][1]
    text = SITE.split("[[rule]]", 1)[0].replace(
        "compensated = true\n", "compensated = true\ncalibration = [{ since = 2025-12-01 }]\n"
    )
    heart = Heart(site(tmp_path, text + HAND + RULE + check + SITE[SITE.index("[[person]]") :]))
    heart.see(*days(0, 1))
    assert said(heart) == [("raised", "Mon 01 07:00", "Checks due: calibration (2 days overdue)")]


def moment() -> Any:
    from monitor.rules.explaining import Moment

    return Moment(at(0, 12), VIENNA)


def counted(first: float, last: float, a_day: float = 500.0, begin: float = 1000.0) -> list[Event]:
    steps = range(round(24 * first), round(24 * last))
    return [Sample("total", round(begin + a_day * n / 24), at(0, n), at(0, n)) for n in steps]


def test_litres_since_it_was_done_make_it_due(tmp_path: Path) -> None:
    heart = shop(tmp_path, RESIN)
    heart.see(*days(0, 22, [*counted(0, 22), did(8, 12, "di", "resin-change")]))
    # 5000 L at 500 L a day: ten days after the change on Tuesday the 9th at noon
    assert [when for _, when, _ in said(heart)] == ["Mon 22 07:00"]
    (item,) = heart.transitions[0].evidence["items"]  # type: ignore[union-attr]
    assert item["used_l"] == pytest.approx(12.8 * 500, abs=60)  # type: ignore[index,call-overload]


def test_litres_are_noted_early_by_the_shops_own_use(tmp_path: Path) -> None:
    heart = shop(tmp_path, RESIN.replace('"5000 L"', '"10000 L"\nearly = "5 d"'))
    heart.see(*days(0, 19, counted(0, 19)))
    assert said(heart) == [("raised", "Tue 16 07:00", "Checks due soon: resin (in 5 days)")]


def test_a_value_beyond_its_threshold_makes_it_due_and_a_spike_does_not(tmp_path: Path) -> None:
    heart = shop(tmp_path, DRAIN)

    def ec(first: float, last: float, value: float) -> list[Event]:
        return [
            Sample("di.ec", value, at(0, n / 6), at(0, n / 6))
            for n in range(round(144 * first), round(144 * last))
        ]

    events = [*ec(0, 1.27, 5.0), *ec(1.27, 1.295, 30.0), *ec(1.295, 1.5, 5.0), *ec(1.5, 4.5, 30.0)]
    heart.see(*days(0, 3, [*events, did(2, 9, "di", "rinse")]))
    assert said(heart) == [("raised", "Wed 03 07:00", "Checks due: rinse the bed (now)")]
    facts = dict(RULES["overdue"].wording(heart.transitions[0].evidence).facts)
    assert facts == {"rinse the bed": "now: di.ec at 30.0 µS/cm, above 20.0 µS/cm; not logged yet"}


def test_an_event_of_another_stage_does_not_count(tmp_path: Path) -> None:
    week = RESIN.replace('litres = "5000 L"\ncounter = "total"', 'every = "7 d"')
    heart = shop(tmp_path, week)
    heart.see(*days(0, 8, [did(3, 12, "ro", "resin-change")]))
    assert [cause for cause, *_ in said(heart)] == ["raised"]
    heart = shop(tmp_path, week)
    heart.see(*days(0, 8, [did(3, 12, "di", "resin-change")]))
    assert said(heart) == []


def test_a_watch_that_was_away_at_the_hour_reminds_when_it_is_back(tmp_path: Path) -> None:
    heart = shop(tmp_path, HARDNESS)
    heart.see(*days(0, 7), Tick(at(7, 11)), Tick(at(7, 12)))
    assert [when for _, when, _ in said(heart)] == ["Mon 08 11:00"]


def test_the_state_survives_the_store_and_no_second_line_goes_out(tmp_path: Path) -> None:
    heart = shop(tmp_path, HARDNESS, RESIN)
    heart.see(*days(0, 7, counted(0, 7)), Tick(at(7, 7)))
    state, lost = through_the_store(heart.state, heart.watch)
    assert lost == [] and state.rules == heart.state.rules
    heart.state = state
    heart.see(Tick(at(7, 8)))
    assert len(heart.transitions) == 1


def test_steps_say_what_to_type_when_it_is_done(tmp_path: Path) -> None:
    heart = shop(tmp_path, HARDNESS, RESIN.replace('counter = "total"', 'counter = "total"\nevery = "7 d"'))
    heart.see(*days(0, 8))
    steps = RULES["overdue"].wording(heart.transitions[0].evidence).steps
    assert steps == (
        "hardness test: when it is done, `goodwater log SITE soft.hardness VALUE`",
        "resin: when it is done, `goodwater log SITE di resin-change`",
    )


@pytest.mark.parametrize(
    ("check", "said"),
    [
        (HARDNESS.replace('reading = "soft.hardness"\n', ""), "either `reading`, or `event` with `of`"),
        (RESIN.replace('of = "di"\n', ""), "`event` and `of` together"),
        (HARDNESS.replace('every = "7 d"\n', ""), "when it is due"),
        (HARDNESS.replace('"7 d"', '"7 h"'), "whole days"),
        (RESIN.replace('counter = "total"\n', ""), "`litres` and `counter` together"),
        (DRAIN.replace('above = "20 uS/cm"\n', ""), "`channel` together with either `above` or `below`"),
        (DRAIN.replace('"20 uS/cm"', '"20 bar"'), 'unit "bar" cannot be turned into'),
        (HARDNESS.replace("soft.hardness", "di.ec"), "arrives by itself, so it is never overdue"),
        (HARDNESS.replace("soft.hardness", "xx.ec"), "xx.ec"),
        (RESIN.replace('"di"', '"bed"'), 'of = "bed" is no stage, sump, coolant or instrument'),
        (RESIN.replace('"total"', '"ro.flow"'), "volume"),
        (HARDNESS + HARDNESS, '"hardness test" stands twice'),
        ("\non_delay = \"1 h\"" + HARDNESS, "judged once a day"),
        ("\nat = \"7 am\"" + HARDNESS, "a time of day"),
    ],
)  # fmt: skip
def test_checks_that_do_not_fit_are_refused(tmp_path: Path, check: str, said: str) -> None:
    rule = RULE.replace('at = "07:00"\n', "") if "7 am" in check else RULE
    with pytest.raises(ConfigMistakes) as refused:
        shop(tmp_path, check, rule=rule)
    assert said in str(refused.value)
