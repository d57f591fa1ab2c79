"""State that is written now and then, and what is judged again after a kill."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import pytest
from hypothesis import Phase, find, given, settings
from hypothesis import strategies as st

from monitor import checkpoint
from monitor.config import SiteFile
from monitor.frozen import replace
from monitor.readings import Event, OperatorAction, Sample, Status
from monitor.watch import Effects, WatchState
from tests.heart.shop import MINUTE, SITE, START_MS, Heart, acknowledge, di, sample, site, tick, timeless
from tests.heart.stored import StoredWatch, parts_of

DAY = 1440 * MINUTE
# Besides the small train: a rule that learns of every channel, a counter, what is computed of others.
MORE = """
[[instrument]]
id = "ro-counter"
point = "permeate"
expected_interval = "1 min"
wire = { kind = "mqtt", broker = "hall", topic = "ro/total", payload = { kind = "number" } }

[[instrument.channel]]
id = "ro.total"
quantity = "volume"
unit = "L"
range = [0, 65535]
resolution = 1
counter = { rolls_over_at = "16 bit" }

[[derived]]
kind = "litres"
id = "di.litres"
flow = "ro.flow"
since = "resin-change"
stage = "di"

[[derived]]
kind = "ratio"
id = "di.ratio"
of = "di.ec"
to = "ro.ec"

[[rule]]
kind = "limit"
id = "litres-high"
channel = "di.litres"
above = "20 L"

[[rule]]
kind = "stuck"
id = "stuck"

[[rule]]
kind = "instrument"
id = "instruments"

[[rule]]
kind = "not-judged"
id = "gates"
"""


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> SiteFile:
    return site(tmp_path_factory.mktemp("shop"), SITE + MORE)


@pytest.fixture(scope="module")
def empty(shop: SiteFile, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store in which nothing has happened yet: copied, it is ready sooner than made."""
    folder = tmp_path_factory.mktemp("empty")
    StoredWatch(shop, folder).writer.close()
    return folder


@st.composite
def streams(draw: st.DrawFn) -> list[Event]:
    """Events on a coarse grid of time, so that many meet: late, misdated, sent twice, without a time, with a
    clock that is set back or not set at all, with people in between."""
    events: list[Event] = []
    now = draw(st.sampled_from([0, 0, 0, -400_000]))  # minutes; the last is before clocks are trusted
    for _ in range(draw(st.integers(4, 40))):
        now += draw(st.sampled_from([0, 1, 1, 1, 1, 2, 5, -1, -7, -90, 400_000]))
        kind = draw(st.integers(0, 15))
        if kind == 0:
            events.append(acknowledge(now, draw(st.sampled_from(_TARGETS))))
        elif kind == 12:
            at_ms = START_MS + (now - draw(st.sampled_from([0, 2, 60]))) * MINUTE
            events.append(OperatorAction(at_ms, "event", "di", "lead", event="resin-change"))
        elif kind == 13:
            at_ms, told_ms = START_MS + now * MINUTE, START_MS + (now + 1) * MINUTE
            events.append(OperatorAction(at_ms, "reading", "di.ec", "lead", value=21.0, told_ms=told_ms))
        elif kind >= 14:
            events.append(_to_alarms(draw, START_MS + now * MINUTE))
        elif kind <= 2:
            events.append(tick(now))
        else:
            channel = draw(st.sampled_from(["di.ec", "di.ec", "ro.ec", "ro.flow", "ro.t", "ro.total"]))
            value = draw(st.sampled_from([0.0, 5.0, 5.0, 21.0, 33.0, -9.0, 1e9]))
            time_ms = START_MS + (now - draw(st.sampled_from([0, 0, 0, 1, 2, 3, -4, -9, 120]))) * MINUTE
            own = draw(st.booleans())
            status = draw(st.sampled_from([Status.OK, Status.OK, Status.REDELIVERED, Status.DEVICE_FAULT]))
            arrival_ms = START_MS + now * MINUTE
            events.append(Sample(channel, value, arrival_ms, time_ms if own else None, status))
    return events


def _to_alarms(draw: st.DrawFn, now_ms: int) -> OperatorAction:
    """Somebody shelves an alarm, or takes something out of service, or ends it."""
    action = draw(st.sampled_from(["shelve", "unshelve", "out-of-service", "in-service", "reset"]))
    service = action.endswith("service")
    target = draw(st.sampled_from(["di", "di.ec", "di-high", "silent"] if service else _TARGETS))
    until_ms = now_ms + draw(st.sampled_from([0, 1, 3, 90])) * MINUTE
    return OperatorAction(now_ms, action, target, "lead", "so", until_ms=until_ms, once=draw(st.booleans()))


_TARGETS = ["di-high", "di-high#1", "ro-high", "silent/di-meter", "nothing"]
_TABLES = ["reading", "event", "transition", "outbox", "count"]

Cut = tuple[int, bool, bool]  # events in the batch; killed after its commit; killed before it, and sent again
CUTS = st.lists(st.tuples(st.integers(1, 5), st.booleans(), st.booleans()), min_size=3, max_size=12)


def kept(
    shop: SiteFile, empty: Path, events: list[Event], cuts: list[Cut]
) -> tuple[WatchState, list[object], list[bool]]:
    """Events committed in batches, with kills; the state, all that is stored, and which batches held all."""
    with tempfile.TemporaryDirectory() as folder:
        stored = StoredWatch(shop, Path(shutil.copytree(empty, Path(folder) / "data")))
        left = list(events)
        for n, killed, killed_before in [*cuts, (len(events), True, False)]:
            before = stored.state
            if killed_before:
                stored.watch.run(stored.state, left[:n], Effects())
                stored.kill()
                assert stored.state == before
            stored.commit(left[:n])
            before, left = stored.state, left[n:]
            if killed:
                stored.kill()
                assert stored.state == before
        tables: list[object] = [stored.rows(table) for table in _TABLES]
        stored.writer.close()
        return stored.state, tables, stored.wrote_whole


@settings(max_examples=80, deadline=None)
@given(events=streams(), cuts=CUTS)
def test_killed_at_any_point_the_watch_goes_on_as_if_it_had_not_been(
    shop: SiteFile, empty: Path, events: list[Event], cuts: list[Cut]
) -> None:
    state, tables, _ = kept(shop, empty, events, cuts)
    unkilled, same_tables, _ = kept(shop, empty, events, [(n, False, False) for n, _, _ in cuts])
    assert state == unkilled
    assert tables == same_tables


def test_some_drawn_stream_is_killed_between_two_whole_states_with_an_alarm_up(
    shop: SiteFile, empty: Path
) -> None:
    def telling(events: list[Event]) -> bool:
        state, _, whole = kept(shop, empty, events, [(len(events) // 2, True, False)])
        return bool(state.alarms) and whole[-1] is False

    only_find = settings(phases=[Phase.generate], max_examples=500, deadline=None)
    assert find(streams(), telling, settings=only_find)


def test_what_was_judged_but_met_a_stored_reading_is_in_the_whole_state(
    shop: SiteFile, tmp_path: Path
) -> None:
    """A clock was set back: minutes that were judged are judged again, and the first value is kept."""
    stored = StoredWatch(shop, tmp_path / "data")
    stored.commit([tick(0), *di([(8, 5), (9, 5), (12, 5), (13, 5)])])
    stored.commit([sample("di.ec", 4, 5, arrival_ms=START_MS + 4 * MINUTE)])
    stored.commit(di([(5, 6)]))
    assert stored.wrote_whole == [True, True, False]
    stored.commit(di([(7, 7), (8, 30)]))  # the second is judged, and not stored
    assert stored.wrote_whole[-1]
    assert [row[2] for row in stored.rows("reading")] == [5, 6, 7, 5, 5, 5, 5]
    before = stored.state
    stored.kill()
    assert stored.state == before


def test_a_mark_moved_back_by_a_reading_that_is_stored_already_is_in_the_whole_state(
    shop: SiteFile, tmp_path: Path
) -> None:
    stored = StoredWatch(shop, tmp_path / "data")
    stored.commit([tick(0), *di([(0, 5), (20, 5)])])
    stored.commit([sample("di.ec", 0, 5, arrival_ms=START_MS + MINUTE)])  # sent again, by the earlier clock
    assert stored.wrote_whole == [True, True]
    before = stored.state
    assert before.channels["di.ec"].last_ms == START_MS
    stored.kill()
    assert stored.state == before


def test_a_reading_far_back_that_moves_the_state_is_in_the_whole_state(
    shop: SiteFile, tmp_path: Path
) -> None:
    """A gateway that lost its clock stamps what has no time of its own with a time of long ago."""
    stored = StoredWatch(shop, tmp_path / "data")
    stored.commit([tick(0), *di([(0, 5)])])
    stored.commit([timeless("di.ec", -400_000, 5)])
    assert stored.wrote_whole == [True, True]
    before = stored.state
    stored.kill()
    assert stored.state == before


def test_a_backlog_of_late_readings_is_no_reason_to_write_everything(shop: SiteFile, tmp_path: Path) -> None:
    stored = StoredWatch(shop, tmp_path / "data")
    stored.commit([tick(0), *di([(0, 5)])])
    stored.commit([sample("di.ec", -n, 5, arrival_ms=START_MS) for n in range(1, 200)])
    stored.commit([sample("di.ec", -1, 5, arrival_ms=START_MS)])  # and one of it again
    assert stored.wrote_whole == [True, False, False]
    before = stored.state
    stored.kill()
    assert stored.state == before


def test_the_whole_state_is_written_once_in_a_quarter_of_an_hour(shop: SiteFile, tmp_path: Path) -> None:
    stored = StoredWatch(shop, tmp_path / "data")
    for minute in range(31):
        stored.commit([tick(minute), *di([(minute, 5)])])
    assert [n for n, whole in enumerate(stored.wrote_whole) if whole] == [0, 15, 30]


def test_many_events_are_a_reason_to_write_the_whole_state(shop: SiteFile, tmp_path: Path) -> None:
    stored = StoredWatch(shop, tmp_path / "data")
    stored.ledger = checkpoint.Ledger(stored.watch, WatchState(), every_events=10)
    for n in range(0, 30, 5):
        stored.commit(di([((n + k) / 60, 5) for k in range(5)]))
    assert stored.wrote_whole == [True, False, True, False, True, False]


def test_a_batch_between_writes_numbers_and_alarms_alone(shop: SiteFile) -> None:
    heart = Heart(shop)
    ledger = checkpoint.Ledger(heart.watch, WatchState())
    effects = heart.see(sample("ro.flow", 0, 5.0), *di([(0, 25)]))
    assert "channel:ro.flow" in ledger.rest(heart.state, effects, ())
    ledger.committed(heart.state)
    effects = heart.see(*di([(1, 25)]))
    assert ledger.of_batch(heart.state).keys() == {"heart"}
    effects = heart.see(*di([(2, 25)]))
    assert ledger.of_batch(heart.state).keys() == {"heart", "alarm:di-high"}
    assert ledger.rest(heart.state, effects, ()) == {}
    changed = {"whole", "channel:di.ec", "rule:di-high", "rule:silent", "rule:stuck", "rule:instruments"}
    assert ledger.rest(heart.state, effects, (), last=True).keys() == changed


def test_state_of_another_version_is_named_as_lost(shop: SiteFile) -> None:
    heart = Heart(shop)
    heart.see(*di([(0, 25), (2, 25)]))
    parts = parts_of(heart.state, heart.watch)
    version, body = parts["rule:di-high"]
    parts["rule:di-high"] = (version + 1, body)
    found = checkpoint.stored(parts, heart.watch)
    assert found.lost == ("rule:di-high",)
    assert found.alarms == heart.state.alarms


def lose(stored: StoredWatch, *parts: str) -> None:
    """Make parts of another version, as an upgrade does."""
    for part in parts:
        stored.writer.connection.execute("update state set version = 99 where part glob ?", (part,))


def test_a_lost_rule_is_judged_again_over_the_days_it_says_and_the_others_stay(
    shop: SiteFile, tmp_path: Path
) -> None:
    stored = StoredWatch(shop, tmp_path / "data")
    for day in range(13):
        stored.commit([tick(day * 1440), *di([(day * 1440, 5 + day / 10), (day * 1440 + 1, 5)])])
    before = stored.state
    assert before.rules["stuck"].now["di.ec"].since_ms == START_MS
    rule = stored.watch.rules["stuck"]
    assert rule.remembers_days == 28
    rule.remembers_days = 5
    lose(stored, "rule:stuck")
    stored.kill()
    assert stored.state.rules["di-high"] == before.rules["di-high"]
    assert stored.state.channels == before.channels
    again = stored.state.rules["stuck"]
    assert again.runs == before.rules["stuck"].runs
    assert START_MS + 6 * DAY <= again.now["di.ec"].since_ms <= START_MS + 7 * DAY
    stored.commit([tick(13 * 1440)])
    assert stored.wrote_whole[-1]  # what was judged again is written at once


def test_lost_channels_are_conditioned_again_and_rules_stay(shop: SiteFile, tmp_path: Path) -> None:
    stored = StoredWatch(shop, tmp_path / "data")
    stored.commit([tick(0), *di([(minute, 5 + minute % 3) for minute in range(30)])])
    stored.commit(di([(31, 25), (32, 25), (34, 25)]))
    before = stored.state
    assert before.alarms["di-high"].holds
    lose(stored, "channel:*")
    stored.kill()
    assert stored.state == before


def test_when_everything_is_of_another_version_all_is_judged_again(shop: SiteFile, tmp_path: Path) -> None:
    stored = StoredWatch(shop, tmp_path / "data")
    stored.commit([tick(0), *di([(minute, 5 + minute % 3) for minute in range(30)])])
    stored.commit([*di([(31, 5)]), tick(32)])
    before = stored.state
    lose(stored, "*")
    stored.kill()
    # That it was away lately, which gathers messages for two minutes, is not made again.
    assert before.flood.away_until_ms and replace(stored.state, flood=before.flood) == before


def test_a_store_that_wrote_all_state_with_every_batch_is_read(shop: SiteFile, tmp_path: Path) -> None:
    stored = StoredWatch(shop, tmp_path / "data")
    stored.commit([tick(0), *di([(0, 5), (1, 25)])])
    before = stored.state
    stored.writer.connection.execute("delete from state where part = 'whole'")
    stored.kill()
    assert stored.state == before
