"""What the digest takes from rooms that it may not enter: the words of alarms, the accounts of the sumps."""

from __future__ import annotations

import sqlite3

from pydantic import TypeAdapter, ValidationError

from monitor.config import SiteFile
from monitor.daemon import wordings
from monitor.notify.message import wording_of
from monitor.reports.alarms import FirstLine
from monitor.reports.figures import Digest
from monitor.reports.gather import gather
from monitor.reports.sumps import Account
from monitor.reports.week import Week
from monitor.rules import loss
from monitor.store.weekly import state_part


def digest_of(site: SiteFile, connection: sqlite3.Connection, week: Week, now_ms: int) -> Digest:
    """The figures of a week."""
    return gather(
        connection,
        site.plant,
        week,
        made_ms=now_ms,
        first_line=first_lines(site),
        accounts=accounts(site, connection),
    )


def first_lines(site: SiteFile) -> FirstLine:
    """An alarm in the first line of its message."""
    words = wordings()
    return lambda told: wording_of(told, site.plant, words).first_line


def accounts(site: SiteFile, connection: sqlite3.Connection) -> dict[str, list[Account]]:
    """What the sumps lost, as the rules of kind `loss` remember it; nothing of one that cannot be read."""
    found: dict[str, list[Account]] = {}
    for rule in site.rules:
        part = state_part(connection, f"rule:{rule.settings.id}")
        if rule.kind != "loss" or part is None or part[0] != loss.State.version:
            continue
        try:
            state = TypeAdapter(loss.State).validate_json(part[1])
        except ValidationError:
            continue  # of another version: it is learned anew
        for name, sump in state.sumps.items():
            days = [Account(day.end_ms, day.hours, day.lost_l, day.refilled_l) for day in sump.books.days]
            # A rule that only watches for bursts keeps books of the same sumps, and no accounts.
            found[name] = max(days, found.get(name, []), key=len)
    return found
