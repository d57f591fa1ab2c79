"""Instruments: resolution, range, sticking, loss, clocks, and what air and foam do to an ultrasonic level."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulator.instruments import MODELS, OVER, model_of
from simulator.shop import Instrument, Shop, ShopError, load_shop
from simulator.year import Run, simulate


def test_every_report_sits_on_its_instruments_resolution(healthy: Run) -> None:
    for instrument in healthy.shop.instruments:
        step = model_of(instrument).resolution
        values = healthy.reported[instrument.name].value
        assert np.abs(values / step - np.round(values / step)).max() < 1e-3, instrument.name


def test_a_display_meter_moves_by_whole_ppm_and_a_transmitter_by_tenths(healthy: Run) -> None:
    assert MODELS["tds_display"].resolution == 1 and MODELS["ec_transmitter_di"].resolution == 0.1
    for name, step in (("di_tds", 1.0), ("di_ec", 0.1)):
        moves = np.diff(np.unique(healthy.reported[name].value))
        assert moves.min() == pytest.approx(step)


def test_a_float_moves_by_ten_millimetres_and_hangs(healthy: Run) -> None:
    values = healthy.reported["M07_level"].value
    assert set(np.unique(values % 10.0)) == {0.0}
    true = healthy.series["level:M07"].values
    assert np.mean(np.diff(values) == 0.0) > 0.98
    assert len(np.unique(values)) >= 5 and np.ptp(true) > 50.0


def shop_with(**settings: float) -> Shop:
    shop = load_shop("hall3")
    probe = Instrument("probe", "level:M04", "level_ultrasonic", 60.0, settings)
    return replace(shop, instruments=(probe,))


def error_of(shop: Shop) -> tuple[np.ndarray, np.ndarray]:
    run = simulate(shop, (), seed=4, start="2025-06-02", days=14)
    said = run.reported["probe"]
    minutes = (said.time_ms - run.start_ms) / 60_000
    rate = np.gradient(run.series["temp:air"].at(minutes), 30.0)
    return said.value - run.series["level:M04"].at(minutes), rate


def test_an_ultrasonic_level_follows_the_air_temperature() -> None:
    late, rate = error_of(shop_with(white=0.0, noise=0.0, foam_per_week=0.0, lag_min=120.0))
    prompt, _ = error_of(shop_with(white=0.0, noise=0.0, foam_per_week=0.0, lag_min=0.0))
    assert late.std() > 1.2 * prompt.std()
    assert abs(np.corrcoef(late, rate)[0, 1]) > 0.3


def test_foam_reads_as_more_coolant_only_while_the_pump_runs() -> None:
    foamy, _ = error_of(shop_with(foam_per_week=6.0, foam_mm=40.0))
    calm, _ = error_of(shop_with(foam_per_week=0.0))
    assert np.percentile(foamy, 99) > np.percentile(calm, 99) + 20.0
    assert np.percentile(foamy, 10) == pytest.approx(np.percentile(calm, 10), abs=2.0)


def test_beyond_its_range_an_instrument_says_so_and_shows_its_end_value() -> None:
    fault = {"kind": "over_range", "target": "di_ec", "start_day": 1, "end_day": 2}
    run = simulate("hall3", [fault], seed=4, start="2025-06-02", days=3)
    said = run.reported["di_ec"]
    inside = (said.time_ms >= run.start_ms + 86_400_000) & (said.time_ms < run.start_ms + 2 * 86_400_000)
    assert set(said.status[inside]) == {OVER} and set(said.value[inside]) == {50.0}


def test_a_stuck_probe_repeats_its_last_value_and_then_comes_back() -> None:
    fault = {"kind": "probe_stuck", "target": "tap_ec", "start_day": 1, "end_day": 2}
    run = simulate("hall3", [fault], seed=4, start="2025-06-02", days=3)
    said = run.reported["tap_ec"]
    inside = (said.time_ms >= run.start_ms + 86_400_000) & (said.time_ms < run.start_ms + 2 * 86_400_000)
    assert len(set(said.value[inside])) == 1
    assert len(set(said.value[said.time_ms >= run.start_ms + 2 * 86_400_000])) > 3


def test_a_dead_meter_reads_no_flow_and_its_counter_stands() -> None:
    faults = [
        {"kind": "flow_dead", "target": name, "start_day": 2, "end_day": 4}
        for name in ("permeate_flow", "permeate_total")
    ]
    run = simulate("hall3", faults, seed=4, start="2025-06-02", days=6)
    sound = simulate("hall3", (), seed=4, start="2025-06-02", days=6)
    at = run.reported["permeate_flow"].time_ms
    dead = (at >= run.start_ms + 2 * 86_400_000) & (at < run.start_ms + 4 * 86_400_000)
    assert run.reported["permeate_flow"].value[dead].max() == 0.0
    count, true = run.reported["permeate_total"], sound.reported["permeate_total"]
    assert np.all(np.diff(count.value) >= 0.0)
    made = sound.series["total:permeate"].at(np.array([2.0, 4.0]) * 1440)
    assert true.value[-1] - count.value[-1] == pytest.approx(made[1] - made[0], rel=0.03)


def test_lost_reports_leave_gaps_of_more_than_one_interval(healthy: Run) -> None:
    gaps = np.diff(healthy.reported["M04_level"].time_ms)
    assert gaps.min() == 60_000 and gaps.max() >= 2 * 60_000
    assert healthy.gaps
    for gap in healthy.gaps:
        said = healthy.reported[gap.subject].time_ms
        assert not np.any((said > gap.start_ms) & (said < gap.end_ms))


def test_a_clock_of_its_own_is_a_little_wrong(healthy: Run) -> None:
    said = healthy.reported["M04_level"]
    wrong = said.own_ms - said.time_ms
    assert 0 < np.abs(wrong).max() < 120_000
    assert np.array_equal(healthy.reported["M01_level"].own_ms, healthy.reported["M01_level"].time_ms)


def test_a_setting_or_class_that_is_not_known_is_refused_by_name() -> None:
    with pytest.raises(ShopError, match="instrument probe: unknown setting 'colour'"):
        model_of(Instrument("probe", "level:M04", "level_float", 60.0, {"colour": 1.0}))
    with pytest.raises(
        ShopError, match="instrument probe: unknown model 'dipstick'; allowed are tds_display"
    ):
        model_of(Instrument("probe", "level:M04", "dipstick"))
