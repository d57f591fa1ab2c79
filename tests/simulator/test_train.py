"""Softener, osmosis, resin: what goes in comes out or stays, and faults look as they do in a plant."""

from __future__ import annotations

import numpy as np
import pytest

from simulator import shop
from simulator.column import CationColumn
from simulator.osmosis import MembraneUnit
from simulator.resin import CELLS, ResinBed
from simulator.softener import SoftenerUnit
from simulator.water import (
    CATIONS,
    CL,
    NA,
    SIZE,
    TIC,
    charge_excess_meq_l,
    conductivity_us_cm,
    from_analysis,
    hardness_mg_l,
    osmotic_pa,
    ph,
)  # fmt: skip
from simulator.year import Run, simulate

TAP = from_analysis(ca=82, mg=16, na=42, k=4, so4=62, no3=14, sio2=11, alk=130, ph_value=7.8)
SOFT = TAP.copy()
SOFT[NA] = TAP[CATIONS].sum()
SOFT[1:4] = 0.0
PERMEATE = SOFT * 0.03
PERMEATE[TIC] = 0.12


def operate(
    temp_c: list[float], salt_factor: float = 1.0, feed: np.ndarray = SOFT, unit: MembraneUnit | None = None
):
    unit = unit or MembraneUnit(shop.Membrane())
    temp = np.array(temp_c)
    one = np.ones(len(temp))
    water = np.tile(feed, (len(temp), 1))
    works = unit.operate(water, temp, salt_factor * one, 0.0 * one, 8.5 * one, 0.0 * one)
    return unit, water, works, unit.permeate(water, works.passage)


def test_what_a_softener_takes_from_the_water_is_on_its_resin() -> None:
    column = CationColumn(28.0, 1.9, 12, 40.0)
    before = column.loading.copy()
    out = column.run(np.tile(TAP[CATIONS], (500, 1)), np.full(500, 7.0))
    gained = (column.loading - before).sum(axis=0) * column.cell_meq
    assert gained == pytest.approx((TAP[CATIONS] - out).sum(axis=0) * 7.0, rel=1e-9, abs=1e-6)


def test_brine_puts_back_most_of_the_sodium_and_a_cycle_repeats_itself() -> None:
    softener = SoftenerUnit(shop.Softener())
    parcels = int(softener.litres_allowed / 7.0)
    for _ in range(4):
        out = softener.run(np.tile(TAP, (parcels, 1)), np.full(parcels, 7.0))
        softener.regenerate(with_salt=True)
    assert hardness_mg_l(out).max() < 5.0
    assert softener.column.loading[:, 0].mean() > 0.7


def test_regeneration_without_salt_lets_hardness_through_while_conductivity_hardly_moves() -> None:
    softener = SoftenerUnit(shop.Softener())
    parcels = int(4.0 * softener.litres_allowed / 7.0)
    good = softener.run(np.tile(TAP, (50, 1)), np.full(50, 7.0))[-1]
    softener.run(np.tile(TAP, (parcels, 1)), np.full(parcels, 7.0))
    softener.regenerate(with_salt=False)
    bad = softener.run(np.tile(TAP, (50, 1)), np.full(50, 7.0))[-1]
    assert hardness_mg_l(bad) > 0.8 * hardness_mg_l(TAP)
    assert abs(conductivity_us_cm(bad, 25.0) / conductivity_us_cm(good, 25.0) - 1.0) < 0.03


def test_the_first_litres_after_brine_are_salty() -> None:
    softener = SoftenerUnit(shop.Softener())
    softener.regenerate(with_salt=True)
    ec = conductivity_us_cm(softener.run(np.tile(TAP, (20, 1)), np.full(20, 7.0)), 25.0)
    assert ec[0] > 1.3 * ec[-1]


def test_cold_water_makes_less_permeate_and_warm_water_passes_more_salt() -> None:
    _, _, works, permeate = operate([8.0, 15.0, 25.0])
    assert works.permeate_l_min[0] < 0.65 * works.permeate_l_min[2]
    assert np.all(np.diff(conductivity_us_cm(permeate, 25.0)) > 0.0)


def test_flow_per_net_pressure_doubles_only_over_some_twenty_five_degrees() -> None:
    """Published divisor tables at 15 C lie between 1.33 and 1.50 (25 C = 1); the element's own may not
    leave that.
    """
    _, water, works, _ = operate([15.0, 25.0])
    net = 8.5 - 0.4 - 1.5 * osmotic_pa(water, np.array([15.0, 25.0])) / 1e5
    ratio = (works.permeate_l_min[1] / net[1]) / (works.permeate_l_min[0] / net[0])
    assert 1.30 < ratio < 1.55


def test_permeate_is_neutral_and_carbon_dioxide_passes_whole() -> None:
    _, water, _, permeate = operate([15.0])
    assert charge_excess_meq_l(permeate)[0] >= 0.0
    free = water[0, TIC] - charge_excess_meq_l(water)[0]
    assert permeate[0, TIC] - charge_excess_meq_l(permeate)[0] == pytest.approx(free, abs=1e-9)
    assert 0.015 < (permeate[0, CATIONS].sum() / water[0, CATIONS].sum()) < 0.06


def test_standing_makes_the_first_permeate_salty_and_flow_clears_it() -> None:
    unit, water, _, permeate = operate([15.0])
    minutes = 40
    made = np.tile(permeate[0], (minutes, 1))
    feed = np.tile(water[0], (minutes, 1))
    unit.hold(made, np.full(minutes, 2.3), feed, np.zeros(minutes), 1.0)
    idle = np.zeros(minutes)
    idle[0] = 480.0
    ec = conductivity_us_cm(unit.hold(made, np.full(minutes, 2.3), feed, idle, 1.0), 25.0)
    assert ec[0] > 5.0 * ec[-1]
    assert ec[-1] == pytest.approx(float(conductivity_us_cm(permeate[0], 25.0)), rel=0.01)


def test_hard_feed_scales_the_membrane_and_softened_feed_does_not() -> None:
    scaled, clean = MembraneUnit(shop.Membrane()), MembraneUnit(shop.Membrane())
    for _ in range(60):
        scaled.age(TAP, 15.0, 300.0, 2.0, 0.0)
        clean.age(SOFT, 15.0, 300.0, 2.0, 0.0)
    assert clean.scale == 0.0
    flows = [operate([15.0], unit=unit)[2].permeate_l_min[0] for unit in (scaled, clean)]
    assert flows[0] < 0.97 * flows[1]


def test_what_resin_takes_from_the_water_is_on_the_resin() -> None:
    bed = ResinBed(shop.Resin(wall_leak=0.0))
    out = bed.run(np.tile(PERMEATE, (3000, 1)), np.full(3000, 4.0), 0.0)
    cations = bed.cation[:, 1:].sum(axis=0) * bed.cation_cell_meq
    anions = bed.anion[:, 1:].sum(axis=0) * bed.anion_cell_meq
    assert cations == pytest.approx((PERMEATE - out)[:, CATIONS].sum(axis=0) * 4.0, rel=1e-9, abs=1e-6)
    assert anions == pytest.approx((PERMEATE - out)[:, CL:].sum(axis=0) * 4.0, rel=1e-9, abs=1e-6)
    assert bed.cation.min() > -1e-9 and bed.anion.min() > -1e-9 and len(bed.anion) == CELLS


def test_a_bed_ends_in_the_order_of_affinity_and_then_discharges_acid_above_its_inlet() -> None:
    bed = ResinBed(shop.Resin(volume_l=4.0, wall_leak=0.0))
    out = bed.run(np.tile(PERMEATE, (6000, 1)), np.full(6000, 4.0), 0.0)
    ec, feed = conductivity_us_cm(out, 25.0), float(conductivity_us_cm(PERMEATE, 25.0))
    first = {
        name: int(np.argmax(out[:, ion] > 0.2 * PERMEATE[ion]))
        for name, ion in (("si", 8), ("co2", TIC), ("cl", CL))
    }
    assert 0 < first["si"] < first["co2"] < first["cl"]
    assert ec[200] < 0.2
    worst = int(ec.argmax())
    assert ec[worst] > 1.3 * feed and float(ph(out[worst], 25.0)) < 4.8


def test_carbon_dioxide_uses_up_resin_that_conductivity_cannot_account_for() -> None:
    more = PERMEATE.copy()
    more[TIC] += 0.4
    ends = []
    for feed in (PERMEATE, more):
        bed = ResinBed(shop.Resin(volume_l=4.0, wall_leak=0.0))
        out = bed.run(np.tile(feed, (6000, 1)), np.full(6000, 4.0), 0.0)
        ends.append(int(np.argmax(out[:, TIC] > 0.05)))
    seen = float(conductivity_us_cm(more, 25.0) / conductivity_us_cm(PERMEATE, 25.0))
    assert seen < 1.3 and ends[1] < 0.5 * ends[0]


def test_a_channel_leaks_its_share_from_the_first_litre() -> None:
    out = ResinBed(shop.Resin()).run(np.tile(PERMEATE, (50, 1)), np.full(50, 4.0), 0.10)
    assert out[:, NA] == pytest.approx(0.10 * PERMEATE[NA], rel=1e-3)


def test_water_in_the_tank_is_what_was_made_less_what_was_drawn(healthy: Run) -> None:
    train = healthy.series.train
    made = train.permeate_l_min.sum()
    drawn = healthy.series["flow:drawn"].values.sum()
    begin = 0.5 * (healthy.shop.tank.start_l + healthy.shop.tank.stop_l)
    assert train.tank_l[-1] == pytest.approx(begin + made - drawn + train.bypass_l.sum(), abs=1e-6)


def test_salt_that_enters_the_osmosis_leaves_by_permeate_or_concentrate(healthy: Run) -> None:
    """The concentrate is what is left; it stays between the feed's and the fully rejecting concentration."""
    train = healthy.series.train
    feed, permeate = train.water["softened"][:, NA], train.water["permeate"][:, NA]
    made, waste = train.permeate_l_min, train.concentrate_l_min
    concentrate = ((made + waste) * feed - made * permeate).sum() / waste.sum()
    full = ((made + waste) * feed).sum() / waste.sum()
    assert 0.93 * full < concentrate < full


def test_a_healthy_month_has_sane_proportions(healthy: Run) -> None:
    train = healthy.series.train
    settled = np.nonzero(np.diff(train.at, n=1) == 1)[0][30:]
    feed = np.median(conductivity_us_cm(train.water["softened"][settled], 25.0))
    permeate = np.median(conductivity_us_cm(train.water["permeate"][settled], 25.0))
    deionised = np.median(conductivity_us_cm(train.water["di"][settled], 25.0))
    assert 0.015 < permeate / feed < 0.06
    assert 0.05 < deionised < 2.0
    recovery = train.permeate_l_min.sum() / (train.permeate_l_min + train.concentrate_l_min).sum()
    assert 0.35 < recovery < 0.65
    assert hardness_mg_l(train.water["softened"]).max() < 10.0


def test_an_exhausted_bed_shows_breakthrough_and_then_discharge_in_the_truth() -> None:
    fault = {"kind": "resin_exhaustion", "start_day": 3, "size": 74.0}
    run = simulate("hall3", [fault], seed=5, start="2025-02-03", days=25)
    rows = {row.family: row for row in run.truth if row.role == "expected"}
    front, above = rows["breakthrough"].visible_ms, rows["discharge"].visible_ms
    assert front is not None and above is not None and run.start_ms < front < above
    at = (above - run.start_ms) / 60_000
    minutes = run.series["run:ro"].minutes
    on = (run.series["run:ro"].values > 0.5) & (np.abs(minutes - at) < 10)
    assert (
        np.median(run.series["ec25:di"].at(minutes[on]) / run.series["ec25:permeate"].at(minutes[on])) > 1.0
    )


def test_other_membrane_physics_gives_another_permeate() -> None:
    plain, tighter = (operate([15.0], salt_factor=factor)[3] for factor in (1.0, 0.5))
    ratio = float(conductivity_us_cm(tighter, 25.0)[0] / conductivity_us_cm(plain, 25.0)[0])
    assert ratio == pytest.approx(0.5, abs=0.06)
    assert plain.shape == (1, SIZE)


def test_a_bed_that_holds_little_of_what_a_salty_parcel_pushes_out_keeps_its_balance() -> None:
    """Start-up slugs carry a hundred times the usual salt; no ion may be taken out that is not there."""
    bed = ResinBed(shop.Resin(volume_l=2.0, wall_leak=0.0))
    feed = np.concatenate([np.tile(PERMEATE, (2500, 1)), np.tile(SOFT, (60, 1)), np.tile(PERMEATE, (200, 1))])
    out = bed.run(feed, np.full(len(feed), 4.0), 0.0)
    assert np.isfinite(out).all() and out.min() > -1e-9
    assert bed.cation.min() > -1e-9 and bed.anion.min() > -1e-9
    gained = bed.anion[:, 1:].sum(axis=0) * bed.anion_cell_meq
    assert gained == pytest.approx((feed - out)[:, CL:].sum(axis=0) * 4.0, rel=1e-8, abs=1e-5)
