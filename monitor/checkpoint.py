"""The watch's state as parts that the store keeps, and back.

A part is JSON with a version. Alarms, and the numbers of the watch, go into every batch that changes them.
Channels and rules change at nearly every reading and are written whole, now and then; in between the stored
stream itself says what became of them. So at the start the last whole state is taken and the events stored
since then are judged again, silently: nothing that this finds is an alarm or a message a second time.

A part is also a cache: when one cannot be read (a rule's state has a new shape after an upgrade) it is
rebuilt by re-judging as many days of the stream as its rule says it reaches back. Alarms are history and are
never rebuilt.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from pydantic import TypeAdapter, ValidationError

from monitor.alarms.alarm import Alarm
from monitor.alarms.flood import Flood
from monitor.alarms.off import Off
from monitor.condition.conditioner import ChannelState
from monitor.condition.counter import CounterState
from monitor.frozen import replace
from monitor.readings import Reading, Silence
from monitor.store import reader
from monitor.watch import Effects, Failure, Watch, WatchState

log = logging.getLogger(__name__)

# The whole state is written when the last one is so old, in the time of ticks or in events: so much is judged
# again after a kill, at most.
WHOLE_EVERY_MS = 15 * 60_000
WHOLE_EVERY_EVENTS = 20_000
# What conditioning remembers of a channel reaches back so far.
CHANNEL_DAYS = 7

_DAY_MS = 86_400_000
# Of each channel the stream is read again from so long before its last reading of the whole state on.
_BEFORE_MS = 3_600_000

Part = tuple[int, str]
Parts = dict[str, Part]


@dataclass(frozen=True, slots=True)
class _Heart:
    """What is neither channel, rule nor alarm."""

    sequence: int
    last_tick_ms: int
    failed: dict[str, Failure]
    numbers_after: int = 0
    windows: Mapping[str, Silence] = field(default_factory=dict)
    off: Mapping[str, Off] = field(default_factory=dict)
    flood: Flood = field(default_factory=Flood)

    version = 1

    @staticmethod
    def of(state: WatchState) -> _Heart:
        return _Heart(
            state.sequence,
            state.last_tick_ms,
            state.failed,
            state.numbers_after,
            state.windows,
            state.off,
            state.flood,
        )


_ADAPTERS: dict[type[Any], TypeAdapter[Any]] = {}


def _adapter(kind: type[Any]) -> TypeAdapter[Any]:
    if kind not in _ADAPTERS:
        _ADAPTERS[kind] = TypeAdapter(kind)
    return _ADAPTERS[kind]


def _written(state: Any) -> Part:
    kind: type[Any] = type(state)
    return state.version, _adapter(kind).dump_json(state).decode()


def _changed(prefix: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> Parts:
    if before is after:
        return {}
    return {f"{prefix}:{name}": _written(v) for name, v in after.items() if before.get(name) is not v}


class Ledger:
    """Which parts of the state are to be written with a batch; knows what the store holds of it.

    `state` is as last committed, `whole` what the store holds of channels and rules: nothing, in a new store.
    """

    def __init__(
        self,
        watch: Watch,
        state: WatchState,
        whole: WatchState | None = None,
        *,
        every_ms: int = WHOLE_EVERY_MS,
        every_events: int = WHOLE_EVERY_EVENTS,
    ) -> None:
        self._watch = watch
        self._committed = state
        self._written = self._whole = whole or WatchState()
        self._every_ms, self._every_events = every_ms, every_events
        self._from_ms = _from_ms(self._whole)

    @property
    def whole(self) -> WatchState:
        """The state that the store holds all of: later events would have to be judged again."""
        return self._whole

    def of_batch(self, state: WatchState) -> Parts:
        """What every batch has to write."""
        if state is self._committed:
            return {}
        return {"heart": _written(_Heart.of(state))} | _changed("alarm", self._committed.alarms, state.alarms)

    def rest(
        self, state: WatchState, effects: Effects, not_stored: Iterable[Reading], *, last: bool = False
    ) -> Parts:
        """What the batch has to write besides for the store to hold the whole state; nothing between times.

        `not_stored`: readings of the batch that met another at the same time. `last`: no batch follows.
        """
        if not (last or self._is_due(state) or self._is_untold(effects, not_stored)):
            return {}
        self._written = state
        return (
            {"whole": _written(_Heart.of(state))}
            | _changed("channel", self._whole.channels, state.channels)
            | _changed("derived", self._whole.derived, state.derived)
            | _changed("rule", self._whole.rules, state.rules)
        )

    def _is_due(self, state: WatchState) -> bool:
        whole = self._whole
        return (
            whole.sequence == 0
            or state.sequence - whole.sequence >= self._every_events
            or abs(state.last_tick_ms - whole.last_tick_ms) >= self._every_ms
        )

    def _is_untold(self, effects: Effects, not_stored: Iterable[Reading]) -> bool:
        """Whether the stored stream alone, as it is read at the start, would not tell what a batch did."""
        if effects.moved_back or any(map(self._watch.is_moved_by, not_stored)):
            return True
        return any(
            reading.time_ms <= self._from_ms.get(reading.channel, reading.time_ms - 1)
            and self._watch.is_moved_by(reading)
            for _, reading in effects.readings
        )

    def committed(self, state: WatchState) -> None:
        """The batch that led to this state is in the store."""
        self._committed = state
        if self._written is state:
            self._whole, self._from_ms = state, _from_ms(state)


def _from_ms(whole: WatchState) -> dict[str, int]:
    return {
        name: max(state.last_ms, state.last_timeless_ms) - _BEFORE_MS
        for name, state in whole.channels.items()
    }


@dataclass(frozen=True, slots=True)
class Stored:
    """The state as the store's parts hold it."""

    whole: WatchState  # channels, rules and what is derived, of some time ago
    heart: _Heart | None  # of the last commit,
    alarms: dict[str, Alarm]  # and these too
    lost: tuple[str, ...]  # parts that cannot be read

    def lost_of(self, family: str) -> set[str]:
        """Names of the lost parts of one family."""
        return {name for prefix, _, name in (part.partition(":") for part in self.lost) if prefix == family}


def stored(parts: Mapping[str, Part], watch: Watch) -> Stored:
    """What the parts hold, and the names of those that could not be read."""
    lost: list[str] = []
    found: dict[str, dict[str, Any]] = {
        family: {} for family in ("heart", "whole", "alarm", "channel", "derived", "rule")
    }
    for part, (version, body) in parts.items():
        family, _, name = part.partition(":")
        kind = _kind_of(family, name, watch)
        if kind is None:
            continue
        value = _read(kind, version, body)
        if value is None:
            lost.append(part)
        else:
            found[family][name] = value
    heart = found["heart"].get("")
    # Before the whole state had numbers of its own, all of it was written with every batch.
    at = found["whole"].get("") or heart or _Heart(0, 0, {})
    whole = WatchState(
        at.sequence,
        at.last_tick_ms,
        found["channel"],
        found["rule"],
        at.failed,
        numbers_after=at.numbers_after,
        derived=found["derived"],
        windows=at.windows,
        off=at.off,
        flood=at.flood,
    )
    return Stored(whole, heart, found["alarm"], tuple(lost))


def _kind_of(family: str, name: str, watch: Watch) -> type[Any] | None:
    """What a part is read as; None for a rule or derived channel that is no longer in the site file."""
    if family == "rule":
        return type(watch.rules[name].start()) if name in watch.rules else None
    if family == "derived":
        memory = watch.deriver.start(name)
        return None if memory is None else type(memory)
    return {"heart": _Heart, "whole": _Heart, "channel": ChannelState, "alarm": Alarm}[family]


def _read(kind: type[Any], version: int, body: str) -> Any | None:
    if version != kind.version:
        return None
    try:
        return _adapter(kind).validate_json(body)
    except ValidationError:
        return None


def loaded(
    parts: Mapping[str, Part],
    watch: Watch,
    connection: sqlite3.Connection,
    beat: Callable[[], None],
    anew: Collection[str] = (),
) -> tuple[WatchState, Ledger]:
    """The state as it was when the last batch was committed, and the ledger of what the store holds.

    `anew`: channels whose values the site file says otherwise than before: what was learned of them is
    learned again. Rebuilding a large shop's parts takes minutes: `beat` is called all the while.
    """
    kept = stored(parts, watch)
    whole = kept.whole
    if kept.lost:
        log.warning("state of %s is of another version: re-judging the last days", ", ".join(kept.lost))
    if anew:
        log.warning("the site file says otherwise what %s counts: re-judging the last days", ", ".join(anew))
    if kept.lost or anew:
        whole = _rebuilt(kept, set(anew), watch, connection, beat)
    judged = whole
    again_from = dict.fromkeys(watch.channels, 0) | _from_ms(whole)
    for seq, event in reader.numbered(connection, whole.sequence, channels=again_from):
        judged = watch.step(replace(judged, sequence=seq - 1), event, Effects())
        beat()
    now = kept.heart or replace(_Heart.of(judged), sequence=reader.last_seq(connection))
    state = replace(
        judged,
        sequence=now.sequence,
        last_tick_ms=now.last_tick_ms,
        failed=now.failed,
        alarms=kept.alarms,
        numbers_after=now.numbers_after,
        windows=now.windows,
        off=now.off,
        flood=now.flood,
    )
    return state, Ledger(watch, state, None if kept.lost or anew else whole)


def _rebuilt(
    kept: Stored, anew: set[str], watch: Watch, connection: sqlite3.Connection, beat: Callable[[], None]
) -> WatchState:
    """The whole state with parts judged again, up to where the whole state stands: those that are lost, and
    those that rest on channels to be read anew."""
    whole = kept.whole
    channels = kept.lost_of("channel") | {name for name in watch.channels if watch.inputs([name]) & anew}
    derived = kept.lost_of("derived")
    rules = kept.lost_of("rule") | {n for n, r in watch.rules.items() if watch.inputs(r.channels) & anew}
    if "whole" in kept.lost or whole.sequence == 0:
        # Nobody knows of when the other parts are: all of them are of no use.
        whole = WatchState(reader.last_seq(connection), reader.last_tick_ms(connection) or 0)
        channels, derived, rules = set(watch.channels), set(watch.channels), set(watch.rules)
    if channels or derived:
        judged = _judged_again(watch.only(()), watch.channels, CHANNEL_DAYS, whole, connection, beat)
        whole = replace(
            whole,
            channels=whole.channels | {n: s for n, s in judged.channels.items() if n in channels},
            derived=whole.derived | {n: s for n, s in judged.derived.items() if n in derived},
        )
    for days in sorted({watch.rules[name].remembers_days for name in rules}):
        alone = watch.only([name for name in rules if watch.rules[name].remembers_days == days])
        inputs = alone.inputs(channel for rule in alone.rules.values() for channel in rule.channels)
        judged = _judged_again(alone, inputs, days, whole, connection, beat)
        whole = replace(whole, rules=whole.rules | judged.rules)
    return whole


def _judged_again(
    watch: Watch,
    channels: Collection[str],
    days: int,
    until: WatchState,
    connection: sqlite3.Connection,
    beat: Callable[[], None],
) -> WatchState:
    """What a fresh watch makes of some channels' last days up to a state.

    What counts for longer than that (a counter's litres, a derived channel's sum) goes on from the stored
    values before them.
    """
    begin_ms = until.last_tick_ms - days * _DAY_MS
    begin_seq = reader.first_seq_since(connection, begin_ms)
    judged = seeded(watch, connection, begin_seq)
    # By number from one event on, so that sums go on where they stood; by time so that it is found quickly.
    later = dict.fromkeys(channels, begin_ms - _DAY_MS)
    for seq, event in reader.numbered(connection, begin_seq, until.sequence, channels=later):
        judged = watch.step(replace(judged, sequence=seq - 1), event, Effects())
        beat()
    return judged


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
