"""A sump's balance: nothing is made or lost but what the losses take."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.water import evaporation, psychrometrics, refractometer, sump
from monitor.water.errors import OutOfRange

litres = st.floats(50.0, 2000.0)
percent = st.floats(0.5, 15.0)
loss = st.floats(0.0, 40.0)


@given(volume=litres, now=percent, more=st.floats(1.0, 500.0), goal=percent)
def test_top_off_conserves_volume_and_concentrate(
    volume: float, now: float, more: float, goal: float
) -> None:
    target = volume + more
    mix = sump.top_off(volume, now, target, goal)
    left = volume - mix.bleed_l
    assert left + mix.concentrate_l + mix.water_l == pytest.approx(target, rel=1e-12)
    concentrate = left * now / 100.0 + mix.concentrate_l
    assert concentrate == pytest.approx(target * goal / 100.0, rel=1e-9)
    assert min(mix.bleed_l, mix.concentrate_l, mix.water_l) >= 0.0


@given(volume=litres, now=percent, more=st.floats(1.0, 500.0), goal=percent)
def test_what_cannot_be_reached_without_bleeding_says_what_can(
    volume: float, now: float, more: float, goal: float
) -> None:
    mix = sump.top_off(volume, now, volume + more, goal)
    if mix.how == "bleed, then water":
        assert mix.reached_without_bleed_pct == pytest.approx(now * volume / (volume + more))
        assert mix.reached_without_bleed_pct > goal
    elif mix.how == "bleed, then concentrate":
        assert mix.reached_without_bleed_pct < goal
    else:
        assert mix.reached_without_bleed_pct == goal
        assert mix.bleed_l == 0.0


@given(volume=litres, now=percent, e=loss, d=loss, days=st.floats(0.0, 30.0))
def test_concentrate_left_and_lost_is_the_concentrate_there_was(
    volume: float, now: float, e: float, d: float, days: float
) -> None:
    assume((e + d) * days < 0.9 * volume)
    times = np.linspace(0.0, days, 801)
    strengths = [sump.sump_concentration_after_pct(volume, now, e, d, float(t)) for t in times]
    left = sump.sump_volume_after_l(volume, e, d, days) * strengths[-1]
    lost = float(np.trapezoid(strengths, times)) * d
    assert left + lost == pytest.approx(volume * now, rel=1e-4)


@given(volume=litres, e=loss, d=loss, makeup=st.floats(0.0, 400.0), start=st.floats(0.0, 900.0))
def test_minerals_are_conserved_day_by_day(
    volume: float, e: float, d: float, makeup: float, start: float
) -> None:
    def held(t: float) -> float:
        return sump.mineral_after_mg_l(volume, e, d, makeup, start, t)

    step = 1e-3
    change = (held(5.0 + step) - held(5.0 - step)) / (2.0 * step) * volume
    assert change == pytest.approx(makeup * (e + d) - d * held(5.0), rel=1e-5, abs=1e-3)


@given(
    volume=litres, e=st.floats(0.1, 40.0), d=loss, makeup=st.floats(1.0, 400.0), start=st.floats(0.0, 900.0),
    limit=st.floats(50.0, 2000.0),
)  # fmt: skip
def test_the_limit_is_reached_on_the_day_told_or_never(
    volume: float, e: float, d: float, makeup: float, start: float, limit: float
) -> None:
    days = sump.mineral_limit_time_d(limit, volume, e, d, makeup, start)
    if days is None:
        assert sump.mineral_after_mg_l(volume, e, d, makeup, start, 1e5) <= limit * (1.0 + 1e-9)
    elif days == 0.0:
        assert start >= limit
    else:
        reached = sump.mineral_after_mg_l(volume, e, d, makeup, start, days)
        assert reached == pytest.approx(limit, rel=1e-6)


@given(e=st.floats(0.0, 40.0), d=st.floats(0.1, 40.0), makeup=st.floats(0.0, 400.0))
def test_a_sump_settles_at_its_cycles_of_concentration(e: float, d: float, makeup: float) -> None:
    settled = sump.mineral_after_mg_l(300.0, e, d, makeup, 50.0, 1e6)
    assert settled == pytest.approx(makeup * sump.cycles_of_concentration(e, d), rel=1e-9)


@given(e=st.floats(0.5, 40.0), cycles=st.floats(1.1, 20.0))
def test_the_bleed_told_gives_the_cycles_wanted(e: float, cycles: float) -> None:
    assert sump.cycles_of_concentration(e, sump.bleed_for_cycles_l_d(e, cycles)) == pytest.approx(cycles)


def test_less_drag_out_means_faster_build_up() -> None:
    days = [sump.mineral_limit_time_d(600, 300, 10, d, 180, 180) for d in (2.0, 1.0, 0.0)]
    assert days == sorted(days, reverse=True)  # type: ignore[type-var]  # none of them is "never"


def test_a_sump_that_would_run_dry_is_refused_with_the_day() -> None:
    with pytest.raises(
        OutOfRange, match=r"time_d = 30 is out of range: below 25 d \(the sump is empty then\)"
    ):
        sump.sump_volume_after_l(300.0, 8.0, 4.0, 30.0)


def test_no_steady_end_is_told_without_drag_out() -> None:
    with pytest.raises(OutOfRange, match="without loss there is no steady end"):
        sump.cycles_of_concentration(10.0, 0.0)


def test_a_target_below_the_present_level_is_refused() -> None:
    with pytest.raises(OutOfRange, match="target_volume_l less volume_l"):
        sump.top_off(300.0, 6.0, 280.0, 6.0)


def test_a_full_sump_that_is_too_strong_is_thinned_by_drawing_off_first() -> None:
    mix = sump.top_off(300.0, 9.0, 300.0, 6.0)
    assert (mix.how, mix.bleed_l, mix.water_l) == ("bleed, then water", 100.0, 100.0)


def test_a_sump_at_its_target_needs_nothing() -> None:
    mix = sump.top_off(300.0, 6.0, 300.0, 6.0)
    assert (mix.concentrate_l, mix.water_l, mix.bleed_l) == (0.0, 0.0, 0.0)


@given(t=st.floats(-39.0, 149.0))
def test_saturation_pressure_rises_with_temperature(t: float) -> None:
    assert psychrometrics.saturation_pressure_pa(t + 0.5) > psychrometrics.saturation_pressure_pa(t)


def test_saturation_over_ice_and_over_water_meet_at_the_triple_point() -> None:
    ice, water = (psychrometrics.saturation_pressure_pa(t) for t in (0.01 - 1e-9, 0.01 + 1e-9))
    assert ice == pytest.approx(water, rel=1e-5)


@given(t=st.floats(0.0, 50.0), rh=st.floats(0.1, 1.0))
def test_dew_point_lies_below_wet_bulb_below_air(t: float, rh: float) -> None:
    dew = psychrometrics.dew_point_c(t, rh)
    wet = psychrometrics.wet_bulb_c(t, rh)
    assert dew <= wet + 0.05
    assert wet <= t + 1e-9


@given(t=st.floats(1.0, 50.0))
def test_saturated_air_has_its_dew_point_and_wet_bulb_at_its_own_temperature(t: float) -> None:
    assert psychrometrics.dew_point_c(t, 1.0) == pytest.approx(t, abs=1e-9)
    assert psychrometrics.wet_bulb_c(t, 1.0) == pytest.approx(t, abs=1e-6)


def test_warm_humid_air_over_cold_coolant_condenses_and_is_not_clipped() -> None:
    assert evaporation.evaporation_kg_h(1.0, 15.0, 30.0, 0.8) < 0.0


@given(area=st.floats(0.1, 5.0), liquid=st.floats(18.0, 40.0), power=st.floats(0.0, 5.0))
def test_the_band_holds_its_order_and_heat_only_lowers_it(area: float, liquid: float, power: float) -> None:
    free = evaporation.evaporation_band(area, liquid)
    bounded = evaporation.evaporation_band(area, liquid, power_kw=power)
    assert free.low_l_d <= free.high_l_d
    assert bounded.high_l_d <= free.high_l_d
    assert bounded.bounded_by_heat == (bounded.high_l_d < free.high_l_d)


def test_the_band_of_a_1_2_square_metre_sump_holds_both_published_formulas() -> None:
    band = evaporation.evaporation_band(1.2, 30.0)
    for formula in (evaporation.evaporation_kg_h, evaporation.evaporation_by_humidity_kg_h):
        assert band.low_l_d < formula(1.2, 30.0, 21.0, 0.5, 0.15) * 24.0 < band.high_l_d


@given(brix=st.floats(-1.0, 85.0))
def test_brix_and_index_are_inverse(brix: float) -> None:
    index = refractometer.refractive_index_from_brix(brix)
    assert refractometer.brix_from_index_brix(index) == pytest.approx(brix, abs=1e-7)


def test_the_printed_temperature_table_follows_the_refractive_index_of_water() -> None:
    # OIV-MA-AS2-02, Table I, 10 % column, in part from memory: sugar water shifts a little more than water
    for t in (*range(5, 20), *range(21, 31)):
        table = refractometer.brix_temperature_correction_brix(10.0, float(t))
        assert 0.98 < -table / refractometer.water_shift_brix(float(t)) < 1.32, t


def test_the_printed_temperature_table_rises_evenly() -> None:
    column = [refractometer.brix_temperature_correction_brix(10.0, float(t)) for t in range(6, 31)]
    steps = np.diff(column)
    assert min(steps) > 0.04
    assert max(steps) < 0.095


def test_a_reading_well_below_its_zero_on_water_is_refused() -> None:
    with pytest.raises(OutOfRange, match="the zero on water less 1"):
        refractometer.coolant_concentration_pct(0.5, 1.0, zero_brix=2.0)


@pytest.mark.parametrize("bad", [math.nan, math.inf, 1.32])
def test_an_index_that_is_none_of_water_s_is_refused(bad: float) -> None:
    with pytest.raises(OutOfRange, match="refractive_index"):
        refractometer.brix_from_index_brix(bad)
