"""The one writer: a batch is one transaction, and only what is committed is acknowledged."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from monitor.readings import (
    Count,
    DeliveryResult,
    Notice,
    OperatorAction,
    Reading,
    Reason,
    Report,
    Stamp,
    Standing,
    StoreReplaced,
    Tick,
    Transition,
)
from monitor.store import revisions
from monitor.store.files import STORE, StoreMoved, file_mark, open_writer
from monitor.store.rollup import mark_due
from monitor.store.rows import (
    TRANSITION_COLUMNS,
    flags_of,
    latest_in_order,
    reading_row,
    standing_of,
    transition_row,
    with_standing,
)
from monitor.store.schema import migrate

# A delivery result more often than not changes the row once; a retry changes the same row again.
# Kinds of counts are few, but what they are about may come from outside (topics): past this many subjects
# of one kind the rest are counted together.
_MOST_SUBJECTS = 500
_OTHERS = "(others)"
_SUBJECT_CHARACTERS, _DETAIL_CHARACTERS = 200, 1_000
_OUTCOMES = {"delivered": "delivered", "failed": "due", "given-up": "given-up"}


Parts = Mapping[str, tuple[int, str]]  # of the watch's state: part -> version, JSON


@dataclass(slots=True)
class Batch:
    """Everything that goes into one transaction."""

    now_ms: int  # when it was closed: from then on its notices are owed
    readings: Sequence[tuple[int, Reading]] = ()
    events: Sequence[tuple[int, Tick | OperatorAction | StoreReplaced | Stamp]] = ()
    taken: Sequence[tuple[int, int]] = ()  # event's number, row of the inbox that became a reading
    transitions: Sequence[tuple[int, Transition]] = ()
    notices: Sequence[Notice] = ()
    counts: Sequence[Count] = ()
    state: Parts = field(default_factory=dict)
    rest: Callable[[Sequence[Reading]], Parts] = lambda _: {}  # more parts, given the readings not stored
    bad_after: Sequence[tuple[str, int]] = ()  # channel, time: what lies later was stamped wrongly
    again: Sequence[Reading] = ()  # stored as gated, and judged now
    reports: Sequence[Report] = ()
    results: Sequence[DeliveryResult] = ()
    links: Sequence[tuple[str, bool, int, str]] = ()  # name, up, since, detail


class Writer:
    """Owns the write connection. Every method raises sqlite3.Error as it comes: the daemon decides."""

    def __init__(self, data: Path, now_ms: int, message_id: Callable[[Notice], str]) -> None:
        self._message_id = message_id
        self._data = data
        self._connection = open_writer(data)
        self._file_mark = file_mark(data)
        try:
            self.migrated = migrate(self._connection, now_ms)
        except BaseException:
            self._connection.close()
            raise
        self._channel_ids: dict[str, int] = {
            row["name"]: row["id"] for row in self._connection.execute("select id, name from channel")
        }
        self._counted = self._load_counted()
        self._set_aside: list[Reading] = []  # of the batch: another was stored at that time
        self._highest: dict[int, int] = {}  # channel's number -> time of its latest reading in order
        self._data_version = -1
        self._last_inbox_id = 0

    @property
    def connection(self) -> sqlite3.Connection:
        """For reading in the writer's own thread."""
        return self._connection

    def _load_counted(self) -> dict[str, set[str]]:
        counted: dict[str, set[str]] = {}
        for row in self._connection.execute("select what, subject from count"):
            counted.setdefault(row["what"], set()).add(row["subject"])
        return counted

    def close(self) -> None:
        self._connection.close()

    def load_state(self) -> dict[str, tuple[int, str]]:
        """The parts of the watch's state, as last committed."""
        rows = self._connection.execute("select part, version, body from state")
        return {row["part"]: (row["version"], row["body"]) for row in rows}

    def take_inbox(self) -> list[OperatorAction]:
        """What people have put into the inbox since the last call, and nobody has taken up before.

        Cheap when no other process has written. What is returned must be committed with a later batch.
        """
        (version,) = self._connection.execute("pragma data_version").fetchone()
        if version == self._data_version:
            return []
        self._data_version = version
        rows = self._connection.execute(
            "select * from inbox where taken_seq is null and id > ? order by id", (self._last_inbox_id,)
        ).fetchall()
        self._last_inbox_id = max((row["id"] for row in rows), default=self._last_inbox_id)
        return [
            OperatorAction(
                time_ms=row["time_ms"],
                action=row["action"],
                target=row["target"],
                by=row["by"],
                comment=row["comment"],
                inbox_id=row["id"],
                event=row["event"],
                value=row["value"],
                told_ms=row["told_ms"],
                until_ms=row["until_ms"],
                once=bool(row["once"]),
            )
            for row in rows
        ]

    def commit(self, batch: Batch) -> None:
        """One transaction. On any error nothing of the batch is stored.

        Raises: StoreMoved when the file was deleted, or another put in its place: what would be written now
        would be gone with the last process that has it open.
        """
        self._must_be_in_place()
        connection = self._connection
        known = dict(self._channel_ids)
        connection.execute("begin immediate")
        try:
            self._note_new_order(batch.bad_after)
            counts = [*batch.counts, *self._store_readings(batch.readings)]
            self._store_events(batch.events)
            connection.executemany("update inbox set taken_seq = ? where id = ?", batch.taken)
            self._mark_bad(batch.bad_after)
            self._mark_judged(batch.again)
            connection.executemany(
                f"insert into transition ({TRANSITION_COLUMNS}) values ({_marks(18)}) on conflict do nothing",
                [transition_row(seq, transition) for seq, transition in batch.transitions],
            )
            self._store_reports(batch.reports)
            self._store_notices(batch)
            self._store_results(batch.results)
            self._store_counts(counts)
            parts = {**batch.state, **batch.rest(self._set_aside)}
            connection.executemany(
                "insert into state values (?, ?, ?) "
                "on conflict do update set version = excluded.version, body = excluded.body",
                [(part, version, body) for part, (version, body) in parts.items()],
            )
            connection.executemany(
                "insert into link values (?, ?, ?, ?) on conflict do update "
                "set up = excluded.up, since_ms = excluded.since_ms, detail = excluded.detail",
                batch.links,
            )
            connection.execute("commit")
        except BaseException:
            self._channel_ids = known
            self._highest = {}
            if connection.in_transaction:
                connection.execute("rollback")
            with contextlib.suppress(sqlite3.Error):
                self._counted = self._load_counted()
            raise

    def _must_be_in_place(self) -> None:
        try:
            found = file_mark(self._data)
        except OSError as error:  # the disk itself is in trouble: that may pass
            raise sqlite3.OperationalError(str(error)) from error
        if found != self._file_mark:
            store = self._data / STORE
            raise StoreMoved(f"{store} was moved, deleted or replaced while the watch wrote to it")

    def _channel_id(self, name: str) -> int:
        known = self._channel_ids.get(name)
        if known is None:
            cursor = self._connection.execute("insert into channel (name) values (?)", (name,))
            known = self._channel_ids[name] = int(cursor.lastrowid or 0)
        return known

    def _store_readings(self, readings: Sequence[tuple[int, Reading]]) -> list[Count]:
        """Store readings; what met itself, or another value at the same time, is counted.

        In-order readings cannot meet anything stored, so they go in at once; only if one did after all
        (a mark that was moved back) are they looked at singly.
        """
        self._set_aside = []
        known = self._channel_ids.get
        plain, singly, timed = [], [], []
        for seq, reading in readings:
            row = reading_row(known(reading.channel) or self._channel_id(reading.channel), seq, reading)
            if reading.standing is not _BAD_TIME:
                timed.append(row)
            if reading.ordered:
                plain.append(row)
            else:
                singly.append((reading, row))
        self._note_behind(plain)
        mark_due(self._connection, ((row[0], row[1]) for row in timed))
        cursor = self._connection.executemany(_INSERT_READING, plain)
        if cursor.rowcount not in (-1, len(plain)):
            in_order = (reading for _, reading in readings if reading.ordered)
            singly += zip(in_order, plain, strict=True)
        return self._store_singly(singly)

    def _note_behind(self, rows: Iterable[tuple[Any, ...]]) -> None:
        """Readings in order are later than any before them, except after a mark that was moved back or lost:
        those are for the record of revisions."""
        behind, highest = [], self._highest
        for channel, time_ms, *_ in rows:
            if time_ms > (highest.get(channel) or self._latest_in_order(channel)):
                highest[channel] = time_ms
            else:
                behind.append((channel, time_ms))
        revisions.note(self._connection, revisions.joined(behind))

    def _latest_in_order(self, channel: int) -> int:
        known = self._highest.get(channel)
        if known is None:
            known = self._highest[channel] = latest_in_order(self._connection, channel)
        return known

    def _note_new_order(self, bad_after: Sequence[tuple[str, int]]) -> None:
        """Where a mark is moved back, order begins anew after the last reading that stays in order."""
        for name, after_ms in bad_after:
            channel = self._channel_id(name)
            self._highest[channel] = latest_in_order(self._connection, channel, after_ms)
            revisions.note(self._connection, [(channel, self._highest[channel] + 1, revisions.OPEN_END)])

    def _store_singly(self, readings: Iterable[tuple[Reading, tuple[object, ...]]]) -> list[Count]:
        counts, behind = [], []
        for reading, row in readings:
            if self._connection.execute(_INSERT_READING, row).rowcount == 1:
                if not reading.ordered and reading.standing != Standing.BAD_TIME:
                    behind.append((self._channel_id(reading.channel), reading.time_ms))
                continue
            (raw, seq, flags) = self._connection.execute(
                "select raw, seq, flags from reading where channel = ? and time_ms = ?", row[:2]
            ).fetchone()
            if seq == row[5]:
                continue  # it went in with the others a moment ago
            self._set_aside.append(reading)
            kept, aside = raw, reading.raw
            if reading.ordered and standing_of(flags) == Standing.BAD_TIME:
                # The stored one bears a time that was not its own; what was judged must be stored.
                self._connection.execute(f"insert or replace into reading values ({_marks(7)})", row)
                kept, aside = aside, kept
            what = "duplicate" if raw == reading.raw else "conflict"
            detail = "" if raw == reading.raw else f"kept {kept:g}, set aside {aside:g}"
            counts.append(Count(what, reading.channel, reading.arrival_ms, detail))
        revisions.note(self._connection, revisions.joined(behind))
        return counts

    def _store_events(
        self, events: Sequence[tuple[int, Tick | OperatorAction | StoreReplaced | Stamp]]
    ) -> None:
        for seq, event in events:
            if isinstance(event, Tick):
                row: tuple[object, ...] = (seq, "tick", event.time_ms, None)
            elif isinstance(event, StoreReplaced | Stamp):
                told = {name: value for name, value in asdict(event).items() if name != "time_ms"}
                kind = "stamp" if isinstance(event, Stamp) else "store-replaced"
                row = (seq, kind, event.time_ms, json.dumps(told, ensure_ascii=False))
            else:
                body: dict[str, object] = {"target": event.target, "by": event.by, "comment": event.comment}
                if event.event:
                    body |= {"event": event.event, "value": event.value}
                if event.until_ms:
                    body |= {"until_ms": event.until_ms, "once": event.once}
                row = (seq, event.action, event.time_ms, json.dumps(body, ensure_ascii=False))
                self._connection.execute("update inbox set taken_seq = ? where id = ?", (seq, event.inbox_id))
            self._connection.execute("insert into event values (?, ?, ?, ?)", row)

    def _mark_bad(self, bad_after: Sequence[tuple[str, int]]) -> None:
        for channel, after_ms in bad_after:
            rows = self._connection.execute(
                "select channel, time_ms, flags from reading where channel = ? and time_ms > ?",
                (self._channel_id(channel), after_ms),
            ).fetchall()
            self._connection.executemany(
                "update reading set flags = ? where channel = ? and time_ms = ?",
                [(with_standing(f, Standing.BAD_TIME, Reason.CLOCK), c, t) for c, t, f in rows],
            )
            mark_due(self._connection, [(c, t) for c, t, _ in rows])
            self._highest.pop(self._channel_id(channel), None)

    def _mark_judged(self, again: Sequence[Reading]) -> None:
        """Readings that were stored as gated before their run or day was over."""
        if not again:
            return
        places = [(self._channel_id(reading.channel), reading.time_ms) for reading in again]
        self._connection.executemany(
            "update reading set flags = ? where channel = ? and time_ms = ?",
            [(flags_of(reading), *place) for reading, place in zip(again, places, strict=True)],
        )
        mark_due(self._connection, places)
        revisions.note(self._connection, revisions.joined(places))

    def _store_reports(self, reports: Sequence[Report]) -> None:
        """One that is there already stays as it was told."""
        self._connection.executemany(
            "insert into report (key, kind, period, time_ms, body) values (?, ?, ?, ?, ?) "
            "on conflict do nothing",
            [
                (r.key, r.kind, r.period, r.time_ms, json.dumps(r.body, ensure_ascii=False, allow_nan=False))
                for r in reports
            ],
        )

    def _store_notices(self, batch: Batch) -> None:
        self._connection.executemany(
            "insert into outbox (message_id, transition_key, person, way, owed_ms) values (?, ?, ?, ?, ?) "
            "on conflict do nothing",
            [(self._message_id(n), n.transition, n.person, n.way, batch.now_ms) for n in batch.notices],
        )

    def _store_results(self, results: Sequence[DeliveryResult]) -> None:
        self._connection.executemany(
            "update outbox set outcome = ?, attempts = attempts + 1, last_ms = ?, detail = ?, next_ms = ? "
            "where id = ? and outcome = 'due'",
            [(_OUTCOMES[r.outcome], r.time_ms, r.detail, r.retry_ms, r.owed_id) for r in results],
        )

    def _store_counts(self, counts: Iterable[Count]) -> None:
        self._connection.executemany(
            "insert into count values (?, ?, ?, ?, ?, ?) on conflict do update "
            "set n = n + excluded.n, last_ms = excluded.last_ms, detail = excluded.detail",
            [
                (c.what, self._counted_as(c), c.n, c.time_ms, c.time_ms, _text(c.detail, _DETAIL_CHARACTERS))
                for c in counts
            ],
        )

    def _counted_as(self, count: Count) -> str:
        known = self._counted.setdefault(count.what, set())
        subject = _text(count.subject, _SUBJECT_CHARACTERS)
        if subject not in known and len(known) >= _MOST_SUBJECTS:
            subject = _OTHERS
        known.add(subject)
        return subject


_BAD_TIME = Standing.BAD_TIME
_INSERT_READING = "insert into reading values (?, ?, ?, ?, ?, ?, ?) on conflict do nothing"


def _text(found: str, most: int) -> str:
    """A text that came from outside, cut and printable: it goes to terminals, pages and mails."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in found[:most])


def _marks(n: int) -> str:
    return ", ".join("?" * n)
