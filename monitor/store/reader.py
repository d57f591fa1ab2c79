"""What is read of the store, by the daemon's delivery, the command line, and later the page and reports.

Each function takes a connection of `files.open_reader`; all work whether the daemon runs or not.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from monitor.readings import (
    Event,
    Notice,
    OperatorAction,
    Owed,
    OwedReport,
    Reading,
    Report,
    Stamp,
    Standing,
    StoreReplaced,
    Tick,
    Transition,
)
from monitor.store.rows import (
    DERIVED_SQL,
    IN_ORDER_SQL,
    TRANSITION_COLUMNS,
    reading_from,
    sample_of,
    standing_sql,
    transition_from,
)

# Rows read in one go: while a query is open the write-ahead log cannot be emptied, so none stays open.
_PAGE = 10_000
_LONGEST_MAINTENANCE_MS = 100 * 86_400_000


def owed(connection: sqlite3.Connection, now_ms: int, limit: int = 500) -> list[Owed | OwedReport]:
    """The rows of the outbox that are due, oldest first; at most `limit` a way, so that one dead way of
    delivery keeps no other waiting."""
    rows = connection.execute(
        f"select o.id as owed_id, o.message_id, o.person, o.way, o.attempts, o.owed_ms, {_prefixed('t')}, "
        "r.key as report_key, r.kind, r.period, r.time_ms as report_ms, r.body "
        "from (select *, row_number() over (partition by person, way order by id) as place from outbox "
        "      where outcome = 'due' and next_ms <= ?) o "
        "left join transition t on t.key = o.transition_key "
        "left join report r on t.key is null and r.key = o.transition_key "
        "where o.place <= ? and coalesce(t.key, r.key) is not null order by o.id",
        (now_ms, limit),
    )
    return [_owed_report(row) if row["key"] is None else _owed(row) for row in rows]


def _owed(row: sqlite3.Row) -> Owed:
    notice = Notice(row["key"], row["person"], row["way"])
    told = transition_from(row)
    return Owed(row["owed_id"], row["message_id"], notice, told, row["attempts"], row["owed_ms"])


def _owed_report(row: sqlite3.Row) -> OwedReport:
    notice = Notice(row["report_key"], row["person"], row["way"])
    report = Report(row["kind"], row["period"], row["report_ms"], json.loads(row["body"]))
    return OwedReport(row["owed_id"], row["message_id"], notice, report, row["attempts"], row["owed_ms"])


def has_report(connection: sqlite3.Connection, kind: str, period: str) -> bool:
    """Whether a report was made and stored."""
    found = connection.execute("select 1 from report where kind = ? and period = ?", (kind, period))
    return found.fetchone() is not None


def current_alarms(connection: sqlite3.Connection) -> list[Transition]:
    """The last transition of each condition that is not normal, newest first."""
    rows = connection.execute(
        f"select {TRANSITION_COLUMNS} from transition where id in "
        "(select max(id) from transition group by condition) and state != 'normal' order by id desc"
    )
    return [transition_from(row) for row in rows]


def conditions(connection: sqlite3.Connection) -> list[str]:
    """All conditions that were ever an alarm."""
    return [name for (name,) in connection.execute("select distinct condition from transition")]


def maintenance(connection: sqlite3.Connection, now_ms: int) -> list[OperatorAction]:
    """What is out of service now, as people said it; the first to end comes first."""
    found: dict[str, OperatorAction] = {}
    rows = connection.execute(
        "select kind, time_ms, body from event where kind != 'tick' and time_ms > ? "
        "and kind in ('out-of-service', 'in-service') order by seq",
        (now_ms - _LONGEST_MAINTENANCE_MS,),
    )
    for kind, time_ms, body in rows:
        action = OperatorAction(time_ms, kind, **json.loads(body))
        found.pop(action.target, None)
        if kind == "out-of-service" and action.until_ms > now_ms:
            found[action.target] = action
    return sorted(found.values(), key=lambda action: action.until_ms)


def transitions(
    connection: sqlite3.Connection, since_ms: int = 0, condition: str | None = None
) -> Iterator[tuple[int, Transition]]:
    """Stored transitions with their event's number, in the order they happened."""
    rows = connection.execute(
        f"select {TRANSITION_COLUMNS} from transition where time_ms >= ? and (? is null or condition = ?) "
        "order by id",
        (since_ms, condition, condition),
    )
    for row in rows:
        yield row["seq"], transition_from(row)


def readings(
    connection: sqlite3.Connection, channel: str, since_ms: int = 0, until_ms: int = 2**62
) -> Iterator[Reading]:
    """Readings of a channel, by time. Whoever takes them may pause for as long as they like."""
    while True:
        rows = connection.execute(
            "select r.time_ms, r.raw, r.value, r.flags, r.lag_ms "
            "from reading r join channel c on c.id = r.channel "
            "where c.name = ? and r.time_ms >= ? and r.time_ms < ? order by r.time_ms limit ?",
            (channel, since_ms, until_ms, _PAGE),
        ).fetchall()
        for time_ms, raw, value, flags, lag_ms in rows:
            yield reading_from(channel, time_ms, raw, value, flags, lag_ms)
        if len(rows) < _PAGE:
            return
        since_ms = rows[-1]["time_ms"] + 1


def latest(connection: sqlite3.Connection) -> dict[str, Reading]:
    """The last reading of each channel. One stamped by a wrong clock counts by when it arrived, or a single
    stamp of years ahead would stand before everything that comes until then."""
    found = {}
    for name, number in connection.execute("select name, id from channel").fetchall():
        rows = [connection.execute(query, (number,)).fetchone() for query in _LAST]
        readings = [reading_from(name, *row) for row in rows if row is not None]
        if readings:
            found[name] = max(readings, key=lambda reading: reading.arrival_ms)
    return found


_LAST = [
    f"select time_ms, raw, value, flags, lag_ms from reading where channel = ? {of_true_time} "
    "order by time_ms desc limit 1"
    for of_true_time in ("", f"and not {standing_sql(Standing.BAD_TIME)}")
]


def stream(connection: sqlite3.Connection, since_seq: int = 0) -> Iterator[Event]:
    """The stored events after a number, in the order the watch saw them."""
    return (event for _, event in numbered(connection, since_seq))


def numbered(
    connection: sqlite3.Connection,
    since_seq: int = 0,
    until_seq: int = 2**62,
    *,
    channels: Mapping[str, int] | None = None,
) -> Iterator[tuple[int, Event]]:
    """The stored events after a number and up to another, each with its own, in the order the watch saw them.
    What the watch derived is left out: it derives it again.

    `channels`: only readings of these, and of each only those later than its time; by time they are found
    quickly, while by number every reading there is has to be looked at.
    """
    ids = {row["name"]: row["id"] for row in connection.execute("select id, name from channel")}
    names = {number: name for name, number in ids.items()}
    wanted = [(ids[name], after_ms) for name, after_ms in (channels or {}).items() if name in ids]
    rows = connection.execute(
        "select r.seq, r.channel, r.time_ms, r.raw, r.value, r.flags, r.lag_ms, null as kind, null as body "
        f"from {_ALL if channels is None else _WANTED} and not {DERIVED_SQL} union all "
        "select seq, null, time_ms, null, null, null, null, kind, body from event "
        "where seq > :since and seq <= :until order by 1",
        {"since": since_seq, "until": until_seq, "wanted": json.dumps(wanted)},
    )
    for row in rows:
        seq = row["seq"]
        if row["kind"] is None:
            reading = reading_from(
                names[row["channel"]], row["time_ms"], row["raw"], row["value"], row["flags"], row["lag_ms"]
            )
            yield seq, sample_of(reading)
        elif row["kind"] == "tick":
            yield seq, Tick(row["time_ms"])
        elif row["kind"] == "store-replaced":
            yield seq, StoreReplaced(row["time_ms"], **json.loads(row["body"]))
        elif row["kind"] == "stamp":
            yield seq, Stamp(row["time_ms"], **json.loads(row["body"]))
        else:
            yield seq, OperatorAction(row["time_ms"], row["kind"], **json.loads(row["body"]))


_ALL = "reading r where r.seq > :since and r.seq <= :until"
_WANTED = (
    "json_each(:wanted) w cross join reading r where r.channel = json_extract(w.value, '$[0]') "
    "and r.time_ms > json_extract(w.value, '$[1]') and r.seq > :since and r.seq <= :until"
)


def between(
    connection: sqlite3.Connection, channels: Iterable[str], from_ms: int, until_ms: int
) -> list[tuple[int, Event]]:
    """What arrived of these channels with times in [from, until), and what people did then, with the events'
    numbers, in the order the watch saw them."""
    found: list[tuple[int, Event]] = []
    for name in channels:
        rows = connection.execute(
            "select r.seq, r.time_ms, r.raw, r.value, r.flags, r.lag_ms "
            "from reading r join channel c on c.id = r.channel "
            f"where c.name = ? and r.time_ms >= ? and r.time_ms < ? and not {DERIVED_SQL}",
            (name, from_ms, until_ms),
        )
        found += [(row[0], sample_of(reading_from(name, *row[1:]))) for row in rows]
    rows = connection.execute(
        "select seq, kind, time_ms, body from event where kind != 'tick' and time_ms >= ? and time_ms < ?",
        (from_ms, until_ms),
    )
    for seq, kind, time_ms, body in rows:
        if kind not in ("store-replaced", "stamp"):  # neither changes a value
            found.append((seq, OperatorAction(time_ms, kind, **json.loads(body))))
    return sorted(found, key=lambda event: event[0])


def at(connection: sqlite3.Connection, channel: str, time_ms: int) -> Reading | None:
    """The reading of a channel at a time."""
    row = connection.execute(
        "select r.time_ms, r.raw, r.value, r.flags, r.lag_ms "
        "from reading r join channel c on c.id = r.channel where c.name = ? and r.time_ms = ?",
        (channel, time_ms),
    ).fetchone()
    return None if row is None else reading_from(channel, *row)


def last_in_order(connection: sqlite3.Connection, channel: str, until_seq: int) -> Reading | None:
    """The last reading in order that a channel had when the event of a number was taken."""
    row = connection.execute(
        "select r.time_ms, r.raw, r.value, r.flags, r.lag_ms "
        "from reading r join channel c on c.id = r.channel "
        f"where c.name = ? and r.seq <= ? and {IN_ORDER_SQL} order by r.time_ms desc limit 1",
        (channel, until_seq),
    ).fetchone()
    return None if row is None else reading_from(channel, *row)


def first_seq_since(connection: sqlite3.Connection, since_ms: int) -> int:
    """The number of the last event before a time, by the stored ticks; 0 when all are later."""
    row = connection.execute(
        "select seq from event where kind = 'tick' and time_ms < ? order by seq desc limit 1", (since_ms,)
    ).fetchone()
    return 0 if row is None else int(row["seq"])


def readings_kept_since(connection: sqlite3.Connection) -> int:
    """From when on the readings of all channels are there; 0 when retention has deleted none."""
    (since_ms,) = connection.execute(
        "select coalesce(max(raw_from_ms), 0) from summed s where exists "
        "(select 1 from rollup r where r.channel = s.channel and r.start_ms < s.raw_from_ms)"
    ).fetchone()
    return int(since_ms)


def last_seq(connection: sqlite3.Connection) -> int:
    """The highest number of any stored event; reads all readings, so only for when nothing else knows."""
    (n,) = connection.execute(
        "select max(coalesce((select max(seq) from event), 0), coalesce((select max(seq) from reading), 0))"
    ).fetchone()
    return int(n)


@dataclass(frozen=True, slots=True)
class OutboxTotals:
    """How the outbox stands."""

    due: int
    delivered: int
    given_up: int
    troubled: list[tuple[str, str, int, str]]  # message id, outcome, attempts, detail


def outbox_totals(connection: sqlite3.Connection) -> OutboxTotals:
    """Counts by outcome, and the rows that have failed at least once and are not delivered."""
    n = dict(connection.execute("select outcome, count(*) from outbox group by outcome").fetchall())
    troubled = connection.execute(
        "select message_id, outcome, attempts, detail from outbox "
        "where outcome != 'delivered' and detail != '' order by id desc limit 20"
    ).fetchall()
    return OutboxTotals(
        n.get("due", 0), n.get("delivered", 0), n.get("given-up", 0), [tuple(row) for row in troubled]
    )


def counts(connection: sqlite3.Connection) -> list[sqlite3.Row]:
    """What was refused, flagged or set aside: what, subject, n, first_ms, last_ms, detail."""
    return connection.execute("select * from count order by last_ms desc").fetchall()


def links(connection: sqlite3.Connection) -> list[sqlite3.Row]:
    """The wires: name, up, since_ms, detail."""
    return connection.execute("select * from link order by name").fetchall()


def waiting_inbox(connection: sqlite3.Connection) -> int:
    """How many things people did wait to be taken up by the watch."""
    (n,) = connection.execute("select count(*) from inbox where taken_seq is null").fetchone()
    return int(n)


def last_tick_ms(connection: sqlite3.Connection) -> int | None:
    """The last minute the watch saw."""
    row = connection.execute(
        "select time_ms from event where kind = 'tick' order by seq desc limit 1"
    ).fetchone()
    return None if row is None else int(row["time_ms"])


def _prefixed(table: str) -> str:
    return ", ".join(f"{table}.{column.strip()}" for column in TRANSITION_COLUMNS.split(","))
