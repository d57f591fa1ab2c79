"""Rollups say what the readings say: in order, late, marked bad, recomputed, thinned out, killed half way."""

from __future__ import annotations

import contextlib
import math
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.readings import Reading, Reason, Standing
from monitor.store.files import StoreMissing, open_reader
from monitor.store.rollup import recompute_rollups, summed
from monitor.store.sums import Every, Flow, Grid, Sum, merged, of_rollups
from monitor.store.trend import trend
from tests.store.by_hand import flow_mean_by_hand, summed_by_hand
from tests.store.kept import DAY, HOUR, MIDNIGHT, SITE, Kept, kept, minutely, reading
from tests.waiting import eventually

MINUTE = 60_000
CHANNELS = ("ro.flow", "ro.ec", "di.ec")


def same(found: Sum, expected: Sum) -> bool:
    return all(
        a is b if a is None or b is None else math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-12)
        for a, b in zip(found, expected, strict=True)
    )


def without_flow(found: Sum) -> Sum:
    return found.with_flow(0.0, None)


def stored(one: Kept, channel: str, every: Every) -> dict[int, Sum]:
    """The rollups of a channel by the time they begin."""
    how = summed(one.writer.connection, channel)
    assert how is not None
    grid = Grid(0, every.ms)
    found = of_rollups(one.writer.connection, how.channel, every, 0, 2**53, grid)
    return {number * every.ms: s for number, s in found.items()}


def agree(one: Kept, channel: str, every: Every, until_ms: int) -> None:
    """Every rollup up to a time is what its readings give, and there is none too many or too few."""
    inside: dict[int, list[Reading]] = {}
    for r in one.of(channel, 0, until_ms):
        inside.setdefault(r.time_ms // every.ms * every.ms, []).append(r)
    by_hand = {at: summed_by_hand(readings) for at, readings in inside.items()}
    expected = {at: s for at, s in by_hand.items() if s is not None}
    found = stored(one, channel, every)
    assert set(found) == set(expected)
    for at, s in expected.items():
        assert same(without_flow(found[at]), s)


def test_hours_and_days_are_always_kept_and_minutes_where_readings_come_often(tmp_path: Path) -> None:
    with kept(tmp_path) as one:
        fast = [reading("di.ec", MIDNIGHT + n * 10_000, n % 13) for n in range(3 * 360)]
        one.store([*minutely("ro.flow", 30), *fast])
        one.sum_up(MIDNIGHT + 3 * DAY)
        for channel, resolutions in (("ro.flow", (Every.HOUR, Every.DAY)), ("di.ec", tuple(Every))):
            for every in resolutions:
                agree(one, channel, every, MIDNIGHT + 3 * DAY)
        assert len(stored(one, "ro.flow", Every.MINUTE)) == 0
        assert len(stored(one, "di.ec", Every.MINUTE)) == 180
        assert one.rows("select * from rollup_due") == []


def test_an_hour_is_summed_up_once_it_is_over_and_a_day_once_all_its_hours_are(tmp_path: Path) -> None:
    with kept(tmp_path) as one:
        one.store(minutely("ro.flow", 25.5))
        one.sum_up(MIDNIGHT + 10 * HOUR + 30 * MINUTE)
        assert max(stored(one, "ro.flow", Every.HOUR)) == MIDNIGHT + 9 * HOUR
        assert stored(one, "ro.flow", Every.DAY) == {}
        one.sum_up(MIDNIGHT + 25 * HOUR + 30 * MINUTE)
        assert list(stored(one, "ro.flow", Every.DAY)) == [MIDNIGHT]
        assert one.rows("select from_ms from rollup_due where every_min = 60") == [(MIDNIGHT + 25 * HOUR,)]


def test_late_readings_change_the_hour_and_the_day_they_belong_to(tmp_path: Path) -> None:
    with kept(tmp_path) as one:
        one.store(minutely("di.ec", 48))
        one.sum_up(MIDNIGHT + 3 * DAY)
        one.store([reading("di.ec", MIDNIGHT + 5 * HOUR + 1, 99.0, Standing.LATE)])
        one.sum_up(MIDNIGHT + 3 * DAY)
        assert stored(one, "di.ec", Every.HOUR)[MIDNIGHT + 5 * HOUR].high == 99.0
        assert stored(one, "di.ec", Every.DAY)[MIDNIGHT].high == 99.0
        for every in Every:
            agree(one, "di.ec", every, MIDNIGHT + 3 * DAY)


def test_readings_marked_bad_afterwards_leave_their_rollups(tmp_path: Path) -> None:
    ahead_ms = MIDNIGHT + 400 * DAY
    with kept(tmp_path) as one:
        one.store(minutely("ro.flow", 2))
        one.store(minutely("ro.flow", 2, ahead_ms))
        one.sum_up(ahead_ms + 3 * DAY)
        assert len(stored(one, "ro.flow", Every.HOUR)) == 4
        one.store([], bad_after=[("ro.flow", MIDNIGHT + 3 * HOUR)])
        one.sum_up(MIDNIGHT + 2 * DAY)
        assert set(stored(one, "ro.flow", Every.HOUR)) == {MIDNIGHT, MIDNIGHT + HOUR}
        assert set(stored(one, "ro.flow", Every.DAY)) == {MIDNIGHT}
        assert one.rows("select * from rollup_due") == []


def test_a_recomputed_span_is_summed_up_again(tmp_path: Path) -> None:
    with kept(tmp_path) as one:
        one.store(minutely("ro.flow", 60))
        one.sum_up(MIDNIGHT + 4 * DAY)
        connection = one.writer.connection
        connection.execute("begin")
        connection.execute("update reading set value = 2 * raw where time_ms >= ?", (MIDNIGHT + 30 * HOUR,))
        recompute_rollups(connection, ["ro.flow", "nobody"], MIDNIGHT + 30 * HOUR, MIDNIGHT + 60 * HOUR)
        connection.execute("commit")
        high = max(r.value for r in one.of("ro.flow"))
        points = trend(connection, "ro.flow", MIDNIGHT, MIDNIGHT + 60 * HOUR, 2).points
        assert [p.sum.high for p in points] == [high, 2 * high]
        one.sum_up(MIDNIGHT + 4 * DAY)
        assert {s.high for s in stored(one, "ro.flow", Every.DAY).values()} == {high, 2 * high}


@pytest.mark.parametrize("contact", [False, True])
def test_the_mean_is_weighted_by_the_flow_of_the_channels_gate(tmp_path: Path, contact: bool) -> None:
    text = SITE
    if contact:
        text = SITE.replace(
            'quantity = "flow"\nunit = "L/min"\nrange = [0.0, 20.0]',
            'quantity = "contact"\nunit = "1"\nrange = [0, 1]',
        ).replace("resolution = 0.1", "resolution = 1", 1)
    with kept(tmp_path, text) as one:
        for n in range(120):
            at = MIDNIGHT + n * MINUTE
            running = float(n % 10 < 5) * (1.0 if contact else 2.0 + n % 3)
            standing = Standing.JUDGED if running else Standing.GATED
            ec = reading("ro.ec", at + 500 + n % 4 * 9_000, 5.0 + n, standing)
            silent = 73 <= n < 84  # for longer than its word is good
            one.store([ec] if silent else [reading("ro.flow", at, running), ec])
        one.sum_up(MIDNIGHT + 2 * DAY)
        how = summed(one.writer.connection, "ro.ec")
        assert how is not None and how.flow == Flow(1, contact, 180_000)
        for at in (MIDNIGHT, MIDNIGHT + HOUR):
            found = stored(one, "ro.ec", Every.HOUR)[at]
            weight, mean = flow_mean_by_hand(one.of("ro.ec"), one.of("ro.flow"), how.flow, at, at + HOUR)
            assert (found.weight, found.flow_mean) == pytest.approx((weight, mean))
            assert found.flow_mean != pytest.approx(found.mean)
        assert stored(one, "ro.flow", Every.HOUR)[MIDNIGHT].flow_mean is None


def test_flow_that_comes_late_weighs_what_was_summed_up_without_it(tmp_path: Path) -> None:
    with kept(tmp_path) as one:
        one.store([reading("ro.flow", MIDNIGHT - DAY, 1.0), *minutely("ro.ec", 2)])
        one.sum_up(MIDNIGHT + 2 * DAY)
        assert stored(one, "ro.ec", Every.HOUR)[MIDNIGHT].flow_mean is None
        one.store([reading("ro.flow", MIDNIGHT + n * MINUTE, 3.0, Standing.LATE) for n in range(60)])
        one.sum_up(MIDNIGHT + 2 * DAY)
        assert stored(one, "ro.ec", Every.HOUR)[MIDNIGHT].weight == pytest.approx(3.0 * 59)


def test_a_gate_that_is_new_in_the_site_file_has_the_past_summed_up_anew(tmp_path: Path) -> None:
    gate = 'gate = { flow = "ro.flow", above = "0.5 L/min", litres = "10 L", minutes = "3 min" }\n'
    both = [r for pair in zip(minutely("ro.flow", 3), minutely("ro.ec", 3), strict=True) for r in pair]
    with kept(tmp_path, SITE.replace(gate, "")) as one:
        one.store(both)
        one.sum_up(MIDNIGHT + 2 * DAY)
        assert stored(one, "ro.ec", Every.HOUR)[MIDNIGHT].flow_mean is None
    with kept(tmp_path, SITE) as one:
        assert one.sum_up(MIDNIGHT + 2 * DAY) > 0
        assert stored(one, "ro.ec", Every.HOUR)[MIDNIGHT].flow_mean is not None


def test_a_store_from_before_there_were_rollups_gets_them(tmp_path: Path) -> None:
    with kept(tmp_path) as one:
        one.store([*minutely("ro.flow", 30), *minutely("di.ec", 30)])
        for table in ("summed", "rollup", "rollup_due"):
            one.writer.connection.execute(f"delete from {table}")
        before = trend(one.writer.connection, "di.ec", MIDNIGHT, MIDNIGHT + 30 * HOUR, 5)
        one.rollups.begin(one.writer.connection)
        one.sum_up(MIDNIGHT + 3 * DAY)
        for channel in ("ro.flow", "di.ec"):
            agree(one, channel, Every.HOUR, MIDNIGHT + 3 * DAY)
        after = trend(one.writer.connection, "di.ec", MIDNIGHT, MIDNIGHT + 30 * HOUR, 5)
        assert [p.sum.high for p in before.points] == [p.sum.high for p in after.points]


def test_a_step_takes_a_day_of_one_channel_at_most_when_it_has_no_time(tmp_path: Path) -> None:
    with kept(tmp_path) as one:
        one.store(minutely("ro.flow", 24 * 10))
        now_ms, days = MIDNIGHT + 11 * DAY, 0
        while one.rollups.step(one.writer.connection, now_ms, 0.0):
            summed_up = len(stored(one, "ro.flow", Every.HOUR))
            assert summed_up <= days + 24
            days = summed_up
        assert days == 240


_VALUES = st.sampled_from([-1.5, 0.0, 0.1, 2.5, 7.0, 7.25, 900.0])
_TIMES = st.integers(0, 3 * 24 * 60).map(lambda minute: MIDNIGHT + minute * MINUTE + minute % 7)
_READINGS = st.builds(
    reading,
    channel=st.sampled_from(CHANNELS),
    time_ms=_TIMES,
    value=_VALUES,
    standing=st.sampled_from(Standing),
    reasons=st.sampled_from(
        [
            Reason.NONE,
            Reason.NONE,
            Reason.JUMP,
            Reason.OVER_RANGE,
            Reason.IMPLAUSIBLE,
            Reason.DEVICE_FAULT,
            Reason.NOISY,
        ]
    ),
)
_READINGS_OF_ONE = _READINGS.map(lambda r: replace(r, channel="di.ec"))
_OPS = st.lists(
    st.one_of(
        st.lists(_READINGS, min_size=1, max_size=40),
        _TIMES,  # sum up what is over by then
        st.tuples(st.sampled_from(CHANNELS), _TIMES, _TIMES),  # recompute a span
    ),
    min_size=1,
    max_size=8,
)


@given(st.lists(_READINGS_OF_ONE, min_size=1, max_size=30), st.integers(0, 30))
def test_the_sum_of_two_parts_is_the_sum_of_the_whole(readings: list[Reading], cut: int) -> None:
    first, second, whole = (summed_by_hand(part) for part in (readings[:cut], readings[cut:], readings))
    if first is not None and second is not None and whole is not None:
        assert same(merged(first, second), whole)
        flowing = merged(first.with_flow(2.0, 5.0), second.with_flow(6.0, 9.0))
        assert (flowing.weight, flowing.flow_mean) == (8.0, 8.0)
        assert merged(first.with_flow(2.0, 5.0), second).flow_mean == 5.0


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(_OPS, st.data())
def test_whatever_came_in_whatever_order_a_trend_is_that_of_the_readings(
    ops: list[object], data: st.DataObject
) -> None:
    with tempfile.TemporaryDirectory() as name, kept(Path(name), quick=True) as one:
        for op in ops:
            if isinstance(op, list):  # which of two at the same time is kept is told in test_writer.py
                first = {(r.channel, r.time_ms): r for r in reversed(op)}
                one.store([r for key, r in first.items() if key not in one.readings])
            elif isinstance(op, int):
                one.sum_up(op)
            else:
                recompute_rollups(one.writer.connection, [op[0]], min(op[1:]), max(op[1:]))
        for channel in CHANNELS:
            from_ms, to_ms = sorted([data.draw(_TIMES), data.draw(_TIMES)])
            points = data.draw(st.sampled_from([1, 2, 3, 10, 70, 1000]))
            if from_ms < to_ms:
                _is_that_of_the_readings(one, channel, from_ms, to_ms, points)


def _is_that_of_the_readings(one: Kept, channel: str, from_ms: int, to_ms: int, points: int) -> None:
    found = trend(one.writer.connection, channel, from_ms, to_ms, points)
    assert len(found.points) <= points
    known = [r for r in one.of(channel, from_ms, to_ms) if r.standing is not Standing.BAD_TIME]
    how = summed(one.writer.connection, channel)
    covered = 0
    for point in found.points:
        inside = [r for r in known if point.start_ms <= r.time_ms < point.end_ms]
        expected = summed_by_hand(inside)
        assert expected is not None and from_ms <= point.start_ms < point.end_ms <= to_ms
        assert same(without_flow(point.sum), expected)
        if how is not None and how.flow is not None:
            flows, span = one.of("ro.flow"), (point.start_ms, point.end_ms)
            weight, _ = flow_mean_by_hand(one.of(channel), flows, how.flow, *span)
            assert point.sum.weight == pytest.approx(weight)
        covered += expected.n
    assert covered == len(known)


_KILLED = """
import sys, time
from pathlib import Path
from tests.store.kept import DAY, MIDNIGHT, Kept, minutely
one = Kept(Path(sys.argv[1]))
one.store(minutely("ro.flow", 24 * 10))
while one.rollups.step(one.writer.connection, MIDNIGHT + 90 * DAY, 0.0):
    time.sleep(0.02)
time.sleep(60)
"""


def test_a_kill_half_way_leaves_due_what_was_not_summed_up(tmp_path: Path) -> None:
    def hours() -> int:
        try:
            with contextlib.closing(open_reader(tmp_path / "data")) as connection:
                return int(connection.execute("select count(*) from rollup").fetchone()[0])
        except (StoreMissing, sqlite3.Error):
            return 0

    process = subprocess.Popen([sys.executable, "-c", _KILLED, str(tmp_path)], cwd=Path(__file__).parents[2])
    eventually(lambda: hours() >= 50, 60)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    assert hours() < 250
    with kept(tmp_path) as one:
        one.readings = {("ro.flow", r.time_ms): r for r in minutely("ro.flow", 24 * 10)}
        one.sum_up(MIDNIGHT + 90 * DAY)
        for every in (Every.HOUR, Every.DAY):
            agree(one, "ro.flow", every, MIDNIGHT + 90 * DAY)
