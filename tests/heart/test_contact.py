"""Contacts: 1 always means that the thing is so, and a change counts once it has stood."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.condition.contact import debounced
from monitor.condition.flags import ShapeState
from monitor.config import ConfigMistakes
from monitor.plant.model import Channel
from monitor.readings import Level, Reason, Standing, Status
from tests.heart.shop import SITE, Heart, sample, site

CONTACT = """
[[instrument]]
id = "float"
name = "Tank float"
expected_interval = "10 s"
wire = { kind = "mqtt", broker = "hall", topic = "float", payload = { kind = "number" } }

[[instrument.channel]]
id = "tank.high"
quantity = "contact"
unit = "1"
range = [0, 1]
resolution = 1
"""


def floating(folder: Path, *keys: str) -> Heart:
    """A shop with a float contact that has these keys."""
    text = SITE.replace(
        '[[rule]]\nkind = "limit"', CONTACT + "\n".join(keys) + '\n[[rule]]\nkind = "limit"', 1
    )
    return Heart(site(folder, text))


def values(heart: Heart, *seen: tuple[float, float]) -> list[float]:
    """What becomes of (seconds, raw value)."""
    return [heart.reading(sample("tank.high", seconds / 60, raw)).value for seconds, raw in seen]


def test_a_contact_that_is_normally_open_is_1_when_it_closes(tmp_path: Path) -> None:
    assert values(floating(tmp_path), (0, 0), (10, 1)) == [0, 1]


def test_a_contact_that_is_normally_closed_is_1_when_it_opens(tmp_path: Path) -> None:
    heart = floating(tmp_path, 'normally = "closed"')
    assert values(heart, (0, 1), (10, 0)) == [0, 1]
    reading = heart.reading(sample("tank.high", 1, 1.0))
    assert (reading.raw, reading.value, reading.level) == (1.0, 0.0, Level.GOOD)


def test_without_debounce_every_change_counts_at_once(tmp_path: Path) -> None:
    heart = floating(tmp_path)
    readings = [heart.reading(sample("tank.high", n / 60, float(n % 2))) for n in range(6)]
    assert [r.value for r in readings] == [0, 1, 0, 1, 0, 1]
    assert all(r.level == Level.GOOD for r in readings)


def test_a_change_counts_once_it_has_stood_and_is_uncertain_until_then(tmp_path: Path) -> None:
    heart = floating(tmp_path, 'debounce = "20 s"')
    readings = [heart.reading(sample("tank.high", s / 60, v)) for s, v in ((0, 0), (10, 1), (20, 1), (30, 1))]
    assert [r.value for r in readings] == [0, 0, 0, 1]
    assert [r.reasons for r in readings] == [0, Reason.JUMP, Reason.JUMP, 0]
    assert [r.raw for r in readings] == [0, 1, 1, 1]


def test_a_float_on_the_waves_keeps_its_last_state(tmp_path: Path) -> None:
    heart = floating(tmp_path, 'debounce = "20 s"')
    assert values(heart, (0, 1), (10, 0), (20, 1), (30, 0), (40, 1), (50, 0)) == [1] * 6
    assert values(heart, (60, 0), (70, 0)) == [1, 0]


def test_after_a_long_silence_the_first_value_counts_at_once(tmp_path: Path) -> None:
    heart = floating(tmp_path, 'debounce = "20 s"')
    assert values(heart, (0, 0), (3600, 1)) == [0, 1]


def test_a_value_that_no_contact_has_is_implausible_and_moves_nothing(tmp_path: Path) -> None:
    heart = floating(tmp_path, 'normally = "closed"', 'debounce = "20 s"')
    values(heart, (0, 1))
    assert heart.reading(sample("tank.high", 0.1, 7.0)).reasons == Reason.IMPLAUSIBLE
    assert heart.reading(sample("tank.high", 0.2, 0.0, status=Status.DEVICE_FAULT)).level == Level.BAD
    assert values(heart, (20, 1)) == [0]


@pytest.mark.parametrize("key", ['normally = "closed"', 'debounce = "1 s"'])
def test_these_keys_belong_to_contacts(tmp_path: Path, key: str) -> None:
    with pytest.raises(ConfigMistakes, match="this key belongs to contacts only"):
        site(tmp_path, SITE.replace("compensated = true", f"compensated = true\n{key}"))


def test_a_gate_opened_by_a_contact_ignores_a_bounce(tmp_path: Path) -> None:
    text = SITE.replace(
        'gate = { flow = "ro.flow", above = "0.5 L/min", litres = "10 L", minutes = "3 min" }',
        'gate = { flow = "ro.run", minutes = "2 min" }',
    ).replace('[[rule]]\nkind = "limit"', CONTACT.replace("tank.high", "ro.run") + 'debounce = "20 s"\n'
              '[[rule]]\nkind = "limit"', 1)  # fmt: skip
    heart = Heart(site(tmp_path, text))
    for seconds in range(0, 180, 10):
        heart.see(sample("ro.run", seconds / 60, 0.0 if seconds == 100 else 1.0))
    heart.see(sample("ro.t", 3, 25.0))
    assert heart.reading(sample("ro.ec", 3, 10.0)).standing == Standing.JUDGED
    heart.see(sample("ro.run", 3.1, 0.0), sample("ro.run", 3.5, 0.0))
    assert heart.reading(sample("ro.ec", 3.6, 10.0)).standing == Standing.GATED


@given(
    steps=st.lists(st.tuples(st.integers(1, 30_000), st.sampled_from((0.0, 1.0))), min_size=1, max_size=60),
    debounce_ms=st.integers(1, 60_000),
)
def test_a_value_counts_only_after_all_values_of_the_last_debounce_agree(
    steps: list[tuple[int, float]], debounce_ms: int
) -> None:
    channel = Channel.model_construct(id="c", quantity="contact", normally=None, debounce=debounce_ms)
    state, at_ms, before, history = ShapeState(), 0, None, []
    for step_ms, value in steps:
        at_ms += step_ms
        history.append((at_ms, value))
        state, counts, reason = debounced(channel, state, at_ms, value, 10**9)
        if before is not None and counts != before:
            since = max(t for t, v in history if v != counts)
            first_after = min(t for t, v in history if t > since)
            assert counts == value and at_ms - first_after >= debounce_ms
        assert (reason == Reason.JUMP) == (counts != value)
        before = counts


def test_a_meter_that_says_it_is_over_range_is_a_bound(tmp_path: Path) -> None:
    reading = Heart(site(tmp_path)).reading(sample("di.ec", 0, 50.0, status=Status.OVER_RANGE))
    assert (reading.level, reading.reasons) == (Level.BAD, Reason.OVER_RANGE)
    assert reading.bound.name == "AT_LEAST"
