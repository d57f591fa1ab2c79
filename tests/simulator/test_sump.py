"""Sumps: water is kept count of, evaporation is unruly, people and valves top off."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.air import evaporation_kg_m2_s
from simulator.year import Run, simulate


def daily(run: Run, values: np.ndarray) -> np.ndarray:
    return values.reshape(run.days, -1, values.shape[1]).sum(axis=1)


def test_a_sump_holds_what_came_in_less_what_went_out(healthy: Run) -> None:
    sumps = healthy.series.sumps
    begin = 0.93 * np.array([machine.volume_l for machine in healthy.shop.machines])
    flows = sumps.filled_l - sumps.evaporated_l - sumps.mixture_lost_l
    assert sumps.total_l[-1] == pytest.approx(begin + flows.sum(axis=0), abs=1e-6)


def test_evaporation_varies_by_fifteen_per_cent_and_more_beyond_what_is_known(healthy: Run) -> None:
    sumps = healthy.series.sumps
    ratio = daily(healthy, sumps.evaporated_l) / daily(healthy, sumps.known_evaporation_l)
    assert np.median(ratio.std(axis=0) / ratio.mean(axis=0)) >= 0.15


def test_sumps_share_part_of_what_is_unknown(healthy: Run) -> None:
    sumps = healthy.series.sumps
    unknown = np.log(daily(healthy, sumps.evaporated_l) / daily(healthy, sumps.known_evaporation_l))
    pairs = np.corrcoef(unknown.T)[np.triu_indices(unknown.shape[1], 1)]
    assert 0.1 < pairs.mean() < 0.8


def test_evaporation_lies_in_the_usual_band(healthy: Run) -> None:
    """Computed band for cutting machines of 200 to 400 L, 3.7 to 57 L a day (common practice, no source)."""
    sumps = healthy.series.sumps
    mean = sumps.evaporated_l.sum(axis=0) / healthy.days
    assert mean.min() > 1.0 and 3.7 < mean.max() < 57.0


def test_warm_humid_air_condenses_on_cold_coolant() -> None:
    cold = evaporation_kg_m2_s(np.array([12.0]), np.array([30.0]), np.array([3000.0]), 0.2)
    assert cold[0] < 0.0


def test_evaporation_rises_with_warmth_dryness_and_draught() -> None:
    air, vapour = np.array([20.0]), np.array([1200.0])
    plain = evaporation_kg_m2_s(np.array([22.0]), air, vapour, 0.1)
    assert evaporation_kg_m2_s(np.array([28.0]), air, vapour, 0.1) > plain
    assert evaporation_kg_m2_s(np.array([22.0]), air, vapour * 0.6, 0.1) > plain
    assert evaporation_kg_m2_s(np.array([22.0]), air, vapour, 0.6) > plain


def test_a_started_pump_takes_twenty_to_sixty_litres_out_of_the_sump(healthy: Run) -> None:
    for index, machine in enumerate(healthy.shop.machines):
        running = healthy.series[f"run:{machine.name}"].values > 0.5
        level = healthy.series[f"level:{machine.name}"].values
        starts = np.nonzero(np.diff(running.astype(int)) == 1)[0]
        calm = [
            s
            for s in starts
            if s > 60 and not running[s - 60 : s + 1].any() and running[s + 1 : s + 40].all()
        ]
        drop = np.median([level[s] - level[s + 35] for s in calm]) * machine.area_m2
        assert 0.75 * machine.holdup_l < drop < 1.3 * machine.holdup_l, machine.name
        assert 20.0 <= machine.holdup_l <= 60.0
        assert healthy.series.sumps.holdup_l[:, index].max() <= machine.holdup_l * 1.001


def test_valves_fill_in_small_portions_and_hands_in_large_ones(healthy: Run) -> None:
    fills = healthy.series.sumps.filled_l
    typical = {}
    for index, machine in enumerate(healthy.shop.machines):
        some = fills[:, index][fills[:, index] > 0.0]
        typical.setdefault(machine.topoff, []).append(np.median(some))
    assert max(typical["valve"]) < min(typical["hand"])


def test_nobody_works_or_tops_off_by_hand_on_holidays() -> None:
    run = simulate("hall3", (), seed=2, start="2025-12-24", days=7)
    assert not run.series.work.pump_on[120:].any()
    by_hand = [index for index, machine in enumerate(run.shop.machines) if machine.topoff == "hand"]
    assert run.series.sumps.filled_l[:, by_hand].sum() == 0.0


def test_a_leak_takes_the_litres_it_says_and_no_more() -> None:
    fault = {"kind": "sump_leak", "target": "M11", "start_day": 2, "end_day": 4, "size": 1.5}
    run = simulate("hall3", [fault], seed=2, start="2025-03-03", days=6)
    sound = simulate("hall3", (), seed=2, start="2025-03-03", days=6)
    extra = (run.series.sumps.mixture_lost_l - sound.series.sumps.mixture_lost_l).sum(axis=0)
    assert extra[run.shop.machine_index("M11")] == pytest.approx(72.0, rel=0.01)
    assert np.delete(extra, run.shop.machine_index("M11")) == pytest.approx(0.0)


def test_a_burst_sump_runs_dry_and_not_below() -> None:
    fault = {"kind": "sump_burst", "target": "M11", "start_day": 2, "end_day": 2.2, "size": 6.0}
    run = simulate("hall3", [fault], seed=2, start="2025-03-03", days=3)
    assert 0.0 < run.series.sumps.total_l[:, run.shop.machine_index("M11")].min() < 30.0


def test_evaporation_concentrates_and_carry_out_is_made_up(healthy: Run) -> None:
    strength = healthy.series.sumps.concentrate_pct
    assert strength.min() > 4.5 and strength.max() < 10.0
