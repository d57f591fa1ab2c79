"""The heart as a whole: batches, failing rules, rules that are gone, its state kept and restored."""

from __future__ import annotations

import copy
from pathlib import Path

import pytest
from hypothesis import Phase, find, given, settings
from hypothesis import strategies as st

from monitor.config import SiteFile
from monitor.readings import AlarmState, Event, Sample, Tick
from monitor.watch import Effects, Watch, WatchState
from tests.heart.shop import MINUTE, SITE, START_MS, Heart, acknowledge, di, site, tick
from tests.heart.stored import through_the_store


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> SiteFile:
    return site(tmp_path_factory.mktemp("shop"))


@st.composite
def streams(draw: st.DrawFn) -> list[Event]:
    """Events of an hour or so, as they might come: late ones, bad ones, silences, people."""
    events: list[Event] = []
    now_ms = START_MS
    for _ in range(draw(st.integers(5, 120))):
        now_ms += draw(st.sampled_from([0, 7_000, 20_000, 61_000, 400_000]))
        kind = draw(st.integers(0, 9))
        if kind == 0:
            events.append(acknowledge((now_ms - START_MS) / MINUTE, draw(st.sampled_from(_TARGETS))))
        elif kind <= 2:
            events.append(Tick(now_ms // MINUTE * MINUTE))
        else:
            channel = draw(st.sampled_from(["di.ec", "di.ec", "ro.ec", "ro.flow", "ro.t"]))
            value = draw(st.sampled_from([0.0, 5.0, 19.0, 21.0, 33.0, 200.0, -9.0, 1e9]))
            lag_ms = draw(st.sampled_from([0, 0, 0, 90_000, -600_000]))
            own = draw(st.booleans())
            events.append(Sample(channel, value, now_ms, now_ms - lag_ms if own else None))
    return events


_TARGETS = ["di-high", "di-high#1", "ro-high", "silent/di-meter", "nothing"]


def judged(shop: SiteFile, events: list[Event], cuts: list[int]) -> tuple[list[object], WatchState]:
    """The same events, cut into batches; the state goes through the store's form between them."""
    watch, state = Watch(shop.plant, shop.rules), WatchState()
    found: list[object] = []
    for begin, end in zip([0, *cuts], [*cuts, len(events)], strict=True):
        effects = Effects()
        state = watch.run(state, events[begin:end], effects)
        found += effects.transitions
        state, lost = through_the_store(state, watch)
        assert lost == []
    return found, state


@settings(max_examples=80, deadline=None)
@given(events=streams(), data=st.data())
def test_however_the_stream_is_cut_the_alarms_are_the_same(
    shop: SiteFile, events: list[Event], data: st.DataObject
) -> None:
    cuts = sorted(data.draw(st.lists(st.integers(0, len(events)), max_size=8)))
    whole, state = judged(shop, events, [])
    pieces, cut_state = judged(shop, events, cuts)
    assert pieces == whole
    assert cut_state == state


@settings(max_examples=30, deadline=None)
@given(events=streams(), begun=st.integers(0, 60))
def test_the_state_that_was_given_stays_as_it_was(shop: SiteFile, events: list[Event], begun: int) -> None:
    watch = Watch(shop.plant, shop.rules)
    state = watch.run(WatchState(), events[:begun], Effects())
    before = copy.deepcopy(state)
    after = watch.run(state, events[begun:], Effects())
    assert state == before
    assert watch.run(state, events[begun:], Effects()) == after


def test_some_drawn_stream_raises_an_alarm(shop: SiteFile) -> None:
    # Found is enough: making it small would take minutes.
    only_find = settings(phases=[Phase.generate], max_examples=500, deadline=None)
    assert find(streams(), lambda events: bool(judged(shop, events, [])[0]), settings=only_find)


class _Broken:
    """A rule that fails at its second reading."""

    kind = "limit"

    def __init__(self, sound: object) -> None:
        self.settings, self.channels = sound.settings, sound.channels  # type: ignore[attr-defined]  # a Rule

    def start(self) -> int:
        return 0

    def on_reading(self, state: int, reading: object) -> tuple[int, tuple[()]]:
        if state == 1:
            raise ZeroDivisionError("division by zero")
        return state + 1, ()

    def on_tick(self, state: int, tick: object) -> tuple[int, tuple[()]]:
        return state, ()


def test_a_rule_that_fails_is_switched_off_and_told_and_the_others_go_on(shop: SiteFile) -> None:
    heart = Heart(shop)
    heart.watch = Watch(shop.plant, [_Broken(shop.rules[0]), *shop.rules[1:]])
    heart.see(*di([(0, 25), (1, 25), (2, 25), (5, 25)]))
    assert [t.condition for t in heart.transitions] == ["rule-failed/di-high"]
    assert heart.transitions[0].evidence["error"] == "ZeroDivisionError: division by zero"
    assert heart.state.rules["di-high"] == 1  # the state before the failure
    for minute in range(6, 11):
        heart.see(tick(minute))
    assert "silent/di-meter" in heart.state.alarms


def test_a_failed_rule_is_tried_again_after_a_day(shop: SiteFile) -> None:
    heart = Heart(shop)
    heart.watch = Watch(shop.plant, [_Broken(shop.rules[0])])
    heart.see(*di([(0, 25), (1, 25)]))
    for minute in range(1443):
        heart.see(tick(minute))
    assert heart.state.failed == {}
    assert heart.state.alarms["rule-failed/di-high"].state == AlarmState.RETURNED


def test_the_alarm_of_a_rule_that_was_taken_out_returns(shop: SiteFile, tmp_path: Path) -> None:
    heart = Heart(shop)
    heart.see(*di([(0, 25), (2, 25)]))
    without = SITE.replace('id = "di-high"\nchannel', 'id = "di-other"\nchannel')
    fewer = site(tmp_path, without)
    heart.watch = Watch(fewer.plant, fewer.rules)
    heart.see(tick(3))
    assert heart.state.alarms["di-high"].state == AlarmState.RETURNED


def test_the_silence_of_an_instrument_that_was_taken_out_returns(shop: SiteFile, tmp_path: Path) -> None:
    heart = Heart(shop)
    heart.see(*(tick(minute) for minute in range(6)))
    assert heart.state.alarms["silent/ro-node"].state == AlarmState.UNACKNOWLEDGED
    fewer = site(tmp_path, SITE.replace('id = "ro-node"', 'id = "ro-node-2"'))
    heart.watch = Watch(fewer.plant, fewer.rules)
    heart.see(tick(6), tick(7))
    assert heart.story("silent/ro-node") == [("raised", 4), ("returned", 6)]


def test_samples_of_a_channel_that_was_taken_out_do_not_end_a_rebuild_or_a_replay(
    shop: SiteFile, tmp_path: Path
) -> None:
    fewer = site(tmp_path, SITE.replace('"di.ec"', '"di.other"'))
    heart = Heart(shop)
    heart.watch = Watch(fewer.plant, fewer.rules)
    effects = heart.see(*di([(0, 5)]))
    assert effects.readings == []
    assert heart.state.sequence == 1
