"""Permeate, concentrate, scaling, osmotic pressure and the column against PHREEQC, pyEQL and SciPy.

PHREEQC is phreeqpython's: phreeqc.dat as shipped with it. Inputs are drawn with fixed seeds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from monitor.water import breakthrough_fit, carbonate, discharge, ions, osmosis, permeate, resin, scaling
from tests.reference.deviation import Comparison, relative_pct
from tests.reference.live.conductivity import CASES, engine, natural_waters, totals

Pair = tuple[permeate.WaterState, Any]
MMOL_NAMES = {"SO4": "S(6)", "NO3": "N(5)"}


def dissolve(water: dict[str, float], acidity: float, temperature_c: float) -> Any:
    return engine().add_solution({"temp": temperature_c, "pH": acidity, "units": "mg/l", **totals(water)})


def alkalinity_mg_l(water: dict[str, float]) -> float:
    return water["HCO3"] / ions.molar_mass_g_mol("HCO3") * carbonate.CACO3_MG_EQ


def diluted(water: dict[str, float], acidity: float, times: float) -> Any:
    """PHREEQC's own: every ion times a factor, the pressure of CO2 as it was, the pH from the charges."""
    feed = dissolve(water, acidity, 25.0)
    pressure = feed.si("CO2(g)")
    feed.forget()
    given: dict[str, Any] = {
        MMOL_NAMES.get(ion, ion): times * mass / ions.molar_mass_g_mol(ion)
        for ion, mass in water.items()
        if ion != "HCO3"
    }
    given["C(4)"] = f"1 CO2(g) {pressure}"
    return engine().add_solution({"temp": 25.0, "pH": "7 charge", "units": "mmol/kgw", **given})


def without_carbon(water: dict[str, float]) -> dict[str, float]:
    return {ion: mass for ion, mass in water.items() if ion != "HCO3"}


def permeates(seed: int) -> Iterator[Pair]:
    draw = np.random.default_rng(seed)
    for water in natural_waters(seed):
        ph, passage = draw.uniform(6.6, 8.2), draw.uniform(0.01, 0.08)
        theirs = diluted(water, ph, passage)
        yield (
            permeate.permeate_water(without_carbon(water), alkalinity_mg_l(water), ph, 100.0 * passage),
            theirs,
        )
        theirs.forget()


def concentrates(seed: int) -> Iterator[Pair]:
    draw = np.random.default_rng(seed)
    for water in natural_waters(seed):
        ph, recovery = draw.uniform(6.6, 7.8), draw.uniform(0.2, 0.75)
        theirs = diluted(water, ph, 1.0 / (1.0 - recovery))
        yield (
            permeate.concentrate_water(without_carbon(water), alkalinity_mg_l(water), ph, 100.0 * recovery),
            theirs,
        )
        theirs.forget()


def each(pairs: Callable[[int], Iterator[Pair]], seed: int, of: Callable[[Any, Any], float]) -> Any:
    return lambda: [of(ours, theirs) for ours, theirs in pairs(seed)]


def ec(ours: permeate.WaterState, theirs: Any) -> float:
    return relative_pct(ours.ec25_us_cm, theirs.sc)


def ph(ours: permeate.WaterState, theirs: Any) -> float:
    return ours.ph - float(theirs.pH)


def co2(ours: permeate.WaterState, theirs: Any) -> float:
    return relative_pct(ours.co2_mg_l, 44009.5 * theirs.species_molalities["CO2"])


def calcium_hardness(ca_mg_l: float) -> float:
    return ca_mg_l * resin.as_caco3_factor("Ca", 2)


def concentrate_index(ours: permeate.WaterState, theirs: Any) -> float:
    calcium = calcium_hardness(ours.analysis_mg_l["Ca"])
    found = scaling.langelier_sm2330(ours.ph, calcium, ours.alkalinity_mg_l, ours.tds_mg_l)
    return found.langelier_index - float(theirs.si("Calcite"))


def index_of_feeds(form: Any) -> Callable[[], list[float]]:
    """Langelier index of natural waters against PHREEQC's calcite index."""

    def run() -> list[float]:
        draw = np.random.default_rng(33)
        found = []
        for water in natural_waters(33):
            acidity, t = draw.uniform(6.8, 8.2), draw.uniform(5.0, 40.0)
            theirs = dissolve(water, acidity, t)
            ours = form(
                acidity, calcium_hardness(water["Ca"]), alkalinity_mg_l(water), ions.tds_sum_mg_l(water), t
            )
            found.append(ours.langelier_index - float(theirs.si("Calcite")))
            theirs.forget()
        return found

    return run


def osmotic_pyeql(rule: Callable[[float, float], float], most_mg_l: float) -> Callable[[], list[float]]:
    """Osmotic pressure of NaCl solutions; pyEQL uses Pitzer's model."""

    def run() -> list[float]:
        import pyEQL

        draw = np.random.default_rng(34)
        found = []
        for _ in range(25):
            salt, t = float(np.exp(draw.uniform(np.log(100.0), np.log(most_mg_l)))), draw.uniform(10.0, 35.0)
            amount = f"{salt / 1000.0 / osmosis.NACL_G_MOL} mol/L"
            solution = pyEQL.Solution({"Na+": amount, "Cl-": amount}, temperature=f"{t} degC")
            found.append(relative_pct(rule(salt, t), float(solution.osmotic_pressure.to("bar").magnitude)))
        return found

    return run


def water_activity(pitzer: Any, molality: float, temperature_c: float) -> float:
    text = f"""
SOLUTION 1
    temp {temperature_c}
    units mol/kgw
    Na {molality}
    Cl {molality}
SELECTED_OUTPUT
    -reset false
    -high_precision true
USER_PUNCH
    -headings activity
    10 PUNCH ACT("H2O")
END
"""
    pitzer.ip.run_string(text)
    return float(pitzer.ip.get_selected_output_array()[-1][-1])


def osmotic_phreeqc() -> list[float]:
    """Osmotic pressure of NaCl from the activity of water by pitzer.dat."""
    from phreeqpython import PhreeqPython

    pitzer = PhreeqPython(database="pitzer.dat")
    draw = np.random.default_rng(35)
    found = []
    for _ in range(CASES):
        molality = float(np.exp(draw.uniform(np.log(0.02), np.log(1.5))))
        t = draw.uniform(8.0, 42.0)
        density = osmosis.density_kg_l(t)
        per_litre = osmosis.GAS_L_BAR_MOL_K * (t + 273.15) * density / osmosis.WATER_KG_MOL
        reference = -per_litre * np.log(water_activity(pitzer, molality, t))
        # ours takes mg per litre of solution: turn its own step to molality round
        mol_l = molality * density
        for _ in range(30):
            mol_l = molality * density * (1.0 - mol_l * (16.6 + 1.9 * np.sqrt(mol_l)) / 1000.0)
        ours = osmosis.osmotic_pressure_nacl_pitzer_bar(mol_l * 1000.0 * osmosis.NACL_G_MOL, t)
        found.append(relative_pct(ours, reference))
    return found


def advection_peak(feed: dict[str, float], form: str, ion: str, cells: int, sites: float) -> float:
    """Highest effluent over feed in PHREEQC's own row of cells."""
    total = 2.0 * (feed.get("Ca", 0.0) + feed.get("Mg", 0.0)) + feed.get("Na", 0.0)
    shifts = int(1.6 * cells * (1000.0 * sites / total + 1.0))
    start = f"Na {total}" if form == "Na" else "pH 3"
    dissolved = "\n".join(f"    {name} {value}" for name, value in feed.items())
    acid = "EXCHANGE_SPECIES\n    H+ + X- = HX\n    log_k -0.193\n    -gamma 9.0 0\n"
    text = f"""{acid if form == "H" else ""}
SOLUTION 0
    units mmol/kgw
    pH 7
{dissolved}
    Cl {total} charge
SOLUTION 1-{cells}
    units mmol/kgw
    {start}
    Cl {total} charge
EXCHANGE 1-{cells}
    {form}X {sites}
SELECTED_OUTPUT
    -reset false
    -totals {ion}
ADVECTION
    -cells {cells}
    -shifts {shifts}
    -punch_cells {cells}
    -punch_frequency 1
END
"""
    from phreeqpython import PhreeqPython

    column = PhreeqPython()
    column.ip.run_string(text)
    rows = column.ip.get_selected_output_array()
    return max(float(row[-1]) for row in rows[1:]) * 1000.0 / feed[ion]


def column_peaks(form: Any, ion: Any) -> Callable[[], list[float]]:
    def run() -> list[float]:
        draw = np.random.default_rng(36)
        found = []
        for _ in range(12):
            feed = {"Ca": draw.uniform(0.5, 3.0), "Mg": draw.uniform(0.3, 2.0), "Na": draw.uniform(0.3, 3.0)}
            cells, sites = int(draw.integers(8, 24)), draw.uniform(0.01, 0.03)
            ours = discharge.cation_bed_peak_ratio(ion, feed, form, cells, sites)  # type: ignore[arg-type]  # ions
            found.append(relative_pct(ours, advection_peak(feed, form, ion, cells, sites)))
        return found

    return run


def one_sided(side: str) -> Callable[[], list[float]]:
    """Acid or caustic discharge, 0.05 to 5 mmol/L."""

    def run() -> list[float]:
        found = []
        for mmol in np.geomspace(0.05, 5.0, 20):
            ion = {"Cl": mmol} if side == "anion_side_spent_us_cm" else {"Na": mmol}
            start = "3 charge" if "Cl" in ion else "10 charge"
            solution = engine().add_solution({"temp": 25.0, "pH": start, "units": "mmol/kgw", **ion})
            ours = getattr(discharge.one_sided_discharge(float(mmol)), side)
            found.append(relative_pct(ours, solution.sc))
            solution.forget()
        return found

    return run


def fit_scipy() -> list[float]:
    """V50 of noisy whole curves against SciPy's least squares of the same three-parameter curve."""
    from scipy.optimize import curve_fit

    def curve(v: np.ndarray, k: float, v50: float, leak: float) -> np.ndarray:
        return leak + (1.0 - leak) / (1.0 + np.exp(-k * (v - v50)))

    draw = np.random.default_rng(37)
    found = []
    for _ in range(30):
        k, v50, leak = draw.uniform(0.003, 0.03), draw.uniform(1500.0, 6000.0), draw.uniform(0.0, 0.05)
        volume = np.linspace(v50 - 5.0 / k, v50 + draw.uniform(-0.5, 4.0) / k, 60)
        share = curve(volume, k, v50, leak) + draw.normal(0.0, 0.01, volume.size)
        theirs, _ = curve_fit(curve, volume, share, p0=(k, v50, leak), bounds=([0, 0, 0], [1, 1e5, 0.5]))
        ours = breakthrough_fit.fit_breakthrough(volume, share)
        assert ours.v50_l is not None
        found.append(relative_pct(ours.v50_l, theirs[1]))
    return found


PHREEQC, PITZER, PYEQL = "PHREEQC (phreeqpython)", "PHREEQC pitzer.dat", "pyEQL"
OF_TAP = "1 to 8 % passage of fresh waters, pH 6.6 to 8.2, 25 °C"
AT_Y = "20 to 75 % recovery of fresh waters, pH 6.6 to 7.8, 25 °C"

COMPARISONS = [
    Comparison("permeate_water", PHREEQC, f"EC, {OF_TAP}", 2.0, each(permeates, 31, ec)),
    Comparison("permeate_water", PHREEQC, f"pH, {OF_TAP}", 0.03, each(permeates, 31, ph), unit="pH"),
    Comparison("permeate_water", PHREEQC, f"CO2, {OF_TAP}", 6.0, each(permeates, 31, co2)),
    Comparison("concentrate_water", PHREEQC, f"EC, {AT_Y}", 12.0, each(concentrates, 32, ec)),
    Comparison("concentrate_water", PHREEQC, f"pH, {AT_Y}", 0.04, each(concentrates, 32, ph), unit="pH"),
    Comparison(
        "langelier_sm2330",
        PHREEQC,
        f"concentrate against SI calcite, {AT_Y}",
        0.12,
        each(concentrates, 32, concentrate_index),
        unit="index",
    ),
    Comparison(
        "langelier_sm2330",
        PHREEQC,
        "fresh waters against SI calcite, pH 6.8 to 8.2, 5 to 40 °C",
        0.05,
        index_of_feeds(scaling.langelier_sm2330),
        unit="index",
    ),
    Comparison(
        "langelier_carrier",
        PHREEQC,
        "fresh waters against SI calcite, pH 6.8 to 8.2, 5 to 40 °C",
        0.35,
        index_of_feeds(scaling.langelier_carrier),
        unit="index",
    ),
    Comparison(
        "osmotic_pressure_nacl_pitzer_bar",
        PYEQL,
        "100 to 50,000 mg/L NaCl, 10 to 35 °C",
        1.0,
        osmotic_pyeql(osmosis.osmotic_pressure_nacl_pitzer_bar, 50_000.0),
    ),
    Comparison(
        "osmotic_pressure_nacl_pitzer_bar",
        PITZER,
        "0.02 to 1.5 mol/kg NaCl, 8 to 42 °C",
        0.3,
        osmotic_phreeqc,
    ),
    Comparison(
        "osmotic_pressure_astm_bar",
        PYEQL,
        "100 to 5000 mg/L NaCl, 10 to 35 °C",
        7.0,
        osmotic_pyeql(osmosis.osmotic_pressure_astm_bar, 5000.0),
    ),
    Comparison(
        "cation_bed_peak_ratio",
        PHREEQC,
        "Mg off a sodium bed, Ca, Mg, Na 0.3 to 3 mmol/L, 8 to 23 cells",
        0.02,
        column_peaks("Na", "Mg"),
    ),
    Comparison(
        "cation_bed_peak_ratio",
        PHREEQC,
        "Na off a hydrogen bed, Ca, Mg, Na 0.3 to 3 mmol/L, 8 to 23 cells",
        0.02,
        column_peaks("H", "Na"),
    ),
    Comparison(
        "one_sided_discharge",
        PHREEQC,
        "acid, 0.05 to 5 mmol/L, 25 °C",
        3.0,
        one_sided("anion_side_spent_us_cm"),
    ),
    Comparison(
        "one_sided_discharge",
        PHREEQC,
        "caustic, 0.05 to 5 mmol/L, 25 °C",
        3.0,
        one_sided("cation_side_spent_us_cm"),
    ),
    Comparison("fit_breakthrough", "SciPy curve_fit", "V50, 60 readings with 1 % scatter", 0.02, fit_scipy),
]
