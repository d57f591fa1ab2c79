"""What people log as done or found with an amount: how much, in which unit, within what.

Any other event is a name of the shop's own choice (`resin-change`) and carries no amount.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.plant.units import UnitError, scale_between, shown_unit, split_measure


@dataclass(frozen=True, slots=True)
class Amount:
    """How much an event is of: its unit inside (empty for a grade) and its span in it."""

    of: str  # in words: what the amount says
    unit: str
    low: float
    high: float
    example: str


_GRADE = "0 none, 1 a little, 2 clearly, 3 badly"
# More than any sump or drum holds: a typing mistake.
_MOST_L = 10_000.0

EVENTS: Mapping[str, Amount] = {
    "top-off": Amount("water or mix filled into a sump", "L", 0.1, _MOST_L, "20 L"),
    "drawn-off": Amount("coolant taken out of a sump", "L", 0.1, _MOST_L, "50 L"),
    "concentrate-delivered": Amount("concentrate of a coolant that came in", "L", 0.1, _MOST_L, "200 L"),
    "concentrate-counted": Amount("concentrate of a coolant that is there", "L", 0.0, _MOST_L, "180 L"),
    "salt": Amount("salt filled into a softener's brine tank", "kg", 0.1, 2000.0, "25 kg"),
    "smell": Amount(f"how a sump smells: {_GRADE}", "", 0.0, 3.0, "2"),
    "tramp-oil": Amount(f"oil floating on a sump: {_GRADE}", "", 0.0, 3.0, "1"),
}


def amount_of(event: str, text: str | None) -> float:
    """The amount of an event in its unit inside; 0 where the event carries none.

    Raises: ValueError naming the event, what was found and what would be right.
    """
    known = EVENTS.get(event)
    if known is None:
        if text is None:
            return 0.0
        with_one = ", ".join(EVENTS)
        raise ValueError(f'event "{event}" carries no amount, found "{text}"; those that do: {with_one}')
    if text is None:
        raise ValueError(f'event "{event}" needs an amount ({known.of}), like {event} "{known.example}"')
    value = _value(event, known, text)
    if not known.low <= value <= known.high:
        span = f"{known.low:g} to {known.high:g} {known.unit}".rstrip()
        raise ValueError(f'event "{event}": "{text}" is not within {span} ({known.of})')
    return value


def shown_amount(event: str, value: float) -> str:
    """An event's amount as a person reads it; empty where it carries none."""
    known = EVENTS.get(event)
    return "" if known is None else f"{value:g} {shown_unit(known.unit) if known.unit else ''}".rstrip()


def _value(event: str, known: Amount, text: str) -> float:
    if not known.unit:
        try:
            value = float(text)
        except ValueError:
            value = -1.0
        if value != round(value):
            value = -1.0
        return value
    try:
        number, unit = split_measure(text)
        return scale_between(unit, known.unit).apply(number)
    except UnitError as error:
        raise ValueError(f'event "{event}": {error}; write it like "{known.example}"') from None
