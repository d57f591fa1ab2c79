"""Composition, charge and conductivity of the simulated waters against published values."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.air import saturation_pa
from simulator.water import (
    CA,
    CL,
    MG,
    NA,
    SIZE,
    TIC,
    K,
    carbonate_constants,
    charge_excess_meq_l,
    conductivity_us_cm,
    from_analysis,
    hardness_mg_l,
    hydrogen_mmol_l,
    osmotic_pa,
    ph,
    viscosity_pa_s,
)  # fmt: skip

HARD = from_analysis(ca=100, mg=30, na=20, k=3, so4=70, no3=10, sio2=12, alk=260, ph_value=7.4)


def potassium_chloride(mmol_l: float) -> np.ndarray:
    water = np.zeros(SIZE)
    water[K] = water[CL] = mmol_l
    return water


@pytest.mark.parametrize(("mmol_l", "published"), [(0.1, 14.9), (1.0, 146.9), (10.0, 1412.0), (20.0, 2765.0)])
def test_potassium_chloride_conducts_as_in_standard_methods_2510(mmol_l: float, published: float) -> None:
    assert float(conductivity_us_cm(potassium_chloride(mmol_l), 25.0)) == pytest.approx(published, rel=0.01)


@pytest.mark.parametrize(
    ("temp_c", "published"), [(0.0, 772.92), (10.0, 1013.95), (20.0, 1273.03), (40.0, 1831.27)]
)
def test_mobilities_follow_temperature_as_nist_potassium_chloride_does(
    temp_c: float, published: float
) -> None:
    """NIST standard of 0.01 mol/kg, ratio to its 25 C value of 1408.23; the Walden rule is good to 4 %."""
    water = potassium_chloride(10.0)
    ratio = float(conductivity_us_cm(water, temp_c) / conductivity_us_cm(water, 25.0))
    assert ratio == pytest.approx(published / 1408.23, rel=0.04)


def test_pure_water_conducts_as_by_its_own_ions() -> None:
    """0.0550 uS/cm at 25 C (Otten 1981; Morash and others 1994)."""
    assert float(conductivity_us_cm(np.zeros(SIZE), 25.0)) == pytest.approx(0.0550, rel=0.02)


def test_charges_balance_in_any_water() -> None:
    rng = np.random.default_rng(3)
    waters = HARD * rng.uniform(0.0, 2.0, (200, SIZE))
    h = hydrogen_mmol_l(waters, 17.0)
    k1, k2, ks, kw = carbonate_constants(17.0)
    weak = waters[:, TIC] * k1 * (h + 2 * k2) / (h * (h + k1) + k1 * k2) + waters[:, -1] * ks / (ks + h)
    assert np.abs(charge_excess_meq_l(waters) + h - kw / h - weak).max() < 1e-5


def test_an_analysis_comes_back_with_the_ph_and_hardness_it_was_given() -> None:
    assert float(ph(HARD, 25.0)) == pytest.approx(7.4, abs=0.01)
    assert float(hardness_mg_l(HARD)) == pytest.approx(2.497 * 100 + 4.118 * 30, rel=0.002)


def test_an_analysis_with_too_many_anions_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"anions exceed cations by \d"):
        from_analysis(ca=10, mg=1, na=1, k=0, so4=100, no3=0, sio2=0, alk=100, ph_value=7)


def test_softening_hardly_moves_conductivity() -> None:
    soft = HARD.copy()
    soft[NA] += soft[CA] + soft[MG]
    soft[CA] = soft[MG] = 0.0
    change = float(conductivity_us_cm(soft, 25.0) / conductivity_us_cm(HARD, 25.0)) - 1.0
    assert abs(change) < 0.06  # engines differ even in its sign


def test_viscosity_is_that_of_water() -> None:
    """IAPWS values: 1.3059, 1.0016, 0.8900, 0.6527 mPa s at 10, 20, 25, 40 C."""
    for temp_c, published in ((10, 1.3059), (20, 1.0016), (25, 0.8900), (40, 0.6527)):
        assert 1000.0 * float(viscosity_pa_s(temp_c)) == pytest.approx(published, rel=0.015)


def test_osmotic_pressure_of_sodium_chloride_is_near_pitzers() -> None:
    """2000 mg/L at 25 C: 1.612 bar by PHREEQC's pitzer database."""
    salt = np.zeros(SIZE)
    salt[NA] = salt[CL] = 2000.0 / 58.443
    assert float(osmotic_pa(salt, 25.0)) / 1e5 == pytest.approx(1.612, rel=0.07)


def test_vapour_saturates_as_in_if97() -> None:
    for temp_c, published in ((10, 1228.2), (25, 3169.7), (40, 7384.9)):
        assert float(saturation_pa(temp_c)) == pytest.approx(published, rel=0.004)
