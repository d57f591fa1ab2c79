"""What the digest says of instruments: one word each, why, and what to do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.readings import Reason
from monitor.reports.figures import Digest, InstrumentWeek, as_json, from_json
from tests.reports.shop import DAY, HOUR, WEEK, Shop, shop

BEFORE = [WEEK.earlier(n) for n in (2, 1)]


@pytest.fixture
def one(tmp_path: Path) -> Iterator[Shop]:
    with shop(tmp_path) as made:
        yield made


def of(digest: Digest, instrument: str) -> InstrumentWeek:
    return next(found for found in digest.instruments if found.id == instrument)


def test_a_shop_that_is_well_has_nothing_but_fine_instruments(one: Shop) -> None:
    one.well(*BEFORE, WEEK)
    digest = one.digest()
    assert [(i.id, i.verdict, i.why) for i in digest.instruments] == [
        ("permeate-meter", "fine", ""), ("di-meter", "fine", ""), ("di-display", "fine", ""),
    ]  # fmt: skip
    (channel,) = of(digest, "di-meter").channels
    assert (channel.readings, channel.good, channel.uncertain, channel.bad) == (504, 1.0, 0.0, 0.0)
    assert (channel.availability, channel.gap_count, channel.hours) == (1.0, 0, "g" * 168)
    assert (channel.low, channel.high) == (2.0, 2.2)
    assert channel.noise == pytest.approx(0.2)
    assert channel.noise_usual == pytest.approx(0.2)
    assert digest.changes == ()


def test_who_reads_by_hand_is_no_sensor_and_a_battery_is_no_channel_of_the_water(one: Shop) -> None:
    one.well(WEEK)
    digest = one.digest()
    assert "pen" not in [i.id for i in digest.instruments]
    meter = of(digest, "permeate-meter")
    assert [c.id for c in meter.channels] == ["ro.flow", "ro.total"]
    assert [(e.name, e.lowest, e.last) for e in meter.extras] == [("battery", 87.0, 87.0)]


def test_an_instrument_that_fell_silent_is_said_to_be_silent_and_that_it_was_not(one: Shop) -> None:
    one.well(*BEFORE)
    one.ticks(WEEK.from_ms, WEEK.to_ms)
    for channel in ("di2.ec", "ro.flow", "ro.total"):
        one.said(channel, WEEK)
    one.said("di.ec", WEEK, but=[(120, 168)])
    digest = one.digest()
    meter = of(digest, "di-meter")
    assert meter.verdict == "silent"
    assert "nothing in the last 48 h" in meter.why
    assert meter.channels[0].hours == "g" * 120 + "." * 48
    assert meter.availability == pytest.approx(120 / 168, abs=0.002)
    assert digest.changes[0].need
    assert "DI meter (DI outlet) is silent" in digest.changes[0].text
    assert "It was fine." in digest.changes[0].text


def test_gaps_are_counted_and_told_with_their_times(one: Shop) -> None:
    one.well(*BEFORE)
    one.said("di.ec", WEEK, but=[(10, 14), (50, 60)])
    channel = of(one.digest(), "di-meter").channels[0]
    assert channel.gap_count == 2
    hours = [((g.from_ms - WEEK.from_ms) / HOUR, g.hours) for g in channel.gaps]
    assert hours == [(pytest.approx(10, abs=0.4), pytest.approx(4, abs=0.4)),
                     (pytest.approx(50, abs=0.4), pytest.approx(10, abs=0.4))]  # fmt: skip
    assert channel.availability == pytest.approx(1 - 14 / 168, abs=0.003)
    assert of(one.as_it_is(), "di-meter").verdict == "gaps"


def test_shares_and_reasons_are_those_of_the_readings(one: Shop) -> None:
    reasons = {0: Reason.JUMP, 1: Reason.OVER_RANGE | Reason.JUMP}
    one.said("di.ec", WEEK, reasons=lambda n: reasons.get(n % 10, Reason.NONE))
    meter = of(one.digest(), "di-meter")
    (channel,) = meter.channels
    assert (channel.good, channel.uncertain, channel.bad) == (
        pytest.approx(0.8, abs=0.01), pytest.approx(0.1, abs=0.01), pytest.approx(0.1, abs=0.01),
    )  # fmt: skip
    assert [word for word, _ in channel.reasons] == ["jump", "over range"]
    assert (meter.verdict, meter.why) == ("off-scale", "10% of its readings beyond its range")
    assert meter.share("bad") == channel.bad
    assert channel.hours.count("b") > 40


def test_a_single_bad_reading_makes_no_bad_hour_where_there_are_many(one: Shop) -> None:
    one.said("di.ec", WEEK, every_ms=60_000, reasons=lambda n: Reason(Reason.JUMP if n == 61 else 0))
    (channel,) = of(one.digest(), "di-meter").channels
    assert channel.hours == "g" * 168
    assert [(s.from_ms - WEEK.from_ms, s.hours) for s in channel.spiky] == [(HOUR, 1.0)]


def test_a_stuck_value_is_named_with_its_hours(one: Shop) -> None:
    one.well(*BEFORE)
    one.said("di.ec", WEEK, reasons=lambda n: Reason(Reason.FLAT if 150 <= n < 210 else 0))
    meter = of(one.digest(), "di-meter")
    assert (meter.verdict, meter.why) == ("stuck", "unchanged for 20 h")


def test_noise_is_held_against_the_instruments_own_weeks_before(one: Shop) -> None:
    one.well(*BEFORE)
    one.said("di.ec", WEEK, lambda n: 2.0 + n % 3 / 2)
    meter = of(one.digest(), "di-meter")
    assert meter.channels[0].noise_ratio == pytest.approx(5.0)
    assert (meter.verdict, meter.why) == ("spiky", "5.0 times its usual noise")


def test_one_step_of_the_process_is_no_noise(one: Shop) -> None:
    one.well(*BEFORE)
    one.said("di.ec", WEEK, lambda n: (2.0 if n < 253 else 9.0) + n % 3 / 10)
    assert of(one.digest(), "di-meter").channels[0].noise_ratio == pytest.approx(1.0)


def test_a_flow_that_swings_more_is_no_fault_of_its_meter(one: Shop) -> None:
    one.well(*BEFORE, WEEK)
    one.said("ro.flow", WEEK.earlier(-1), lambda n: 2.0 + n % 3 * 2.0)
    one.said("ro.total", WEEK.earlier(-1), lambda n: 1e6 + n)
    meter = of(one.digest(WEEK.earlier(-1)), "permeate-meter")
    assert meter.channels[0].noise_ratio == pytest.approx(40.0)
    assert meter.verdict == "fine"


def test_drift_against_the_partner_on_the_same_water_is_told_with_how_it_was(one: Shop) -> None:
    one.well(*BEFORE)
    one.said("di.ec", WEEK, lambda n: 3.4 + n % 3 / 10)
    one.said("di2.ec", WEEK, lambda n: 2.1 + n % 3 / 10)
    meter = of(one.digest(), "di-meter")
    partner = meter.channels[0].partner
    assert partner is not None
    assert partner.difference == pytest.approx(1.3)
    assert partner.before == pytest.approx(-0.1)
    assert partner.tolerance == pytest.approx(0.4 * 2**0.5)
    assert meter.verdict == "drifting"
    assert "1.3 µS/cm above conductivity at DI outlet (DI display)" in meter.why


def test_the_hand_meter_is_held_against_the_hour_it_was_read_in(one: Shop) -> None:
    one.well(*BEFORE, WEEK)
    one.by_hand("pen.ec", (WEEK.from_ms + 30 * HOUR + 60_000, 2.0), (WEEK.from_ms + 80 * HOUR + 60_000, 3.0))
    hand = of(one.digest(), "di-meter").channels[0].hand
    assert hand is not None
    assert hand.difference == pytest.approx(2.1 - 3.0)
    assert hand.before == pytest.approx(0.1)
    assert hand.at_ms == WEEK.from_ms + 80 * HOUR + 60_000
    assert hand.exceeds
    assert of(one.as_it_is(), "di-meter").verdict == "drifting"


def test_a_calibration_is_due_when_the_site_file_says_so_and_a_logged_one_counts(one: Shop) -> None:
    one.well(WEEK)
    meter = of(one.digest(), "di-meter")
    assert meter.calibrated_ms is not None
    assert meter.calibration_due_ms == meter.calibrated_ms + 365 * DAY
    # a year later, to the week
    late = WEEK.earlier(-52)
    one.well(late)
    assert (of(one.digest(late), "di-meter").verdict) == "overdue"
    one.told(late.from_ms + HOUR, "calibration", "di-meter")
    assert of(one.digest(late), "di-meter").calibrated_ms == late.from_ms + HOUR
    assert of(one.digest(late), "di-meter").verdict == "fine"


def test_where_readings_are_no_longer_kept_the_hours_still_tell(one: Shop) -> None:
    one.well(*BEFORE)
    one.said("di.ec", WEEK, but=[(10, 34)], reasons=lambda n: Reason(Reason.JUMP if n % 2 else 0))
    whole = of(one.digest(), "di-meter").channels[0]
    connection = one.store.writer.connection
    connection.execute("delete from reading where channel = (select id from channel where name = 'di.ec')")
    connection.execute("update summed set raw_from_ms = ?", (WEEK.to_ms,))
    thin = of(one.as_it_is(), "di-meter").channels[0]
    assert (thin.readings, thin.good, thin.mean) == (whole.readings, whole.good, whole.mean)
    assert (thin.uncertain, thin.bad, thin.reasons) == (None, None, ())
    assert thin.availability == pytest.approx(whole.availability, abs=0.003)
    assert thin.hours == whole.hours


def test_the_figures_are_the_same_before_hours_are_summed_up(one: Shop) -> None:
    one.well(WEEK.earlier(), WEEK)
    raw = one.as_it_is()
    summed = one.digest()
    rounded = [
        replace(c, noise=None, noise_usual=None, mean=None, partner=None, course=None)
        for digest in (raw, summed)
        for i in digest.instruments
        for c in i.channels
    ]  # fmt: skip
    half = len(rounded) // 2
    assert rounded[:half] == rounded[half:]


def test_a_digest_is_the_same_when_it_comes_back_from_json(one: Shop) -> None:
    one.well(WEEK.earlier(), WEEK)
    one.alarm(WEEK.from_ms + HOUR)
    digest = one.digest()
    assert from_json(as_json(digest)) == digest
