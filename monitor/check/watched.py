"""Each channel: where, what, in which unit, how it is judged, when its silence is told."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, TypeVar

from monitor.config import SiteFile
from monitor.plant.fields import RefersTo, is_duration, shown_duration
from monitor.plant.model import Channel, Plant
from monitor.plant.units import shown_unit
from monitor.rules.rule import Rule, RuleSettings
from monitor.rules.silent import Silent

R = TypeVar("R")

# Said elsewhere in the line, or shared by all rules of the channel.
_NOT_REPEATED = ("id", "kind", "priority")


def watched(site: SiteFile) -> Iterator[str]:
    """Lines grouped by place, in the order of the file."""
    places: dict[str, list[Channel]] = {}
    for channel in site.plant.channels.values():
        places.setdefault(site.plant.place_of(channel.id), []).append(channel)
    for place, channels in places.items():
        yield f"  {place}"
        for channel in channels:
            yield from _channel(site, channel)


def _channel(site: SiteFile, channel: Channel) -> Iterator[str]:
    unit = shown_unit(channel.unit)
    what = f"{channel.quantity} in {unit}" if unit else channel.quantity
    rules = [rule for rule in site.rules if channel.id in rule.channels]
    one = site.plant.computed.get(channel.id)
    silences = [_silence(site.plant, rule, channel) for rule in of_kind(rules, Silent)]
    silent = f"silence told after {' or '.join(silences)}" if silences else "its silence is not told"
    if one is not None:
        silent = f"{one.what} of {', '.join(one.inputs.values())}"
    yield f"    {channel.id}: {what}, {silent}"
    judged = [rule for rule in rules if rule.kind != Silent.kind]
    for rule in judged:
        yield f"      {rule.settings.id} ({rule.kind}, {rule.settings.priority}): {settings_in_words(rule)}"
    if judged and channel.gate is not None:
        litres = "" if channel.gate.litres is None else f" or {channel.gate.litres}"
        after = shown_duration(channel.gate.minutes)
        runs = f"while {channel.gate.flow} runs"
        if channel.gate.flow is None:
            runs, litres = "while its own course says that water runs", ""
        yield f"      judged only {runs}, after {after}{litres}"
    if not judged:
        yield "      stored, not judged by a rule of its own"


def of_kind(rules: Iterable[object], kind: type[R]) -> list[R]:
    """Those of the rules that are of one kind."""
    return [rule for rule in rules if isinstance(rule, kind)]


def _silence(plant: Plant, rule: Silent, channel: Channel) -> str:
    allowed = shown_duration(rule.allowed_ms(plant.instrument_of(channel.id)))
    return f"{allowed} ({rule.settings.priority})"


def settings_in_words(rule: Rule[Any]) -> str:
    """What a rule's table says besides its names: `above 20 µS/cm, deadband 2 µS/cm, on delay 5 min`."""
    words: list[str] = []
    fields = type(rule.settings).model_fields
    of_its_kind = [key for key in fields if key not in RuleSettings.model_fields]
    for key in (*of_its_kind, *RuleSettings.model_fields):
        field = fields[key]
        value = getattr(rule.settings, key)
        refers = any(isinstance(mark, RefersTo) for mark in field.metadata)
        if key in _NOT_REPEATED or refers or value == field.get_default(call_default_factory=True):
            continue
        shown = shown_duration(value) if is_duration(field) else _written(value)
        words.append(f"{key.replace('_', ' ')} {shown}")
    return ", ".join(words) or "as it comes"


def _written(value: object) -> str:
    return ", ".join(map(str, value)) if isinstance(value, tuple) else str(value)


def people(plant: Plant) -> Iterator[str]:
    """Who is told of which priorities, by which ways."""
    for person in plant.person:
        ways = "; ".join(way.label for way in person.way)
        yield f"  {person.name} ({', '.join(person.priorities)}): {ways}"
