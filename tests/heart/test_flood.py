"""Many alarms at once: at most three messages a contact, the likely cause first, and none is lost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.config import SiteFile
from monitor.daemon import wordings
from monitor.notify.message import compose
from monitor.plant.message_ids import message_id
from monitor.readings import AlarmState, Event, Owed, Sample, Tick, Transition
from tests.heart.shop import MINUTE, SITE, START_MS, Heart, di, sample, site, tick
from tests.heart.stored import StoredWatch
from tests.heart.test_alarm_states import Says

METER = """
[[instrument]]
id = "m{n}"
point = "{point}"
expected_interval = "1 min"
wire = {{ kind = "mqtt", broker = "{broker}", topic = "m{n}", payload = {{ kind = "number" }} }}

[[instrument.channel]]
id = "m{n}.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0, 2000]
resolution = 1
accuracy = {{ absolute = "1 uS/cm" }}
"""
SILENT = '\n[[rule]]\nkind = "silent"\nid = "silent"\npriority = "high"\nafter = "5 min"\n'
SECOND = '\n[[broker]]\nid = "yard"\nhost = "127.0.0.1"\n'


def shop(folder: Path, meters: int, rules: str = "", broker: str = "yard") -> SiteFile:
    """The small train with so many meters more, half of them after the RO and half after the bed."""
    text = SITE[: SITE.index("[[rule]]")] + SITE[SITE.index("[[person]]") :] + SECOND
    for n in range(meters):
        text += METER.format(n=n, point="permeate" if n % 2 else "di-out", broker=broker)
    return site(
        folder,
        text
        + (rules or '\n[[rule]]\nkind = "limit"\nid = "di-high"\nchannel = "di.ec"\nabove = "20 uS/cm"\n'),
    )


@pytest.fixture(scope="module")
def two_hundred(tmp_path_factory: pytest.TempPathFactory) -> SiteFile:
    """A rule of its own for each of two hundred meters."""
    made = shop(tmp_path_factory.mktemp("many"), 200)
    return replace(made, rules=tuple(Says(f"high-{n:03}", f"m{n}.ec") for n in range(200)))


@pytest.fixture(scope="module")
def eight(tmp_path_factory: pytest.TempPathFactory) -> SiteFile:
    """A rule of its own for each of eight meters."""
    made = shop(tmp_path_factory.mktemp("few"), 8)
    return replace(made, rules=tuple(Says(f"r{n}", f"m{n}.ec") for n in range(8)))


def storm(minute: float) -> list[Event]:
    """Two hundred conditions within a minute."""
    return [sample(f"m{n}.ec", minute + n / 210, 500.0) for n in range(200)]


def calm(minute: float) -> list[Event]:
    return [sample(f"m{n}.ec", minute + n / 210, 5.0) for n in range(200)]


def told(heart: Heart, person: str = "lead") -> list[str]:
    return [n.transition for n in heart.effects.notices if n.person == person]


def text_of(heart: Heart, transition: Transition) -> str:
    notice = next(n for n in heart.effects.notices if n.transition == transition.key)
    owed = Owed(1, message_id(notice, "shop"), notice, transition, 0, START_MS)
    made = compose(owed, heart.plant, wordings(), site_file="site.toml", now_ms=START_MS)
    return f"{made.subject}\n{made.text}"


def with_ticks(events: list[Event], until: int) -> list[Event]:
    """The same with a tick at each whole minute, up to a minute."""
    found: list[Event] = []
    minute = 0
    for event in events:
        assert isinstance(event, Sample)
        while minute * MINUTE + START_MS <= event.arrival_ms:
            found.append(tick(minute))
            minute += 1
        found.append(event)
    return found + [tick(m) for m in range(minute, until + 1)]


@pytest.mark.parametrize("minute", [1.0, 1.4, 1.9])
def test_two_hundred_conditions_within_a_minute_are_at_most_three_messages(
    two_hundred: SiteFile, minute: float
) -> None:
    heart = Heart(two_hundred)
    heart.see(*with_ticks(storm(minute), 30))
    assert len(heart.transitions) == 201  # all are stored, and the one that tells of them
    assert told(heart) == ["high-000#1.1", "high-001#1.1", "+burst#1.1"]
    burst = heart.transitions[-1]
    assert (burst.cause, burst.state, burst.evidence["total"]) == ("burst", AlarmState.NORMAL, 198)
    assert "Medium: 198 alarms at once" in text_of(heart, burst)


def test_after_a_power_cut_there_is_one_message_that_names_it_first(two_hundred: SiteFile) -> None:
    heart = Heart(two_hundred)
    heart.see(tick(0), *calm(1), tick(2))
    back = 180
    heart.see(tick(back), *storm(back + 0.1), *(tick(back + m) for m in range(1, 20)))
    assert told(heart) == ["+burst#1.1"]
    text = text_of(heart, heart.transitions[-1])
    assert text.startswith("Medium: 200 alarms after 178 min without watch: a power cut, or a stop")
    assert "has come back" in text and "And 188 more" in text


def test_their_return_is_one_message_too(two_hundred: SiteFile) -> None:
    heart = Heart(two_hundred)
    heart.see(*with_ticks([*storm(1), *calm(20)], 40))
    assert told(heart)[3:] == ["high-000#1.2", "high-001#1.2", "+burst#2.1"]
    assert text_of(heart, heart.transitions[-1]).startswith("Back to normal: 198 alarms are over")


def test_a_broker_that_takes_all_its_instruments_with_it_is_named(tmp_path: Path) -> None:
    heart = Heart(shop(tmp_path, 8, SILENT))
    events: list[Event] = []
    for minute in range(30):
        events += [sample("di.ec", minute, 5), sample("ro.flow", minute, 5), sample("ro.t", minute, 20)]
        events += [sample("ro.ec", minute, 5)]
        events += [sample(f"m{n}.ec", minute, 5 + minute % 3) for n in range(8)] if minute < 10 else []
        events.append(Tick(START_MS + minute * MINUTE))
    heart.see(*events)
    assert told(heart) == ["+burst#1.1"]
    text = text_of(heart, heart.transitions[-1])
    assert text.startswith("High: broker yard: all its 8 instruments are silent")
    assert "its cable" in text and "RO permeate: m1 silent for 6 min (silent/m1#1)" in text
    assert "goodwater alarms site.toml" in text


def test_what_is_nearest_to_the_tap_stands_first(eight: SiteFile) -> None:
    heart = Heart(eight)
    heart.see(
        tick(0), *(sample(f"m{n}.ec", 1 + n / 10, 500.0) for n in range(8)), *(tick(m) for m in range(2, 6))
    )
    burst = heart.transitions[-1]
    shown = burst.evidence["shown"]
    assert isinstance(shown, list)
    # Those of odd numbers measure after the RO, the others after the bed behind it.
    assert [one["condition"] for one in shown if isinstance(one, dict)] == [
        "r3",
        "r5",
        "r7",
        "r2",
        "r4",
        "r6",
    ]


def test_two_alarms_are_told_as_they_come_and_a_third_a_little_later_by_itself(eight: SiteFile) -> None:
    heart = Heart(eight)
    for n in range(3):
        effects = heart.see(tick(n), sample(f"m{n}.ec", n + 0.5, 500.0))
        assert len(effects.notices) == (1 if n < 2 else 0)
    heart.see(*(tick(m) for m in range(3, 20)))
    assert told(heart) == ["r0#1.1", "r1#1.1", "r2#1.1"]
    assert "+burst" not in {t.condition for t in heart.transitions}


def test_of_one_alarm_everything_is_told_as_it_comes(tmp_path: Path) -> None:
    heart = Heart(shop(tmp_path, 0))
    heart.see(tick(0), *di([(0, 25), (1, 5), (2, 5), (3, 25), (4, 25)]))
    assert told(heart) == ["di-high#1.1", "di-high#1.2", "di-high#1.3"]


def test_what_is_held_survives_a_kill(two_hundred: SiteFile, tmp_path: Path) -> None:
    stored = StoredWatch(two_hundred, tmp_path / "data")
    events = with_ticks(storm(1), 30)
    for begin in range(0, len(events), 80):
        stored.commit(events[begin : begin + 80])
        stored.kill()
    rows = stored.writer.connection.execute(
        "select transition_key, person from outbox order by id"
    ).fetchall()
    assert [row["transition_key"] for row in rows if row["person"] == "lead"] == [
        "high-000#1.1", "high-001#1.1", "+burst#1.1",
    ]  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(
        st.tuples(st.integers(0, 7), st.sampled_from([0.0, 0.1, 0.4, 1.0, 3.0, 12.0, 90.0]), st.booleans()),
        max_size=60,
    )
)
def test_everything_that_is_to_be_told_is_told_just_once(
    eight: SiteFile, steps: list[tuple[int, float, bool]]
) -> None:
    heart, minute, next_tick, high = Heart(eight), 0.0, 0, [False] * 8
    for meter, later, skipped in steps:
        minute += later
        if skipped:  # the watch was away
            next_tick = max(next_tick, int(minute))
        while next_tick <= minute:
            heart.see(tick(next_tick))
            next_tick += 1
        high[meter] = not high[meter]
        heart.see(sample(f"m{meter}.ec", minute, 500.0 if high[meter] else 5.0))
    heart.see(*(tick(next_tick + m) for m in range(30)))
    bursts = {t.key: t for t in heart.transitions if t.cause == "burst"}
    keys = [t.key for t in heart.transitions if t.cause != "burst"]
    found: list[object] = []
    for key in told(heart):
        found += bursts[key].evidence["transitions"] if key in bursts else [key]  # type: ignore[operator]  # a list
    assert sorted(map(str, found)) == sorted(keys)
    assert heart.state.flood.held == ()
