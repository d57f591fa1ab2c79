"""A store that is another one than before is an event: an alarm, and numbers that were never used."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.alarms import own
from monitor.notify.message import wording_of
from monitor.readings import Event, StoreReplaced
from tests.heart.shop import START_MS, Heart, acknowledge, di, site, tick
from tests.heart.stored import through_the_store

ASIDE = StoreReplaced(START_MS, "set-aside", "goodwater.damaged-20260601T060000Z.db", "malformed", 3000)
RESTORED = StoreReplaced(START_MS, "restored", "goodwater.before-restore.db", "backup of May", 3000)


@pytest.fixture
def heart(tmp_path: Path) -> Heart:
    return Heart(site(tmp_path))


def test_a_store_set_aside_is_an_alarm_until_somebody_acknowledges_it(heart: Heart) -> None:
    heart.see(tick(0), ASIDE, tick(1), tick(2))
    assert heart.story("store-set-aside") == [("raised", 0.0)]
    heart.see(acknowledge(2.5, "store-set-aside#3001"), tick(3))
    assert heart.story("store-set-aside") == [("raised", 0.0), ("acknowledged", 2.5), ("returned", 3.0)]
    assert {n.person for n in heart.effects.notices} == {"lead", "deputy"}


def test_its_message_names_the_file_and_what_to_do(tmp_path: Path) -> None:
    shop = site(tmp_path)
    heart = Heart(shop)
    heart.see(ASIDE)
    words = wording_of(heart.transitions[0], shop.plant, own.WORDINGS)
    assert "damaged" in words.first_line
    assert ("set aside as", ASIDE.file) in words.facts
    assert any("goodwater restore" in step for step in words.steps)


def course(minute: int, value: float) -> list[Event]:
    """Ten minutes about a value."""
    return di([(minute + n, value + n / 100) for n in range(9)])


@pytest.mark.parametrize("event", [ASIDE, RESTORED])
def test_alarms_are_numbered_from_beyond_those_people_were_told_of(
    heart: Heart, event: StoreReplaced
) -> None:
    heart.see(*course(0, 31.0), *course(10, 5.0), event)
    heart.see(*course(20, 31.0), *course(30, 5.0))
    raised = [t.key for t in heart.transitions if t.condition == "di-high" and t.cause == "raised"]
    # Returned but never acknowledged: the same occurrence goes on.
    assert raised == ["di-high#1.1", "di-high#1.3"]
    heart.see(acknowledge(40, "di-high"), *course(41, 31.0))
    assert heart.transitions[-1].key == "di-high#3001.1"


def test_a_restored_store_raises_no_alarm_of_its_own(heart: Heart) -> None:
    heart.see(RESTORED, tick(1))
    assert heart.transitions == []


def test_the_numbers_survive_a_restart(heart: Heart) -> None:
    heart.see(ASIDE)
    again, lost = through_the_store(heart.state, heart.watch)
    assert (again.numbers_after, lost) == (3000, [])
