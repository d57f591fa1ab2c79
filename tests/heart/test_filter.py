"""Rule `filter`: a prefilter and carbon by litres, days, pressure drop and chlorine tests."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.config import ConfigMistakes
from monitor.readings import Event, Sample, Tick, Transition
from monitor.rules.filters import wording
from tests.heart.shop import START_MS, Heart
from tests.heart.soft_water import STAGES, done, heart, read, seen

HOUR = 3_600_000
DAY = 24 * HOUR
PRE = '[[rule]]\nkind = "filter"\nid = "pre"\nstage = "sediment"\n'
CARBON = '[[rule]]\nkind = "filter"\nid = "carbon"\nstage = "carbon"\n'
LITRES = 'litres = "soft.litres"\n'
DROP = 'drop = "sediment.drop"\n'
FREE, TOTAL = 'free_chlorine = "carbon.free"\n', 'total_chlorine = "carbon.total"\n'


def at(day: float) -> int:
    return START_MS + round(day * DAY)


def days(first: int, last: int, litres_day: float = 600.0) -> Iterator[Event]:
    """Litres and ticks, four a day."""
    for k in range(4 * first, 4 * last):
        yield seen("soft.litres", at(k / 4), round(k * litres_day / 4))
        yield Tick(at(k / 4) + 60_000)


def drops(first: int, last: int, clean: float, slope: float, seed: int = 1) -> Iterator[Event]:
    """A day's pressures: 0 while nothing runs, the drop with its noise while water does; a slope a day."""
    dice = random.Random(seed)
    for day in range(first, last):
        for k in range(16):
            runs = k >= 6
            bar = clean + slope * (day - first) + dice.gauss(0.0, 0.02) if runs else 0.0
            yield seen("sediment.drop", at(day + k / 40), max(0.0, round(bar, 2)))
        yield Tick(at(day + 0.5))


def raised(watched: Heart, condition: str) -> list[Transition]:
    for t in watched.transitions:
        if t.rule_kind in ("softener", "filter"):
            assert wording(t.evidence).first_line  # also when it is over
    return [t for t in watched.transitions if t.condition == condition and t.cause == "raised"]


def facts(told: Transition) -> dict[str, str]:
    return dict(wording(told.evidence).facts)


# ------------------------------------------------------------ litres and days


def test_a_filter_is_due_a_week_before_its_litres_are_used_up_by_the_shops_own_use(tmp_path: Path) -> None:
    watched = heart(tmp_path, PRE + LITRES + 'capacity = "40 m3"\ninstalled = 2026-06-01\n')
    watched.see(*days(0, 80))
    (told,) = raised(watched, "pre/spent")
    # 40,000 L at 600 L a day are used up on day 66.7.
    assert (told.time_ms - START_MS) / DAY == pytest.approx(66.7 - 7.0, abs=0.5)
    assert wording(told.evidence).first_line == "Prefilter: change is due in 7 days"
    assert "by the litres it has passed" in wording(told.evidence).meaning
    assert facts(told)["passed since"].endswith("of 40000 L it is rated for")


def test_a_logged_change_begins_anew_also_when_it_is_told_days_later(tmp_path: Path) -> None:
    watched = heart(tmp_path, PRE + LITRES + 'capacity = "40 m3"\n')
    watched.see(*days(0, 65))
    watched.see(done("filter-change", "sediment", at(62.0)), *days(65, 100))
    assert len(raised(watched, "pre/spent")) == 1
    assert [t.cause for t in watched.transitions] == ["raised", "returned"]
    state = watched.state.rules["pre"]
    assert state.changed_l == pytest.approx(62 * 600, rel=0.01)


def test_without_a_meter_the_calendar_counts_and_says_so(tmp_path: Path) -> None:
    watched = heart(tmp_path, CARBON + FREE + 'installed = 2026-03-01\nwatch_for = ["spent"]\n')
    watched.see(*(Tick(at(day)) for day in range(300)))
    (told,) = raised(watched, "carbon/spent")
    # A year after 2026-03-01 less a week.
    assert (told.time_ms - START_MS) / DAY == pytest.approx(365 - 92 - 7, abs=1.5)
    assert "by the calendar" in wording(told.evidence).meaning
    assert facts(told)["passed since"] == "not counted: no litres, so the calendar alone counts"


def test_a_filter_of_unknown_age_is_at_least_as_old_as_it_was_watched(tmp_path: Path) -> None:
    watched = heart(tmp_path, PRE + LITRES + 'change_every = "60 d"\n')
    watched.see(*days(0, 60))
    (told,) = raised(watched, "pre/spent")
    assert told.confidence == 0.6
    assert facts(told)["changed"].startswith("not known; watched for 53 days")
    assert facts(told)["passed since"].startswith("at least ")
    assert "may be older than this" in wording(told.evidence).meaning


# ------------------------------------------------------------ pressure drop


def test_a_clogging_cartridge_is_told_before_it_reaches_its_limit(tmp_path: Path) -> None:
    watched = heart(tmp_path, PRE + DROP + 'change_every = "365 d"\n')
    watched.see(*drops(0, 20, 0.15, 0.0), *drops(20, 60, 0.15, 0.03))
    (told,) = raised(watched, "pre/drop")
    # 0.15 + 0.7 bar is reached on day 43.3
    assert 43.3 - 9.0 <= (told.time_ms - START_MS) / DAY <= 43.3
    said = wording(told.evidence)
    assert said.first_line.startswith("Prefilter: clogs in about ") and "limit 0.85 bar" in said.first_line
    assert any("relief" in caution for caution in said.cautions)


def test_standing_water_and_noise_clog_nothing(tmp_path: Path) -> None:
    watched = heart(tmp_path, PRE + DROP + 'change_every = "3650 d"\ndrop_limit = "0.6 bar"\n')
    watched.see(*drops(0, 150, 0.15, 0.001))
    assert watched.transitions == []


def test_a_cartridge_that_clogs_within_hours_is_told_the_same_day(tmp_path: Path) -> None:
    watched = heart(tmp_path, PRE + DROP)
    watched.see(*drops(0, 10, 0.15, 0.0), *drops(10, 11, 1.2, 0.0))
    (told,) = raised(watched, "pre/drop")
    assert (told.time_ms - START_MS) / DAY < 10.6
    assert re.match(
        r"Prefilter: clogged, loses 1\.[12]\d bar, limit 0\.8\d bar", wording(told.evidence).first_line
    )


def test_a_change_begins_the_drop_anew(tmp_path: Path) -> None:
    watched = heart(tmp_path, PRE + DROP)
    watched.see(*drops(0, 10, 0.15, 0.0), *drops(10, 12, 1.2, 0.0))
    watched.see(done("filter-change", "sediment", at(12.0)), *drops(12, 20, 0.25, 0.0))
    assert [t.cause for t in watched.transitions] == ["raised", "returned"]
    assert watched.state.rules["pre"].drop.clean_bar == pytest.approx(0.25, abs=0.02)


def with_litres(events: Iterator[Event]) -> Iterator[Event]:
    """The same with a counter that moves while there is a drop."""
    litres = 0.0
    for event in events:
        if isinstance(event, Sample):
            litres += 10.0 if event.value > 0.085 else 0.0
            yield seen("soft.litres", event.arrival_ms - 1000, litres)
        yield event


@pytest.mark.parametrize("counted", [True, False], ids=["litres", "nothing tells whether it runs"])
def test_days_on_which_nothing_runs_are_no_torn_cartridge(tmp_path: Path, counted: bool) -> None:
    watched = heart(tmp_path, PRE + DROP + (LITRES if counted else ""))
    dice = random.Random(3)
    idle = [seen("sediment.drop", at(10 + k / 40), abs(round(dice.gauss(0.0, 0.02), 2))) for k in range(120)]
    events = [*drops(0, 10, 0.30, 0.0), *idle, *drops(13, 20, 0.30, 0.0)]
    watched.see(*(with_litres(iter(events)) if counted else events))
    assert watched.transitions == []


def test_a_drop_far_below_the_clean_one_is_water_that_passes_by(tmp_path: Path) -> None:
    watched = heart(tmp_path, PRE + DROP + LITRES)
    watched.see(*with_litres(drops(0, 10, 0.30, 0.0)), *with_litres(drops(10, 16, 0.14, 0.0)))
    (told,) = raised(watched, "pre/drop")
    said = wording(told.evidence)
    assert said.first_line.startswith("Prefilter: loses only 0.1") and "torn" in said.meaning


# ------------------------------------------------------------ chlorine


def test_free_chlorine_behind_the_carbon_is_told_at_once_with_what_the_membrane_has_had(
    tmp_path: Path,
) -> None:
    watched = heart(tmp_path, CARBON + FREE + TOTAL)
    watched.see(read("carbon.free", at(0), 0.0), read("carbon.total", at(0) + 60_000, 0.05))
    watched.see(read("carbon.free", at(7), 0.5))
    (told,) = raised(watched, "carbon/chlorine")
    said = wording(told.evidence)
    assert said.first_line == "Carbon: lets chlorine through, free 0.50 mg/L"
    assert "RO behind it is unguarded" in said.meaning
    assert "it has had 84 mg h/L at the most" in said.meaning  # 0.5 mg/L, 7 days
    assert "about 400 hours" in said.meaning
    assert said.steps[1].startswith("Stop the RO")
    watched.see(read("carbon.free", at(8), 0.0), read("carbon.total", at(8) + 60_000, 0.0))
    assert [t.cause for t in watched.transitions if t.condition == "carbon/chlorine"] == [
        "raised",
        "returned",
    ]


def test_chloramine_that_passes_is_another_message_than_free_chlorine(tmp_path: Path) -> None:
    watched = heart(tmp_path, CARBON + FREE + TOTAL)
    watched.see(read("carbon.free", at(0), 0.0), read("carbon.total", at(0) + 60_000, 1.2))
    (told,) = raised(watched, "carbon/chlorine")
    said = wording(told.evidence)
    assert said.first_line == "Carbon: lets chloramine through, bound 1.20 mg/L"
    assert "a thousand times more slowly" in said.meaning


def test_total_alone_may_all_be_free(tmp_path: Path) -> None:
    watched = heart(tmp_path, CARBON + TOTAL)
    watched.see(read("carbon.total", at(0), 0.4))
    (told,) = raised(watched, "carbon/chlorine")
    assert told.confidence == 0.75
    assert "free not told" in wording(told.evidence).first_line


def test_an_overdue_chlorine_test_leaves_the_membrane_unguarded(tmp_path: Path) -> None:
    watched = heart(tmp_path, CARBON + FREE)
    watched.see(read("carbon.free", at(0), 0.0), *(Tick(at(k / 4)) for k in range(1, 60)))
    (told,) = raised(watched, "carbon/overdue")
    assert (told.time_ms - START_MS) / DAY == pytest.approx(10.5, abs=0.3)
    assert "taken for unguarded" in wording(told.evidence).meaning
    watched.see(read("carbon.free", at(15), 0.0), Tick(at(15.2)))
    assert [t.cause for t in watched.transitions if t.condition == "carbon/overdue"] == ["raised", "returned"]


def test_a_tap_without_chlorine_needs_no_test(tmp_path: Path) -> None:
    stages = STAGES.replace('hardness = "230 mg/L"', 'hardness = "230 mg/L"\nchlorine = "0 mg/L"')
    watched = heart(tmp_path, CARBON + FREE, stages=stages)
    watched.see(*(Tick(at(day)) for day in range(40)))
    assert watched.transitions == []


# ------------------------------------------------------------ mistakes in the file


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (
            '[[rule]]\nkind = "filter"\nid = "f"\nstage = "softener"\n' + DROP,
            "is no filter; sediment filters",
        ),
        (PRE, "nothing to judge by"),
        (PRE + FREE, "only carbon takes up chlorine, Prefilter does not"),
        (PRE + DROP + 'capacity = "40 m3"\n', "together with `litres`"),
        (PRE + DROP + 'drop_limit = "3 L"\n', "a pressure"),
        (CARBON + FREE + 'free_limit = "0 mg/L"\n', "above 0"),
        (PRE + 'drop = "di.ec"\n', "pressure"),
    ],
)
def test_what_does_not_fit_is_refused_in_words(tmp_path: Path, rule: str, words: str) -> None:
    with pytest.raises(ConfigMistakes, match=words):
        heart(tmp_path, rule)
