"""Laws of ions, pure water, carbonate and hardness: charge and amounts are conserved, inverses return."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.water import carbonate, hardness, ions, ultrapure
from monitor.water.errors import OutOfRange

MASS = st.floats(0.0, 500.0)
ANALYSIS = st.fixed_dictionaries(dict.fromkeys(("Na", "K", "Ca", "Mg", "Cl", "HCO3", "SO4", "NO3"), MASS))


@given(first=ANALYSIS, second=ANALYSIS, share=st.floats(0.0, 1.0))
def test_mixing_two_waters_conserves_equivalents_and_mass(
    first: dict[str, float], second: dict[str, float], share: float
) -> None:
    mixed = {ion: share * first[ion] + (1 - share) * second[ion] for ion in first}
    for amount in (ions.cations_meq_l, ions.anions_meq_l, ions.tds_sum_mg_l, ions.ionic_strength_mol_l):
        expected = share * amount(first) + (1 - share) * amount(second)
        assert amount(mixed) == pytest.approx(expected, rel=1e-9, abs=1e-12)


@given(water=ANALYSIS)
def test_softening_conserves_charge_and_leaves_no_hardness(water: dict[str, float]) -> None:
    exchanged = ions.cations_meq_l({"Ca": water["Ca"], "Mg": water["Mg"]})
    soft = {**water, "Ca": 0.0, "Mg": 0.0, "Na": water["Na"] + exchanged * ions.molar_mass_g_mol("Na")}
    assert ions.cations_meq_l(soft) == pytest.approx(ions.cations_meq_l(water), rel=1e-9)


@given(na=st.floats(0.1, 5000.0))
def test_a_salt_balances_and_a_missing_anion_shows(na: float) -> None:
    chloride = na / ions.molar_mass_g_mol("Na") * ions.molar_mass_g_mol("Cl")
    assert ions.charge_imbalance_pct({"Na": na, "Cl": chloride}) == pytest.approx(0.0, abs=1e-9)
    assert ions.charge_imbalance_pct({"Na": na}) == pytest.approx(100.0)


@given(water=ANALYSIS.filter(lambda water: sum(water.values()) > 1.0))
def test_real_conductivity_is_below_that_of_endless_dilution(water: dict[str, float]) -> None:
    assert 0 < ions.ec_from_ions_us_cm(water) < ions.ec25_infinite_dilution_us_cm(water)


def test_acid_gains_less_with_temperature_than_salt() -> None:
    # HCl 1.6 %/°C (bench meter manual: 0.0156 for 10 %), NaCl about 2 %/°C
    acid = ions.ec_from_ions_us_cm({"Cl": 35.453}, 35.0, 3.0) / ions.ec_from_ions_us_cm(
        {"Cl": 35.453}, 25.0, 3.0
    )
    salt = ions.ec_of_nacl_us_cm(58.44, 35.0) / ions.ec_of_nacl_us_cm(58.44, 25.0)
    assert acid == pytest.approx(1.156, abs=0.015)
    assert salt == pytest.approx(1.21, abs=0.01)


@given(nacl=st.floats(0.01, 9000.0), more=st.floats(1.001, 1.1), t=st.floats(0.0, 50.0))
def test_more_salt_conducts_more(nacl: float, more: float, t: float) -> None:
    assert ions.ec_of_nacl_us_cm(nacl * more, t) > ions.ec_of_nacl_us_cm(nacl, t)


@given(t=st.floats(0.0, 99.0), more=st.floats(0.01, 1.0), model=st.sampled_from(["ions", "iapws"]))
def test_pure_water_conducts_more_when_warmer(t: float, more: float, model: str) -> None:
    cold = ultrapure.pure_water_us_cm(t, model)
    assert ultrapure.pure_water_us_cm(t + more, model) > cold


@given(t=st.floats(0.0, 100.0))
def test_the_two_models_of_pure_water_stay_within_the_stated_doubt(t: float) -> None:
    assert ultrapure.pure_water_us_cm(t, "iapws") == pytest.approx(ultrapure.pure_water_us_cm(t), rel=0.05)


@given(salt=st.floats(0.0, 9000.0), more=st.floats(0.1, 100.0), t=st.floats(0.0, 100.0))
def test_a_trace_of_salt_only_lowers_resistivity(salt: float, more: float, t: float) -> None:
    assert ultrapure.trace_nacl_mohm_cm(salt + more, t) < ultrapure.trace_nacl_mohm_cm(salt, t)


@given(t=st.floats(0.0, 50.0), co2=st.floats(0.01, 500.0))
def test_carbonated_water_is_acid_and_neutral_without_carbon_dioxide(t: float, co2: float) -> None:
    neutral = ultrapure.carbonated_water(0.0, 0.0, t)
    assert neutral.ph == pytest.approx(ultrapure.water_pkw(t) / 2, abs=1e-6)
    assert ultrapure.carbonated_water(co2, 0.0, t).ph < neutral.ph
    assert ultrapure.carbonated_water(co2, 0.0, t).ec_us_cm > neutral.ec_us_cm


@given(
    alkalinity=st.floats(1.0, 500.0),
    co2=st.floats(0.05, 200.0),
    t=st.floats(0.0, 50.0),
    strength=st.floats(0.0, 0.1),
)
def test_carbon_dioxide_and_ph_are_inverse(alkalinity: float, co2: float, t: float, strength: float) -> None:
    ph = carbonate.ph_from_alkalinity_co2(alkalinity, co2, t, strength)
    assert carbonate.co2_from_alkalinity_mg_l(alkalinity, ph, t, strength) == pytest.approx(co2, rel=1e-6)


@given(alkalinity=st.floats(20.0, 500.0), ph=st.floats(6.0, 8.2), t=st.floats(0.0, 50.0))
def test_a_tenth_of_ph_is_a_quarter_of_the_carbon_dioxide(alkalinity: float, ph: float, t: float) -> None:
    lower = carbonate.co2_from_alkalinity_mg_l(alkalinity, ph, t)
    higher = carbonate.co2_from_alkalinity_mg_l(alkalinity, ph + 0.1, t)
    assert lower / higher == pytest.approx(1.26, abs=0.06)


def test_a_ph_that_the_alkalinity_cannot_hold_is_refused() -> None:
    with pytest.raises(OutOfRange, match=r"ph = 11\.5"):
        carbonate.co2_from_alkalinity_mg_l(10.0, 11.5)


@given(value=st.floats(0.0, 199.0), unit=st.sampled_from(["gpg", "dH", "fH", "Clark", "meq/L", "mmol/L"]))
def test_hardness_units_come_back(value: float, unit: str) -> None:
    mass = hardness.hardness_in_mg_l(value, unit)
    shown = dict(zip(hardness.HardnessUnits._fields, hardness.hardness_units(mass), strict=True))
    field = {
        "gpg": "hardness_gpg",
        "dH": "hardness_dh",
        "fH": "hardness_fh",
        "Clark": "hardness_clark",
        "meq/L": "hardness_meq_l",
        "mmol/L": "hardness_mmol_l",
    }[unit]
    assert shown[field] == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("mass", "scale", "word"),
    [
        (60.0, "usgs", "soft"),
        (60.1, "usgs", "moderately hard"),
        (180.0, "usgs", "hard"),
        (181.0, "usgs", "very hard"),
        (342.0, "five-band", "very hard"),
        (17.0, "five-band", "soft"),
    ],
)
def test_a_class_of_hardness_carries_the_name_of_its_scale(mass: float, scale: str, word: str) -> None:
    assert hardness.hardness_class(mass, scale) == (word, scale)


def test_an_unknown_ion_is_refused_with_the_known_ones() -> None:
    with pytest.raises(OutOfRange, match="ion = Fe is out of range: one of H, Na"):
        ions.cations_meq_l({"Fe": 1.0})
