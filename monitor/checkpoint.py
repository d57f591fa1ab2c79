"""The watch's state as parts that the store keeps, and back.

A part is JSON with a version. It is a cache: when one cannot be read (a rule's state has a new shape after
an upgrade) channels and rules are rebuilt by re-judging the last days of the stored stream, silently.
Alarms are history and are never rebuilt.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from pydantic import TypeAdapter, ValidationError

from monitor.alarms.lifecycle import Alarm
from monitor.condition.conditioner import ChannelState
from monitor.condition.counter import CounterState
from monitor.store import reader
from monitor.watch import Effects, Failure, Watch, WatchState

REBUILD_DAYS = 7

Parts = dict[str, tuple[int, str]]


@dataclass(frozen=True, slots=True)
class _Heart:
    """What is neither channel, rule nor alarm."""

    sequence: int
    last_tick_ms: int
    failed: dict[str, Failure]
    numbers_after: int = 0

    version = 1


_ADAPTERS: dict[type[Any], TypeAdapter[Any]] = {}


def _adapter(kind: type[Any]) -> TypeAdapter[Any]:
    if kind not in _ADAPTERS:
        _ADAPTERS[kind] = TypeAdapter(kind)
    return _ADAPTERS[kind]


def _written(state: Any) -> tuple[int, str]:
    kind: type[Any] = type(state)
    return state.version, _adapter(kind).dump_json(state).decode()


def changed_parts(before: WatchState, after: WatchState) -> Parts:
    """The parts of a state that are not those of an earlier one, as the store keeps them."""
    heart = _Heart(after.sequence, after.last_tick_ms, after.failed, after.numbers_after)
    parts = {"heart": _written(heart)} if after is not before else {}
    families: tuple[tuple[str, Mapping[str, Any], Mapping[str, Any]], ...] = (
        ("channel", before.channels, after.channels),
        ("derived", before.derived, after.derived),
        ("rule", before.rules, after.rules),
        ("alarm", before.alarms, after.alarms),
    )
    for prefix, old, new in families:
        if new is not old:
            parts |= {f"{prefix}:{k}": _written(v) for k, v in new.items() if old.get(k) is not v}
    return parts


def restored(parts: Mapping[str, tuple[int, str]], watch: Watch) -> tuple[WatchState, list[str]]:
    """The state the parts hold, and the names of those that could not be read."""
    lost: list[str] = []
    channels: dict[str, ChannelState] = {}
    rules: dict[str, Any] = {}
    derived: dict[str, Any] = {}
    alarms: dict[str, Alarm] = {}
    heart = _Heart(0, 0, {})
    for part, (version, body) in parts.items():
        prefix, _, name = part.partition(":")
        kind = _kind_of(prefix, name, watch)
        if kind is None:
            continue
        found = _read(kind, version, body)
        if found is None:
            lost.append(part)
        elif prefix == "channel":
            channels[name] = found
        elif prefix == "rule":
            rules[name] = found
        elif prefix == "derived":
            derived[name] = found
        elif prefix == "alarm":
            alarms[name] = found
        else:
            heart = found
    state = WatchState(
        heart.sequence,
        heart.last_tick_ms,
        channels,
        rules,
        heart.failed,
        alarms,
        heart.numbers_after,
        derived,
    )
    return state, lost


def _kind_of(prefix: str, name: str, watch: Watch) -> type[Any] | None:
    """What a part is read as; None for a rule or derived channel that is no longer in the site file."""
    if prefix == "rule":
        return type(watch.rules[name].start()) if name in watch.rules else None
    if prefix == "derived":
        memory = watch.deriver.start(name)
        return None if memory is None else type(memory)
    return {"heart": _Heart, "channel": ChannelState, "alarm": Alarm}[prefix]


def _read(kind: type[Any], version: int, body: str) -> Any | None:
    if version != kind.version:
        return None
    try:
        return _adapter(kind).validate_json(body)
    except ValidationError:
        return None


def rebuilt(
    state: WatchState, watch: Watch, connection: sqlite3.Connection, now_ms: int, beat: Callable[[], None]
) -> WatchState:
    """The same alarms, with channels and rules re-judged from the last days of the stream, silently.

    What counts for longer than that (a counter's litres, a derived channel's sum) goes on from the stored
    values before them. A large shop's week takes minutes: `beat` is called all the while.
    """
    since_seq = reader.first_seq_since(connection, now_ms - REBUILD_DAYS * 86_400_000)
    discarded = Effects()
    judged = seeded(watch, connection, since_seq)
    for event in reader.stream(connection, since_seq):
        judged = watch.step(judged, event, discarded)
        discarded = Effects()
        beat()
    derived = {**judged.derived, **state.derived}  # what could be read is exact
    return replace(state, channels=judged.channels, rules=judged.rules, derived=derived)


def seeded(watch: Watch, connection: sqlite3.Connection, seq: int) -> WatchState:
    """A state that knows where counters and sums stood at an event, and nothing else."""
    channels, derived = {}, {}
    for name in watch.counting:
        last = reader.last_in_order(connection, name, seq)
        if last is not None:
            channels[name] = ChannelState(counter=CounterState(last.raw, last.time_ms, last.value))
    for name in watch.deriver.remembering:
        last = reader.last_in_order(connection, name, seq)
        if last is not None:
            beside = {c: reader.last_in_order(connection, c, seq) for c in watch.deriver.inputs_of(name)}
            inputs = {channel: reading for channel, reading in beside.items() if reading is not None}
            derived[name] = watch.deriver.resumed(name, last, inputs)
    return WatchState(channels=channels, derived=derived)
