"""`goodwater status SITE`: one screen; exit 0 when nothing needs a person, 1 when something does."""

from __future__ import annotations

import argparse
import contextlib
import sqlite3

from monitor.clock import MachineClock
from monitor.commands.alarm_named import kept_back
from monitor.commands.common import add_site, age, local, table
from monitor.commands.mirror import shown as shown_mirrors
from monitor.config import SiteFile, load
from monitor.daemon import wordings
from monitor.notify.message import wording_of
from monitor.plant.units import shown
from monitor.readings import Level, Reading, Standing, words
from monitor.recompute import in_words
from monitor.store import anew, reader
from monitor.store.files import holder, open_reader

# Two minutes without a tick: the daemon holds the folder but does not watch.
_SPANS = 5  # of what was computed anew, the newest
_STALE_MS = 150_000


def add_to(parser: argparse.ArgumentParser) -> None:
    add_site(parser)


def run(options: argparse.Namespace) -> int:
    site = load(options.site)
    now_ms = MachineClock().now_ms()
    with contextlib.closing(open_reader(site.data_dir)) as connection:
        parts = [
            _watch(site, connection, now_ms),
            _alarms(site, connection),
            _maintenance(site, connection, now_ms),
            _links(site, connection),
            _channels(site, connection, now_ms),
            _messages(connection),
            shown_mirrors(site, list(site.mirrors), now_ms),
            _counts(connection, now_ms),
            _anew(site, connection),
        ]
    print("\n\n".join(text for text, _ in parts if text))
    return 0 if all(well for _, well in parts) else 1


Part = tuple[str, bool]


def _watch(site: SiteFile, connection: sqlite3.Connection, now_ms: int) -> Part:
    process, tick_ms = holder(site.data_dir), reader.last_tick_ms(connection)
    seen = "never" if tick_ms is None else local(tick_ms, site.plant.site.timezone)
    if process is None:
        return f"{site.plant.site.name}: NOT WATCHED. The daemon is down; last minute watched: {seen}", False
    if tick_ms is None or now_ms - tick_ms > _STALE_MS:
        return f"{site.plant.site.name}: NOT JUDGED since {seen} (process {process} runs)", False
    waiting = reader.waiting_inbox(connection)
    tail = f"; {waiting} things people did wait to be taken up" if waiting else ""
    return f"{site.plant.site.name}: watched (process {process}, minute {seen}){tail}", True


def _alarms(site: SiteFile, connection: sqlite3.Connection) -> Part:
    standing = reader.current_alarms(connection)
    if not standing:
        return "Alarms: none", True
    zone = site.plant.site.timezone
    rows = [
        [
            f"{a.condition}#{a.occurrence}",
            a.priority,
            a.state.value if a.silence is None else f"{a.state.value} {kept_back(a, zone)}",
            f"since {local(a.since_ms, zone)}",
            wording_of(a, site.plant, wordings()).first_line,
        ]
        for a in standing
    ]
    return "Alarms:\n" + table(rows), all(a.silence is not None for a in standing)


def _maintenance(site: SiteFile, connection: sqlite3.Connection, now_ms: int) -> Part:
    zone = site.plant.site.timezone
    rows = [
        [a.target, f"until {local(a.until_ms, zone)}", f"by {a.by}", a.comment]
        for a in reader.maintenance(connection, now_ms)
    ]
    return ("Out of service:\n" + table(rows) if rows else ""), True


def _links(site: SiteFile, connection: sqlite3.Connection) -> Part:
    links = reader.links(connection)
    if not links:
        return "Wires: none seen yet", False
    zone = site.plant.site.timezone
    rows = [
        [r["name"], "up" if r["up"] else "DOWN", f"since {local(r['since_ms'], zone)}", r["detail"]]
        for r in links
    ]
    return "Wires:\n" + table(rows), all(r["up"] for r in links)


def _channels(site: SiteFile, connection: sqlite3.Connection, now_ms: int) -> Part:
    latest = reader.latest(connection)
    rows = [
        _channel_row(name, latest.get(name), channel.quantity, now_ms)
        for name, channel in site.plant.channels.items()
    ]
    well = all(name in latest and latest[name].level != Level.BAD for name in site.plant.channels)
    return "Channels:\n" + table(rows), well


def _channel_row(name: str, reading: Reading | None, quantity: str, now_ms: int) -> list[str]:
    if reading is None:
        return [name, "no reading yet", "", "", ""]
    notes = words(reading.reasons)
    if reading.standing == Standing.GATED:
        notes.append("no flow")
    quality = reading.level.name.lower()
    return [
        name,
        shown(reading.value, quantity),
        quality,
        f"{age(reading.time_ms, now_ms)} old",
        ", ".join(notes),
    ]


def _messages(connection: sqlite3.Connection) -> Part:
    totals = reader.outbox_totals(connection)
    text = f"Messages: {totals.delivered} delivered, {totals.due} due, {totals.given_up} given up"
    if totals.troubled:
        rows = [[outcome, f"{tries} tries", detail, mid] for mid, outcome, tries, detail in totals.troubled]
        text += "\n" + table(rows)
    return text, not totals.troubled


def _counts(connection: sqlite3.Connection, now_ms: int) -> Part:
    rows = [
        [r["what"], r["subject"], f"{r['n']} times", f"last {age(r['last_ms'], now_ms)} ago", r["detail"]]
        for r in reader.counts(connection)
    ]
    return ("Refused, flagged or set aside:\n" + table(rows) if rows else ""), True


def _anew(site: SiteFile, connection: sqlite3.Connection) -> Part:
    """What was computed anew because the site file says otherwise how it counts."""
    spans = anew.latest(connection, _SPANS)
    return "\n".join(in_words(one, site.plant) for one in spans), True
