"""Events that carry an amount: what is taken, what is shown, and that the pages tell of each."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.plant.events import EVENTS, amount_of, shown_amount

PAGE = Path(__file__).parents[2] / "docs" / "instruments.md"


@pytest.mark.parametrize("event", EVENTS)
def test_the_example_of_an_event_is_taken_and_shown_as_it_was_written(event: str) -> None:
    example = EVENTS[event].example
    assert shown_amount(event, amount_of(event, example)) == example


@pytest.mark.parametrize("event", EVENTS)
def test_every_event_with_an_amount_is_described(event: str) -> None:
    assert f"\n| `{event}` |" in PAGE.read_text(encoding="utf-8")


def test_an_event_of_the_shops_own_choice_has_no_amount() -> None:
    assert amount_of("resin-change", None) == 0.0
    assert shown_amount("resin-change", 0.0) == ""
