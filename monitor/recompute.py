"""Values computed anew when a calibration, or a compensation, was changed in the site file afterwards.

What was received stays; what was computed of it is computed again from the received values, an hour of
readings at a time, while the watch goes on. Rollups and the mirror follow. Alarms are history: none is
altered, raised or taken back by this.
"""

from __future__ import annotations

import json
import logging
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime, time
from zoneinfo import ZoneInfo

from monitor import checkpoint
from monitor.plant.model import Channel, Plant
from monitor.readings import Reading, Standing
from monitor.store import anew, reader
from monitor.store.anew import Anew
from monitor.store.revisions import note
from monitor.store.rollup import recompute_rollups
from monitor.store.rows import flags_of, reading_from
from monitor.watch import Effects, Watch

log = logging.getLogger(__name__)

_HOUR_MS = 3_600_000
# So much before a span is computed too, and not kept, so that what looks back (temperature, gate) is known.
_LEAD_MS = 24 * _HOUR_MS

_Grounds = dict[str, object]


def rest_on(plant: Plant, channel: str) -> set[str]:
    """The channel and all whose values or gates rest on it, directly or through others."""
    found = {channel}
    while True:
        more = {
            name
            for name, one in plant.channels.items()
            if name not in found and found & set(_looks_at(plant, name, one))
        }
        if not more:
            return found
        found |= more


def _looks_at(plant: Plant, name: str, channel: Channel) -> Iterator[str]:
    if name in plant.computed:
        yield from plant.computed[name].inputs.values()
    if channel.temperature is not None:
        yield channel.temperature
    if channel.gate is not None:
        yield from channel.gate.looks_at


def _stays_counted(plant: Plant, name: str) -> bool:
    """A counter's litres and a sum go on from where they stand: what they counted is not counted anew, or
    they would step when the present is reached. A new calibration holds for what they count from now on."""
    return plant.channels[name].counter is not None or (name in plant.computed and plant.computed[name].sums)


def _grounds(channel: Channel) -> _Grounds:
    """What a value rests on besides what was received."""
    return {
        "calibration": [[c.since.isoformat(), c.gain, c.offset] for c in channel.calibration],
        "compensation": channel.compensation,
        "alpha": None if channel.alpha is None else channel.alpha.in_unit("1"),
        "temperature": channel.temperature,
    }


def _differ_from_ms(was: Mapping[str, object], now: Mapping[str, object], zone: ZoneInfo) -> int:
    """From when on two grounds give different values."""
    if any(was[key] != now[key] for key in was if key != "calibration"):
        return 0
    one, other = _steps(was), _steps(now)
    days = sorted({day for day, *_ in (*one, *other)})
    first = next((day for day in days if _in_force(one, day) != _in_force(other, day)), days[-1])
    return int(datetime.combine(datetime.fromisoformat(first).date(), time(), zone).timestamp() * 1000)


def _steps(grounds: Mapping[str, object]) -> list[tuple[str, float, float]]:
    steps = grounds["calibration"]
    assert isinstance(steps, list)
    return sorted((day, gain, offset) for day, gain, offset in steps)


def _in_force(steps: Iterable[tuple[str, float, float]], day: str) -> tuple[float, float]:
    found = (1.0, 0.0)
    for since, gain, offset in steps:
        if since <= day:
            found = (gain, offset)
    return found


def _in_words(was: Mapping[str, object], now: Mapping[str, object]) -> str:
    said = []
    if was["calibration"] != now["calibration"]:
        said.append(f"calibration {_steps_in_words(was)}, now {_steps_in_words(now)}")
    said += [
        f"{key} {was[key] or 'none'}, now {now[key] or 'none'}"
        for key in was
        if key != "calibration" and was[key] != now[key]
    ]
    return "; ".join(said)


def _steps_in_words(grounds: Mapping[str, object]) -> str:
    steps = [f"x {gain:g} {offset:+g} from {day}" for day, gain, offset in _steps(grounds)]
    return ", ".join(steps) or "none"


class Recompute:
    """Steps through the spans that are to be computed anew; after a restart each is begun again."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._work: Iterator[None] | None = None
        self._idle = False

    def begin(self, connection: sqlite3.Connection, now_ms: int) -> list[str]:
        """Compare what the stored values rest on with the site file, and note each span to be computed anew.

        Gives the channels whose spans wait: what rules learned of them has to be learned again. What a new
        channel rests on is only written down. Call it before the watch begins; it is one transaction.
        """
        known = anew.grounds(connection)
        channels = [channel for instrument in self._plant.instrument for channel in instrument.channel]
        now = {channel.id: json.dumps(_grounds(channel)) for channel in channels}
        connection.execute("begin immediate")
        try:
            for name in (name for name, told in now.items() if known.get(name, told) != told):
                was, grounds = json.loads(known[name]), json.loads(now[name])
                from_ms = _differ_from_ms(was, grounds, ZoneInfo(self._plant.site.timezone))
                anew.ask(connection, name, _in_words(was, grounds), from_ms, now_ms)
            anew.set_grounds(connection, now)
            connection.execute("commit")
        except BaseException:
            connection.execute("rollback")
            raise
        return list(dict.fromkeys(one.channel for one in anew.asked(connection)))

    def step(self, connection: sqlite3.Connection, now_ms: int) -> bool:
        """One hour of readings in one transaction; False when there is nothing to do (any more).

        Raises: sqlite3.Error as it comes; what was not committed is done again.
        """
        if self._idle:
            return False
        if self._work is None:
            waiting = anew.asked(connection)
            if not waiting:
                self._idle = True
                return False
            self._work = self._computed(connection, waiting[0], now_ms)
        try:
            if next(self._work, self) is self:
                self._work = None
        except sqlite3.Error:
            self._work = None
            if connection.in_transaction:
                connection.execute("rollback")
            raise
        return True

    def _computed(self, connection: sqlite3.Connection, asked: Anew, now_ms: int) -> Iterator[None]:
        """Compute a span, hour by hour."""
        if asked.channel not in self._plant.channels:
            self._settle(connection, replace(asked, done_ms=now_ms))
            return
        changing = rest_on(self._plant, asked.channel)
        wanted = changing | {n for c in changing for n in _looks_at(self._plant, c, self._plant.channels[c])}
        changing = {name for name in changing if not _stays_counted(self._plant, name)}
        watch, shifts = Watch(self._plant, ()), _Shifts()
        begin_ms = next_reading_ms(connection, wanted, max(0, asked.from_ms - _LEAD_MS))
        state = None
        while begin_ms is not None and begin_ms <= asked.asked_ms:
            hour_ms = begin_ms // _HOUR_MS * _HOUR_MS
            events = reader.between(connection, wanted, hour_ms, hour_ms + _HOUR_MS)
            if state is None:
                seq = events[0][0] if events else 0
                state = checkpoint.seeded(watch, connection, seq)
            effects = Effects()
            for seq, event in events:
                state = watch.step(replace(state, sequence=seq - 1), event, effects)
            connection.execute("begin immediate")
            for reading in (*(reading for _, reading in effects.readings), *effects.again):
                if reading.channel in changing and reading.time_ms >= asked.from_ms:
                    _put(connection, reading, shifts if reading.channel == asked.channel else None)
            self._follow(connection, changing, max(hour_ms, asked.from_ms), hour_ms + _HOUR_MS)
            connection.execute("commit")
            yield
            begin_ms = next_reading_ms(connection, wanted, hour_ms + _HOUR_MS)
        self._settle(
            connection,
            replace(
                asked,
                done_ms=now_ms,
                looked_at=shifts.looked_at,
                changed=shifts.changed,
                mean_shift=shifts.mean,
                largest_shift=shifts.largest,
            ),
        )

    def _follow(self, connection: sqlite3.Connection, channels: set[str], from_ms: int, to_ms: int) -> None:
        """Let rollups and mirror know what may have changed."""
        if from_ms >= to_ms:
            return
        recompute_rollups(connection, sorted(channels), from_ms, to_ms)
        marks = ", ".join("?" * len(channels))
        numbers = connection.execute(f"select id from channel where name in ({marks})", sorted(channels))
        note(connection, [(number, from_ms, to_ms - 1) for (number,) in numbers.fetchall()])

    def _settle(self, connection: sqlite3.Connection, done: Anew) -> None:
        connection.execute("begin immediate")
        anew.settle(connection, done)
        connection.execute("commit")
        log.info("%s", in_words(done, self._plant))


class _Shifts:
    """By how much values changed."""

    def __init__(self) -> None:
        self.looked_at = self.changed = 0
        self._sum = 0.0
        self.largest = 0.0

    @property
    def mean(self) -> float:
        return self._sum / self.changed if self.changed else 0.0

    def add(self, shift: float) -> None:
        self.changed += 1
        self._sum += shift
        self.largest = max(self.largest, shift, key=abs)


def in_words(one: Anew, plant: Plant) -> str:
    """What a span computed anew is, or was, for a person."""
    local = datetime.fromtimestamp(one.from_ms / 1000, ZoneInfo(plant.site.timezone))
    span = f"from {local:%Y-%m-%d} on" if one.from_ms else "from the beginning"
    told = f"{one.channel} {span} ({one.why})"
    if one.done_ms is None:
        return f"values are being computed anew: {told}"
    return (
        f"values computed anew: {told}: {one.changed} of {one.looked_at} values changed, "
        f"by {one.mean_shift:+.3g} on average, by {one.largest_shift:+.3g} at most; no alarm was altered"
    )


def next_reading_ms(connection: sqlite3.Connection, channels: Iterable[str], from_ms: int) -> int | None:
    """Time of the first stored reading of any of these channels from a time on."""
    times = [
        connection.execute(
            "select min(r.time_ms) from reading r join channel c on c.id = r.channel "
            "where c.name = ? and r.time_ms >= ?",
            (name, from_ms),
        ).fetchone()[0]
        for name in channels
    ]
    return min((t for t in times if t is not None), default=None)


def _put(connection: sqlite3.Connection, reading: Reading, shifts: _Shifts | None) -> None:
    """Change the stored value where the new one differs; its standing in time stays what it was."""
    row = connection.execute(
        "select c.id, r.raw, r.value, r.flags, r.lag_ms from reading r join channel c on c.id = r.channel "
        "where c.name = ? and r.time_ms = ?",
        (reading.channel, reading.time_ms),
    ).fetchone()
    if row is None:
        return  # derived now, and not then: what was not computed then was not judged either
    channel, raw, value, flags, lag_ms = row
    before = reading_from(reading.channel, reading.time_ms, raw, value, flags, lag_ms)
    standing = before.standing
    if standing <= Standing.GATED and reading.standing <= Standing.GATED:
        standing = reading.standing
    reasons = reading.reasons if standing <= Standing.GATED else before.reasons
    kept = replace(before, value=reading.value, reasons=reasons, bound=reading.bound, standing=standing)
    if shifts is not None:
        shifts.looked_at += 1
        if kept.value != before.value:
            shifts.add(kept.value - before.value)
    if kept != before:
        connection.execute(
            "update reading set value = ?, flags = ? where channel = ? and time_ms = ?",
            (None if kept.value == kept.raw else kept.value, flags_of(kept), channel, reading.time_ms),
        )
