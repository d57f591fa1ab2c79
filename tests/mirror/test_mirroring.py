"""What the store keeps comes to the server, stays there, and is missed when it does not."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable

import pytest

from monitor.mirror import looking, outgoing
from monitor.readings import Reason, Standing
from monitor.store import revisions
from tests.mirror.conftest import START_MS
from tests.mirror.point_server import PointServer
from tests.mirror.shop import HOUR, MINUTE, Driven, reading, transition

DAY = 24 * HOUR
Drive = Callable[..., Driven]


def minutes(first: int, last: int, channel: str = "m0.ec", value: float = 5.0) -> list[object]:
    return [reading(channel, START_MS + n * MINUTE, value + n / 7) for n in range(first, last)]


def times(server: PointServer, channel: str = "m0.ec", name: str = "value") -> list[int]:
    """Minutes after the start that the server has, as they came."""
    return [(t - START_MS) // MINUTE for t, _ in server.has(f"goodwater_reading_{name}", channel=channel)]


def set_of(server: PointServer) -> set[object]:
    return {(series, t) for series, pairs in server.stored.items() for t, _ in pairs}


def test_readings_alarms_and_health_arrive_once_with_value_quality_and_place(
    drive: Drive, server: PointServer
) -> None:
    shop = drive()
    shop.on()
    doubtful = reading("m1.ec", START_MS, 7.5, raw=7.0, reasons=Reason.FLAT, standing=Standing.GATED)
    shop.shop.store([*minutes(0, 90), doubtful], [transition(START_MS + 5)])  # type: ignore[list-item]
    shop.on(2 * HOUR)
    assert set_of(server) == shop.shop.expected(shop.clock.at_ms)
    assert times(server) == list(range(90))
    name = {"channel": "m1.ec", "instrument": "meter-1", "point": "di-out", "site": "shop"}
    name |= {"quantity": "conductivity", "unit": "uS/cm"}
    assert server.has("goodwater_reading_value", **name) == [(START_MS, 7.5)]
    assert server.has("goodwater_reading_quality", **name) == [(START_MS, 1.0)]
    assert server.has("goodwater_reading_judged", **name) == [(START_MS, 0.0)]
    alarm = {
        "condition": "di-high",
        "cause": "raised",
        "rule": "limit",
        "subject": "m0.ec",
        "priority": "high",
    }
    assert server.has("goodwater_alarm_state", **alarm) == [(START_MS + 5, 3.0)]
    hour = {field: server.has(f"goodwater_health_{field}", instrument="meter-0")[0][1] for field in HEALTH}
    assert hour == dict(zip(HEALTH, (60, 60, 60, 0, 0, 60), strict=True))


HEALTH = ("readings", "expected", "good", "uncertain", "bad", "longest_gap_s")


def test_what_was_there_before_the_mirror_is_sent_too_but_nothing_the_server_has(
    drive: Drive, server: PointServer
) -> None:
    shop = drive(what='["readings"]')
    shop.shop.store(minutes(0, 50))
    shop.on(HOUR)
    assert times(server) == list(range(50))
    (shop.shop.data / "mirror-office.db").unlink()
    shop.restart()
    shop.on()
    assert times(server) == list(range(50))


def test_only_what_was_measured_since_the_first_day_asked_for_is_sent(
    drive: Drive, server: PointServer
) -> None:
    shop = drive(what='["readings"]', since="2026-06-01")
    before = [reading("m0.ec", START_MS - 9 * HOUR)]  # 2026-05-31 23:00 in the shop
    shop.shop.store([*before, *minutes(0, 3)])  # type: ignore[list-item]
    shop.on()
    assert times(server) == [0, 1, 2]


@pytest.mark.parametrize("standing", [Standing.LATE, Standing.TIME_UNKNOWN])
def test_a_late_reading_is_sent_alone_and_its_hour_counted_anew(
    drive: Drive, server: PointServer, standing: Standing
) -> None:
    shop = drive()
    shop.on()
    shop.shop.store([*minutes(0, 30), *minutes(31, 130)])
    shop.on(3 * HOUR)
    shop.shop.store([reading("m0.ec", START_MS + 30 * MINUTE, standing=standing)])
    shop.on(HOUR)
    shop.on(HOUR)
    assert sorted(times(server)) == list(range(130))
    assert [v for _, v in server.has("goodwater_health_readings", instrument="meter-0")][:1] == [59.0]
    assert (START_MS, 60.0) in server.has("goodwater_health_readings", instrument="meter-0")


def test_a_value_computed_anew_is_sent_again_and_the_others_of_its_span_are_not(
    drive: Drive, server: PointServer
) -> None:
    shop = drive(what='["readings"]')
    shop.on()
    shop.shop.store(minutes(0, 30))
    shop.on(HOUR)
    writer = shop.shop.writer.connection
    writer.execute("begin")
    writer.execute("update reading set value = 99 where time_ms = ?", (START_MS + 7 * MINUTE,))
    revisions.note(writer, [(1, START_MS, START_MS + 30 * MINUTE)])
    writer.execute("commit")
    shop.on(HOUR)
    shop.on(HOUR)
    assert sorted(times(server)) == sorted([*range(30), 7])
    assert (START_MS + 7 * MINUTE, 99.0) in server.has("goodwater_reading_value", channel="m0.ec")


def test_a_mark_that_moved_back_loses_nothing_and_what_bore_a_false_time_is_not_sent(
    drive: Drive, server: PointServer
) -> None:
    shop = drive(what='["readings"]')
    shop.on()
    shop.shop.store(minutes(0, 3))
    shop.on(10_000)
    shop.shop.store([reading("m0.ec", START_MS + 400 * DAY)])  # a clock that ran ahead, believed at first
    shop.shop.store(minutes(3, 5), bad_after=[("m0.ec", START_MS + HOUR)])
    shop.on(10_000)
    shop.shop.store(minutes(5, 8))
    shop.on(HOUR)
    assert sorted(times(server)) == list(range(8))


def test_acknowledged_points_that_are_gone_are_missed_and_sent_again(
    drive: Drive, server: PointServer
) -> None:
    shop = drive()
    shop.on()
    shop.shop.store(minutes(0, 90), [transition(START_MS)])
    shop.on(2 * HOUR)
    for series in [s for s in server.stored if ("__name__", "goodwater_reading_judged") in s]:
        del server.stored[series][40:60]  # one field of some points
    server.stored = {s: p for s, p in server.stored.items() if dict(s).get("condition") != "di-high"}
    shop.on(11 * MINUTE)
    assert set_of(server) == shop.shop.expected(shop.clock.at_ms)
    assert shop.shop.note("again") == 21


def test_points_lost_after_the_first_look_are_missed_by_the_second(drive: Drive, server: PointServer) -> None:
    shop = drive(what='["readings"]')
    shop.on()
    shop.shop.store(minutes(0, 90))
    shop.on(10_000)
    shop.on(HOUR)
    server.stored.clear()  # it was restored from an old backup
    shop.on(DAY)
    assert sorted(times(server)) == list(range(90))


def test_after_all_looks_nothing_is_left_to_do(drive: Drive, server: PointServer) -> None:
    shop = drive()
    shop.on()
    shop.shop.store(minutes(0, 90), [transition(START_MS)])
    for _ in range(4):
        shop.on(12 * HOUR)
    with shop.shop.ledger() as ledger:
        left = {name for (name,) in ledger._connection.execute("select strand from span")}
    assert left == {"health meter-0"}  # of which each hour is new
    assert shop.shop.note("again") is None


def test_points_that_the_server_never_keeps_are_given_up_and_told_once(
    drive: Drive, server: PointServer
) -> None:
    server.keeps = lambda line: not line.endswith(f" {START_MS + 7 * MINUTE}")
    shop = drive(what='["readings"]')
    shop.on()
    shop.shop.store(minutes(0, 20))
    for _ in range(40):
        shop.on(HOUR)
    assert shop.shop.note("unkept") == 1
    assert shop.shop.note("again") == looking.MOST_TRIES
    assert [subject for subject, _ in shop.shop.told] == ['mirror "office" loses points']
    assert sorted(times(server)) == [n for n in range(20) if n != 7]


def test_a_point_that_the_server_refuses_keeps_no_other_back(drive: Drive, server: PointServer) -> None:
    server.refuses = lambda line: line.endswith(f" {START_MS + 7 * MINUTE}")
    shop = drive(what='["readings"]', read_back='{ kind = "none" }')
    shop.on()
    shop.shop.store(minutes(0, 300))
    shop.on(10_000)
    assert times(server) == [n for n in range(300) if n != 7]
    assert (shop.shop.note("refused"), shop.shop.note("sent")) == (1, 300)
    assert "it refuses points (400: cannot take goodwater_reading" in shop.shop.note("refusal")


def test_a_server_that_refuses_everything_costs_few_requests(drive: Drive, server: PointServer) -> None:
    server.refuses = lambda line: True
    shop = drive(what='["readings"]', read_back='{ kind = "none" }')
    shop.on()
    shop.shop.store(minutes(0, 3_000))
    shop.on(10_000)
    assert shop.shop.note("refused") == 3_000
    assert len(server.requests) <= outgoing._MOST_REFUSALS + 20


def test_a_server_away_loses_nothing_and_is_told_of_once_after_an_hour(
    drive: Drive, server: PointServer
) -> None:
    server.answer = 401, '{"code": "unauthorized", "message": "unauthorized access"}', ""
    shop = drive()
    shop.on()
    for n in range(0, 300, 10):
        shop.shop.store(minutes(n, n + 10))
        shop.on(10 * MINUTE)
        if n == 100:
            shop.restart()
    (subject, text), *more = shop.shop.told
    assert (subject, more) == ('mirror "office" gets nothing', [])
    assert (
        "since 2026-06-01 08:" in text and "check token_file or token_env (401: unauthorized access)" in text
    )
    server.answer = 204, "", ""
    shop.on(10 * MINUTE)
    assert set_of(server) == shop.shop.expected(shop.clock.at_ms)
    assert shop.shop.note("write") is None
    assert len(server.requests) < 300


def test_a_server_that_takes_but_cannot_be_asked_is_told_of_and_gets_all_the_same(
    drive: Drive, server: PointServer
) -> None:
    server.can_be_asked = False
    shop = drive(what='["readings"]')
    shop.on()
    for n in range(0, 200, 10):
        shop.shop.store(minutes(n, n + 10))
        shop.on(10 * MINUTE)
    assert times(server) == list(range(200))
    assert [subject for subject, _ in shop.shop.told] == ['mirror "office" cannot be compared']
    with shop.shop.ledger() as ledger:
        (rows,) = ledger._connection.execute("select count(*) from span").fetchone()
    assert rows < 5
    server.can_be_asked = True
    server.stored.clear()
    shop.on(HOUR)
    assert times(server) == list(range(200))


def test_a_kill_between_acknowledgement_and_ledger_sends_one_batch_twice_and_loses_none(
    drive: Drive, server: PointServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = drive(what='["readings"]')
    shop.on()
    shop.shop.store(minutes(0, 10))
    shop.clock.at_ms += 10_000
    with monkeypatch.context() as patch:
        patch.setattr(
            "monitor.mirror.ledger.Ledger.set_place", lambda *_: (_ for _ in ()).throw(OSError("killed"))
        )
        with pytest.raises(OSError, match="killed"):
            shop.mirroring.round()
    shop.restart()
    shop.shop.store(minutes(10, 20))
    shop.on(10_000)
    assert sorted(times(server)) == sorted([*range(10), *range(20)])


def test_a_damaged_ledger_is_set_aside_and_nothing_is_sent_twice(drive: Drive, server: PointServer) -> None:
    shop = drive(what='["readings"]')
    shop.on()
    shop.shop.store(minutes(0, 10))
    shop.on(10_000)
    shop.mirroring._forget()
    (shop.shop.data / "mirror-office.db").write_bytes(b"no database at all" * 100)
    shop.restart()
    shop.shop.store(minutes(10, 20))
    shop.mirroring.round()
    shop.on(10_000)
    assert times(server) == list(range(20))
    assert (shop.shop.data / "mirror-office.db.damaged-1").exists()


def test_another_store_in_the_place_of_the_one_it_followed_is_followed_from_its_beginning(
    drive: Drive, server: PointServer
) -> None:
    shop = drive(what='["readings", "alarms"]')
    shop.on()
    shop.shop.store(minutes(0, 10), [transition(START_MS), transition(START_MS + 9, 1, "returned")])
    shop.on(HOUR)
    shop.shop.replace()
    shop.shop.store(minutes(10, 12), [transition(START_MS + HOUR, 1)])
    shop.shop.store([reading("m0.ec", START_MS + 11 * MINUTE + 5, standing=Standing.LATE)])
    shop.on(HOUR)
    shop.on(HOUR)
    assert sorted(set(times(server))) == list(range(12))
    assert len(server.has("goodwater_reading_value", channel="m0.ec")) == 13
    assert [t for t, _ in server.has("goodwater_alarm_state", cause="raised")] == [START_MS, START_MS + HOUR]


def test_an_older_store_put_back_is_followed_from_where_it_stands(drive: Drive, server: PointServer) -> None:
    shop = drive(what='["readings", "alarms"]')
    shop.on()
    shop.shop.store([*minutes(0, 10), *minutes(0, 10, "m1.ec")], [transition(START_MS)])
    shop.on(HOUR)
    shop.shop.keep_a_copy()
    shop.shop.store(minutes(10, 20), [transition(START_MS + 9, 1, "returned")])
    shop.shop.store([reading("m0.ec", START_MS + 5, standing=Standing.LATE)])
    shop.on(HOUR)
    shop.on(HOUR)
    shop.shop.put_the_copy_back()
    shop.shop.store(minutes(12, 14), [transition(START_MS + 77, 1, "returned")])  # numbers given once more
    shop.shop.store([reading("m0.ec", START_MS + 6, standing=Standing.LATE)])
    shop.on(HOUR)
    shop.on(HOUR)
    assert shop.shop.expected(shop.clock.at_ms) <= set_of(server)
    assert sorted(times(server, "m1.ec")) == list(range(10))


def test_a_backlog_is_sent_in_batches_of_a_bounded_size_from_all_channels_in_turn(
    drive: Drive, server: PointServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(outgoing, "BATCH", 100)
    monkeypatch.setattr(looking, "_AT_ONCE", 70)
    shop = drive(what='["readings"]')
    shop.on(DAY)
    shop.shop.store([*minutes(0, 500), *minutes(0, 500, "m1.ec")])
    shop.on(10_000)
    shop.on(11 * MINUTE)
    assert set_of(server) == shop.shop.expected(shop.clock.at_ms)
    assert (server.written, shop.shop.note("again")) == (1_000, None)


def test_while_it_works_off_a_backlog_it_rests_longer_than_it_computes(
    drive: Drive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(outgoing, "BATCH", 100)
    shop = drive(what='["readings"]')
    shop.on()
    shop.shop.store([*minutes(0, 3_000)])
    shop.clock.at_ms += 10_000
    began_s = time.thread_time()
    rests_s = sum(shop.mirroring.round() for _ in range(25))
    assert rests_s > 3 * (time.thread_time() - began_s)
    assert shop.shop.note("sent") == 2_500


def test_a_channel_that_left_the_site_file_is_let_go(drive: Drive, server: PointServer) -> None:
    shop = drive(meters=2, what='["readings"]')
    shop.on()
    shop.shop.store([*minutes(0, 5), *minutes(0, 5, "m1.ec")])
    shop.on(10_000)
    shop.close()
    less = drive(meters=1, what='["readings"]')
    less.clock.at_ms = shop.clock.at_ms
    less.shop.store(minutes(5, 9))
    less.on(HOUR)
    less.on(DAY)
    less.on(DAY)
    assert times(server) == list(range(9))
    with less.shop.ledger() as ledger:
        assert ledger.next_due_ms() is None


def test_a_shop_without_a_mirror_does_not_load_the_clients() -> None:
    clients = ("influxdb_client", "urllib3")
    check = f"import sys, monitor.mirror.mirroring; print([m for m in {clients} if m in sys.modules])"
    said = subprocess.run([sys.executable, "-c", check], capture_output=True, text=True, check=True).stdout
    assert said == "[]\n"
