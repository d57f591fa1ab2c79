"""Rule `membrane`: a membrane made of numbers, and the simulator's, which shares no formula with the rule."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

from monitor.alarms.alarm import Alarm, Treatment
from monitor.alarms.board import Board, Heard
from monitor.config import ConfigMistakes
from monitor.readings import Finding, OperatorAction, Reading, Silence, Transition
from monitor.rules.course import chart
from monitor.rules.membrane import Membrane, State, wording
from monitor.rules.rule import HearsEvents
from monitor.rules.starts import Starts, seen
from monitor.stats.run_length_ar1 import cusum_arl_ar1
from tests.heart.shop import MINUTE, SITE, START_MS, site
from tests.heart.test_creep import FEED, POINT, Curve, constant, day_of, raised, reading

DAY = 1440
GAUGE = """
[[instrument]]
id = "gauges"
point = "permeate"
expected_interval = "1 min"
[instrument.wire]
kind = "mqtt"
broker = "hall"
topic = "gauges"
payload = { kind = "json", values = { "ro.drop" = "/d", "ro.run" = "/r" } }

[[instrument.channel]]
id = "ro.drop"
quantity = "pressure"
unit = "bar"
range = [0.0, 4.0]
resolution = 0.01

[[instrument.channel]]
id = "ro.run"
quantity = "contact"
unit = "1"
range = [0.0, 1.0]
resolution = 1.0

[[derived]]
kind = "normalised-flow"
id = "ro.nflow"
permeate_flow = "ro.flow"
temperature = "ro.t"
reference = { temperature = "14 degC", permeate_flow = "3.6 L/min" }

[[derived]]
kind = "normalised-salt-passage"
id = "ro.npass"
permeate = "ro.ec"
feed = "feed.ec"
permeate_flow = "ro.flow"
feed_flow = "feed.flow"
temperature = "ro.t"
[derived.reference]
temperature = "14 degC"
permeate_flow = "3.6 L/min"
feed_flow = "6 L/min"
feed = "500 uS/cm"
permeate = "10 uS/cm"

[[derived]]
kind = "normalised-pressure-drop"
id = "ro.ndrop"
pressure_drop = "ro.drop"
feed_flow = "feed.flow"
permeate_flow = "ro.flow"
at_feed_flow = "6 L/min"
at_permeate_flow = "3.6 L/min"
"""
ALL = 'flow = "ro.nflow"\npassage = "ro.npass"\ndrop = "ro.ndrop"\n'
FLOW, PASSAGE, DROP = 3.6, 2.0, 0.5


def text(keys: str = ALL) -> str:
    rule = f'\n[[rule]]\nkind = "membrane"\nid = "ro"\n{keys}\n'
    return SITE.replace("[[instrument]]", POINT, 1) + FEED + GAUGE + rule


def membrane(folder: Path, keys: str = ALL) -> Membrane:
    rule = site(folder, text(keys)).rules[-1]
    assert isinstance(rule, Membrane)
    return rule


def from_day(first: float, a_week: float) -> Curve:
    """1 until a day, then so much more each week."""
    return lambda day: 1.0 + a_week * max(0.0, day - first) / 7.0


SOUND = constant(1.0)


def water(
    days: Iterable[int],
    flow: Curve = SOUND,
    passage: Curve = SOUND,
    drop: Curve = SOUND,
    *,
    temperature: Curve = constant(14.0),  # noqa: B008 - a curve that never changes
    scatter: float = 0.01,
    seed: int = 1,
) -> Iterator[Reading]:
    """Two hours of normalised values a working day, each five minutes; days scatter with a memory of 0.4."""
    chance, stray = random.Random(seed), [0.0, 0.0, 0.0]
    for day in days:
        if day % 7 > 4:
            continue
        stray = [0.4 * s + chance.gauss(0.0, scatter * math.sqrt(1 - 0.4**2)) for s in stray]
        usual = (FLOW * flow(day), PASSAGE * passage(day), DROP * drop(day))
        for minute in range(0, 120, 5):
            at = day * DAY + minute
            yield reading("ro.t", at, temperature(day))
            for name, value, off in zip(("ro.nflow", "ro.npass", "ro.ndrop"), usual, stray, strict=True):
                yield reading(name, at + 0.1, value * math.exp(off + chance.gauss(0.0, 0.005)))


def live(rule: Membrane, stream: Iterable[Reading | OperatorAction]) -> tuple[State, list[Finding]]:
    state, found = rule.start(), []
    for item in stream:
        if isinstance(item, OperatorAction):
            state, new = rule.on_event(state, item)
        elif item.channel in rule.channels:
            state, new = rule.on_reading(state, item)
        else:
            continue
        found += new
    return state, found


def findings(rule: Membrane, stream: Iterable[Reading | OperatorAction]) -> list[Finding]:
    return live(rule, stream)[1]


def logged(event: str, day: float, told: float | None = None, target: str = "ro") -> OperatorAction:
    at, told_at = (START_MS + round(d * DAY) * MINUTE for d in (day, day if told is None else told))
    return OperatorAction(at, "event", target, "lead", event=event, told_ms=told_at)


def standing(found: list[Finding]) -> set[str]:
    """Conditions that hold by their last Finding."""
    last = {f.condition: f.holds for f in found}
    return {condition for condition, holds in last.items() if holds}


# ---------------------------------------------------------------- quiet


def test_half_a_year_from_winter_to_summer_of_a_healthy_membrane_raises_nothing(tmp_path: Path) -> None:
    season = lambda day: 14.0 - 5.0 * math.cos(2 * math.pi * day / 365)  # noqa: E731 - one curve, used once
    found = findings(membrane(tmp_path), water(range(183), temperature=season))
    assert [f.condition for f in found if f.holds] == []
    assert len(found) > 500


def test_the_threshold_stands_for_ten_working_years_on_noise_with_the_memory_of_the_channel(
    tmp_path: Path,
) -> None:
    """The CUSUM is calibrated on the channel's own residuals, not computed for independent days."""
    state, _ = live(membrane(tmp_path), water(range(30), scatter=0.015))
    for track in state.tracks.values():
        assert track.reference is not None
        assert 0.01 < track.reference.sigma < 0.02
        allowance, threshold = chart(track.reference.sigma, track.reference.phi)
        k, h = allowance / track.reference.sigma, threshold / track.reference.sigma
        phi = min((0.2, 0.3, 0.4, 0.5, 0.6), key=lambda p: abs(p - track.reference.phi))
        assert cusum_arl_ar1(k, h, phi, sides=1) == pytest.approx(2500, rel=0.02)


def test_cold_water_within_the_doubt_of_its_correction_is_no_membrane(tmp_path: Path) -> None:
    winter = lambda day: 14.0 - 8.0 * min(day, 60) / 60  # noqa: E731 - one curve, used once
    less = lambda day: 1.0 - 0.07 * min(day, 60) / 60  # noqa: E731 - one curve, used once
    found = findings(membrane(tmp_path), water(range(90), flow=less, temperature=winter))
    assert [f.condition for f in found if f.holds] == []


def test_a_rise_of_passage_alone_is_left_to_creep(tmp_path: Path) -> None:
    worse = from_day(21, 0.06)
    assert [f for f in findings(membrane(tmp_path), water(range(60), passage=worse)) if f.holds] == []
    keys = f'{ALL}watch_for = ["passage"]'
    told = raised(findings(membrane(tmp_path, keys), water(range(60), passage=worse)), "ro")
    assert told is not None
    assert "O-ring" in wording(told.evidence).first_line


# ---------------------------------------------------------------- a membrane that declines

CASES = {
    "scaling": ((-0.04, 0.06, 0.10), "scale"),
    "fouling": ((-0.04, 0.0, 0.10), "dirt or biofilm"),
    "film": ((-0.04, 0.0, 0.0), "organic film"),
    "oxidation": ((0.05, 0.15, 0.0), "chlorine"),
}


@pytest.mark.parametrize("pattern", CASES)
def test_what_it_may_be_is_read_from_the_pattern_of_the_three(tmp_path: Path, pattern: str) -> None:
    (flow, passage, drop), words = CASES[pattern]
    stream = water(range(70), from_day(21, flow), from_day(21, passage), from_day(21, drop))
    found = findings(membrane(tmp_path), stream)
    told = raised(found, "ro")
    assert 28 <= day_of(told) <= 52
    # The signs do not show on one day: the last word is the one that counts.
    last = [f for f in found if f.condition == "ro"][-1]
    assert last.evidence["patterns"] == [pattern]
    text_ = wording(last.evidence)
    assert words in text_.first_line
    assert "proves nothing" in text_.meaning
    assert last.confidence <= 0.9


def test_a_slow_loss_of_flow_is_told_at_the_occasion_of_a_cleaning_not_before(tmp_path: Path) -> None:
    told = raised(findings(membrane(tmp_path), water(range(60), from_day(21, -0.04))), "ro")
    assert told is not None
    change = told.evidence["measured"]["flow"]["change_pct"]  # type: ignore[index,call-overload]
    assert -13.0 < float(str(change)) <= -10.0
    assert day_of(told) == pytest.approx(21 + 7 * 2.5 + 2, abs=5)


def test_a_loss_of_seven_per_cent_asks_for_no_cleaning(tmp_path: Path) -> None:
    lost = lambda day: 1.0 - 0.07 * (day > 21)  # noqa: E731 - one curve, used once
    assert [f for f in findings(membrane(tmp_path), water(range(90), lost)) if f.holds] == []


def test_without_drop_and_passage_the_causes_are_named_as_not_told_apart(tmp_path: Path) -> None:
    told = raised(
        findings(membrane(tmp_path, 'flow = "ro.nflow"'), water(range(60), from_day(21, -0.05))), "ro"
    )
    assert told is not None
    assert told.evidence["patterns"] == ["scaling", "fouling", "film"]
    words = wording(told.evidence)
    assert "does not tell them apart" in words.meaning
    assert "Not known here: salt passage, pressure drop" in words.meaning
    assert "temperature only" in dict(words.facts)["how judged"]


def test_a_fault_of_the_first_day_is_told_by_the_start_up_while_the_reference_is_young(
    tmp_path: Path,
) -> None:
    found = findings(membrane(tmp_path), water(range(5), constant(0.6)))
    told = raised(found, "ro")
    assert told is not None and told.evidence["impossible"] == "flow"
    assert "young until" in wording(told.evidence).meaning


def test_a_reference_far_from_the_start_up_is_questioned(tmp_path: Path) -> None:
    found = findings(membrane(tmp_path), water(range(30), constant(0.8)))
    assert standing(found) == {"ro/check"}
    asked = raised(found, "ro/check")
    assert asked is not None
    assert "far from the start-up" in wording(asked.evidence).first_line


def test_more_water_without_more_salt_is_a_question_to_the_meters(tmp_path: Path) -> None:
    found = findings(membrane(tmp_path), water(range(60), from_day(21, 0.06)))
    assert standing(found) == {"ro/check"}
    asked = raised(found, "ro/check")
    assert asked is not None
    assert wording(asked.evidence).steps[0].startswith("Let the unit run ten minutes")


def test_more_drop_than_the_elements_sheet_allows_is_told_at_once(tmp_path: Path) -> None:
    found = findings(membrane(tmp_path, f'{ALL}most_drop = "0.8 bar"'), water(range(4), drop=constant(1.8)))
    told = raised(found, "ro")
    assert told is not None and told.evidence["impossible"] == "drop"


# ---------------------------------------------------------------- one voice


class Desk:
    """Alarms on a table, as the watch has them."""

    windows: Mapping[str, Silence] = {}
    off: Mapping[str, Any] = {}
    numbers_after = 0

    def __init__(self) -> None:
        self.alarms: dict[str, Alarm] = {}

    def put_alarm(self, condition: str, alarm: Alarm) -> None:
        self.alarms[condition] = alarm

    def put_windows(self, windows: Mapping[str, Silence]) -> None:
        raise AssertionError("nobody does maintenance here")

    def put_off(self, off: Mapping[str, Any]) -> None:
        raise AssertionError("nothing is switched off here")


def told_together(folder: Path, limit: str, stream: Iterable[Reading | OperatorAction]) -> list[Transition]:
    """The alarms of creep and membrane on the same permeate, those that people are told of."""
    keys = f'feed = "feed.ec"\ntemperature = "ro.t"\n{limit}'
    creep = f'\n[[rule]]\nkind = "creep"\nid = "creep"\npermeate = "ro.ec"\n{keys}\n'
    shop = site(folder, text(ALL) + creep)
    rules = [rule for rule in shop.rules if rule.settings.id in ("ro", "creep")]
    treated = {
        rule.settings.id: Treatment(rule.kind, "medium", rests_on=frozenset({"ro.ec"})) for rule in rules
    }
    board, desk, heard = Board(shop.plant, treated), Desk(), Heard()
    states = {rule.settings.id: rule.start() for rule in rules}
    for item in stream:
        for rule in rules:
            name = rule.settings.id
            if isinstance(item, OperatorAction):
                if not isinstance(rule, HearsEvents):
                    continue
                states[name], found = rule.on_event(states[name], item)
            elif item.channel in rule.channels:
                states[name], found = rule.on_reading(states[name], item)
            else:
                continue
            for finding in found:
                board.on_finding(desk, finding, treated[name], heard)
    return [transition for transition, tell in heard.transitions if tell]


def with_raw(stream: Iterable[Reading | OperatorAction]) -> Iterator[Reading | OperatorAction]:
    """The same water as the probes themselves show it, for creep."""
    for item in stream:
        yield item
        if isinstance(item, Reading) and item.channel == "ro.npass":
            minute = (item.time_ms - START_MS) / MINUTE
            yield reading(
                "feed.ec", minute + 0.1, 499.0 + item.time_ms // MINUTE % 3
            )  # no probe stands still
            yield reading("ro.ec", minute + 0.2, 5.0 * item.value)


def test_scale_that_moves_flow_and_passage_is_told_by_one_voice(tmp_path: Path) -> None:
    """Flow falls first; when passage follows, creep's alarm is suppressed, and speaks up for its limit."""
    passage = from_day(35, 0.10)
    stream = list(with_raw(water(range(84), from_day(21, -0.06), passage)))
    told = told_together(tmp_path, "", stream)
    assert [t.condition for t in told if t.cause == "raised"] == ["ro"]
    limited = told_together(tmp_path, 'limit = "3 %"', stream)
    assert [t.condition for t in limited if t.cause in ("raised", "unsuppressed")] == ["ro", "creep"]


def test_a_creep_that_was_told_first_gives_way_to_the_whole_picture(tmp_path: Path) -> None:
    passage = from_day(21, 0.10)
    stream = list(with_raw(water(range(77), from_day(42, -0.06), passage)))
    told = told_together(tmp_path, "", stream)
    raised_ = [(t.condition, t.cause) for t in told if t.cause == "raised"]
    assert raised_[-1] == ("ro", "raised")
    assert ("creep", "raised") in raised_
    assert [t.condition for t in told[-1:]] == ["ro"]


# ---------------------------------------------------------------- cleaned, changed


def scaled_and_cleaned(flow_after: float, told: float | None = None) -> Iterator[Reading | OperatorAction]:
    """Scale from day 21, cleaned on day 49 (a Monday) to this share of the young membrane's flow."""

    def curve(before: float, after: float) -> Curve:
        return lambda day: from_day(21, before)(day) if day < 49 else after

    drop = 1.0 + 2 * (1.0 - flow_after)
    stream = water(range(70), curve(-0.045, flow_after), curve(0.06, 1.0), curve(0.1, drop))
    cleaning, at = logged("membrane-cleaning", 49, told), 49.0 if told is None else told
    waiting = True
    for item in stream:
        if waiting and item.time_ms >= START_MS + at * DAY * MINUTE:
            yield cleaning
            waiting = False
        yield item


@pytest.mark.parametrize("told", [None, 51.5], ids=["at once", "two days late"])
def test_a_cleaning_that_brought_it_back_ends_the_alarm(tmp_path: Path, told: float | None) -> None:
    state, found = live(membrane(tmp_path), scaled_and_cleaned(0.98, told))
    assert raised(found, "ro") is not None
    assert standing(found) == set()
    assert state.cleaning.restored is True
    assert state.cleaning.before["flow"] < -0.1


def test_a_cleaning_that_did_not_bring_it_back_advises_another_membrane_in_one_voice(tmp_path: Path) -> None:
    found = findings(membrane(tmp_path), scaled_and_cleaned(0.86))
    assert standing(found) == {"ro/replace"}
    told = raised(found, "ro/replace")
    assert 52 <= day_of(told) <= 56.1
    assert told is not None
    words = wording(told.evidence)
    assert "no longer restores" in words.first_line
    assert "permeate flow -1" in dict(words.facts)["last cleaning"]
    both = {}
    for finding in found:
        both[finding.condition] = finding.holds
        assert not (both.get("ro") and both.get("ro/replace"))


def test_after_another_membrane_everything_is_learned_anew(tmp_path: Path) -> None:
    rule = membrane(tmp_path)
    before = water(range(49), from_day(21, -0.045))
    after = water(range(49, 63), constant(0.97), seed=2)
    state, found = live(rule, [*before, logged("membrane-change", 49), *after])
    assert raised(found, "ro") is not None
    assert standing(found) == set()
    assert all(track.reference is None for track in state.tracks.values())
    assert all(day.number >= state.begun for track in state.tracks.values() for day in track.days)


def test_an_event_of_another_stage_is_none_of_its_own(tmp_path: Path) -> None:
    rule = membrane(tmp_path)
    state, _ = live(rule, water(range(30)))
    assert rule.on_event(state, logged("membrane-change", 30, target="di")) == (state, ())


# ---------------------------------------------------------------- starts


def contact(day: int, starts: int) -> Iterator[tuple[int, bool]]:
    for start in range(starts):
        at = START_MS + (day * DAY + start * DAY // max(starts, 1)) * MINUTE
        yield at, True
        yield at + 5 * MINUTE, False


def test_three_times_the_busiest_day_is_short_cycling_and_a_busy_day_is_none() -> None:
    starts = Starts()
    for day in range(20):
        for at, on in contact(day, 3 + day % 2):
            starts = seen(starts, at, on, day)
    assert starts.learned and not starts.told
    for at, on in contact(20, 8):
        starts = seen(starts, at, on, 20)
    assert not starts.told
    for at, on in contact(21, 30):
        starts = seen(starts, at, on, 21)
    assert starts.told


def test_while_nothing_is_learned_only_a_start_each_half_hour_or_faster_is_told() -> None:
    for count, told in ((30, False), (60, True)):
        starts = Starts()
        for at, on in contact(0, count):
            starts = seen(starts, at, on, 0)
        assert starts.told is told


def test_a_unit_that_bounces_is_told_within_the_hour(tmp_path: Path) -> None:
    rule = membrane(tmp_path, 'running = "ro.run"\nstage = "ro"')
    stream = [reading("ro.run", minute, float(minute % 2)) for minute in range(60)]
    told = raised(findings(rule, stream), "ro/short-cycling")
    assert told is not None
    words = wording(told.evidence)
    assert "short-cycling" in words.first_line
    assert any("Electricity" in caution for caution in words.cautions)


# ---------------------------------------------------------------- words, state, settings


def test_the_message_says_what_how_sure_and_what_to_do_with_which_cautions(tmp_path: Path) -> None:
    stream = water(range(60), from_day(21, -0.05), from_day(21, 0.07), from_day(21, 0.12))
    found = [f for f in findings(membrane(tmp_path), stream) if f.condition == "ro" and f.holds][-1]
    words = wording(found.evidence)
    assert words.first_line.startswith("RO permeate: permeate flow ")
    assert "looks like scale" in words.first_line
    facts = dict(words.facts)
    assert "a cleaning's occasion at 10 %" in facts["permeate flow"]
    assert "% a week (" in facts["permeate flow, rate"]
    assert "reject valve" in words.steps[1]
    assert any("hardness after the softener" in step for step in words.steps)
    assert any("as the membrane's maker writes it" in step for step in words.steps)
    cautions = " ".join(words.cautions)
    assert "under pressure" in cautions and "Electricity near water" in cautions
    assert "only by the sheets of membrane and chemical makers" in cautions


def test_the_state_survives_being_written_and_read(tmp_path: Path) -> None:
    state, _ = live(membrane(tmp_path), scaled_and_cleaned(0.86))
    adapter = TypeAdapter(State)
    assert adapter.validate_json(adapter.dump_json(state)) == state


def test_a_flow_that_is_not_normalised_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigMistakes, match="kind normalised-flow"):
        membrane(tmp_path, 'flow = "ro.flow"')


def test_a_rule_without_anything_to_judge_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigMistakes, match="at least one of flow"):
        membrane(tmp_path, "")


@pytest.mark.parametrize(
    ("key", "told"),
    [
        ('flow_loss = "1 %"', 'from "5 %" to "50 %"'),
        ('learn = "2 days"', "7 to 30 days"),
        ('most_drop = "3 L"', 'a pressure, like "1 bar"'),
    ],
)
def test_a_setting_that_cannot_work_is_refused_with_what_would(tmp_path: Path, key: str, told: str) -> None:
    with pytest.raises(ConfigMistakes) as caught:
        membrane(tmp_path, f"{ALL}{key}")
    assert told in str(caught.value)
