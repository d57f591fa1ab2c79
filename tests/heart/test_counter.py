"""Counters: pulses and totalisers become litres that only grow.

Roll-over of a fixed register and what a reset loses are arithmetic; that pulses come too fast by
contact bounce or interference, and that a meter put in its place starts anywhere, is common practice, no
source.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.condition.counter import Counter, CounterState
from monitor.config import ConfigMistakes
from monitor.readings import Level, Reason, Standing
from tests.heart.shop import SITE, START_MS, Heart, sample, site
from tests.heart.stored import through_the_store

METER = """
[[instrument]]
id = "meter"
point = "permeate"
expected_interval = "1 min"
wire = {{ kind = "mqtt", broker = "hall", topic = "meter", payload = {{ kind = "number" }} }}

[[instrument.channel]]
id = "ro.total"
quantity = "volume"
unit = "{unit}"
range = [0, 4294967295]
resolution = {resolution}
counter = {counter}
"""


def shop(tmp_path: Path, counter: str, unit: str = "L", resolution: float = 1.0) -> Heart:
    return Heart(site(tmp_path, SITE + METER.format(counter=counter, unit=unit, resolution=resolution)))


def litres(heart: Heart, *shown: float, every_min: float = 1.0) -> list[float]:
    return [heart.reading(sample("ro.total", n * every_min, v)).value for n, v in enumerate(shown)]


def counts(heart: Heart) -> list[str]:
    return [count.what for count in heart.effects.counts]


@pytest.mark.parametrize(
    ("counter", "unit", "resolution", "shown", "expected"),
    [
        # 16 bit: 65,536 steps (the register's own width)
        ('{ rolls_over_at = "16 bit" }', "L", 1.0, (65_530, 65_535, 4), (65_530, 65_535, 65_540)),
        # 32 bit: 4,294,967,296 steps
        ('{ rolls_over_at = "32 bit" }', "L", 1.0, (4_294_967_290, 2), (4_294_967_290, 4_294_967_298)),
        # steps of a tenth of a litre: 6,553.6 L in 16 bit
        ('{ rolls_over_at = "16 bit" }', "L", 0.1, (6_553.0, 0.4), (6_553.0, 6_554.0)),
        # six digits on the dial of a meter in cubic metres: 1,000 L each
        ("{ rolls_over_at = 1000000 }", "m3", 0.001, (999_999.9, 0.1), (999_999_900, 1_000_000_100)),
        # a meter of 450 pulses a litre
        ("{ pulses_per_litre = 450.0 }", "pulse", 1, (900, 1_350, 5_850), (2.0, 3.0, 13.0)),
        # one of 10 L a pulse, counted in a register of 16 bit
        ('{ pulse_volume = "10 L", rolls_over_at = "16 bit" }', "pulse", 1, (65_535, 1), (655_350, 655_370)),
        # one of a US gallon a pulse: 3.785411784 L
        ('{ pulse_volume = "1 gal" }', "pulses", 1, (100, 101), (378.5411784, 382.3265902)),
    ],
)
def test_litres_go_on_over_the_roll_over(
    tmp_path: Path,
    counter: str,
    unit: str,
    resolution: float,
    shown: tuple[float, ...],
    expected: tuple[float, ...],
) -> None:
    heart = shop(tmp_path, counter, unit, resolution)
    assert litres(heart, *shown) == pytest.approx(expected)
    assert counts(heart) == []


def test_a_counter_set_back_goes_on_from_its_litres_with_a_record_and_a_doubt(tmp_path: Path) -> None:
    heart = shop(tmp_path, '{ largest_flow = "40 L/min" }')
    seen = [heart.reading(sample("ro.total", n, v)) for n, v in enumerate((5000, 5005, 3, 9, 15))]
    # 3 L since the power came back: 40 L/min could have brought them
    assert [r.value for r in seen] == [5000, 5005, 5005, 5014, 5020]
    assert [r.reasons for r in seen] == [0, 0, Reason.COUNT_BROKEN, Reason.COUNT_BROKEN, 0]
    assert {r.level for r in seen[2:4]} == {Level.UNCERTAIN}
    (count,) = heart.effects.counts
    assert (count.what, count.subject, count.detail) == (
        "counter-reset",
        "ro.total",
        "from 5005 to 3, then 9",
    )


@pytest.mark.parametrize("largest", ["{}", '{ largest_flow = "40 L/min" }'])
def test_a_meter_put_in_place_of_another_brings_no_litres_of_its_own(tmp_path: Path, largest: str) -> None:
    heart = shop(tmp_path, largest)
    assert litres(heart, 5000, 5005, 812, 817, 822) == [5000, 5005, 5005, 5010, 5015]
    assert counts(heart) == ["counter-reset"]


def test_one_stray_value_moves_nothing(tmp_path: Path) -> None:
    heart = shop(tmp_path, '{ rolls_over_at = "16 bit", largest_flow = "40 L/min" }')
    assert litres(heart, 5000, 0, 5010, 64_000, 5020) == [5000, 5000, 5010, 5010, 5020]
    assert counts(heart) == []


def test_a_burst_of_pulses_that_the_pipe_cannot_pass_is_flagged_and_not_counted(tmp_path: Path) -> None:
    heart = shop(tmp_path, '{ pulses_per_litre = 10, largest_flow = "40 L/min" }', "pulse")
    assert litres(heart, 1000, 1100, 90_000, 90_100, 90_200) == [100, 110, 110, 120, 130]
    assert counts(heart) == ["counter-jump"]


def test_a_count_that_stays_too_fast_counts_no_more_than_can_have_come(tmp_path: Path) -> None:
    heart = shop(tmp_path, '{ largest_flow = "40 L/min" }')
    assert litres(heart, 0, 100, 200, 300, 400) == pytest.approx([0, 0, 80, 80, 160])
    assert counts(heart) == ["counter-too-fast", "counter-too-fast"]


def test_after_a_long_silence_the_counter_tells_what_ran_meanwhile(tmp_path: Path) -> None:
    heart = shop(tmp_path, '{ largest_flow = "40 L/min" }')
    assert litres(heart, 100, 5000, every_min=180) == [100, 5000]


def test_a_counter_that_steps_back_and_forth_by_a_digit_counts_nothing(tmp_path: Path) -> None:
    heart = shop(tmp_path, "{}")
    assert litres(heart, 100, 99, 100, 99, 100, 101) == [100, 100, 100, 100, 100, 101]


def test_a_value_that_comes_late_has_the_litres_of_its_own_time(tmp_path: Path) -> None:
    heart = shop(tmp_path, '{ rolls_over_at = "16 bit" }')
    assert litres(heart, 65_530, 4, 10) == [65_530, 65_540, 65_546]
    late = heart.reading(sample("ro.total", 0.5, 65_533, arrival_ms=START_MS + 180_000))
    assert (late.standing, late.value) == (Standing.LATE, 65_533)
    assert heart.reading(sample("ro.total", 3, 11)).value == 65_547


def test_a_calibration_changes_what_is_counted_from_its_day_on_and_not_what_was(tmp_path: Path) -> None:
    text = METER.format(counter="{}", unit="L", resolution=1) + (
        "calibration = [{ since = 2026-06-02, gain = 1.05 }]\n"
    )
    heart = Heart(site(tmp_path, SITE + text))
    # midnight in Vienna is 16 h after the start
    assert litres(heart, 1000, 1100, 1200, every_min=16 * 60 - 1) == pytest.approx([1000, 1100, 1205])


def test_where_the_counter_stood_is_kept_with_the_state(tmp_path: Path) -> None:
    heart = shop(tmp_path, '{ rolls_over_at = "16 bit" }')
    litres(heart, 65_530, 10)
    heart.state, lost = through_the_store(heart.state, heart.watch)
    assert lost == [] and heart.reading(sample("ro.total", 2, 20)).value == 65_556


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 40), st.sampled_from(["", "", "", "stray", "reset"])), max_size=60),
    st.integers(0, 999),
)
def test_litres_only_grow_and_no_stray_value_adds_or_loses_any(
    minutes: list[tuple[int, str]], start: int
) -> None:
    counter = Counter(step=1.0, rolls_over_at=1000.0, most_l_min=40.0)
    state, told, ran, shown = CounterState(), [], 0, start
    state, _ = counter.count(state, 0, start, float)
    for n, (came, what) in enumerate(minutes, start=1):
        ran += came
        shown = (shown + came) % 1000
        if what == "reset":
            shown = 0
        stray = (shown + 500) % 1000 if what == "stray" else shown
        state, _ = counter.count(state, n * 60_000, stray, float)
        told.append(state.litres - start)
    assert all(a <= b for a, b in pairwise(told))
    whats = [what for _, what in minutes] or ["stray"]
    if "reset" not in whats and whats[-1] != "stray" and ("stray", "stray") not in pairwise(whats):
        assert told[-1] == ran
    # Resets and strays together may look like anything the pipe could have passed, and like no more.
    if told:
        assert told[-1] <= len(told) * (40 + 40 * 10 / 60 + 2)


@pytest.mark.parametrize(
    ("change", "allowed"),
    [
        (('unit = "L"', 'unit = "pulse"'), "what a pulse is"),
        (("counter = {}", "counter = { pulses_per_litre = 450 }"), "no pulse needs a volume"),
        (("counter = {}", "counter = { rolls_over_at = 0 }"), "more than 0"),
        (("counter = {}", 'counter = { rolls_over_at = "16 bits" }'), '"16 bit"'),
        (("counter = {}", 'counter = { pulses_per_litre = 1, pulse_volume = "1 L" }'), "one of the two"),
        (('quantity = "volume"\nunit = "L"', 'quantity = "level"\nunit = "mm"'), "belongs to volume only"),
    ],
)
def test_a_counter_that_does_not_fit_is_refused_in_words(
    tmp_path: Path, change: tuple[str, str], allowed: str
) -> None:
    text = METER.format(counter="{}", unit="L", resolution=1)
    assert change[0] in text
    with pytest.raises(ConfigMistakes, match=allowed):
        site(tmp_path, SITE + text.replace(*change))
