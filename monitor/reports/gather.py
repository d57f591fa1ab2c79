"""From a store to the figures of one week."""

from __future__ import annotations

import sqlite3

from monitor.plant.model import Plant
from monitor.reports import water
from monitor.reports.alarms import FirstLine, alarms
from monitor.reports.changes import changes
from monitor.reports.channels import Hours
from monitor.reports.figures import Change, Digest, Span
from monitor.reports.instruments import CALIBRATION, instruments
from monitor.reports.sumps import Accounts, checks, sumps
from monitor.reports.week import Week
from monitor.store.weekly import first_watched_ms, not_watched, told

# Between two of the watch's minutes; longer is no watch (a restart is shorter).
_WATCHED_STEP_MS = 300_000


def gather(
    connection: sqlite3.Connection,
    plant: Plant,
    week: Week,
    *,
    made_ms: int,
    first_line: FirstLine,
    accounts: Accounts,
) -> Digest:
    """All figures of a week, from a connection that reads.

    `made_ms` is now; a week that is not over yet is told up to its end as if nothing more came. `first_line`
    puts an alarm into words, `accounts` are the sumps' losses as their rule keeps them.
    """
    hours = {name: Hours.of(connection, name, week) for name in plant.channels}
    events = told(connection, 0, week.to_ms)
    calibrations = [one for one in events if one.event == CALIBRATION]
    now = instruments(connection, plant, week, hours, calibrations)
    points = water.points(plant, hours)
    trends = water.trends(plant, hours)
    lives = water.lives(connection, plant, week, events)
    of_sumps = sumps(connection, plant, week, hours, events, accounts)
    of_alarms = alarms(connection, week, first_line)
    done, due = checks(connection, plant, week)
    found: tuple[Change, ...]
    first_ms = first_watched_ms(connection)
    if first_ms is None or first_ms >= week.from_ms:
        found = (Change(False, "The first week that was watched: there is none to compare it with."),)
    else:
        shifted = {name: Hours(one.before[0], one.before[1:]) for name, one in hours.items()}
        before = instruments(connection, plant, week.earlier(), shifted, calibrations)
        found = changes(
            instruments=now,
            verdicts_before={one.id: one.verdict for one in before},
            points=points,
            trends=trends,
            lives=lives,
            sumps=of_sumps,
            alarms=of_alarms,
            least_change={channel.id: channel.canonical_resolution for channel in plant.channels.values()},
        )
    away = not_watched(connection, week.from_ms, week.to_ms, _WATCHED_STEP_MS)
    return Digest(
        plant.site.id,
        plant.site.name,
        plant.site.timezone,
        week.label,
        week.from_ms,
        week.to_ms,
        made_ms,
        tuple(Span(*span) for span in away),
        found,
        now,
        points,
        trends,
        lives,
        of_sumps,
        done,
        due,
        of_alarms,
    )
