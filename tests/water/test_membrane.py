"""Normalising an RO: what a membrane that has not changed must show, and how far few instruments reach."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from monitor.water import membrane, osmosis
from monitor.water.errors import OutOfRange
from monitor.water.membrane import RoState
from monitor.water.membrane_temperature import TemperatureRule, TemperatureTable, ro_temperature_factor

# The worked cases of the check values (bar, °C, mg/L, L/min)
START = RoState(25, 4.8, 8.0, 10.0, 0.60, 0.5, 450, 9.0)
COLD = RoState(14, 3.6, 6.4, 10.8, 0.75, 0.6, 510, 9.4)


UNHURRIED = settings(deadline=None)  # what holds is asked, not how fast on a busy machine


def between(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


def simulated(
    water_a: float,
    salt_b: float,
    temperature_c: float,
    pressure_bar: float,
    drop_bar: float,
    back_bar: float,
    feed_mg_l: float,
    feed_l_min: float,
) -> RoState:
    """A membrane of fixed constants: Qp = A TCF NDP and Cp = B TCF Cfb / Qp, solved by repetition."""
    tcf = ro_temperature_factor(temperature_c)
    flow, salt = 0.3 * feed_l_min, 0.02 * feed_mg_l
    for _ in range(300):
        mean = osmosis.ro_feed_side_mean_mg_l(feed_mg_l, osmosis.ro_recovery_pct(feed_l_min, flow))
        ndp = osmosis.net_driving_pressure_bar(
            pressure_bar, drop_bar, back_bar,
            osmosis.osmotic_pressure_astm_bar(mean, temperature_c),
            osmosis.osmotic_pressure_astm_bar(salt, temperature_c),
        )  # fmt: skip
        flow = 0.5 * (flow + water_a * tcf * ndp)
        salt = 0.5 * (salt + salt_b * tcf * mean / flow)
    return RoState(temperature_c, flow, feed_l_min, pressure_bar, drop_bar, back_bar, feed_mg_l, salt)


@st.composite
def states(draw: st.DrawFn) -> tuple[float, ...]:
    return (
        draw(between(5, 35)), draw(between(7, 14)), draw(between(0.1, 1.0)), draw(between(0.0, 1.0)),
        draw(between(100, 1500)), draw(between(8, 14)),
    )  # fmt: skip


@UNHURRIED
@given(between(0.2, 0.4), between(0.01, 0.1), states(), states())
def test_a_membrane_that_has_not_changed_shows_no_change_whatever_water_and_pressure_do(
    water_a: float, salt_b: float, first: tuple[float, ...], second: tuple[float, ...]
) -> None:
    start, now = simulated(water_a, salt_b, *first), simulated(water_a, salt_b, *second)
    found = membrane.normalise_ro(start, now)
    assert found.flow_change_pct == pytest.approx(0.0, abs=1e-6)
    assert found.salt_passage_change_pct == pytest.approx(0.0, abs=1e-6)


@UNHURRIED
@given(between(0.6, 0.95), states())
def test_a_membrane_that_lost_flow_shows_the_share_it_lost(left: float, state: tuple[float, ...]) -> None:
    start = simulated(0.3, 0.05, 25, 10, 0.6, 0.5, 450, 8)
    found = membrane.normalise_ro(start, simulated(0.3 * left, 0.05, *state))
    assert found.flow_change_pct == pytest.approx(100.0 * (left - 1.0), abs=1e-6)


def test_cold_water_is_told_from_fouling() -> None:
    """The worked case of the check values: raw flow is down 25 %, normalised it is up 3.5 %."""
    found = membrane.normalise_ro(START, COLD)
    assert found.method == "pressure and temperature"
    assert found.permeate_flow_l_min == pytest.approx(4.966, abs=0.001)
    assert found.salt_passage_pct == pytest.approx(2.118, abs=0.001)
    assert found.flow_change_pct < found.temperature_doubt_pct == 11.0
    assert found.missing == ()


def test_with_a_gauge_and_a_bucket_flow_is_corrected_for_temperature_and_the_result_says_that_is_all() -> (
    None
):
    found = membrane.normalise_ro(
        RoState(25, 4.8, feed_pressure_bar=10.0), RoState(14, 3.6, feed_pressure_bar=10.8)
    )
    assert found.method == "temperature only"
    assert found.permeate_flow_l_min == pytest.approx(3.6 / ro_temperature_factor(14))
    assert "temperature only" in found.statement and "all these readings allow" in found.statement
    assert found.salt_passage_pct is None and found.ndp_bar is None
    assert "pressure_drop_bar" in found.missing and "feed_pressure_bar" not in found.missing


@pytest.mark.parametrize("gone", ["feed_pressure_bar", "pressure_drop_bar", "permeate_pressure_bar"])
def test_without_one_of_the_gauges_salt_passage_is_still_normalised(gone: str) -> None:
    found = membrane.normalise_ro(START, dataclasses.replace(COLD, **{gone: None}))
    assert (found.method, found.missing) == ("temperature only", (gone,))
    assert found.salt_passage_pct == pytest.approx(2.118, abs=0.001)


def test_without_the_feed_flow_salt_passage_is_shown_as_measured_and_not_normalised() -> None:
    found = membrane.normalise_ro(START, dataclasses.replace(COLD, feed_flow_l_min=None))
    assert found.salt_passage_pct is None
    assert found.salt_passage_measured_pct == pytest.approx(100 * 9.4 / 510)
    assert "Salt passage not normalised" in found.statement


def test_the_result_names_the_table_that_was_used_and_the_table_can_turn_the_verdict() -> None:
    """Tables printed for other membranes give 0.53 to 0.66 at 10 °C (training and field manuals)."""
    steep = TemperatureTable("steep", (10.0, 25.0), (0.53, 1.0))
    flat = TemperatureTable("flat", (10.0, 25.0), (0.66, 1.0))
    first, second = (membrane.normalise_ro(START, COLD, table) for table in (steep, flat))
    assert (first.temperature_source, second.temperature_source) == ("table steep", "table flat")
    assert first.flow_change_pct > 5 > -3 > second.flow_change_pct


# A printed table of divisors, read at whole and half degrees; the 3020/2640 rule gives it to three decimals.
PRINTED = ((10.0, 1.711), (14.0, 1.475), (15.0, 1.422), (20.0, 1.189), (25.0, 1.0), (27.0, 0.943))


def test_a_table_of_divisors_gives_its_own_rows_back() -> None:
    table = TemperatureTable(
        "printed", tuple(t for t, _ in PRINTED), tuple(value for _, value in PRINTED), "divisor"
    )
    for t, divisor in PRINTED:
        assert table.factor(t) == pytest.approx(1.0 / divisor)
        assert ro_temperature_factor(t) == pytest.approx(1.0 / divisor, rel=6e-4)


def test_a_table_of_divisors_entered_as_factors_is_refused_and_told_why() -> None:
    with pytest.raises(OutOfRange, match="factor or divisor"):
        TemperatureTable("printed", (10.0, 25.0), (1.711, 1.0))


def test_a_table_is_not_read_beyond_its_rows() -> None:
    table = TemperatureTable("short", (10.0, 25.0), (0.58, 1.0))
    with pytest.raises(OutOfRange, match=r"10 to 25 °C.*table short"):
        table.factor(28.0)


@UNHURRIED
@given(between(0, 50), between(0, 10))
def test_warm_water_passes_more(cold: float, more: float) -> None:
    assume(cold + more <= 50)
    assert ro_temperature_factor(cold) <= ro_temperature_factor(cold + more)


def test_the_doubt_left_by_temperature_grows_with_the_distance_from_the_reference() -> None:
    rule = TemperatureRule(doubt_pct_per_degree=0.5)
    assert membrane.normalise_ro(START, COLD, rule).temperature_doubt_pct == 5.5
    assert membrane.normalise_ro(START, START, rule).temperature_doubt_pct == 0.0


@UNHURRIED
@given(between(0.1, 2), between(5, 20), between(0.2, 0.8), between(1, 2))
def test_pressure_drop_at_the_reference_flow_is_left_as_it_is(
    drop: float, feed: float, y: float, n: float
) -> None:
    same = membrane.normalised_pressure_drop_bar(drop, feed, y * feed, feed, y * feed, n)
    assert same == pytest.approx(drop)
