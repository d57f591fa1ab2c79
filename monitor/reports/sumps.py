"""The sumps' week: make-up, losses, minerals, and the checks that are made, by shop and never by person."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from monitor.plant.model import Instrument, Plant, Sump
from monitor.reports.against import is_by_hand
from monitor.reports.channels import Hours
from monitor.reports.figures import Latest, SumpWeek
from monitor.reports.water import litres
from monitor.reports.week import Week
from monitor.store.weekly import Told, last_value, values

_MINERALS = ("conductivity", "tds", "hardness", "ph", "concentration", "chlorine")
_NOTICED = ("smell", "tramp-oil")
_WEEK_MS = 7 * 86_400_000


class Account(NamedTuple):
    """Litres a sump lost between two quiet moments, as the rule `loss` accounts for them."""

    end_ms: int
    hours: float
    lost_l: float
    refilled_l: float


Accounts = Mapping[str, Sequence[Account]]  # by sump


def sumps(
    connection: sqlite3.Connection,
    plant: Plant,
    week: Week,
    hours: Mapping[str, Hours],
    events: Sequence[Told],
    accounts: Accounts,
) -> tuple[SumpWeek, ...]:
    """Every sump of the site file."""
    return tuple(
        _sump(connection, plant, sump, week, hours, events, accounts.get(sump.id, ())) for sump in plant.sump
    )


def _sump(
    connection: sqlite3.Connection,
    plant: Plant,
    sump: Sump,
    week: Week,
    hours: Mapping[str, Hours],
    events: Sequence[Told],
    accounts: Sequence[Account],
) -> SumpWeek:
    own = [t for t in events if t.target == sump.id and week.from_ms <= t.time_ms < week.to_ms]
    here = [instrument for instrument in plant.instrument if instrument.sump == sump.id]
    now, before = _within(accounts, week), _within(accounts, week.earlier())
    make_up, by = _make_up(plant, here, hours, own, now)
    coolant = next((c for c in plant.coolant if c.id == sump.coolant), None)
    limit = None if coolant is None or coolant.mineral_limit is None else coolant.mineral_limit
    done_and_due = [_checks(connection, one, week) for one in here if is_by_hand(one)]
    return SumpWeek(
        sump.id,
        sump.label,
        make_up,
        by,
        sum(a.lost_l for a in now) if now else None,
        sum(a.lost_l for a in before) if before else None,
        sum(a.hours for a in now),
        sum(a.hours for a in before),
        sum(t.value for t in own if t.event == "drawn-off"),
        _minerals(connection, here, week),
        None if limit is None else limit.in_unit("mg/L"),
        tuple(
            (event, max(t.value for t in own if t.event == event))
            for event in _NOTICED
            if any(t.event == event for t in own)
        ),
        sum(done for done, _ in done_and_due),
        sum(due for _, due in done_and_due),
    )


def _within(accounts: Sequence[Account], week: Week) -> list[Account]:
    return [a for a in accounts if week.from_ms < a.end_ms <= week.to_ms]


def _make_up(
    plant: Plant,
    here: Sequence[Instrument],
    hours: Mapping[str, Hours],
    own: Sequence[Told],
    accounts: Sequence[Account],
) -> tuple[float | None, tuple[str, ...]]:
    """Litres filled in, and how they are known: metered and logged, else as the level rose."""
    metered = [
        found
        for instrument in here
        for channel in instrument.channel
        if channel.counter is not None and (found := litres(plant, channel, hours[channel.id], 0)) is not None
    ]
    logged = [t.value for t in own if t.event == "top-off"]
    parts = [("metered", metered), ("logged", logged)]
    by = tuple(name for name, found in parts if found)
    if by:
        return sum(metered) + sum(logged), by
    if accounts:
        return sum(a.refilled_l for a in accounts), ("seen in the level",)
    return None, ()


def _minerals(connection: sqlite3.Connection, here: Sequence[Instrument], week: Week) -> tuple[Latest, ...]:
    found = []
    for instrument in here:
        for channel in instrument.channel:
            last = last_value(connection, channel.id, week.to_ms, week.from_ms)
            if channel.quantity in _MINERALS and last is not None:
                before = last_value(connection, channel.id, week.from_ms)
                found.append(
                    Latest(
                        channel.name or channel.quantity,
                        channel.quantity,
                        last[1],
                        last[0],
                        None if before is None else before[1],
                    )
                )
    return tuple(found)


def checks(connection: sqlite3.Connection, plant: Plant, week: Week) -> tuple[int, int]:
    """Checks done, of checks due, of all that is read by hand."""
    found = [_checks(connection, one, week) for one in plant.instrument if is_by_hand(one)]
    return sum(done for done, _ in found), sum(due for _, due in found)


def _checks(connection: sqlite3.Connection, instrument: Instrument, week: Week) -> tuple[int, int]:
    """Done and due of one instrument that is read by hand: as often as its `expected_interval` says. A check
    that is due less than once a week is due in the week in which the last one becomes too old."""
    names = [channel.id for channel in instrument.channel]
    done = max(len(values(connection, name, week.from_ms, week.to_ms)) for name in names)
    interval_ms = instrument.expected_interval
    if interval_ms <= _WEEK_MS:
        due = round(_WEEK_MS / interval_ms)
    else:
        since_ms = week.to_ms - interval_ms
        due = int(all(last_value(connection, name, week.from_ms, since_ms) is None for name in names))
    return min(done, due), due
