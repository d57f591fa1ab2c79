"""Derived channels in the whole stream: cut anyhow, stored, replayed, rebuilt, computed anew."""

from __future__ import annotations

import contextlib
import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor import checkpoint
from monitor.cli import main
from monitor.config import SiteFile
from monitor.readings import Event, Reading, Sample, Tick
from monitor.recompute import Recompute
from monitor.store import reader
from monitor.store.files import open_reader
from monitor.store.writer import Writer
from monitor.watch import Effects, Watch, WatchState
from monitor.web import view
from tests.heart.derived_shop import done, text
from tests.heart.shop import MINUTE, START_MS, sample, site, tick
from tests.heart.stored import StoredWatch, parts_of, through_the_store

DERIVED = """
[[derived]]
kind = "counted-flow"
id = "in.flow"
counter = "in.total"

[[derived]]
kind = "rejection"
id = "ro.rejection"
permeate = "out.ec"
feed = "in.ec"

[[derived]]
kind = "litres"
id = "di.litres"
counter = "in.total"
since = "resin-change"
stage = "di"

[[derived]]
kind = "di-load"
id = "di.load"
inlet = "out.ec"
flow = "in.flow"
alkalinity = "260 mg/L"
ph = 7.4

[[derived]]
kind = "starts-per-day"
id = "ro.starts"
running = "ro.run"

[[rule]]
kind = "limit"
id = "rejection-low"
channel = "ro.rejection"
below = "96 %"
deadband = "0.5 %"

[[rule]]
kind = "limit"
id = "resin-old"
channel = "di.litres"
above = "3000 L"
"""
CHANNELS = {
    "in_ec": "conductivity",
    "out_ec": 'conductivity;gate = { flow = "in.flow", minutes = "2 min" }',
    "in_total": 'volume;resolution = 1\ncounter = { rolls_over_at = 1000, largest_flow = "20 L/min" }',
    "ro_run": "contact",
}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> SiteFile:
    return site(tmp_path_factory.mktemp("shop"), text(DERIVED, **CHANNELS))


@st.composite
def streams(draw: st.DrawFn) -> list[Event]:
    """Some hours of a small shop, with gaps, backlogs, resets and people."""
    events: list[Event] = []
    now_ms, total = START_MS, 900
    for _ in range(draw(st.integers(5, 50))):
        now_ms += draw(st.sampled_from([0, 20_000, 60_000, 61_000, 400_000]))
        match draw(st.integers(0, 7)):
            case 0:
                events.append(Tick(now_ms // MINUTE * MINUTE))
            case 1:
                ago = draw(st.sampled_from([0, 5, 60 * 24]))
                events.append(done((now_ms - START_MS) / MINUTE - ago, "resin-change", "di"))
            case 2 | 3:
                total = (total + draw(st.sampled_from([0, 3, 10, 500]))) % 1000
                events.append(Sample("in.total", float(total), now_ms, now_ms))
            case _:
                channel = draw(st.sampled_from(["in.ec", "out.ec", "out.ec", "ro.run"]))
                value = draw(st.sampled_from([0.0, 1.0, 8.0, 20.0, 400.0, -9.0]))
                lag_ms = draw(st.sampled_from([0, 0, 90_000, -86_400_000]))
                events.append(Sample(channel, value, now_ms, now_ms - lag_ms))
    return events


def judged(shop: SiteFile, events: list[Event], cuts: list[int]) -> tuple[list[object], WatchState]:
    """The same events, cut into batches; the state goes through the store's form between them."""
    watch, state = Watch(shop.plant, shop.rules), WatchState()
    found: list[object] = []
    for begin, end in zip([0, *cuts], [*cuts, len(events)], strict=True):
        effects = Effects()
        state = watch.run(state, events[begin:end], effects)
        found += [*effects.readings, *effects.transitions, *effects.counts]
        state, lost = through_the_store(state, watch)
        assert lost == []
    return sorted(map(str, found)), state


@settings(max_examples=20, deadline=None)
@given(events=streams(), data=st.data())
def test_however_the_stream_is_cut_what_is_derived_is_the_same(
    shop: SiteFile, events: list[Event], data: st.DataObject
) -> None:
    cuts = sorted(data.draw(st.lists(st.integers(0, len(events)), max_size=6)))
    assert judged(shop, events, cuts) == judged(shop, events, [])


@settings(max_examples=20, deadline=None)
@given(events=streams())
def test_the_times_of_a_derived_channel_only_rise_and_are_never_younger_than_an_input(
    shop: SiteFile, events: list[Event]
) -> None:
    effects = Effects()
    watch = Watch(shop.plant, shop.rules)
    watch.run(WatchState(), events, effects)
    back = {moved.channel for moved in effects.moved_back}
    seen: dict[str, int] = {}
    for _, reading in effects.readings:
        one = shop.plant.computed.get(reading.channel)
        if one is not None:
            assert reading.time_ms > seen.get(reading.channel, 0) or reading.channel in back
            assert reading.time_ms == min(seen[name] for name in one.inputs.values()) or back
        if reading.ordered:
            seen[reading.channel] = reading.time_ms


DAYS = 9
STEP = 30


def lived() -> list[Event]:
    """Nine days: the unit runs every other hour, the counter turns over, the permeate gets worse."""
    events: list[Event] = []
    total = 0.0
    for minute in range(0, DAYS * 24 * 60, STEP):
        on = minute % 120 < 60
        total += 5.0 * STEP if on else 0.0
        events += [
            tick(minute),
            sample("in.ec", minute, 400.0),
            sample("in.total", minute, total % 1000),
            sample("ro.run", minute, float(on)),
            sample("out.ec", minute + 1, 8.0 + minute / 1440),
        ]
        if minute == 24 * 60:
            events.append(done(minute - 90, "resin-change", "di"))
    return events


@pytest.fixture(scope="module")
def life(tmp_path_factory: pytest.TempPathFactory) -> tuple[SiteFile, WatchState]:
    """The shop's life, watched and stored in batches."""
    folder = tmp_path_factory.mktemp("life")
    site_file = site(folder, text(DERIVED, interval=f"{STEP} min", **CHANNELS))
    stored = StoredWatch(site_file, site_file.data_dir)
    Recompute(site_file.plant).begin(stored.writer.connection, START_MS)
    events = lived()
    for begin in range(0, len(events), 777):
        stored.commit(events[begin : begin + 777])
    stored.writer.close()
    return site_file, stored.state


def readings(site_file: SiteFile, channel: str) -> list[Reading]:
    with contextlib.closing(open_reader(site_file.data_dir)) as connection:
        return list(reader.readings(connection, channel))


def test_a_stored_stream_is_replayed_to_the_same_alarms_and_the_same_derived_values(
    life: tuple[SiteFile, WatchState], capsys: pytest.CaptureFixture[str]
) -> None:
    site_file, _ = life
    assert main(["replay", str(site_file.path)]) == 0
    *_, derived, told = capsys.readouterr().out.splitlines()
    assert told == "4 stored transitions, 4 replayed: the same"
    count = sum(len(readings(site_file, name)) for name in site_file.plant.computed)
    assert count > 1500 and derived == f"{count} derived readings as they were stored, 0 of another value"

    assert main(["readings", str(site_file.path), "ro.rejection"]) == 0
    line = capsys.readouterr().out.splitlines()[1].split(",")
    assert line[1:4] == ["ro.rejection", "98", "percent"]
    assert main(["status", str(site_file.path)]) == 1
    assert "di.litres" in capsys.readouterr().out


def test_the_page_shows_a_derived_channel_at_the_stage_it_tells_of(
    life: tuple[SiteFile, WatchState],
) -> None:
    site_file, state = life
    with contextlib.closing(open_reader(site_file.data_dir)) as connection:
        shown = view.now(
            site_file.plant,
            connection,
            state.channels["ro.rejection"].last_ms,
            daemon_runs=True,
            first_line=lambda transition: transition.condition,
        )
    (ro,) = (place for place in shown.train if place.kind == "ro")
    (value,) = (value for value in ro.values if value.name == "rejection")
    assert value.text == "95.8 %" and "old" not in value.note
    assert [value.name for value in shown.elsewhere] == []


def test_a_lost_state_is_rebuilt_with_sums_and_counters_where_they_stood(
    life: tuple[SiteFile, WatchState],
) -> None:
    site_file, state = life
    watch = Watch(site_file.plant, site_file.rules)
    other_version = {part: (99, "{}") for part in parts_of(state, watch) if not part.startswith("alarm:")}
    with contextlib.closing(open_reader(site_file.data_dir)) as connection:
        rebuilt, _ = checkpoint.loaded(other_version, watch, connection, lambda: None)
    # What the last seven days alone would tell is less: the resin was changed eight days ago.
    for name, channel in state.channels.items():
        assert rebuilt.channels[name].counter == channel.counter
        assert rebuilt.channels[name].latest == channel.latest
    effects, truth = Effects(), Effects()
    more = [sample("in.total", DAYS * 24 * 60, 0.0), sample("out.ec", DAYS * 24 * 60 + 1, 18.0)]
    watch.run(rebuilt, more, effects)
    watch.run(state, more, truth)
    # The load waits for its inlet at the seam, and is then reckoned with one that is half a day younger.
    assert [(r.channel, r.time_ms, pytest.approx(r.value, 1e-3)) for _, r in effects.readings] == [
        (r.channel, r.time_ms, r.value) for _, r in truth.readings
    ]


def test_a_calibration_entered_afterwards_changes_what_is_computed_and_not_what_was_counted(
    life: tuple[SiteFile, WatchState], tmp_path: Path
) -> None:
    site_file, _ = life
    shutil.copytree(site_file.data_dir, tmp_path / "data")
    before = {name: readings(site_file, name) for name in site_file.plant.computed}
    entered = site_file.path.read_text(encoding="utf-8")
    for channel in ("out.ec", "in.total"):
        head, _, tail = entered.partition(f'id = "{channel}"\n')
        entered = f'{head}id = "{channel}"\ncalibration = [{{ since = 2026-06-05, gain = 1.1 }}]\n{tail}'
    again = site(tmp_path, entered)
    with contextlib.closing(Writer(again.data_dir, START_MS, str)) as writer:
        work = Recompute(again.plant)
        now_ms = START_MS + DAYS * 24 * 60 * MINUTE
        assert work.begin(writer.connection, now_ms) == ["out.ec", "in.total"]
        while work.step(writer.connection, now_ms):
            pass
    passages, again_passages = (
        [100 - r.value for r in found] for found in (before["ro.rejection"], readings(again, "ro.rejection"))
    )
    assert again_passages[-1] == pytest.approx(1.1 * passages[-1]) and again_passages[0] == passages[0]
    flows = {r.value for r in readings(again, "in.flow")}
    assert {round(flow, 9) for flow in flows} == {0.0, 5.0, 5.5}
    for name in ("di.litres", "di.load", "ro.starts"):
        assert readings(again, name) == before[name]
