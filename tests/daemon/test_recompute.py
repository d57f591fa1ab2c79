"""A calibration, or a compensation, that is changed afterwards: values follow, alarms stay what they were."""

from __future__ import annotations

import contextlib
import sqlite3
from functools import partial
from pathlib import Path

import pytest

from monitor.commands.status import _anew as told_by_status
from monitor.config import SiteFile
from monitor.plant.message_ids import message_id
from monitor.readings import Event
from monitor.recompute import Recompute, rest_on
from monitor.store import anew, reader, revisions
from monitor.store.files import open_reader
from monitor.store.rollup import Rollups
from monitor.store.writer import Batch, Writer
from monitor.watch import Effects, Watch, WatchState
from tests.heart.shop import MINUTE, SITE, START_MS, sample, site, tick

HOURS = 30
# The shop's midnight in the middle of it: 2026-06-02 in Vienna.
MIDNIGHT_MS = START_MS + 16 * 60 * MINUTE
CALIBRATION = "\ncalibration = [{ since = 2026-06-02, gain = 1.1, offset = 0.5 }]"


def written(folder: Path, **changes: str) -> SiteFile:
    """The shop's site file with something added behind the unit of a channel."""
    text = SITE
    for channel, added in changes.items():
        head, _, tail = text.partition(f'id = "{channel.replace("_", ".")}"')
        text = f'{head}id = "{channel.replace("_", ".")}"{added}{tail}'
    return site(folder, text)


def lived() -> list[Event]:
    """Thirty hours of a shop: the RO runs, permeate gets warmer, and the DI outlet is twice too high."""
    events: list[Event] = []
    for minute in range(0, HOURS * 60, 5):
        high = 25.0 if minute in range(600, 660) or minute in range(1200, 1260) else 10.0
        events += [
            tick(minute),
            sample("ro.t", minute, 15.0 + minute / 200),
            sample("ro.flow", minute, 3.0 if minute % 600 < 300 else 0.0),
            sample("ro.ec", minute, 12.0),
            sample("di.ec", minute, high + minute % 3 / 10),
        ]
    return events


def writer_of(shop: SiteFile) -> Writer:
    shop.data_dir.mkdir(exist_ok=True)
    return Writer(shop.data_dir, START_MS, partial(message_id, site_id="shop"))


def stored(shop: SiteFile) -> WatchState:
    """Let the shop's life be watched and stored."""
    writer, effects = writer_of(shop), Effects()
    Recompute(shop.plant).begin(writer.connection, START_MS)
    state = Watch(shop.plant, shop.rules).run(WatchState(), lived(), effects)
    writer.commit(Batch(START_MS, effects.readings, effects.events, transitions=effects.transitions))
    writer.close()
    return state


def values(shop: SiteFile, channel: str) -> list[tuple[int, float, float, int, int]]:
    with contextlib.closing(open_reader(shop.data_dir)) as connection:
        return [
            (r.time_ms, r.raw, round(r.value, 9), int(r.reasons), int(r.standing))
            for r in reader.readings(connection, channel)
        ]


def recomputed(shop: SiteFile, steps: int = 10_000) -> list[str]:
    """Begin with this site file, and compute anew; at most so many steps."""
    writer, work = writer_of(shop), Recompute(shop.plant)
    now_ms = START_MS + HOURS * 60 * MINUTE
    changed = work.begin(writer.connection, now_ms)
    while steps and work.step(writer.connection, now_ms):
        steps -= 1
    writer.close()
    return changed


def test_values_from_the_day_of_a_calibration_on_are_as_if_it_had_always_been_there(tmp_path: Path) -> None:
    (tmp_path / "then").mkdir()
    (tmp_path / "always").mkdir()
    then, always = written(tmp_path / "then"), written(tmp_path / "always", di_ec=CALIBRATION)
    stored(then)
    stored(always)
    before = values(then, "di.ec")
    assert recomputed(written(tmp_path / "then", di_ec=CALIBRATION)) == ["di.ec"]
    after = values(then, "di.ec")
    assert after == values(always, "di.ec")
    assert [a for a in after if a[0] < MIDNIGHT_MS] == [b for b in before if b[0] < MIDNIGHT_MS]
    assert all(a[2] == pytest.approx(1.1 * a[1] + 0.5) for a in after if a[0] >= MIDNIGHT_MS)


def test_no_alarm_is_altered_and_what_changed_is_said(tmp_path: Path) -> None:
    shop = written(tmp_path)
    stored(shop)
    with contextlib.closing(open_reader(shop.data_dir)) as connection:
        alarms = list(reader.transitions(connection))
    assert len(alarms) >= 3
    shop = written(tmp_path, di_ec="\ncalibration = [{ since = 2026-06-01, gain = 2.0 }]")
    recomputed(shop)
    with contextlib.closing(open_reader(shop.data_dir)) as connection:
        assert list(reader.transitions(connection)) == alarms
        said, _ = told_by_status(shop, connection)
    assert "di.ec from 2026-06-01 on (calibration none, now x 2 +0 from 2026-06-01)" in said
    assert "360 of 360 values changed, by +11.1 on average, by +25.2 at most; no alarm was altered" in said


def test_a_thermometer_that_is_corrected_changes_what_is_compensated_by_it(tmp_path: Path) -> None:
    (tmp_path / "then").mkdir()
    (tmp_path / "always").mkdir()
    correction = "\ncalibration = [{ since = 2026-06-01, offset = -2.0 }]"
    then, always = written(tmp_path / "then"), written(tmp_path / "always", ro_t=correction)
    stored(then)
    stored(always)
    assert rest_on(then.plant, "ro.t") == {"ro.t", "ro.ec"}
    recomputed(written(tmp_path / "then", ro_t=correction))
    for channel in ("ro.t", "ro.ec", "ro.flow", "di.ec"):
        assert values(then, channel) == values(always, channel)


def test_a_flow_meter_that_is_corrected_changes_which_water_counts(tmp_path: Path) -> None:
    (tmp_path / "then").mkdir()
    (tmp_path / "always").mkdir()
    dead = "\ncalibration = [{ since = 2026-06-02, gain = 0.1 }]"  # below the gate's 0.5 L/min from then on
    then, always = written(tmp_path / "then"), written(tmp_path / "always", ro_flow=dead)
    stored(then)
    stored(always)
    recomputed(written(tmp_path / "then", ro_flow=dead))
    assert values(then, "ro.ec") == values(always, "ro.ec")


def test_killed_halfway_it_is_done_whole_the_next_time(tmp_path: Path) -> None:
    (tmp_path / "then").mkdir()
    (tmp_path / "always").mkdir()
    stored(written(tmp_path / "then"))
    always = written(tmp_path / "always", di_ec=CALIBRATION)
    stored(always)
    changed = written(tmp_path / "then", di_ec=CALIBRATION)
    recomputed(changed, steps=3)
    assert values(changed, "di.ec") != values(always, "di.ec")
    assert recomputed(changed) == ["di.ec"]  # rules learn anew until it is done
    assert values(changed, "di.ec") == values(always, "di.ec")
    assert recomputed(changed) == []


def test_rollups_and_mirror_are_told(tmp_path: Path) -> None:
    shop = written(tmp_path)
    stored(shop)
    writer = writer_of(shop)
    summed_up(writer.connection, shop)
    number = revisions.last_number(writer.connection)
    writer.close()
    shop = written(tmp_path, di_ec=CALIBRATION)
    recomputed(shop)
    writer = writer_of(shop)
    summed_up(writer.connection, shop)
    rows = writer.connection.execute(
        "select start_ms, mean from rollup r join channel c on c.id = r.channel "
        "where c.name = 'di.ec' and every_min = 60 order by start_ms"
    ).fetchall()
    of_hour = [
        [v for t, _, v, *_ in values(shop, "di.ec") if 0 <= t - start < 60 * MINUTE] for start, _ in rows
    ]
    assert [mean for _, mean in rows] == [pytest.approx(sum(v) / len(v)) for v in of_hour]
    spans = revisions.since(writer.connection, number, 100)
    assert {span.channel for span in spans} == {"di.ec"}
    assert min(span.from_ms for span in spans) == MIDNIGHT_MS
    writer.close()


def summed_up(connection: sqlite3.Connection, shop: SiteFile) -> None:
    rollups = Rollups(shop.plant)
    rollups.begin(connection)
    while rollups.step(connection, START_MS + 5 * 24 * 60 * MINUTE, 0.02):
        pass


def test_a_site_that_says_what_it_always_said_changes_nothing(tmp_path: Path) -> None:
    shop = written(tmp_path, di_ec=CALIBRATION)
    stored(shop)
    assert recomputed(shop) == []
    with contextlib.closing(open_reader(shop.data_dir)) as connection:
        assert anew.latest(connection, 5) == []
