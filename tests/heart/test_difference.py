"""Rule `difference`: two channels that should agree, or stay in an order."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config import RULES, ConfigMistakes
from monitor.readings import OperatorAction
from tests.heart.shop import MINUTE, SITE, START_MS, Heart, sample, site
from tests.heart.stored import through_the_store

PARTNERS = """
[[instrument]]
id = "partner"
name = "partner meter"
point = "di-out"
expected_interval = "1 min"
wire = { kind = "mqtt", broker = "hall", topic = "di2", payload = { kind = "number" } }

[[instrument.channel]]
id = "di2.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 200.0]
resolution = 0.1
accuracy = { absolute = "1 uS/cm" }
compensated = true

[[instrument]]
id = "hand-meter"
name = "hand meter"
point = "di-out"
expected_interval = "4 days"
wire = { kind = "hand" }

[[instrument.channel]]
id = "hand.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 2000.0]
resolution = 0.1
accuracy = { of_reading = "5 %" }
compensated = true

[[rule]]
kind = "difference"
id = "di-apart"
channel = "di.ec"
other = "di2.ec"
"""
NO_LIMIT = SITE.replace('above = "20 uS/cm"', 'above = "199 uS/cm"')


def shop(folder: Path, *changes: tuple[str, str]) -> Heart:
    text = NO_LIMIT + PARTNERS
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    return Heart(site(folder, text))


BY_HAND = ('other = "di2.ec"', 'other = "hand.ec"')
BELOW = ('other = "di2.ec"', 'other = "di2.ec"\nexpect = "below"')


def both(heart: Heart, first: int, last: int, one: float, two: float, every: int = 1) -> None:
    for minute in range(first, last, every):
        heart.see(sample("di.ec", minute, one), sample("di2.ec", minute + 0.3, two))


def read(minute: float, value: float, told: float | None = None) -> OperatorAction:
    """A value that a person read from the hand meter."""
    told_ms = START_MS + round((minute if told is None else told) * MINUTE)
    at_ms = START_MS + round(minute * MINUTE)
    return OperatorAction(at_ms, "reading", "hand.ec", "lead", value=value, told_ms=told_ms)


def test_two_meters_apart_by_more_than_both_may_be_off_are_told(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    both(heart, 0, 60, 10.0, 12.5)
    ((cause, minute),) = heart.story("di-apart")
    assert (cause, round(minute)) == ("raised", 10)  # three pairs, five minutes apart


def test_a_difference_that_both_errors_explain_is_not_told(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    both(heart, 0, 600, 10.0, 12.0)
    assert heart.story("di-apart") == []


def test_one_wild_pair_is_not_told(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    both(heart, 0, 60, 10.0, 10.0)
    both(heart, 60, 66, 10.0, 60.0)
    both(heart, 66, 200, 10.0, 10.0)
    assert heart.story("di-apart") == []


def test_it_is_over_once_they_are_well_within_both_errors_again(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    both(heart, 0, 60, 10.0, 12.5)
    both(heart, 60, 120, 10.0, 11.5)
    assert [cause for cause, _ in heart.story("di-apart")] == ["raised"]
    both(heart, 120, 180, 10.0, 10.5)
    assert [cause for cause, _ in heart.story("di-apart")] == ["raised", "returned"]


def test_a_difference_allowed_besides_is_not_told(tmp_path: Path) -> None:
    heart = shop(tmp_path, ('other = "di2.ec"', 'other = "di2.ec"\nallowed = "2 uS/cm"'))
    both(heart, 0, 60, 10.0, 13.5)
    assert heart.story("di-apart") == []


def test_values_of_different_times_are_not_compared(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    for minute in range(0, 600, 60):
        heart.see(sample("di.ec", minute, 10.0), sample("di2.ec", minute + 30, 50.0))
    assert heart.story("di-apart") == []


def test_an_order_is_told_only_when_it_is_turned_round(tmp_path: Path) -> None:
    heart = shop(tmp_path, BELOW)
    both(heart, 0, 60, 10.0, 50.0)
    assert heart.story("di-apart") == []
    both(heart, 60, 120, 53.0, 50.0)
    assert [cause for cause, _ in heart.story("di-apart")] == ["raised"]


def test_over_range_is_evidence_where_it_only_makes_the_difference_larger(tmp_path: Path) -> None:
    heart = shop(tmp_path, BELOW)
    both(heart, 0, 60, 200.0, 150.0)
    assert [cause for cause, _ in heart.story("di-apart")] == ["raised"]
    heart = shop(tmp_path, BELOW)
    both(heart, 0, 60, 150.0, 200.0)  # the other one is at least 200
    assert heart.story("di-apart") == []


def test_over_range_is_none_where_it_leaves_open_which_is_the_larger(tmp_path: Path) -> None:
    heart = shop(tmp_path, BY_HAND)
    both(heart, 0, 60, 200.0, 10.0)  # at least 200, and so it may be 500
    heart.see(read(59, 500.0))
    assert heart.story("di-apart") == []
    heart.see(read(59.5, 100.0))
    assert [cause for cause, _ in heart.story("di-apart")] == ["raised"]


def test_bad_and_standing_water_is_not_compared(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    both(heart, 0, 60, 10.0, -50.0)
    assert heart.story("di-apart") == []


def test_what_a_person_read_is_held_once_against_the_value_of_its_time(tmp_path: Path) -> None:
    heart = shop(tmp_path, BY_HAND)
    both(heart, 0, 60, 10.0, 10.0)
    heart.see(read(50, 14.0))
    assert heart.story("di-apart") == [("raised", 50)]
    both(heart, 60, 120, 14.0, 10.0)  # the meter moving on is no news of the hand meter's value
    assert [cause for cause, _ in heart.story("di-apart")] == ["raised"]
    heart.see(read(119, 14.1))
    assert [cause for cause, _ in heart.story("di-apart")] == ["raised", "returned"]


def test_a_value_typed_in_hours_later_finds_its_partner(tmp_path: Path) -> None:
    heart = shop(tmp_path, BY_HAND)
    both(heart, 0, 60, 10.0, 10.0)
    both(heart, 60, 480, 14.0, 10.0)
    heart.see(read(30, 14.0, told=480))
    (raised,) = (t for t in heart.transitions if t.condition == "di-apart")
    assert (raised.evidence["value"], raised.evidence["other_value"]) == (10.0, 14.0)


def test_the_state_survives_the_store(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    both(heart, 0, 60, 10.0, 12.5)
    state, lost = through_the_store(heart.state, heart.watch)
    assert lost == [] and state.rules == heart.state.rules


def test_the_message_says_both_values_and_what_both_may_be_off(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    both(heart, 0, 60, 10.0, 12.5)
    (raised,) = (t for t in heart.transitions if t.condition == "di-apart")
    said = RULES["difference"].wording(raised.evidence)
    assert said.first_line == "DI outlet: DI meter and partner meter disagree, 10.0 µS/cm against 12.5 µS/cm"
    assert ("both may be off together", "2.0 µS/cm") in said.facts
    heart = shop(tmp_path, BELOW)
    both(heart, 0, 60, 53.0, 50.0)
    (raised,) = (t for t in heart.transitions if t.condition == "di-apart")
    said = RULES["difference"].wording(raised.evidence)
    assert said.first_line == "DI outlet: conductivity 53.0 µS/cm, not below the 50.0 µS/cm at DI outlet"
    assert any("discharging" in step for step in said.steps)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('other = "di2.ec"', 'other = "di.ec"'), "is the channel itself"),
        (
            ('other = "di2.ec"', 'other = "ro.t"'),
            'measures temperature; channel = "di.ec" measures conductivity',
        ),
        (('other = "di2.ec"', 'other = "di2.ec"\nallowed = "1 bar"'), 'unit "bar" cannot be turned into'),
        (('other = "di2.ec"', 'other = "di2.ec"\nallowed = "-1 uS/cm"'), "allowed must not be negative"),
    ],
)
def test_settings_that_do_not_fit_are_refused(tmp_path: Path, change: tuple[str, str], said: str) -> None:
    with pytest.raises(ConfigMistakes) as refused:
        shop(tmp_path, change)
    assert said in str(refused.value)
