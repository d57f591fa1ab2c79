"""Rule `make-up`: litres a week by sump, by hours and neighbours, and water that is in no book."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from monitor.config import ConfigMistakes
from monitor.readings import OperatorAction
from monitor.rules.make_up import State, wording
from monitor.rules.make_up.weeks import Week, is_more, usual_l_h, verdict
from tests.heart.coolant_shop import DAY_MS, HOUR_MS, MONDAY_MS, done, read, small_shop, with_hours
from tests.heart.shop import Heart

RULE = """
[[rule]]
kind = "make-up"
id = "make-up"
"""
METERED = RULE + 'outflow = "loop.volume"\n'
WEEK_MS = 7 * DAY_MS
Litres = Callable[[int], float]


def even(litres: float = 60.0) -> Litres:
    return lambda week: litres


def poured(
    sump: str, weeks: Iterable[int], litres: Litres, lump_l: float = 20.0, seed: int = 1
) -> list[OperatorAction]:
    """Top-offs of one can each, through the working days; less than a can goes on to the next week."""
    chance, owed, found = random.Random(f"{seed} {sump}"), 0.0, []
    for week in weeks:
        owed += litres(week) * chance.uniform(0.85, 1.15)
        while owed >= lump_l:
            owed -= lump_l
            at_ms = MONDAY_MS + week * WEEK_MS + chance.randrange(5 * 24) * HOUR_MS
            found.append(done(sump, at_ms, "top-off", lump_l))
    return found


def live(
    folder: Path, weeks: int, litres: dict[str, Litres], rule: str = RULE, more: Iterable[OperatorAction] = ()
) -> Heart:
    """So many sumps for so many weeks, and the Tuesday after them."""
    watch = Heart(small_shop(folder, rule, sumps=len(litres)))
    events = [e for sump, of in litres.items() for e in poured(sump, range(weeks), of)]
    watch.see(*with_hours([*events, *more], MONDAY_MS, MONDAY_MS + weeks * WEEK_MS + 2 * DAY_MS))
    return watch


def told(watch: Heart) -> list[tuple[str, str, int]]:
    """What happened to alarms: their part, cause, and whole weeks since Monday."""
    return [
        (t.condition.removeprefix("make-up/"), t.cause, (t.time_ms - MONDAY_MS) // WEEK_MS)
        for t in watch.transitions
    ]


def counted(weeks: int, litres: Litres) -> list[OperatorAction]:
    """The meter behind the tank, read twice a day."""
    total, found = 1000.0, []
    for half in range(14 * weeks + 2):
        found.append(read("loop.volume", MONDAY_MS + half * DAY_MS // 2, round(total)))
        total += litres(half // 14) / 14.0
    return found


SHOP = {f"m{n:02}": even() for n in range(1, 6)}


def test_a_sump_that_takes_twice_its_usual_is_told_within_a_month_and_nobody_else(tmp_path: Path) -> None:
    leak = {**SHOP, "m02": lambda week: 60.0 if week < 12 else 130.0}
    (part, cause, week), *rest = told(live(tmp_path, 20, leak))
    assert (part, cause, rest) == ("m02", "raised", [])
    assert 13 <= week <= 16


def test_the_alarm_goes_when_the_sump_takes_its_usual_again(tmp_path: Path) -> None:
    leak = {**SHOP, "m02": lambda week: 130.0 if 12 <= week < 17 else 60.0}
    assert [(part, cause) for part, cause, _ in told(live(tmp_path, 26, leak))] == [
        ("m02", "raised"),
        ("m02", "returned"),
    ]


def test_a_hot_summer_that_all_sumps_share_is_told_of_none(tmp_path: Path) -> None:
    hot = dict.fromkeys(SHOP, lambda week: 60.0 if week < 12 else 110.0)
    assert told(live(tmp_path, 20, hot)) == []


def test_a_usual_shop_is_quiet_for_half_a_year(tmp_path: Path) -> None:
    assert told(live(tmp_path, 26, SHOP)) == []


def test_hours_worked_are_taken_into_account() -> None:
    past = [Week(n, 60.0, 50.0, 3) for n in range(10)]
    more_work = [Week(n, 110.0, 110.0, 5) for n in range(10, 14)]
    found = verdict([*past, *more_work], {})
    assert found is not None
    assert found.times == pytest.approx(1.0, abs=0.2)


def test_sumps_topped_off_seldom_are_judged_by_more_weeks_at_once() -> None:
    seldom = [Week(n, 40.0 * (n % 2), 60.0, n % 2) for n in range(14)]
    often = [Week(n, 80.0, 60.0, 8) for n in range(14)]
    slow, quick = verdict(seldom, {}), verdict(often, {})
    assert slow is not None and quick is not None
    assert (slow.weeks, quick.weeks) == (6, 2)
    assert not is_more(slow, 0.5, held=False)


def test_weeks_of_a_leak_do_not_become_what_is_usual() -> None:
    known = [Week(n, 60.0, 60.0, 3) for n in range(8)] + [
        Week(n, 200.0, 60.0, 10, odd=True) for n in range(8, 20)
    ]
    rate = usual_l_h(known)
    assert rate == pytest.approx(60.0 / (60.0 + 108.0 / 6.0))


def test_a_sump_far_above_its_neighbours_from_the_first_day_is_asked_about(tmp_path: Path) -> None:
    watch = live(tmp_path, 10, {**SHOP, "m03": even(200.0)})
    (part, cause, week), *rest = told(watch)
    assert (part, cause, rest) == ("m03/check", "raised", [])
    assert week == 4
    assert "times what its neighbours take" in wording(watch.transitions[0].evidence).first_line


def test_a_top_off_told_on_monday_counts_in_the_week_it_was_done(tmp_path: Path) -> None:
    watch = Heart(small_shop(tmp_path, RULE))
    late = done("m01", MONDAY_MS + 9 * DAY_MS, "top-off", 20.0)
    begin_ms = MONDAY_MS + 2 * WEEK_MS
    watch.see(*with_hours([], MONDAY_MS, begin_ms), late, *with_hours([], begin_ms, begin_ms + 2 * DAY_MS))
    state = watch.state.rules["make-up"]
    assert isinstance(state, State)
    assert [week.litres for week in state.sumps["m01"].weeks] == [20.0]


def test_water_drawn_that_is_in_no_book_is_told_after_two_weeks(tmp_path: Path) -> None:
    drawn = counted(10, lambda week: 310.0 if week < 6 else 600.0)
    watch = live(tmp_path, 10, SHOP, METERED, drawn)
    assert told(watch) == [("unlogged", "raised", 8)]
    said = wording(watch.transitions[0].evidence)
    assert said.first_line.startswith("Make-up: ")
    assert "in no book" in said.first_line


def test_what_a_parts_washer_uses_is_not_missed(tmp_path: Path) -> None:
    drawn = counted(10, lambda week: 600.0)
    rule = METERED + 'elsewhere = "290 L"\n'
    assert told(live(tmp_path, 10, SHOP, rule, drawn)) == []


def test_a_book_with_more_than_the_meter_counted_is_told(tmp_path: Path) -> None:
    watch = live(tmp_path, 6, SHOP, METERED, counted(6, lambda week: 200.0))
    assert told(watch)[0][:2] == ("unlogged", "raised")
    assert "but only" in wording(watch.transitions[0].evidence).first_line


def test_unlogged_water_is_shared_out_over_the_sumps_nobody_logged(tmp_path: Path) -> None:
    litres = {**SHOP, "m04": even(0.0), "m05": even(0.0)}
    watch = live(tmp_path, 6, litres, METERED, counted(6, lambda week: 310.0))
    evidence = watch.transitions[0].evidence
    inferred = evidence["inferred"]
    assert isinstance(inferred, list)
    assert [str(one).split(":")[0] for one in inferred] == ["machine m04", "machine m05"]


def test_where_nobody_logs_anything_nothing_is_said_of_a_book(tmp_path: Path) -> None:
    nobody = dict.fromkeys(SHOP, even(0.0))
    assert told(live(tmp_path, 10, nobody, METERED, counted(10, even(300.0)))) == []


def test_the_first_line_tells_what_and_how_much(tmp_path: Path) -> None:
    leak = {**SHOP, "m02": lambda week: 60.0 if week < 12 else 130.0}
    watch = live(tmp_path, 18, leak)
    said = wording(watch.transitions[0].evidence)
    assert said.first_line.startswith("machine m02: takes 1")
    assert said.first_line.endswith("L for its hours")
    assert said.cautions[0].startswith("Coolant on the floor")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ('more = "2 %"', "more must be"),
        ('unlogged = "100 %"', "unlogged must be"),
        ('elsewhere = "50 L"', "give outflow"),
        ('sumps = ["m77"]', "m77"),
    ],
)
def test_what_does_not_fit_is_refused_in_words(tmp_path: Path, change: str, said: str) -> None:
    with pytest.raises(ConfigMistakes, match=said):
        small_shop(tmp_path, RULE + change)
