"""What alarms there were, as rows of a table, and which rules can judge what files hold."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator, Sequence, Set
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TextIO
from zoneinfo import ZoneInfo

from monitor.alarms.alarm import IN_ALARM
from monitor.plant.model import Plant
from monitor.readings import Transition
from monitor.rules import overdue, silent
from monitor.rules.rule import Rule

HEADER = ("rule", "channel", "start", "end", "priority", "first_line")


@dataclass(frozen=True, slots=True)
class Span:
    """One alarm from when it was raised to when it returned; None where it still stood at the end."""

    raised: Transition
    end_ms: int | None


def spans(transitions: Iterable[Transition]) -> list[Span]:
    """The alarms that people are told of, in order of their beginning.

    One that comes back unacknowledged is a row of its own; one that is kept back (shelved, suppressed by
    design, out of service) begins when nothing keeps it back any more.
    """
    found: list[Span] = []
    standing: dict[str, int] = {}
    for one in transitions:
        in_alarm = (one.beneath or one.state) in IN_ALARM
        if one.condition in standing:
            if one.cause == "returned" or not in_alarm:
                number = standing.pop(one.condition)
                found[number] = Span(found[number].raised, one.time_ms)
        elif in_alarm and one.silence is None and one.cause not in ("returned", "acknowledged"):
            standing[one.condition] = len(found)
            found.append(Span(one, None))
    return found


def write(out: TextIO, found: Iterable[Span], plant: Plant, first_line: Callable[[Transition], str]) -> None:
    """The alarms as CSV: times in ISO 8601 with the shop's offset."""
    zone = ZoneInfo(plant.site.timezone)
    writer = csv.writer(out)
    writer.writerow(HEADER)
    for one in found:
        told = one.raised
        writer.writerow(
            (
                rule_and_part(told),
                channel_of(told, plant),
                _iso(told.time_ms, zone),
                "" if one.end_ms is None else _iso(one.end_ms, zone),
                told.priority,
                first_line(told),
            )
        )


def rule_and_part(told: Transition) -> str:
    """The rule's id, with what it told where it tells of several things: `di-bed/front`, `loss/burst`."""
    rule, *parts = told.condition.split("/")
    return "/".join([rule, *(part for part in parts if part != told.subject)])


def channel_of(told: Transition, plant: Plant) -> str:
    """The channel an alarm is about; else the instrument, sump or stage it is about."""
    if told.subject in plant.channels:
        return told.subject
    named = told.evidence.get("channel")
    return named if isinstance(named, str) and named in plant.channels else told.subject


def _iso(time_ms: int, zone: ZoneInfo) -> str:
    moment = datetime.fromtimestamp(time_ms / 1000, zone)
    return moment.isoformat(timespec="milliseconds" if time_ms % 1000 else "seconds")


def judging(rules: Sequence[Rule[Any]], plant: Plant, heard: Set[str]) -> Iterator[Rule[Any]]:
    """The rules that find something of theirs in readings of these channels.

    The silence of what is in no file is no news, so `silent` is asked of the others only; and what people
    did is in no file, so nothing can be told of what is overdue.
    """
    there = set(heard)
    for name, one in plant.computed.items():
        if there.issuperset(one.inputs.values()):
            there.add(name)
    for rule in rules:
        if not rule.channels & there or isinstance(rule.settings, overdue.Settings):
            continue
        if isinstance(rule.settings, silent.Settings):
            known = heard_of(plant, heard)
            named = [i.id for i in known.instrument if i.id in rule.settings.instruments]
            speaking: Any = silent.build(
                rule.settings.model_copy(update={"instruments": tuple(named)}), known
            )
            yield speaking
        else:
            yield rule


def heard_of(plant: Plant, heard: Set[str]) -> Plant:
    """The plant with those instruments and channels only that are heard of."""
    instruments = []
    for instrument in plant.instrument:
        kept = tuple(channel for channel in instrument.channel if channel.id in heard)
        if kept:
            instruments.append(instrument.model_copy(update={"channel": kept}))
    return plant.model_copy(update={"instrument": tuple(instruments), "derived": ()})
