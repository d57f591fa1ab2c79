"""Rule `limit` and the life of its alarm."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config import RULES, ConfigMistakes
from monitor.readings import AlarmState
from tests.heart.shop import SITE, Heart, acknowledge, di, sample, site, tick


def test_an_alarm_is_raised_only_after_the_condition_has_held_for_its_on_delay(heart: Heart) -> None:
    heart.see(*di([(0, 5), (1, 25), (2, 25), (3, 25), (4, 25)]))
    # The step at minute 1 waits for its confirmation at minute 2; two minutes later it has held long enough.
    assert heart.story("di-high") == [("raised", 4)]


def test_a_single_spike_raises_nothing(heart: Heart) -> None:
    heart.see(*di([(0, 5), (1, 190), (2, 5), (6, 5)]))
    assert heart.story("di-high") == []


def test_a_value_inside_the_deadband_keeps_the_alarm_standing(heart: Heart) -> None:
    heart.see(*di([(0, 21), (2, 21), (3, 17), (20, 17)]))
    assert heart.story("di-high") == [("raised", 2)]


def test_an_alarm_returns_after_its_off_delay_and_waits_for_its_acknowledgement(heart: Heart) -> None:
    heart.see(*di([(0, 21), (2, 21), (3, 15.9), (5.9, 15.9), (6, 15.9)]))
    assert heart.story("di-high") == [("raised", 2), ("returned", 6)]
    assert heart.state.alarms["di-high"].state == AlarmState.RETURNED
    heart.see(acknowledge(7, "di-high#1"))
    assert heart.state.alarms["di-high"].state == AlarmState.NORMAL


def test_an_acknowledged_alarm_is_normal_once_it_returns(heart: Heart) -> None:
    heart.see(*di([(0, 21), (2, 21)]), acknowledge(2.5, "di-high"))
    assert heart.state.alarms["di-high"].state == AlarmState.ACKNOWLEDGED
    heart.see(*di([(3, 15.9), (6, 15.9)]))
    assert heart.state.alarms["di-high"].state == AlarmState.NORMAL


def test_a_second_alarm_of_the_same_condition_is_a_second_occurrence(heart: Heart) -> None:
    heart.see(
        *di([(0, 21), (2, 21)]),
        acknowledge(2, "di-high"),
        *di([(3, 15.9), (6, 15.9), (7, 21), (8, 21), (10, 21)]),
    )
    assert [t.key for t in heart.transitions] == ["di-high#1.1", "di-high#1.2", "di-high#1.3", "di-high#2.1"]


def test_a_condition_that_comes_back_before_anybody_acknowledged_goes_on_as_the_same_occurrence(
    heart: Heart,
) -> None:
    heart.see(*di([(0, 21), (2, 21), (3, 15.9), (6, 15.9), (7, 21), (8, 21), (10, 21)]))
    assert [t.key for t in heart.transitions] == ["di-high#1.1", "di-high#1.2", "di-high#1.3"]


def test_a_value_at_the_end_of_the_range_in_the_dangerous_direction_is_evidence(heart: Heart) -> None:
    heart.see(*di([(0, 5), (1, 200), (3, 200)]))
    assert heart.story("di-high") == [("raised", 3)]
    (raised,) = heart.transitions
    assert raised.evidence["bound"] == "at_least"
    wording = RULES["limit"].wording(raised.evidence)
    assert wording.first_line == "DI outlet: conductivity at least 200.0 µS/cm, above 20.0 µS/cm"


def test_everybody_who_wants_the_priority_is_owed_word_once_a_way(heart: Heart) -> None:
    effects = heart.see(*di([(0, 21), (2, 21)]))
    assert [(n.transition, n.person, n.way) for n in effects.notices] == [
        ("di-high#1.1", "lead", 0),
        ("di-high#1.1", "deputy", 0),
    ]


def test_acknowledging_a_former_occurrence_is_counted_and_does_nothing(heart: Heart) -> None:
    heart.see(*di([(0, 21), (2, 21)]))
    effects = heart.see(acknowledge(3, "di-high#7"))
    assert [c.what for c in effects.counts] == ["no-such-alarm"]
    assert heart.state.alarms["di-high"].state == AlarmState.UNACKNOWLEDGED


def test_the_message_compares_the_value_with_limit_and_usual(heart: Heart) -> None:
    heart.see(*di([(n, 5.0) for n in range(60)]), *di([(60, 30), (61, 30), (63, 30)]))
    (raised,) = heart.transitions
    facts = dict(RULES["limit"].wording(raised.evidence).facts)
    assert facts == {"value": "30.0 µS/cm", "limit": "above 20.0 µS/cm", "usual": "5.0 µS/cm"}


@pytest.mark.parametrize(
    ("value", "sure"),
    [(20.0 + 0.5, 0.841), (20.0 + 1.0, 0.977)],
    ids=["one sigma", "two sigma"],
)
def test_how_sure_follows_from_the_instruments_accuracy_read_as_two_sigma(
    heart: Heart, value: float, sure: float
) -> None:
    # Standard normal distribution: Phi(1) = 0.8413, Phi(2) = 0.9772 (any table).
    heart.see(*di([(0, value), (2, value)]))
    (raised,) = heart.transitions
    assert raised.confidence == pytest.approx(sure, abs=0.001)


def test_a_limit_in_another_unit_is_turned_into_the_channels_quantity(tmp_path: Path) -> None:
    heart = Heart(site(tmp_path, SITE.replace('above = "20 uS/cm"', 'above = "0.02 mS/cm"')))
    heart.see(*di([(0, 21), (2, 21)]))
    assert heart.transitions[0].evidence["limit"] == pytest.approx(20.0)


def test_a_limit_of_the_wrong_dimension_is_refused_with_the_unit_that_would_do(tmp_path: Path) -> None:
    with pytest.raises(ConfigMistakes) as refused:
        site(tmp_path, SITE.replace('above = "20 uS/cm"', 'above = "20 L"'))
    assert "above" in str(refused.value) and "µS/cm" in str(refused.value)


def test_a_limit_below_is_judged_on_its_own_side(tmp_path: Path) -> None:
    text = SITE.replace('above = "20 uS/cm"', 'below = "2 uS/cm"').replace("4 uS/cm", "0.5 uS/cm")
    heart = Heart(site(tmp_path, text))
    heart.see(*di([(0, 1.9), (2, 1.9), (3, 2.4), (9, 2.4), (10, 2.6), (13, 2.6)]))
    assert heart.story("di-high") == [("raised", 2), ("returned", 13)]


def test_a_bad_reading_neither_raises_nor_clears(heart: Heart) -> None:
    heart.see(*di([(0, 21), (2, 21)]))
    heart.see(sample("di.ec", 3, -50), sample("di.ec", 10, -50))  # no conductivity is negative
    assert heart.state.alarms["di-high"].state == AlarmState.UNACKNOWLEDGED


def test_an_on_delay_runs_across_the_ticks_of_the_clock(heart: Heart) -> None:
    for minute in range(5):
        heart.see(*di([(minute + 0.5, 25)]), tick(minute + 1))
    assert heart.story("di-high") == [("raised", 2.5)]
