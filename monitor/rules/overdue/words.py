"""What the rule `overdue` says: one line for all that is due, and how to say that it was done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from monitor.plant.units import shown
from monitor.readings import Evidence, Wording
from monitor.rules.dates import day_in_words

_SHOWN = 3  # in the first line


def wording(evidence: Evidence) -> Wording:
    """The reminder of a day; with nothing due any more, that it is all done."""
    items = evidence["items"]
    assert isinstance(items, list)
    told = [item for item in items if isinstance(item, Mapping)]
    if not told:
        return Wording(
            first_line="Checks: nothing is due", facts=(), meaning="All that was due has been done.", steps=()
        )
    due = [item for item in told if item["due"] != "soon"]
    return Wording(
        first_line=f"{'Checks due' if due else 'Checks due soon'}: {_line(due or told)}",
        facts=tuple((str(item["check"]), f"{summary(item)}; {_last(item)}") for item in told),
        meaning="What nobody checks nobody knows: hardness, chlorine and concentration move no meter. This "
        "line comes once a working day until it is done and logged."
        if due
        else "A note ahead, so that what is needed is there in time. It comes once.",
        steps=tuple(
            f"{item['check']}: when it is done, `goodwater log SITE {item['log']}`" for item in due or told
        ),
        cautions=(
            "Test kits hold chemicals: gloves and goggles as their sheet says, and out of the sink.",
            "Shut off and relieve the pressure before a housing or bottle is opened.",
        ),
    )


def _line(items: Sequence[Mapping[str, Any]]) -> str:
    named = [f"{item['check']} ({_when(item)})" for item in items[:_SHOWN]]
    more = f" and {len(items) - _SHOWN} more" if len(items) > _SHOWN else ""
    return ", ".join(named) + more


def _when(item: Mapping[str, Any]) -> str:
    days = int(item["days"])
    if item["due"] == "soon":
        return "tomorrow" if days == 1 else f"in {days} days"
    if item["due"] == "today" or not days:
        return "today" if item["why"] == "time" else "now"
    return f"{days} day{'s' if days > 1 else ''} overdue"


def summary(item: Mapping[str, Any]) -> str:
    """When it is due, and what makes it so."""
    if item["why"] == "litres":
        return f"{_when(item)}: {item['used_l']:.0f} L of {item['limit_l']:.0f} L"
    if item["why"] == "condition":
        side = "above" if item["above"] else "below"
        value, limit = (shown(float(item[key]), str(item["quantity"])) for key in ("value", "limit"))
        return f"{_when(item)}: {item['channel']} at {value}, {side} {limit}"
    return _when(item)


def _last(item: Mapping[str, Any]) -> str:
    done = item.get("last_done")
    return f"last done {day_in_words(str(done))}" if done else "not logged yet"
