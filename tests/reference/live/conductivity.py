"""Conductivity, pure water and the carbonate system against two PHREEQCs, pyEQL and IAPWS.

Conductivity against temperature is held against PHREEQC 3.8.6 (bundled with pyEQL); phreeqpython's is
older and lets every ion, H+ and OH- too, follow the water's viscosity, which puts pure water 24 % off at
0 and 60 °C. Inputs are drawn with fixed seeds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from typing import Any, Literal

import numpy as np

from monitor.water import carbonate, conductivity, ions, ultrapure
from tests.reference.deviation import Comparison, relative_pct
from tests.reference.live.engine import conductivity_and_ph

CASES = 60


@cache
def engine() -> Any:
    from phreeqpython import PhreeqPython

    return PhreeqPython()


def natural_waters(seed: int) -> Iterator[dict[str, float]]:
    """Random fresh waters, mg/L of each ion, chloride closing the charge."""
    draw = np.random.default_rng(seed)
    made = 0
    while made < CASES:
        water = {
            "Ca": draw.uniform(1, 120),
            "Mg": draw.uniform(0.5, 40),
            "Na": draw.uniform(3, 150),
            "K": draw.uniform(0.5, 10),
            "HCO3": draw.uniform(20, 350),
            "SO4": draw.uniform(2, 100),
            "NO3": draw.uniform(0, 40),
        }
        chloride = (ions.cations_meq_l(water) - ions.anions_meq_l(water)) * 35.453
        if chloride > 1.0:
            made += 1
            yield {**water, "Cl": chloride}


def totals(water: dict[str, float]) -> dict[str, object]:
    """The water as PHREEQC names it, HCO3 entered as alkalinity."""
    names = {"HCO3": "Alkalinity", "SO4": "S(6)", "NO3": "N(5)"}
    return {names.get(ion, ion): f"{mass} as {ion}" if ion in names else mass for ion, mass in water.items()}


def phreeqc(water: dict[str, float], temperature_c: float) -> float:
    """Conductivity of a water of pH 7.6 made at 25 °C and read, closed, at another temperature."""
    return conductivity_and_ph(totals(water), "7.6", "mg/l", 25.0, temperature_c)[0]


def ions_at(temperature_c: float) -> Callable[[], list[float]]:
    """Conductivity of random analyses at a temperature."""

    def run() -> list[float]:
        return [
            relative_pct(ions.ec_from_ions_us_cm(water, temperature_c, 7.6), phreeqc(water, temperature_c))
            for water in natural_waters(11)
        ]

    return run


def ions_against_phreeqpython() -> list[float]:
    found = []
    for water in natural_waters(11):
        solution = engine().add_solution({"temp": 25.0, "pH": 7.6, "units": "mg/l", **totals(water)})
        found.append(relative_pct(ions.ec_from_ions_us_cm(water, 25.0, 7.6), solution.sc))
        solution.forget()
    return found


def natural_compensation() -> list[float]:
    """A natural water read cold or warm and brought to 25 °C, against the same water at 25 °C."""
    draw = np.random.default_rng(12)
    found = []
    for water in natural_waters(12):
        t = draw.uniform(5.0, 35.0)
        ours = conductivity.ec25_natural_us_cm(phreeqc(water, t), t)
        found.append(relative_pct(ours, phreeqc(water, 25.0)))
    return found


def salt(nacl_mg_l: float, temperature_c: float) -> float:
    """Conductivity of pure water with NaCl by PHREEQC."""
    sodium = 22.98977 / ions.NACL_G_MOL
    given: dict[str, object] = {"Na": nacl_mg_l * sodium, "Cl": nacl_mg_l * (1.0 - sodium)}
    return conductivity_and_ph(given, "7 charge", "mg/l", temperature_c, temperature_c)[0]


def compensated(
    rule: Callable[[float, float], float], seed: int, log_span: tuple[float, float]
) -> list[float]:
    """NaCl in pure water read at 5 to 40 °C and brought to 25 °C by a rule, against itself at 25 °C."""
    draw = np.random.default_rng(seed)
    found = []
    for _ in range(CASES):
        nacl, t = 10 ** draw.uniform(*log_span), draw.uniform(5.0, 40.0)
        found.append(relative_pct(rule(salt(nacl, t), t), salt(nacl, 25.0)))
    return found


def high_purity_compensation() -> list[float]:
    return compensated(conductivity.ec25_high_purity_us_cm, 13, (-3.0, 0.7))


def sodium_chloride_compensation() -> list[float]:
    return compensated(conductivity.ec25_sodium_chloride_us_cm, 14, (1.0, 3.0))


def nacl_against_phreeqc() -> list[float]:
    draw = np.random.default_rng(15)
    found = []
    for _ in range(CASES):
        nacl, t = 10 ** draw.uniform(0.0, 3.7), draw.uniform(5.0, 40.0)
        found.append(relative_pct(ions.ec_of_nacl_us_cm(nacl, t), salt(nacl, t)))
    return found


def nacl_against_pyeql() -> list[float]:
    import pyEQL

    draw = np.random.default_rng(16)
    found = []
    for _ in range(20):
        mol = 10 ** draw.uniform(-4.0, -1.07)
        solution = pyEQL.Solution({"Na+": f"{mol} mol/L", "Cl-": f"{mol} mol/L"}, temperature="25 degC")
        reference = float(solution.conductivity.to("uS/cm").magnitude)
        found.append(relative_pct(ions.ec_of_nacl_us_cm(mol * 1000.0 * ions.NACL_G_MOL), reference))
    return found


def pure_water_iapws() -> list[float]:
    from iapws import IAPWS95
    from iapws._iapws import _Conductivity

    found = []
    for t in np.random.default_rng(17).uniform(0.1, 99.0, CASES):
        density = IAPWS95(T=t + 273.15, P=0.101325).rho
        reference = _Conductivity(density, t + 273.15) * 1e4
        found.append(relative_pct(ultrapure.pure_water_us_cm(t, "iapws"), reference))
    return found


def ion_product_iapws() -> list[float]:
    from iapws import IAPWS95
    from iapws._iapws import _Kw

    found = []
    for t in np.random.default_rng(18).uniform(0.1, 99.0, CASES):
        density = IAPWS95(T=t + 273.15, P=0.101325).rho
        found.append(ultrapure.water_pkw(t) - _Kw(density, t + 273.15))
    return found


def density_iapws() -> list[float]:
    from iapws import IAPWS95

    temperatures = np.random.default_rng(19).uniform(0.1, 99.0, CASES)
    return [
        relative_pct(ultrapure.density_kg_l(t) * 1000.0, IAPWS95(T=t + 273.15, P=0.101325).rho)
        for t in temperatures
    ]


def pure_water_phreeqc() -> list[float]:
    found = []
    for t in np.random.default_rng(20).uniform(0.1, 60.0, CASES):
        found.append(relative_pct(ultrapure.pure_water_us_cm(t), salt(0.0, t)))
    return found


def co2_of(waters: Iterator[dict[str, float]], seed: int) -> list[float]:
    """CO2 from the alkalinity, pH and ionic strength that PHREEQC has for a water."""
    draw = np.random.default_rng(seed)
    found = []
    for water in waters:
        ph, t = draw.uniform(6.3, 8.3), draw.uniform(5.0, 40.0)
        solution = engine().add_solution({"temp": t, "pH": ph, "units": "mg/l", **totals(water)})
        alkalinity = water["HCO3"] / 61.0168 * carbonate.CACO3_MG_EQ
        reference = solution.species_molalities["CO2"] * carbonate.CO2_MG_MOL * ultrapure.density_kg_l(t)
        strength = ions.ionic_strength_mol_l(water)
        ours = carbonate.co2_from_alkalinity_mg_l(alkalinity, ph, t, strength)
        found.append(relative_pct(ours, reference))
        solution.forget()
    return found


def co2_hard() -> list[float]:
    return co2_of(natural_waters(21), 21)


def co2_soft() -> list[float]:
    """The same waters with every Ca and Mg exchanged for Na."""

    def softened(water: dict[str, float]) -> dict[str, float]:
        hardness_meq = ions.cations_meq_l({"Ca": water["Ca"], "Mg": water["Mg"]})
        rest = {ion: mass for ion, mass in water.items() if ion not in ("Ca", "Mg")}
        return {**rest, "Na": water["Na"] + hardness_meq * 22.98977}

    return co2_of((softened(water) for water in natural_waters(22)), 22)


def carbonated(which: Literal["ec", "ph"]) -> Callable[[], list[float]]:
    """CO2 alone in pure water, 0.1 to 30 mg/L."""

    def run() -> list[float]:
        draw = np.random.default_rng(23)
        found = []
        for _ in range(CASES):
            co2, t = 10 ** draw.uniform(-1.0, 1.5), draw.uniform(5.0, 40.0)
            ec, ph = conductivity_and_ph({"C(4)": co2 / 44.0095}, "5.5 charge", "mmol/kgw", t, t)
            ours = ultrapure.carbonated_water(co2, 0.0, t)
            found.append(relative_pct(ours.ec_us_cm, ec) if which == "ec" else ours.ph - ph)
        return found

    return run


PHREEQC, OLDER = "PHREEQC 3.8.6 (in pyEQL)", "PHREEQC (phreeqpython)"
IAPWS, PYEQL = "IAPWS (iapws)", "pyEQL"
FRESH = "fresh waters of 8 ions, about 100 to 1500 µS/cm"

COMPARISONS = [
    Comparison("ec_from_ions_us_cm", PHREEQC, f"{FRESH}, 25 °C", 6.0, ions_at(25.0)),
    Comparison("ec_from_ions_us_cm", OLDER, f"{FRESH}, 25 °C", 10.0, ions_against_phreeqpython),
    Comparison("ec_from_ions_us_cm", PHREEQC, f"{FRESH}, 10 °C", 8.0, ions_at(10.0)),
    Comparison("ec_from_ions_us_cm", PHREEQC, f"{FRESH}, 40 °C", 6.0, ions_at(40.0)),
    Comparison("ec25_natural_us_cm", PHREEQC, f"{FRESH}, 5 to 35 °C", 2.5, natural_compensation),
    Comparison(
        "ec25_high_purity_us_cm", PHREEQC, "1 to 5000 µg/L NaCl, 5 to 40 °C", 0.5, high_purity_compensation
    ),
    Comparison(
        "ec25_sodium_chloride_us_cm",
        PHREEQC,
        "10 to 1000 mg/L NaCl, 5 to 40 °C",
        0.6,
        sodium_chloride_compensation,
    ),
    Comparison("ec_of_nacl_us_cm", PHREEQC, "1 to 5000 mg/L, 5 to 40 °C", 1.5, nacl_against_phreeqc),
    Comparison("ec_of_nacl_us_cm", PYEQL, "0.0001 to 0.085 mol/L, 25 °C", 1.0, nacl_against_pyeql),
    Comparison("pure_water_us_cm", IAPWS, "model iapws, 0 to 99 °C", 0.1, pure_water_iapws),
    Comparison("pure_water_us_cm", PHREEQC, "model ions, 0 to 60 °C", 1.0, pure_water_phreeqc),
    Comparison("water_pkw", IAPWS, "0 to 99 °C", 0.001, ion_product_iapws, unit="pK"),
    Comparison("density_kg_l", IAPWS, "0 to 99 °C", 0.01, density_iapws),
    Comparison("co2_from_alkalinity_mg_l", OLDER, f"{FRESH}, pH 6.3 to 8.3, 5 to 40 °C", 9.0, co2_hard),
    Comparison(
        "co2_from_alkalinity_mg_l", OLDER, "the same softened, pH 6.3 to 8.3, 5 to 40 °C", 2.0, co2_soft
    ),
    Comparison("carbonated_water", PHREEQC, "EC, 0.1 to 30 mg/L CO2, 5 to 40 °C", 3.0, carbonated("ec")),
    Comparison(
        "carbonated_water",
        PHREEQC,
        "pH, 0.1 to 30 mg/L CO2, 5 to 40 °C",
        0.001,
        carbonated("ph"),
        unit="pH",
    ),
]
