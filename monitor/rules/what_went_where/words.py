"""The account of an episode of bad water, in words. The order of steps is common practice, no source."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from monitor.readings import Evidence, Wording
from monitor.rules.rule import number, text
from monitor.rules.sumps import CAUTIONS

# Less than this part of a coolant's limit changes nothing that a hardness test could show.
_WORTH = 0.05


def wording(evidence: Evidence) -> Wording:
    """Which sumps got how much of the bad water, from the evidence alone."""
    rows = _rows(evidence)
    touched = [row for row in rows if row["how"] != "unknown" and (row["most_l"] or 0.0) > 0.0]
    return Wording(
        first_line=f"{text(evidence, 'where')} was bad for {_hours(evidence)}: {_who(touched, evidence)}",
        facts=(
            *_facts(evidence),
            *((row["sump"], _got(row, evidence)) for row in rows if _worth_a_line(row)),
        ),
        meaning=_meaning(evidence, rows),
        steps=tuple(_steps(evidence, touched)),
        cautions=CAUTIONS,
    )


def _who(touched: list[dict[str, Any]], evidence: Evidence) -> str:
    if not touched:
        rest = evidence.get("rest_l")
        if rest is not None and number(evidence, "rest_l") >= 1.0:
            return f"{number(evidence, 'rest_l'):.0f} L of it went nobody knows where"
        return "no sump is known to have got any of it"
    names = ", ".join(row["sump"] for row in touched[:3])
    more = f" and {len(touched) - 3} more" if len(touched) > 3 else ""
    return f"went into {names}{more}"


def _facts(evidence: Evidence) -> list[tuple[str, str]]:
    at_least = "at least " if evidence.get("at_least") else ""
    usual = text(evidence, "usual")
    facts = [
        ("bad water", f"{text(evidence, 'began')} to {text(evidence, 'ended')} ({_hours(evidence)})"),
        (
            "how bad",
            f"mean {at_least}{text(evidence, 'mean')}, highest {at_least}{text(evidence, 'peak')}; "
            f"bad is above {text(evidence, 'above')}" + (f", usual {usual}" if usual else ""),
        ),
        (
            "hardness beyond the usual",
            f"{_at_most(evidence)}{number(evidence, 'more_mg_l'):.0f} mg/L as CaCO3",
        ),
    ]
    if evidence.get("drawn_l") is not None:
        facts.append(("drawn meanwhile", f"{number(evidence, 'drawn_l'):.0f} L"))
        facts.append(("of it in no book", f"{number(evidence, 'rest_l'):.0f} L"))
    return facts


def _got(row: Mapping[str, Any], evidence: Evidence) -> str:
    if row["how"] == "unknown":
        if row["most_l"] is None:
            return "not logged, no meter: not known"
        return f"not logged: 0 to {row['most_l']:.0f} L, {_added(row, evidence)}"
    return f"{_span(row['least_l'], row['most_l'], 'L')} ({row['how']}), {_added(row, evidence)}"


def _added(row: Mapping[str, Any], evidence: Evidence) -> str:
    added = _span(row["least_mg_l"], row["most_mg_l"], "mg/L", digits=1)
    return f"{_at_most(evidence)}{added} more in its coolant"


def _span(least: float, most: float | None, unit: str, digits: int = 0) -> str:
    if most is None or f"{least:.{digits}f}" == f"{most:.{digits}f}":
        return f"{least:.{digits}f} {unit}"
    return f"{least:.{digits}f} to {most:.{digits}f} {unit}"


def _worth_a_line(row: Mapping[str, Any]) -> bool:
    return row["most_l"] is None or row["most_l"] >= 0.5


def _meaning(evidence: Evidence, rows: list[dict[str, Any]]) -> str:
    worst = max(
        ((row["most_mg_l"] or 0.0) / row["limit_mg_l"] for row in rows if row["limit_mg_l"]), default=None
    )
    parts = ["The alarm itself is over; this is where the water went."]
    if worst is not None and worst < _WORTH:
        parts.append("Even the sump that got most is moved by less than a twentieth of its coolant's limit.")
    elif worst is not None:
        parts.append(
            f"The sump that got most is moved by up to {100.0 * worst:.0f} % of its coolant's limit."
        )
    if not evidence.get("sure"):
        slack = number(evidence, "slack_h")
        parts.append(
            f"Ranges: what was logged within {slack:.0f} h of it may be of it or not, and what is in no book "
            "may be in any sump that nobody logged."
        )
    return " ".join(parts)


def _steps(evidence: Evidence, touched: list[dict[str, Any]]) -> list[str]:
    steps = []
    if touched:
        steps.append(f"Test hardness and pH of {touched[0]['sump']} first: it got most for its size.")
    if number(evidence, "more_mg_l") > 0 and text(evidence, "quantity") != "hardness":
        steps.append(
            "Was it a DI bed at its end? What it lets through may be acid or caustic: measure the pH of the "
            "sumps named, by its usual."
        )
    steps += [
        'Log what was poured and not written down (`goodwater log SITE SUMP top-off "20 L" --at TIME`).',
        "Water of that time that still stands in tank, pipe or cans: measure it before the next top-off.",
        "A sump that came near its coolant's limit: replace a part of it, see rule minerals.",
    ]
    return steps


def _hours(evidence: Evidence) -> str:
    hours = number(evidence, "hours")
    return (
        f"{60 * hours:.0f} min" if hours < 2 else f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} days"
    )


def _at_most(evidence: Evidence) -> str:
    return "at most " if evidence.get("at_most") else ""


def _rows(evidence: Evidence) -> list[dict[str, Any]]:
    found = evidence["sumps"]
    if not isinstance(found, Sequence) or isinstance(found, str):
        raise ValueError(f"evidence 'sumps' is {found!r}, not a list")
    return [dict(row) for row in found if isinstance(row, Mapping)]
