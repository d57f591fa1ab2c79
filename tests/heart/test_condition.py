"""Sample to Reading."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.condition.flags import jump_limit
from monitor.readings import Bound, Level, Reason, Standing, Status
from tests.heart.shop import MINUTE, SITE, START_MS, Heart, sample, site, timeless
from tests.heart.stored import through_the_store


def running(heart: Heart, temperature_c: float = 25.0) -> None:
    """Water has run through the RO for long enough."""
    for minute in range(-10, 1):
        heart.see(sample("ro.flow", minute, 6.0), sample("ro.t", minute, temperature_c))


def test_linear_compensation_refers_the_value_to_25_degrees(heart: Heart) -> None:
    running(heart, 15.0)
    reading = heart.reading(sample("ro.ec", 0.1, 8.0))
    # 8.0 / (1 + 0.02 (15 - 25)) = 10.0: the definition of the linear coefficient (ISO 7888, clause 4)
    assert reading.value == pytest.approx(10.0)
    assert reading.raw == 8.0 and reading.level == Level.GOOD


def test_natural_water_compensation_follows_the_published_table(tmp_path: Path) -> None:
    text = SITE.replace('compensation = "linear"\nalpha = "2 %"', 'compensation = "natural-water"')
    heart = Heart(site(tmp_path, text))
    running(heart, 10.0)
    # f25 at 10.0 °C is 1.428 (EN 27888:1993, table of correction factors)
    assert heart.reading(sample("ro.ec", 0.1, 70.0)).value == pytest.approx(70.0 * 1.428, rel=1e-3)


def test_without_a_usable_temperature_the_value_stays_as_it_is_and_is_uncertain(heart: Heart) -> None:
    heart.see(sample("ro.flow", -5, 6.0), sample("ro.flow", 0, 6.0))
    reading = heart.reading(sample("ro.ec", 0.1, 8.0))
    assert (reading.value, reading.reasons) == (8.0, Reason.NO_TEMPERATURE)
    assert reading.level == Level.UNCERTAIN


def test_a_temperature_too_old_is_none(heart: Heart) -> None:
    running(heart)
    for minute in (2, 4, 6):
        heart.see(sample("ro.flow", minute, 6.0))
    assert heart.reading(sample("ro.ec", 6.5, 8.0)).reasons == Reason.NO_TEMPERATURE


def test_a_calibration_applies_from_its_date_in_the_shops_own_zone(tmp_path: Path) -> None:
    text = SITE.replace(
        'accuracy = { absolute = "1 uS/cm" }',
        'accuracy = { absolute = "1 uS/cm" }\n'
        "calibration = [{ since = 2026-06-02, gain = 1.1, offset = 0.5 }]",
    )
    heart = Heart(site(tmp_path, text))
    # Midnight in Vienna on 2 June is 22:00 UTC on 1 June: 16 hours after the start.
    assert heart.reading(sample("di.ec", 16 * 60 - 1, 10.0)).value == 10.0
    assert heart.reading(sample("di.ec", 16 * 60, 10.0)).value == pytest.approx(11.5)


def test_standing_water_is_stored_and_not_judged(heart: Heart) -> None:
    heart.see(sample("ro.t", 0, 25.0), sample("ro.flow", 0, 0.0))
    reading = heart.reading(sample("ro.ec", 0.1, 150.0))
    assert reading.standing == Standing.GATED
    assert not reading.usable


def test_the_gate_opens_after_the_litres_or_the_minutes_whichever_is_first(heart: Heart) -> None:
    heart.see(sample("ro.t", 0, 25.0), sample("ro.flow", 0, 6.0), sample("ro.flow", 1, 6.0))
    assert heart.reading(sample("ro.ec", 1.5, 10.0)).standing == Standing.GATED  # 9 L, 1.5 min
    assert heart.reading(sample("ro.ec", 1.7, 10.0)).standing == Standing.JUDGED  # 10.2 L
    heart.see(sample("ro.flow", 2, 0.0), sample("ro.flow", 3, 1.0), sample("ro.flow", 4, 1.0))
    heart.see(sample("ro.flow", 5, 1.0), sample("ro.t", 5, 25.0), sample("ro.flow", 6, 1.0))
    assert heart.reading(sample("ro.ec", 5.9, 10.0)).standing == Standing.GATED  # 2.9 min, 2.9 L
    assert heart.reading(sample("ro.ec", 6.0, 10.0)).standing == Standing.JUDGED


def test_a_dead_flow_meter_does_not_silence_the_probe(heart: Heart) -> None:
    running(heart)
    reading = heart.reading(sample("ro.ec", 30, 10.0))
    assert reading.standing == Standing.JUDGED
    assert reading.reasons & Reason.GATE_UNKNOWN


def test_a_value_beyond_the_range_is_bad_and_still_a_bound(heart: Heart) -> None:
    over = heart.reading(sample("di.ec", 0, 200.0))
    assert (over.level, over.reasons, over.bound) == (Level.BAD, Reason.OVER_RANGE, Bound.AT_LEAST)


@pytest.mark.parametrize("value", [1e9, -3.0, 1e308])
def test_an_absurd_value_is_implausible_and_no_evidence(heart: Heart, value: float) -> None:
    reading = heart.reading(sample("di.ec", 0, value))
    assert (reading.reasons, reading.bound) == (Reason.IMPLAUSIBLE, Bound.EXACT)


def test_a_step_is_uncertain_until_the_next_value_confirms_it(heart: Heart) -> None:
    flags = [heart.reading(sample("di.ec", n, v)).reasons for n, v in enumerate((5, 5, 40, 40.2, 40))]
    assert flags == [0, 0, Reason.JUMP, 0, 0]


def test_a_spike_is_refuted_by_the_next_value(heart: Heart) -> None:
    flags = [heart.reading(sample("di.ec", n, v)).reasons for n, v in enumerate((5, 90, 5.1, 5))]
    assert flags == [0, Reason.JUMP, 0, 0]


def test_the_jump_limit_comes_from_the_instrument_itself(tmp_path: Path) -> None:
    channel = site(tmp_path).plant.channels["di.ec"]
    assert jump_limit(channel, 2.0) == pytest.approx(3.0)  # three times the accuracy of 1 µS/cm
    assert jump_limit(channel, 100.0) == pytest.approx(25.0)  # a quarter of the value


def test_a_line_flat_for_longer_than_flat_after_is_uncertain(heart: Heart) -> None:
    hours = [heart.reading(sample("di.ec", 60 * n, 5.0)).reasons for n in range(50)]
    assert hours[48] == 0 and hours[49] == Reason.FLAT  # the default is 48 h


def test_a_late_sample_is_stored_counted_and_not_judged(heart: Heart) -> None:
    heart.see(sample("di.ec", 5, 5.0))
    effects = heart.see(sample("di.ec", 4, 5.0))
    ((_, reading),) = effects.readings
    assert reading.standing == Standing.LATE
    assert [c.what for c in effects.counts] == ["late"]


def test_a_stamp_from_the_future_is_bad_time_and_moves_no_mark(heart: Heart) -> None:
    at = START_MS + 10 * MINUTE
    reading = heart.reading(sample("di.ec", 0, 50.0, time_ms=at, arrival_ms=START_MS))
    assert (reading.standing, reading.level) == (Standing.BAD_TIME, Level.BAD)
    assert heart.reading(sample("di.ec", 1, 5.0)).standing == Standing.JUDGED


def test_a_redelivered_value_without_a_time_is_uncertain_and_not_judged(heart: Heart) -> None:
    reading = heart.reading(timeless("di.ec", 0, 50.0, Status.REDELIVERED))
    assert (reading.standing, reading.reasons) == (Standing.TIME_UNKNOWN, Reason.TIME_UNKNOWN)


def test_two_values_without_a_time_in_one_millisecond_are_two_readings(heart: Heart) -> None:
    times = [heart.reading(timeless("di.ec", 0, value)).time_ms for value in (5.0, 6.0)]
    assert times == [START_MS, START_MS + 1]


def test_a_mark_set_by_a_clock_that_ran_ahead_moves_back(heart: Heart) -> None:
    heart.see(timeless("di.ec", 600, 5.0))  # the gateway's own clock was ten hours ahead
    effects = heart.see(timeless("di.ec", 0, 5.0))
    ((_, reading),) = effects.readings
    assert reading.standing == Standing.JUDGED
    assert [(m.channel, m.after_ms) for m in effects.moved_back] == [("di.ec", START_MS + 5 * MINUTE)]
    assert [c.what for c in effects.counts] == ["clock-moved-back"]


def test_before_the_gateway_has_a_clock_nothing_is_judged_and_no_mark_moves(heart: Heart) -> None:
    heart.see(sample("di.ec", 0, 5.0))
    booting = heart.see(timeless("di.ec", -START_MS / MINUTE + 60, 5.0))  # one hour into 1970
    assert booting.readings[0][1].standing == Standing.BAD_TIME
    assert booting.moved_back == []
    assert heart.reading(sample("di.ec", 1, 5.0)).standing == Standing.JUDGED


@given(
    value=st.floats(allow_nan=False, allow_infinity=False),
    minute=st.floats(min_value=-1e6, max_value=1e6),
    lag=st.integers(min_value=-(10**9), max_value=10**9),
)
def test_no_finite_value_at_any_time_is_an_exception(
    tmp_path_factory: pytest.TempPathFactory, value: float, minute: float, lag: int
) -> None:
    heart = Heart(_SHARED.setdefault("site", site(tmp_path_factory.mktemp("site"))))
    one = sample("ro.ec", minute, value)
    reading = heart.reading(sample("ro.ec", minute, value, arrival_ms=one.arrival_ms + lag))
    assert reading.raw == value
    assert heart.state.failed == {}


_SHARED: dict[str, object] = {}


def test_a_value_beyond_all_numbers_leaves_a_state_that_can_be_kept(tmp_path: Path) -> None:
    text = SITE.replace(
        'id = "ro.t"\nquantity = "temperature"',
        'id = "ro.t"\ncalibration = [{ since = 2026-01-01, gain = 2.0 }]\nquantity = "temperature"',
    )
    heart = Heart(site(tmp_path, text))
    assert heart.reading(sample("ro.t", 0, 1.7e308)).reasons == Reason.IMPLAUSIBLE
    state, lost = through_the_store(heart.state, heart.watch)
    assert (state, lost) == (heart.state, [])
