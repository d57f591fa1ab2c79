"""The schema, as a list of named migrations. Each runs once, in a transaction of its own.

Only ever add to the end of the list: a gateway in a shop may be years behind.
"""

from __future__ import annotations

import sqlite3

MIGRATIONS: list[tuple[str, str]] = [
    (
        "0001 the watch",
        """
        create table channel (id integer primary key, name text not null unique);
        -- Key (channel, time): a redelivered reading meets itself. `value` is null where it equals `raw`.
        create table reading (
            channel integer not null, time_ms integer not null, raw real not null, value real,
            flags integer not null, seq integer not null, lag_ms integer not null,
            primary key (channel, time_ms)
        ) without rowid;
        -- Ticks and what people did: with the readings, the whole stream in the order of `seq`.
        create table event (
            seq integer primary key, kind text not null, time_ms integer not null, body text
        );
        -- The parts of the watch's state: a cache that can be rebuilt from the stream.
        create table state (
            part text primary key, version integer not null, body text not null
        ) without rowid;
        create table transition (
            id integer primary key, key text not null unique, seq integer not null,
            condition text not null, occurrence integer not null, step integer not null,
            cause text not null, state text not null, time_ms integer not null, since_ms integer not null,
            priority text not null, rule_kind text not null, subject text not null,
            confidence real not null, evidence text not null, by text not null, comment text not null
        );
        create index transition_condition on transition (condition, id);
        create table outbox (
            id integer primary key, message_id text not null unique, transition_key text not null,
            person text not null, way integer not null, outcome text not null default 'due',
            attempts integer not null default 0, owed_ms integer not null, next_ms integer not null default 0,
            last_ms integer,
            detail text not null default ''
        );
        create index outbox_due on outbox (next_ms) where outcome = 'due';
        create table inbox (
            id integer primary key, time_ms integer not null, action text not null, target text not null,
            by text not null, comment text not null default '', taken_seq integer
        );
        create index inbox_waiting on inbox (id) where taken_seq is null;
        create table count (
            what text not null, subject text not null, n integer not null,
            first_ms integer not null, last_ms integer not null, detail text not null,
            primary key (what, subject)
        ) without rowid;
        create table link (
            name text primary key, up integer not null, since_ms integer not null, detail text not null
        ) without rowid;
        """,
    ),
    (
        "0002 revisions",
        """
        -- Spans of a channel that changed behind the watch; autoincrement: a number is never given twice.
        create table revision (
            id integer primary key autoincrement, channel integer not null,
            from_ms integer not null, until_ms integer not null
        );
        """,
    ),
    ("0003 events", "alter table inbox add column event text not null default '';"),
    (
        "0004 rollups",
        """
        -- How each channel is summed up, and from when on its readings, minutes and hours are all there.
        create table summed (
            channel integer primary key, fast integer not null, flow text, contact integer not null,
            trust_ms integer not null, raw_from_ms integer not null default 0,
            minute_from_ms integer not null default 0, hour_from_ms integer not null default 0
        );
        -- One row for each minute (fast channels), hour and day of UTC that holds a reading. `low_any` and
        -- `high_any` are null where they equal `low` and `high`.
        create table rollup (
            channel integer not null, every_min integer not null, start_ms integer not null,
            n integer not null, good integer not null, counted integer not null,
            low real, high real, mean real, low_any real, high_any real, weight real, flow_mean real,
            primary key (channel, every_min, start_ms)
        ) without rowid;
        -- Hours to be summed up from readings (every_min 60), days from hours (1440).
        create table rollup_due (
            channel integer not null, every_min integer not null, from_ms integer not null,
            to_ms integer not null, primary key (channel, every_min, from_ms)
        ) without rowid;
        -- So that retention finds what names people without reading all ticks and alarms.
        create index event_of_people on event (time_ms) where kind != 'tick';
        create index transition_by_people on transition (time_ms) where by != '';
        """,
    ),
    (
        "0005 readings by hand",
        """
        alter table inbox add column value real not null default 0;
        alter table inbox add column told_ms integer not null default 0;
        """,
    ),
    (
        "0006 values computed anew",
        """
        -- What each channel's values rest on (calibration, compensation), and the spans that were computed
        -- anew when that changed. No time of `anew` is ever deleted: there are few.
        create table grounds (channel text primary key, grounds text not null) without rowid;
        create table anew (
            id integer primary key, channel text not null, why text not null, from_ms integer not null,
            asked_ms integer not null, done_ms integer, looked_at integer not null default 0,
            changed integer not null default 0, mean_shift real not null default 0,
            largest_shift real not null default 0
        );
        """,
    ),
    (
        "0007 alarms kept back",
        """
        -- Of an alarm that is kept back: what it would be if it were not, and why it is (JSON).
        alter table transition add column beneath text not null default '';
        alter table transition add column silence text not null default '';
        alter table inbox add column until_ms integer not null default 0;
        alter table inbox add column once integer not null default 0;
        """,
    ),
    (
        "0008 reports",
        """
        -- Reports that people asked for, as figures; the outbox names them by their key.
        create table report (
            id integer primary key, key text not null unique, kind text not null, period text not null,
            time_ms integer not null, body text not null
        );
        """,
    ),
]


class SchemaTooNew(Exception):
    """The file was written by a later Goodwater than this one."""


def migrate(connection: sqlite3.Connection, now_ms: int) -> list[str]:
    """Bring the file up to date; the names of the migrations that ran.

    Raises: SchemaTooNew when the file knows a migration this version does not.
    """
    connection.execute(
        "create table if not exists migration (name text primary key, applied_ms integer not null)"
    )
    done = {name for (name,) in connection.execute("select name from migration")}
    unknown = done - {name for name, _ in MIGRATIONS}
    if unknown:
        raise SchemaTooNew(
            f"the store was written by a later version of Goodwater (it knows {min(unknown)!r}): "
            "install that version again, or start with another data folder"
        )
    ran = []
    for name, script in MIGRATIONS:
        if name not in done:
            connection.execute("begin immediate")
            try:
                for statement in _statements(script):
                    connection.execute(statement)
                connection.execute("insert into migration values (?, ?)", (name, now_ms))
                connection.execute("commit")
            except BaseException:
                connection.execute("rollback")
                raise
            ran.append(name)
    return ran


def _statements(script: str) -> list[str]:
    statements, current = [], ""
    for line in script.splitlines():
        current += line.partition("--")[0] + "\n"
        if sqlite3.complete_statement(current):
            statements.append(current.strip())
            current = ""
    return statements
