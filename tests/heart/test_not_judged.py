"""Rule `not-judged`: a gate that has let nothing through for a day, and why."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from monitor.config import RULES, ConfigMistakes
from monitor.readings import Sample, Status, Transition
from monitor.replay.stream import with_ticks
from tests.heart.shop import MINUTE, START_MS, Heart, sample, site
from tests.heart.water_made import GATE, text, without_rules

DAY = 1440
RULE = '\n[[rule]]\nkind = "not-judged"\nid = "gates"\n'


def shop(folder: Path, gate: str = GATE, rules: str = RULE) -> Heart:
    return Heart(site(folder, without_rules(text(gate)) + rules))


RUNNING = GATE.replace(" }", ', running = "ro.run" }')


def lived(heart: Heart, stream: Iterable[Sample], last_minute: float) -> list[Transition]:
    """The rule's transitions of a stream with its ticks."""
    last_ms = heart.state.last_tick_ms or START_MS
    ordered = sorted(((one.arrival_ms, one) for one in stream), key=lambda timed: timed[0])
    heart.see(*with_ticks(ordered, last_ms, START_MS + round(last_minute * MINUTE)))
    return [t for t in heart.transitions if t.condition == "gates/ro.ec"]


def spoke(
    first: float, last: float, *, every: float = 10.0, value: float = 40.0, **more: Status
) -> Iterator[Sample]:
    """The probe speaks now and then."""
    at = first
    while at < last:
        yield sample("ro.ec", at, value + at % 7 / 10, **more)
        at += every


def runs(
    first: float, last: float, minutes: float, *, every: float = 60.0, **more: float
) -> Iterator[Sample]:
    """Runs of so many minutes with the probe's values in them, and the meter at zero in between."""
    at = first
    while at < last:
        seconds = 0.0
        while seconds < 60 * minutes:
            yield sample("ro.flow", at + seconds / 60, more.get("flow", 3.0))
            yield sample("ro.run", at + seconds / 60, 1.0)
            if more.get("probe", 1.0):
                yield sample("ro.ec", at + (seconds + 1) / 60, 9.0 + seconds / 1000)
            seconds += 20
        for minute in range(0, int(every - minutes), 2):
            yield sample("ro.flow", at + minutes + minute, 0.0)
            yield sample("ro.run", at + minutes + minute, 0.0)
        at += every


def words_of(found: Transition) -> str:
    words = RULES["not-judged"].wording(found.evidence)
    return " ".join((words.first_line, words.meaning, *words.steps, *(f"{a} {b}" for a, b in words.facts)))


def test_runs_too_short_for_the_gate_are_told_after_a_day(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    lived(heart, [*runs(0, 60, 10), *spoke(20, 60)], 60)
    (raised,) = lived(heart, [*runs(60, 1600, 0.5), *spoke(70, 1600)], 1600)
    hours = (raised.time_ms - START_MS) / MINUTE / 60
    assert 24 < hours < 24.5
    assert raised.evidence["cause"] == "short"
    assert "not judged since 2026-06-01 08:09" in words_of(raised)  # Vienna
    assert "the last one took 30 s, and the gate opens after 10 L or 3 min" in words_of(raised)
    lived(heart, runs(1600, 1660, 10), 1660)
    assert heart.story("gates/ro.ec")[-1][0] == "returned"


def test_short_runs_judged_by_their_last_third_are_judged(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    assert lived(heart, [*runs(0, 1600, 2, every=120), *spoke(5, 1600)], 1600) == []


def test_a_week_end_without_water_is_no_fault(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    stream = [*runs(0, 60, 10), *runs(3 * DAY, 3 * DAY + 120, 10), *spoke(20, 3 * DAY + 120)]
    zeros = [sample("ro.flow", at, 0.0) for at in range(60, 3 * DAY, 2)]
    assert lived(heart, [*stream, *zeros], 3 * DAY + 120) == []


def test_after_a_week_end_a_slow_probe_is_given_time_to_speak_in_the_first_run(tmp_path: Path) -> None:
    slow = text(GATE).replace('expected_interval = "1 min"', 'expected_interval = "20 min"')
    heart = Heart(site(tmp_path, without_rules(slow) + RULE))
    monday = 3 * DAY
    zeros = [sample("ro.flow", at, 0.0) for at in range(60, monday, 2)]
    flows = [sample("ro.flow", monday + at, 3.0) for at in range(90)]
    lived(heart, [*runs(0, 60, 10), *spoke(20, monday), *zeros], monday)
    spoken_at = monday + 25
    first = [sample("ro.ec", spoken_at, 9.0)]
    assert lived(heart, [*flows[:45], *first], monday + 45) == []
    other = Heart(site(tmp_path, without_rules(slow) + RULE))
    lived(other, [*runs(0, 60, 10), *spoke(20, monday), *zeros], monday)
    (raised,) = lived(other, flows, monday + 90)
    assert 50 <= (raised.time_ms - START_MS) / MINUTE - monday < 55  # 10 min, and twice 20


def test_no_water_at_all_is_told_later_with_a_word_on_dead_meters(tmp_path: Path) -> None:
    heart = shop(tmp_path, rules=RULE + 'at_all = "2 days"\n')
    zeros = [sample("ro.flow", at, 0.0) for at in range(60, 3 * DAY, 3)]
    steady = [sample("ro.ec", at, 40.0) for at in range(61, 3 * DAY, 10)]
    (raised,) = lived(heart, [*runs(0, 60, 10), *zeros, *steady], 3 * DAY)
    assert 2 < (raised.time_ms - START_MS) / MINUTE / DAY < 2.1
    assert raised.evidence["cause"] == "no-water"
    assert "ro.flow is dead" in words_of(raised) and "`running`" in words_of(raised)


def test_a_probe_that_speaks_too_seldom_is_told_as_such(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    lived(heart, [*runs(0, 60, 10)], 60)
    stream = [*runs(60, 1600, 10, probe=0.0), *spoke(95, 1600, every=60)]
    (raised,) = lived(heart, stream, 1600)
    assert raised.evidence["cause"] == "seldom"
    assert "it speaks every 60 s" in words_of(raised)


def test_an_instrument_at_fault_is_told_as_such(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    lived(heart, [*runs(0, 60, 10)], 60)
    faulty = spoke(60, 1600, every=2.0, status=Status.DEVICE_FAULT)
    (raised,) = lived(heart, [*runs(60, 1600, 10, probe=0.0), *faulty], 1600)
    assert raised.evidence["cause"] == "bad"
    assert "every value was bad" in words_of(raised)


def test_over_range_is_judged_as_long_as_it_is_evidence(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    pinned = spoke(0, 1600, every=5.0, value=200.0, status=Status.OVER_RANGE)
    assert lived(heart, [*runs(0, 1600, 10, probe=0.0), *pinned], 1600) == []


def test_a_dead_meter_with_a_contact_leaves_nothing_unjudged(tmp_path: Path) -> None:
    heart = shop(tmp_path, RUNNING)
    assert lived(heart, [*runs(0, 1600, 20, every=120, flow=0.0), *spoke(30, 1600)], 1600) == []


def test_a_silent_probe_is_no_matter_of_its_gate(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    assert lived(heart, [*runs(0, 60, 10), *runs(60, 1600, 10, probe=0.0)], 1600) == []


def test_what_the_watch_missed_is_not_held_against_a_gate(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    lived(heart, [*runs(0, 60, 10)], 60)
    for day in range(1, 12):  # an hour of watch a day, and water that no gate lets through
        heart.see(*with_ticks([], START_MS + day * DAY * MINUTE, START_MS + (day * DAY + 1) * MINUTE))
        lived(
            heart,
            [*runs(day * DAY + 2, day * DAY + 60, 0.5, every=5), *spoke(day * DAY + 2, day * DAY + 60)],
            day * DAY + 60,
        )
    assert heart.story("gates/ro.ec") == []


def test_a_channel_without_a_gate_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigMistakes, match="has no gate, so all its values are judged"):
        site(tmp_path, text(rules=RULE + 'channels = ["di.ec"]\n'))
