"""A trend in at most so many points: no extreme hidden, gaps kept, as cheap as its rollups."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.readings import Reason, Standing
from monitor.store.trend import trend
from tests.bench.trend import measure
from tests.store.kept import DAY, HOUR, MIDNIGHT, kept, minutely, reading

MINUTE = 60_000


def test_a_short_span_gives_the_readings_themselves(tmp_path: Path) -> None:
    with kept(tmp_path) as one:
        one.store(minutely("ro.flow", 2))
        found = trend(one.writer.connection, "ro.flow", MIDNIGHT + HOUR, MIDNIGHT + 2 * HOUR, 60)
        expected = one.of("ro.flow", MIDNIGHT + HOUR)
        assert [(p.start_ms, p.sum.mean, p.sum.n) for p in found.points] == [
            (r.time_ms, r.value, 1) for r in expected
        ]
        assert found.sources == ("readings",)


def test_one_spike_in_a_year_is_in_the_trend(tmp_path: Path) -> None:
    with kept(tmp_path, quick=True) as one:
        quiet = [reading("ro.flow", MIDNIGHT + n * HOUR // 4, 5.0) for n in range(365 * 96)]
        spike = reading("ro.flow", MIDNIGHT + 200 * DAY + 7 * HOUR + 1, 50.0, reasons=Reason.JUMP)
        one.store([*quiet, spike])
        one.sum_up(MIDNIGHT + 366 * DAY)
        for points in (1, 50, 1000):
            found = trend(one.writer.connection, "ro.flow", MIDNIGHT, MIDNIGHT + 365 * DAY, points)
            (at,) = [p for p in found.points if p.sum.high == 50.0]
            assert at.start_ms <= spike.time_ms < at.end_ms
            assert at.sum.share_good < 1.0


def test_standing_water_does_not_spoil_what_is_shown_of_the_water_being_made(tmp_path: Path) -> None:
    with kept(tmp_path) as one:
        standing = [reading("ro.ec", MIDNIGHT + n * MINUTE, 30.0, Standing.GATED) for n in range(50)]
        made = [reading("ro.ec", MIDNIGHT + n * MINUTE, 5.0) for n in range(50, 60)]
        one.store([*standing, *made])
        one.sum_up(MIDNIGHT + DAY)
        (point,) = trend(one.writer.connection, "ro.ec", MIDNIGHT, MIDNIGHT + HOUR, 1).points
        assert (point.sum.low, point.sum.high, point.sum.high_any) == (5.0, 5.0, 30.0)


def test_a_gap_stays_a_gap(tmp_path: Path) -> None:
    with kept(tmp_path) as one:
        one.store([*minutely("ro.flow", 48), *minutely("ro.flow", 48, MIDNIGHT + 5 * DAY)])
        one.sum_up(MIDNIGHT + 8 * DAY)
        for points in (30, 84, 1000, 20_000):
            found = trend(one.writer.connection, "ro.flow", MIDNIGHT, MIDNIGHT + 7 * DAY, points)
            first, second = found.runs(3 * MINUTE)
            assert first[-1].start_ms < MIDNIGHT + 2 * DAY
            assert second[0].end_ms > MIDNIGHT + 5 * DAY


def test_a_slow_instrument_has_no_gap_where_it_only_speaks_seldom(tmp_path: Path) -> None:
    with kept(tmp_path) as one:
        one.store([reading("ro.flow", MIDNIGHT + n * 15 * MINUTE, 5.0) for n in range(20)])
        found = trend(one.writer.connection, "ro.flow", MIDNIGHT, MIDNIGHT + 5 * HOUR, 1000)
        assert len(found.runs(3 * 15 * MINUTE)) == 1
        assert len(found.runs(5 * MINUTE)) == 20


def test_nobody_and_nothing_have_no_points(tmp_path: Path) -> None:
    with kept(tmp_path) as one:
        assert trend(one.writer.connection, "nobody", MIDNIGHT, MIDNIGHT + DAY, 10).points == ()
        one.store(minutely("ro.flow", 1))
        assert trend(one.writer.connection, "ro.flow", MIDNIGHT + DAY, MIDNIGHT + 2 * DAY, 10).points == ()
        with pytest.raises(ValueError, match="0 points"):
            trend(one.writer.connection, "ro.flow", MIDNIGHT, MIDNIGHT + DAY, 0)
        with pytest.raises(ValueError, match="holds nothing"):
            trend(one.writer.connection, "ro.flow", MIDNIGHT, MIDNIGHT, 10)


@pytest.mark.serial
def test_a_years_trend_costs_at_most_three_times_the_bare_query_of_its_rollups() -> None:
    figures = measure(channels=1, every_min=10)
    assert figures["same_extremes_as_the_readings"]
    assert figures["points"] <= 1_000
    assert figures["ratio"] <= 3.0, figures
