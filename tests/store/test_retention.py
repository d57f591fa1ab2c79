"""What is too old goes, each resolution at its time, in small steps; what its rollups say stays."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError

from monitor.readings import (
    AlarmState,
    Count,
    DeliveryResult,
    Notice,
    OperatorAction,
    Reading,
    Standing,
    Tick,
    Transition,
)
from monitor.store import inbox
from monitor.store.files import STORE, open_inbox
from monitor.store.rollup import summed
from monitor.store.settings import RetentionSettings
from monitor.store.sums import Every
from monitor.store.trend import trend
from monitor.store.upkeep import Upkeep
from monitor.store.writer import Batch
from tests.store.by_hand import summed_by_hand
from tests.store.kept import DAY, HOUR, MIDNIGHT, Kept, kept, minutely, reading
from tests.store.test_rollup import same, stored, without_flow

MINUTE = 60_000
SHORT = RetentionSettings.model_validate(
    {"fast_raw": "14 days", "raw": "20 days", "minute": "30 days", "hour": "40 days", "day": "60 days"}
)


def hourly(channel: str, days: float, from_ms: int = MIDNIGHT) -> list[Reading]:
    return [reading(channel, from_ms + n * HOUR // 2 + 7, n * 7919 % 100 / 10) for n in range(int(days * 48))]


def keep_up(one: Kept, now_ms: int, settings: RetentionSettings = SHORT) -> int:
    """All the store does for itself, as at a time; how many transactions it took."""
    tick(one, now_ms)
    upkeep, steps = Upkeep(one.plant, settings, believed_ticks=1), 0
    while upkeep.step(one.writer.connection, now_ms):
        steps += 1
    return steps


def tick(one: Kept, time_ms: int) -> None:
    """What is stored from here on was stored later than this."""
    one.seq += 1
    one.writer.commit(Batch(MIDNIGHT, events=[(one.seq, Tick(time_ms))]))


def live(one: Kept, days: int) -> None:
    """So many days of readings, stored and ticked day by day."""
    for start in range(MIDNIGHT, MIDNIGHT + days * DAY, DAY):
        one.store([*hourly("ro.flow", 1, start), *hourly("di.ec", 1, start)])
        tick(one, start + DAY - MINUTE)


def test_each_resolution_goes_at_its_time_and_what_is_coarser_stays(tmp_path: Path) -> None:
    now_ms = MIDNIGHT + 70 * DAY
    with kept(tmp_path, quick=True) as one:
        live(one, 70)
        keep_up(one, now_ms)
        for channel, raw_days in (("ro.flow", 20), ("di.ec", 14)):
            (oldest,) = one.rows(
                "select min(time_ms) from reading r join channel c on c.id = r.channel where c.name = ?",
                channel,
            )[0]
            assert oldest == now_ms - raw_days * DAY + 7
            assert min(stored(one, channel, Every.HOUR)) == now_ms - 40 * DAY
            assert min(stored(one, channel, Every.DAY)) == now_ms - 60 * DAY
        assert min(stored(one, "di.ec", Every.MINUTE)) == now_ms - 30 * DAY
        assert one.rows("select min(time_ms) from event") == [(now_ms - 19 * DAY - MINUTE,)]


def test_a_trend_over_what_was_thinned_out_still_has_the_extremes_and_counts_of_the_readings(
    tmp_path: Path,
) -> None:
    now_ms = MIDNIGHT + 70 * DAY
    with kept(tmp_path, quick=True) as one:
        live(one, 70)
        keep_up(one, now_ms)
        for channel in ("ro.flow", "di.ec"):
            for points in (5, 100, 1000, 5000):
                found = trend(one.writer.connection, channel, now_ms - 60 * DAY, now_ms, points)
                assert len(found.points) <= points
                assert sum(p.sum.n for p in found.points) == 60 * 48
                for p in found.points[:: max(1, points // 100)]:
                    expected = summed_by_hand(one.of(channel, p.start_ms, p.end_ms))
                    assert expected is not None and same(without_flow(p.sum), expected)
        fine = trend(one.writer.connection, "di.ec", now_ms - 60 * DAY, now_ms, 200_000)
        assert fine.sources == ("days", "hours", "minutes", "readings")


def test_what_comes_for_a_time_whose_readings_are_gone_is_added_to_its_rollups_once(tmp_path: Path) -> None:
    now_ms, at = MIDNIGHT + 70 * DAY, MIDNIGHT + 35 * DAY + 5 * HOUR
    with kept(tmp_path, quick=True) as one:
        live(one, 70)
        keep_up(one, now_ms)
        before = stored(one, "di.ec", Every.DAY)[at // DAY * DAY]
        late = reading("di.ec", at + 11, 77.0, Standing.LATE)
        for _ in range(2):  # delivered twice, it is counted twice, but changes no extreme
            one.store([late])
            span = (at // DAY * DAY, at // DAY * DAY + DAY)
            for points in (1, 24):
                high = max(p.sum.high for p in trend(one.writer.connection, "di.ec", *span, points).points)
                assert high == 77.0
            keep_up(one, now_ms)
            assert one.of("di.ec", at, at + 12) and not one.rows(
                "select * from reading where time_ms = ?", late.time_ms
            )
        after = stored(one, "di.ec", Every.DAY)[at // DAY * DAY]
        assert (after.n, after.low, after.high) == (before.n + 2, before.low, 77.0)
        assert stored(one, "di.ec", Every.HOUR)[at].high == 77.0


def test_a_history_that_was_read_in_lately_stays_for_a_while_and_is_summed_up(tmp_path: Path) -> None:
    with kept(tmp_path, quick=True) as one:
        tick(one, MIDNIGHT + 100 * DAY)
        one.store(hourly("di.ec", 10))
        keep_up(one, MIDNIGHT + 101 * DAY, SHORT.model_copy(update={"hour": 365 * DAY}))
        assert len(one.rows("select * from reading")) == 480
        assert len(stored(one, "di.ec", Every.HOUR)) == 240
        tick(one, MIDNIGHT + 114 * DAY)
        keep_up(one, MIDNIGHT + 130 * DAY, SHORT.model_copy(update={"hour": 365 * DAY}))
        assert one.rows("select * from reading") == []
        assert len(stored(one, "di.ec", Every.HOUR)) == 240


def test_readings_stamped_by_a_wrong_clock_go_by_when_they_arrived(tmp_path: Path) -> None:
    now_ms = MIDNIGHT + 70 * DAY
    with kept(tmp_path, quick=True) as one:

        def bad(at: int, arrival: int) -> Reading:
            return reading("di.ec", at, 1.0, Standing.BAD_TIME, arrival_ms=arrival)

        old = [bad(1000, MIDNIGHT + DAY), bad(MIDNIGHT + 5000 * DAY, MIDNIGHT + DAY)]
        young = [bad(2000, now_ms - DAY), bad(MIDNIGHT + 5001 * DAY, now_ms - DAY)]
        one.store([reading("di.ec", MIDNIGHT, 5.0), *old])
        tick(one, now_ms - 20 * DAY)
        one.store(young)
        keep_up(one, now_ms)
        assert one.rows("select time_ms from reading") == [(r.time_ms,) for r in young]


def test_the_pages_of_what_went_are_used_again(tmp_path: Path) -> None:
    with kept(tmp_path, quick=True) as one:
        sizes = []
        for day in range(0, 60, 3):
            start = MIDNIGHT + day * DAY
            tick(one, start)
            one.store(minutely("ro.flow", 72, start))
            keep_up(one, start + 3 * DAY)
            one.writer.connection.execute("pragma wal_checkpoint(truncate)")
            sizes.append((one.data / STORE).stat().st_size)
        grown = sizes[-1] / sizes[8]
        assert sizes[8] > 2 * sizes[2]
        assert grown < 1.12, sizes


def raised(n: int, condition: str, time_ms: int, by: str = "") -> Transition:
    cause, state = ("acknowledged", AlarmState.ACKNOWLEDGED) if by else ("raised", AlarmState.UNACKNOWLEDGED)
    return Transition(condition, 1, n, cause, state, time_ms, time_ms, "high", "limit", "di.ec", 0.9, {}, by)  # type: ignore[arg-type]


def test_records_of_people_go_after_a_year_and_alarms_after_ten_but_nothing_that_is_still_needed(
    tmp_path: Path,
) -> None:
    settings = RetentionSettings.model_validate({"records": "365 days", "alarms": "1000 days"})
    old, older, now_ms = MIDNIGHT + 700 * DAY, MIDNIGHT, MIDNIGHT + 1100 * DAY
    alarms = [
        raised(1, "di-high", older),
        raised(2, "di-high", older, "lead"),
        raised(1, "owed", older),
        raised(3, "owed", older),
        raised(3, "di-high", old, "lead"),
        raised(4, "di-high", now_ms, "deputy"),
    ]
    did = OperatorAction(old, "event", "di", "lead", "new resin", event="resin-change")
    with kept(tmp_path, quick=True) as one:
        one.seq = 1_000
        with open_inbox(one.data) as people:
            inbox.put(people, OperatorAction(old, "acknowledge", "di-high", "lead", ""))
            inbox.put(people, OperatorAction(old, "acknowledge", "never taken", "lead", ""))
        people.close()
        (taken, _) = one.writer.take_inbox()
        notices = [Notice(alarms[0].key, "lead", 0), Notice(alarms[2].key, "lead", 0)]
        one.writer.commit(
            Batch(
                old,
                transitions=list(enumerate(alarms)),
                notices=notices,
                events=[(1, taken), (2, did), (3, OperatorAction(older, "event", "di", "lead"))],
                counts=[Count("late", "di.ec", old), Count("late", "ro.ec", now_ms)],
            )
        )
        (first, _) = (row[0] for row in one.rows("select id from outbox order by id"))
        one.writer.commit(Batch(old, results=[DeliveryResult(first, old, "delivered")]))
        keep_up(one, now_ms, settings)
        assert one.rows("select transition_key, outcome from outbox") == [(alarms[2].key, "due")]
        assert one.rows("select target from inbox") == [("never taken",)]
        assert one.rows("select subject from count") == [("ro.ec",)]
        assert one.rows("select key, by from transition order by id") == [
            (alarms[2].key, ""), (alarms[3].key, ""), (alarms[4].key, ""), (alarms[5].key, "deputy"),
        ]  # fmt: skip
        bodies = [body for (body,) in one.rows("select body from event where kind != 'tick' order by seq")]
        assert len(bodies) == 2 and "new resin" in bodies[1]
        assert not any("lead" in body for body in bodies)


def test_an_hour_that_is_due_keeps_its_readings_until_it_is_summed_up(tmp_path: Path) -> None:
    now_ms = MIDNIGHT + 70 * DAY
    with kept(tmp_path, quick=True) as one:
        live(one, 70)
        tick(one, now_ms)
        upkeep = Upkeep(one.plant, SHORT, believed_ticks=1)
        while upkeep.step(one.writer.connection, now_ms):
            how = summed(one.writer.connection, "ro.flow")
            due = one.rows("select min(from_ms) from rollup_due where channel = 1")[0][0]
            assert how is None or due is None or how.raw_from_ms <= due
        assert summed(one.writer.connection, "ro.flow").raw_from_ms == now_ms - 20 * DAY  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ({"raw": "13 days"}, "14 days or more"),
        ({"hour": "100 days"}, r"as long as raw \(730 d\) or longer"),
        ({"raw": "80 days"}, r"as long as fast_raw \(90 d\) or longer"),
        ({"day": "10 days"}, "30 days or more"),
        ({"alarms": "100 days"}, r"as long as records \(365 d\) or longer"),
    ],
)
def test_times_that_do_not_fit_each_other_are_refused(written: dict[str, str], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        RetentionSettings.model_validate(written)


def test_a_clock_that_was_years_ahead_for_a_while_deletes_nothing(tmp_path: Path) -> None:
    with kept(tmp_path, quick=True) as one:
        one.store(minutely("ro.flow", 26))
        ticks = [MIDNIGHT + n * MINUTE for n in range(1500)]
        wrong = [MIDNIGHT + 4000 * DAY + n * MINUTE for n in range(1400)]
        one.writer.commit(
            Batch(MIDNIGHT, events=[(10_000 + n, Tick(t)) for n, t in enumerate(ticks + wrong)])
        )
        upkeep = Upkeep(one.plant, SHORT)
        while upkeep.step(one.writer.connection, wrong[-1]):
            pass
        assert len(one.rows("select * from reading")) == 26 * 60
        # After a day of it the clock is believed.
        more = [(20_000 + n, Tick(wrong[-1] + n * MINUTE)) for n in range(40)]
        one.writer.commit(Batch(MIDNIGHT, events=more))
        while upkeep.step(one.writer.connection, wrong[-1] + DAY):
            pass
        assert one.rows("select * from reading") == []


def test_a_store_younger_than_a_day_deletes_nothing(tmp_path: Path) -> None:
    with kept(tmp_path, quick=True) as one:
        one.store(minutely("ro.flow", 1))
        tick(one, MIDNIGHT + 4000 * DAY)
        upkeep = Upkeep(one.plant, SHORT)
        while upkeep.step(one.writer.connection, MIDNIGHT + 4000 * DAY):
            pass
        assert len(one.rows("select * from reading")) == 60
