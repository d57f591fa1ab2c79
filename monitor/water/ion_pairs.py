"""Water with its ion pairs: calcium and magnesium partly travel bound to bicarbonate, carbonate or sulfate.

A pair carries less current than its ions, or none, and what is bound does not scale. In tap water that is a
few per cent; in an RO's concentrate it lowers the calcite index by about 0.1. The constants are those of one
engine's data base (phreeqc.dat), so two engines still differ by up to 5 % in conductivity: no verdict on
a softener may rest on such a difference.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import NamedTuple

from monitor.water.carbonate import CACO3_MG_EQ, CO2_MG_MOL
from monitor.water.errors import OutOfRange, within
from monitor.water.ions import Analysis, mol_per_l
from monitor.water.osmosis import ro_concentration_factor
from monitor.water.scaling import pks_calcite
from monitor.water.ultrapure import water_pkw

__all__ = ["PairedWater", "paired_blend", "paired_concentrate", "paired_water"]

FARADAY, GAS, KELVIN_25 = 96_485.33, 8.31446, 298.15
KJ_PER_KCAL = 4.184
CONDUCTANCE_POWER = 0.69  # of the activity coefficient, by charge; see `paired_water`
MOST_STRENGTH = 0.15
LOWEST_PH, HIGHEST_PH = 4.0, 10.5

# phreeqc.dat: charge, ion size (None: Davies), b of the activity coefficient, diffusion in 1e-9 m2/s
_SPECIES: dict[str, tuple[int, float | None, float, float]] = {
    "H": (1, 9.0, 0.0, 9.31), "OH": (-1, 3.5, 0.0, 5.27), "Ca": (2, 5.0, 0.165, 0.793),
    "Mg": (2, 5.5, 0.2, 0.705), "Na": (1, 4.08, 0.082, 1.33), "K": (1, 3.5, 0.015, 1.96),
    "NH4": (1, 2.5, 0.0, 1.98), "Cl": (-1, 3.63, 0.017, 2.03), "SO4": (-2, 5.0, -0.04, 1.07),
    "NO3": (-1, 3.0, 0.0, 1.9), "F": (-1, 3.5, 0.0, 1.46), "CO3": (-2, 5.4, 0.0, 0.955),
    "HCO3": (-1, 5.4, 0.0, 1.18), "CO2": (0, None, 0.0, 0.0), "SiO2": (0, None, 0.0, 0.0),
    "CaCO3": (0, None, 0.0, 0.0), "CaHCO3": (1, 6.0, 0.0, 0.506), "CaSO4": (0, None, 0.0, 0.0),
    "MgCO3": (0, None, 0.0, 0.0), "MgHCO3": (1, 4.0, 0.0, 0.478), "MgSO4": (0, None, 0.0, 0.0),
    "NaCO3": (-1, None, 0.0, 0.585), "NaHCO3": (0, None, 0.0, 0.0), "NaSO4": (-1, 5.4, 0.0, 0.618),
    "KSO4": (-1, 5.4, 0.0, 0.746),
}  # fmt: skip
# Pair -> cation, anion, number of H+ it holds
_PAIRS: dict[str, tuple[str, str, int]] = {
    "CaCO3": ("Ca", "CO3", 0), "CaHCO3": ("Ca", "CO3", 1), "CaSO4": ("Ca", "SO4", 0),
    "MgCO3": ("Mg", "CO3", 0), "MgHCO3": ("Mg", "CO3", 1), "MgSO4": ("Mg", "SO4", 0),
    "NaCO3": ("Na", "CO3", 0), "NaHCO3": ("Na", "CO3", 1), "NaSO4": ("Na", "SO4", 0),
    "KSO4": ("K", "SO4", 0),
}  # fmt: skip
_CARBON = ("CO3", "HCO3", "CO2", *(pair for pair, (_, anion, _) in _PAIRS.items() if anion == "CO3"))
_GIVEN = ("Ca", "Mg", "Na", "K", "NH4", "Cl", "SO4", "NO3", "F", "SiO2")
_ROUNDS = 200


class PairedWater(NamedTuple):
    """A water with its ion pairs worked out."""

    ec25_us_cm: float
    calcite_index: float | None
    ph: float
    co2_mg_l: float
    inorganic_carbon_mmol_l: float
    ionic_strength_mol_l: float
    paired_calcium_pct: float


def paired_water(
    analysis_mg_l: Analysis, alkalinity_mg_l: float, ph: float, temperature_c: float = 25.0
) -> PairedWater:
    """Conductivity, calcite index and carbon dioxide of a water, its ion pairs counted.

    Equation: for each pair a(pair) = K a(cation) a(anion) a(H)^n, balances of Ca, Mg, Na, K, SO4 and
        alkalinity solved together; log10 g = -A z^2 sqrt(I)/(1 + B a sqrt(I)) + b I;
        SI = log10(a_Ca a_CO3 / Ks);
        EC25 = sum of D z^2 F^2/(R T) c g^(0.69/|z|) at 25 °C
    Range: Ca, Mg, Na, K, NH4, Cl, SO4, NO3, F, SiO2 in mg/L; alkalinity 0 to 5000 mg/L as CaCO3; pH 4 to
        10.5; 0 to 50 °C; ionic strength up to 0.15 mol/L
    Raises: OutOfRange, also when HCO3, CO3 or CO2 is given beside alkalinity and pH
    Source: constants of phreeqc.dat (phreeqpython 1.6.2). The power 0.69 of the activity coefficient was
        found against the same engine on single salts (NaCl, KNO3, CaCl2, MgCl2, Na2SO4, to 20 meq/L), not
        in a text. On eight published groundwater analyses 1 to 4 % above the conductivity measured
    Assumes: alkalinity is carbonate only; the pH is that at the temperature given; the conductivity is that
        of the same ions at 25 °C; without calcium there is no calcite index
    Not for: a verdict on a softener (another engine gives another sign), water with phosphate or antiscalant
    Example:
        >>> tap = {"Ca": 100, "Mg": 30, "Na": 20, "K": 3, "SO4": 70, "NO3": 10, "Cl": 56.45}
        >>> water = paired_water(tap, 260, 7.4)
        >>> round(water.calcite_index, 2), round(water.ec25_us_cm, -1), round(water.paired_calcium_pct)
        (0.38, 790.0, 8)
    """
    return _solve(_totals(analysis_mg_l), _alkalinity(alkalinity_mg_l), _ph(ph), _warm(temperature_c))


def paired_concentrate(
    analysis_mg_l: Analysis,
    alkalinity_mg_l: float,
    ph: float,
    recovery_pct: float,
    temperature_c: float = 25.0,
) -> PairedWater:
    """Whether an RO's concentrate will scale at a recovery, its ion pairs counted.

    Equation: ions and alkalinity times 1/(1-Y), CO2 unchanged, the pH that follows; then as `paired_water`
    Range: as `paired_water` for feed and concentrate; recovery 0 to 95 %
    Raises: OutOfRange
    Source: as `paired_water`; treatment practice
    Assumes: no salt passes, CO2 passes freely, nothing precipitates on the way
    Not for: a feed dosed with acid or antiscalant, whose scaling limits are the chemical's own
    Example:
        >>> tap = {"Ca": 100, "Mg": 30, "Na": 20, "K": 3, "SO4": 70, "NO3": 10, "Cl": 56.45}
        >>> water = paired_concentrate(tap, 260, 7.4, recovery_pct=60)
        >>> round(water.calcite_index, 2), round(water.ph, 2)
        (1.38, 7.76)
    """
    recovery = within("recovery_pct", recovery_pct, 0.0, 95.0, "%")
    times = ro_concentration_factor(recovery)
    feed = paired_water(analysis_mg_l, alkalinity_mg_l, ph, temperature_c)
    totals = {ion: times * c for ion, c in _totals(analysis_mg_l).items()}
    return _at_carbon(
        totals, times * alkalinity_mg_l, temperature_c, lambda water: water.co2_mg_l - feed.co2_mg_l
    )


def paired_blend(
    first_mg_l: Analysis,
    first_alkalinity_mg_l: float,
    first_ph: float,
    second_mg_l: Analysis,
    second_alkalinity_mg_l: float,
    second_ph: float,
    first_fraction: float,
    temperature_c: float = 25.0,
) -> PairedWater:
    """Two waters mixed in a closed vessel: why conductivities do not mix in proportion.

    Equation: ions, alkalinity and inorganic carbon mix in proportion; the pH that follows; then as
        `paired_water`
    Range: as `paired_water`; fraction of the first water 0 to 1
    Raises: OutOfRange
    Source: mass balance; as `paired_water`
    Assumes: no CO2 escapes, nothing precipitates
    Not for: finding a fraction from a conductivity; blend on hardness (`blend_hard_fraction`)
    Example:
        >>> tap = {"Ca": 100, "Mg": 30, "Na": 20, "K": 3, "SO4": 70, "NO3": 10, "Cl": 56.45}
        >>> permeate = {ion: 0.02 * mass for ion, mass in tap.items()}
        >>> water = paired_blend(tap, 260, 7.4, permeate, 5.2, 6.2, first_fraction=0.4)
        >>> round(water.ec25_us_cm, -1)
        350.0
    """
    share = within("first_fraction", first_fraction, 0.0, 1.0)
    one = paired_water(first_mg_l, first_alkalinity_mg_l, first_ph, temperature_c)
    two = paired_water(second_mg_l, second_alkalinity_mg_l, second_ph, temperature_c)
    first, second = _totals(first_mg_l), _totals(second_mg_l)
    totals = {
        ion: share * first.get(ion, 0.0) + (1.0 - share) * second.get(ion, 0.0) for ion in first | second
    }
    alkalinity = share * first_alkalinity_mg_l + (1.0 - share) * second_alkalinity_mg_l
    carbon = share * one.inorganic_carbon_mmol_l + (1.0 - share) * two.inorganic_carbon_mmol_l
    return _at_carbon(totals, alkalinity, temperature_c, lambda water: water.inorganic_carbon_mmol_l - carbon)


def _at_carbon(
    totals: Mapping[str, float],
    alkalinity_mg_l: float,
    temperature_c: float,
    excess: Callable[[PairedWater], float],
) -> PairedWater:
    """The water at the pH where its carbon is as wanted: `excess` falls as the pH rises."""
    alkalinity, warm = _alkalinity(alkalinity_mg_l), _warm(temperature_c)
    low, high = LOWEST_PH, HIGHEST_PH
    for _ in range(50):
        middle = 0.5 * (low + high)
        water = _solve(totals, alkalinity, middle, warm)
        low, high = (middle, high) if excess(water) > 0 else (low, middle)
    if not LOWEST_PH + 1e-6 < middle < HIGHEST_PH - 1e-6:
        raise OutOfRange("ph", middle, f"{LOWEST_PH:g} to {HIGHEST_PH:g} after mixing or concentrating")
    return water


def _solve(totals: Mapping[str, float], alkalinity: float, ph: float, warm: float) -> PairedWater:
    """All balances at a pH, by going round: free ions, pairs, ionic strength."""
    constants = _constants(warm)
    h, kw = math.pow(10.0, -ph), math.pow(10.0, -water_pkw(warm))
    free = dict(totals)
    strength = 0.5 * sum(c * _SPECIES[ion][0] ** 2 for ion, c in totals.items()) + alkalinity / 2.0
    for _ in range(_ROUNDS):
        within("ionic strength", strength, 0.0, MOST_STRENGTH, "mol/L")
        g = {name: math.pow(10.0, power) for name, power in _log_activity(strength, warm).items()}
        carbonate = _carbonate_activity(alkalinity, h, kw, free, g, constants)
        activity = {"CO3": carbonate, "SO4": free.get("SO4", 0.0) * g["SO4"]}
        for ion in ("Ca", "Mg", "Na", "K", "SO4"):
            if ion in totals:
                free[ion] = totals[ion] / (1.0 + _bound(ion, activity, h, free, g, constants))
        mol = _species(free, carbonate, h, kw, g, constants)
        found = 0.5 * sum(c * _SPECIES[name][0] ** 2 for name, c in mol.items())
        settled, strength = abs(found - strength) < 1e-10, found
        if settled:
            break
    else:
        raise OutOfRange("analysis_mg_l", strength, "a water whose ion pairs settle")
    calcium = mol.get("Ca", 0.0) * g["Ca"] * carbonate
    return PairedWater(
        ec25_us_cm=_conductivity_25(mol, strength),
        calcite_index=math.log10(calcium) + pks_calcite(warm) if calcium > 0.0 else None,
        ph=ph,
        co2_mg_l=mol["CO2"] * CO2_MG_MOL,
        inorganic_carbon_mmol_l=1000.0 * sum(mol.get(name, 0.0) for name in _CARBON),
        ionic_strength_mol_l=strength,
        paired_calcium_pct=100.0 * (1.0 - free["Ca"] / totals["Ca"]) if totals.get("Ca") else 0.0,
    )


def _carbonate_activity(
    alkalinity: float,
    h: float,
    kw: float,
    free: Mapping[str, float],
    g: Mapping[str, float],
    constants: Mapping[str, float],
) -> float:
    """Activity of CO3 that makes up the alkalinity, each species with the charges it can take up."""
    weight = 2.0 / g["CO3"] + constants["HCO3"] * h / g["HCO3"]
    for pair, (cation, anion, protons) in _PAIRS.items():
        if anion == "CO3":
            bound = constants[pair] * free.get(cation, 0.0) * g[cation] * h**protons / g[pair]
            weight += (2 - protons) * bound
    carbonate = alkalinity + h / g["H"] - kw / h / g["OH"]
    if carbonate < 0.0:
        raise OutOfRange("ph", -math.log10(h), "a pH that this alkalinity can hold")
    return carbonate / weight


def _bound(
    ion: str,
    activity: Mapping[str, float],
    h: float,
    free: Mapping[str, float],
    g: Mapping[str, float],
    constants: Mapping[str, float],
) -> float:
    """Bound over free for a cation, or for sulfate."""
    total = 0.0
    for pair, (cation, anion, protons) in _PAIRS.items():
        if ion == cation:
            total += constants[pair] * activity[anion] * h**protons * g[ion] / g[pair]
        elif ion == anion:
            total += constants[pair] * free.get(cation, 0.0) * g[cation] * g[ion] / g[pair]
    return total


def _species(
    free: Mapping[str, float],
    carbonate: float,
    h: float,
    kw: float,
    g: Mapping[str, float],
    constants: Mapping[str, float],
) -> dict[str, float]:
    """Every species in mol/L."""
    activity = {"CO3": carbonate, "SO4": free.get("SO4", 0.0) * g["SO4"]}
    pairs = {
        pair: constants[pair] * free.get(cation, 0.0) * g[cation] * activity[anion] * h**protons / g[pair]
        for pair, (cation, anion, protons) in _PAIRS.items()
    }
    carbon = {
        "CO3": carbonate / g["CO3"],
        "HCO3": constants["HCO3"] * h * carbonate / g["HCO3"],
        "CO2": constants["CO2"] * h * h * carbonate / g["CO2"],
    }
    return {**free, **pairs, **carbon, "H": h / g["H"], "OH": kw / h / g["OH"]}


def _conductivity_25(mol: Mapping[str, float], strength: float) -> float:
    per_mol = 1e-9 * FARADAY**2 / (GAS * KELVIN_25) * 1e7  # µS/cm for 1 mol/L and 1e-9 m2/s
    powers = _log_activity(strength, 25.0)
    total = 0.0
    for name, c in mol.items():
        z, _, _, diffusion = _SPECIES[name]
        if z:
            slowed = math.pow(10.0, min(0.0, CONDUCTANCE_POWER / abs(z) * powers[name]))
            total += diffusion * z * z * c * slowed
    return per_mol * total


def _log_activity(strength: float, warm: float) -> dict[str, float]:
    """log10 of each activity coefficient."""
    kelvin, root = warm + 273.15, math.sqrt(strength)
    product = (60_954.0 / (kelvin + 116.0) - 68.937) * kelvin
    a, b = 1.82e6 * math.pow(product, -1.5), 50.29 / math.sqrt(product)

    def one(z: int, size: float | None, linear: float) -> float:
        if z == 0:
            return 0.1 * strength
        if size is None:
            return -a * z * z * (root / (1.0 + root) - 0.3 * strength)
        return -a * z * z * root / (1.0 + b * size * root) + linear * strength

    return {name: one(z, size, linear) for name, (z, size, linear, _) in _SPECIES.items()}


def _constants(warm: float) -> dict[str, float]:
    """Formation constants from CO3, SO4, H+ and the cation, by phreeqc.dat."""
    kelvin = warm + 273.15

    def series(a: float, b: float, c: float = 0.0, d: float = 0.0, e: float = 0.0) -> float:
        return a + b * kelvin + c / kelvin + d * math.log10(kelvin) + e / kelvin**2

    def heat(log_k: float, kcal: float) -> float:
        return log_k - kcal * KJ_PER_KCAL * 1000.0 / (math.log(10.0) * GAS) * (1 / kelvin - 1 / KELVIN_25)

    bicarbonate = series(107.8871, 0.03252849, -5151.79, -38.92561, 563_713.9)
    logs = {
        "HCO3": bicarbonate,
        "CO2": series(464.1965, 0.09344813, -26_986.16, -165.75951, 2_248_628.9),
        "CaCO3": series(-1228.732, -0.29944, 35_512.75, 485.818),
        "CaHCO3": series(1317.0071, 0.34546894, -39_916.84, -517.70761, 563_713.9),
        "CaSO4": heat(2.25, 1.325),
        "MgCO3": series(0.991, 0.00667),
        "MgHCO3": series(48.6721, 0.03252849, -2614.335, -18.00263, 563_713.9),
        "MgSO4": heat(2.37, 4.55),
        "NaCO3": heat(1.27, 8.91),
        "NaHCO3": heat(-0.25, -1.0) + bicarbonate,
        "NaSO4": heat(0.7, 1.12),
        "KSO4": series(3.106, 0.0, -673.6),
    }
    return {name: math.pow(10.0, power) for name, power in logs.items()}


def _totals(analysis_mg_l: Analysis) -> dict[str, float]:
    """The ions given, in mol/L."""
    for ion in analysis_mg_l:
        if ion not in _GIVEN:
            raise OutOfRange(
                "analysis_mg_l",
                ion,
                "one of " + ", ".join(_GIVEN),
                "carbonate follows from alkalinity and pH",
            )
    return mol_per_l(analysis_mg_l)


def _alkalinity(alkalinity_mg_l: float) -> float:
    return within("alkalinity_mg_l", alkalinity_mg_l, 0.0, 5000.0, "mg/L as CaCO3") / CACO3_MG_EQ / 1000.0


def _ph(ph: float) -> float:
    return within("ph", ph, LOWEST_PH, HIGHEST_PH)


def _warm(temperature_c: float) -> float:
    return within("temperature_c", temperature_c, 0.0, 50.0, "°C")
