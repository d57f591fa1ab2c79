"""An ion analysis: equivalents, ionic strength, and the conductivity it must show.

An analysis is a mapping from an ion's name to mg/L of that ion itself (HCO3 as HCO3, SO4 as SO4). SiO2 and
CO2 may be in it; they carry no charge and add nothing to the conductivity.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal

from monitor.water.conductivity import natural_water_factor_25
from monitor.water.errors import OutOfRange, within
from monitor.water.ultrapure import (
    LAMBDA_H,
    LAMBDA_OH,
    hydrogen_lambda,
    log10_k1_carbonic,
    pure_water_us_cm,
    sodium_chloride_factor,
    water_pkw,
)

__all__ = [
    "anions_meq_l",
    "cations_meq_l",
    "charge_imbalance_pct",
    "ec25_infinite_dilution_us_cm",
    "ec25_y2_us_cm",
    "ec_from_ions_us_cm",
    "ec_of_nacl_us_cm",
    "ionic_strength_mol_l",
    "limiting_conductivity_s_cm2_eq",
    "tds_residue_mg_l",
    "tds_sum_mg_l",
]

Ion = Literal[
    "H", "Na", "K", "NH4", "Ca", "Mg", "OH", "Cl", "HCO3", "NO3", "F", "CO3", "SO4", "SiO2", "CO2"
]  # fmt: skip
Analysis = Mapping[Ion, float]

# charge, g/mol, limiting conductivity at 25 °C in S cm2/eq (CRC)
_IONS: dict[str, tuple[int, float, float]] = {
    "H": (1, 1.008, LAMBDA_H),
    "Na": (1, 22.98977, 50.08),
    "K": (1, 39.0983, 73.48),
    "NH4": (1, 18.0385, 73.5),
    "Ca": (2, 40.078, 59.47),
    "Mg": (2, 24.305, 53.0),
    "OH": (-1, 17.0073, LAMBDA_OH),
    "Cl": (-1, 35.453, 76.31),
    "HCO3": (-1, 61.0168, 44.5),
    "NO3": (-1, 62.0049, 71.42),
    "F": (-1, 18.9984, 55.4),
    "CO3": (-2, 60.0089, 69.3),
    "SO4": (-2, 96.0626, 80.0),
    "SiO2": (0, 60.0843, 0.0),
    "CO2": (0, 44.0095, 0.0),
}
NACL_G_MOL = 58.4428
HCO3_DRIED = 0.4917  # what stays of HCO3 after drying at 180 °C: half a CO3
HIGHEST_MG_L = 300_000.0
HIGHEST_STRENGTH = 0.2  # mol/L: the per-ion law was tried to 0.15


def charge(ion: str) -> int:
    """Charge number of an ion of the table."""
    return _known(ion)[0]


def molar_mass_g_mol(ion: str) -> float:
    """Molar mass of an ion of the table."""
    return _known(ion)[1]


def _known(ion: str) -> tuple[int, float, float]:
    if ion not in _IONS:
        raise OutOfRange("ion", ion, "one of " + ", ".join(_IONS))
    return _IONS[ion]


def mol_per_l(analysis_mg_l: Mapping[Ion, float]) -> dict[str, float]:
    """The analysis in mol/L, each value checked."""
    return {
        ion: within(ion, value, 0.0, HIGHEST_MG_L, "mg/L") / 1000.0 / _known(ion)[1]
        for ion, value in analysis_mg_l.items()
    }


def limiting_conductivity_s_cm2_eq(ion: Ion) -> float:
    """Equivalent conductivity of an ion at infinite dilution and 25 °C.

    Equation: table
    Range: H, Na, K, NH4, Ca, Mg, OH, Cl, HCO3, NO3, F, CO3, SO4; SiO2 and CO2 are 0
    Raises: OutOfRange for an ion that is not in the table
    Source: CRC Handbook, limiting ionic conductivities
    Not for: real concentrations without ec_from_ions_us_cm
    Example:
        >>> limiting_conductivity_s_cm2_eq("Na")
        50.08
    """
    return _known(ion)[2]


def cations_meq_l(analysis_mg_l: Mapping[Ion, float]) -> float:
    """Sum of the cations of an analysis.

    Equation: sum of c z / M over the cations, c in mg/L, M in g/mol
    Range: each ion 0 to 300000 mg/L
    Raises: OutOfRange when a value is outside or an ion unknown
    Source: definition
    Not for: an analysis with an ion missing
    Example:
        >>> round(cations_meq_l({"Ca": 60, "Mg": 10, "Na": 26}), 3)
        4.948
    """
    return 1000.0 * sum(c * charge(ion) for ion, c in mol_per_l(analysis_mg_l).items() if charge(ion) > 0)


def anions_meq_l(analysis_mg_l: Mapping[Ion, float]) -> float:
    """Sum of the anions of an analysis.

    Equation: sum of c z / M over the anions, c in mg/L, M in g/mol
    Range: each ion 0 to 300000 mg/L
    Raises: OutOfRange when a value is outside or an ion unknown
    Source: definition
    Not for: the load on a resin, which also takes carbon dioxide and silica
    Example:
        >>> round(anions_meq_l({"HCO3": 180, "SO4": 40, "Cl": 38, "NO3": 10}), 3)
        5.016
    """
    return -1000.0 * sum(c * charge(ion) for ion, c in mol_per_l(analysis_mg_l).items() if charge(ion) < 0)


def charge_imbalance_pct(analysis_mg_l: Mapping[Ion, float]) -> float:
    """How far cations and anions of an analysis are from balancing: a check on the laboratory.

    Equation: 100 (cations - anions) / (cations + anions), in equivalents
    Range: each ion 0 to 300000 mg/L, at least one ion with a charge
    Raises: OutOfRange when a value is outside, an ion unknown or no ion given
    Source: Standard Methods 1030 E form (from memory); beyond about 5 % something is missing or wrong
    Not for: water with weak acids that the analysis does not list
    Example:
        >>> round(charge_imbalance_pct({"Na": 23, "Cl": 35.45}), 1)
        0.0
    """
    plus, minus = cations_meq_l(analysis_mg_l), anions_meq_l(analysis_mg_l)
    if plus + minus <= 0:
        raise OutOfRange("analysis_mg_l", "no charged ion", "at least one ion with a charge")
    return 100.0 * (plus - minus) / (plus + minus)


def ionic_strength_mol_l(analysis_mg_l: Mapping[Ion, float]) -> float:
    """Ionic strength of an analysis.

    Equation: I = 0.5 sum of c z^2, c in mol/L
    Range: each ion 0 to 300000 mg/L
    Raises: OutOfRange when a value is outside or an ion unknown
    Source: definition
    Assumes: no ion pairs
    Not for: brines with much sulfate, where pairs take ions away
    Example:
        >>> round(ionic_strength_mol_l({"Na": 22.99, "Cl": 35.453}), 6)
        0.001
    """
    return 0.5 * sum(c * charge(ion) ** 2 for ion, c in mol_per_l(analysis_mg_l).items())


def ec25_infinite_dilution_us_cm(analysis_mg_l: Mapping[Ion, float]) -> float:
    """Conductivity at 25 °C if every ion moved as in endless dilution: an upper bound.

    Equation: k0 = sum of l |z| c, c in mmol/L, l in S cm2/eq
    Range: each ion 0 to 300000 mg/L
    Raises: OutOfRange when a value is outside or an ion unknown
    Source: Kohlrausch's law with CRC limiting conductivities
    Not for: a real conductivity: 5 to 25 % high in tap water
    Example:
        >>> round(ec25_infinite_dilution_us_cm({"Na": 22.99, "Cl": 35.453}), 1)
        126.4
    """
    return 1000.0 * sum(c * abs(charge(ion)) * _known(ion)[2] for ion, c in mol_per_l(analysis_mg_l).items())


def ec25_y2_us_cm(analysis_mg_l: Mapping[Ion, float]) -> float:
    """Conductivity at 25 °C by the y-squared rule, a quick check of an analysis.

    Equation: k = k0 y^2, y = 10^(-0.5 (sqrt(I)/(1 + sqrt(I)) - 0.3 I)), k0 as in ec25_infinite_dilution_us_cm
    Range: each ion 0 to 300000 mg/L, ionic strength up to 0.5 mol/L
    Raises: OutOfRange when a value is outside or an ion unknown
    Source: believed to be Standard Methods 2510 B (from memory, unverified)
    Not for: single salts from 0.005 eq/L up (7 to 28 % low) or water above 1000 uS/cm (10 to 18 % low)
    Example:
        >>> round(ec25_y2_us_cm({"Na": 22.99, "Cl": 35.453}), 1)
        117.9
    """
    strength = within("ionic strength", ionic_strength_mol_l(analysis_mg_l), 0.0, 0.5, "mol/L")
    root = math.sqrt(strength)
    y = math.pow(10.0, -0.5 * (root / (1.0 + root) - 0.3 * strength))
    return ec25_infinite_dilution_us_cm(analysis_mg_l) * y * y


def equivalent_conductivity(ion: str, strength_mol_l: float) -> float:
    """The per-ion law at 25 °C, S cm2/eq: a limiting slope of Onsager's with a damping constant.

    (Slopes from memory, damping chosen by hand before any comparison.)
    """
    z, _, limit = _known(ion)
    s = math.sqrt(strength_mol_l)
    if abs(z) == 1:
        return limit - (30.1 + 0.229 * limit) * s / (1.0 + 1.2 * s)
    return limit - (60.2 + 0.618 * limit) * s / (1.0 + 1.9 * s) if z else 0.0


def ec_of_mol_us_cm(mol_l: Mapping[str, float], temperature_c: float = 25.0) -> float:
    """Conductivity of ions given in mol/L, at a temperature, the water's own part not included."""
    strength = 0.5 * sum(c * charge(ion) ** 2 for ion, c in mol_l.items())
    within("ionic strength", strength, 0.0, HIGHEST_STRENGTH, "mol/L")
    salts = sum(
        c * abs(charge(ion)) * equivalent_conductivity(ion, strength)
        for ion, c in mol_l.items()
        if ion != "H"
    )
    acid = mol_l.get("H", 0.0) * equivalent_conductivity("H", strength)
    # H+ moves by another way than the salts do and gains less with temperature
    acid *= hydrogen_lambda(temperature_c) / LAMBDA_H
    return 1000.0 * (salts / _factor_25(temperature_c) + acid)


def _factor_25(temperature_c: float) -> float:
    """f25 of natural water to 35 °C, carried on by the sodium chloride factor."""
    t = within("temperature_c", temperature_c, 0.0, 50.0, "°C")
    if t <= 35.0:
        return natural_water_factor_25(t)
    return natural_water_factor_25(35.0) * sodium_chloride_factor(t) / sodium_chloride_factor(35.0)


def ec_from_ions_us_cm(
    analysis_mg_l: Mapping[Ion, float], temperature_c: float = 25.0, ph: float | None = None
) -> float:
    """Conductivity of a water from its analysis, at a temperature, without a geochemical engine.

    Equation: k = sum of l(I) |z| c / f25(T); l(I) = l0 - (30.1 + 0.229 l0) s/(1 + 1.2 s) for one charge,
        l0 - (60.2 + 0.618 l0) s/(1 + 1.9 s) for two, s = sqrt(I); H+ and OH- from the pH if given
    Range: each ion 0 to 300000 mg/L, ionic strength up to 0.2 mol/L, 0 to 50 °C, pH 2 to 12
    Raises: OutOfRange when a value is outside or an ion unknown
    Source: Onsager's limiting slopes (from memory) with damping set by hand; within 1.1 % of CRC for NaCl,
        KCl, CaCl2, MgCl2 to 0.1 eq/L, 0 to 5 % high on Na2SO4, -3 to +9 % on measured natural waters
    Assumes: no ion pairs; the pH is that at 25 °C, and carbon dioxide neither enters nor leaves
    Not for: brine, coolant, or a verdict on a softener: even the sign of its small change depends on the
        model
    Example:
        >>> round(ec_from_ions_us_cm({"Na": 22.99, "Cl": 35.453}), 1)
        123.7
    """
    mol = mol_per_l(analysis_mg_l)
    if ph is not None:
        t = within("temperature_c", temperature_c, 0.0, 50.0, "°C")
        h = math.pow(10.0, -within("ph", ph, 2.0, 12.0))
        if mol.get("HCO3", 0.0) > h:  # CO2 and HCO3 stay, so H+ follows the constant of carbonic acid
            h *= math.pow(10.0, log10_k1_carbonic(t) - log10_k1_carbonic(25.0))
        mol["H"] = mol.get("H", 0.0) + h
        mol["OH"] = mol.get("OH", 0.0) + math.pow(10.0, -water_pkw(t)) / h
    return ec_of_mol_us_cm(mol, temperature_c)


def ec_of_nacl_us_cm(nacl_mg_l: float, temperature_c: float = 25.0) -> float:
    """Conductivity of a sodium chloride solution, at a temperature.

    Equation: k = kw(T) + (l_Na(I) + l_Cl(I)) c / f(T), the per-ion law of ec_from_ions_us_cm, f the
        sodium_chloride_factor
    Range: 0 to 10000 mg/L, 0 to 50 °C
    Raises: OutOfRange when an input is outside
    Source: as ec_from_ions_us_cm; within 1.5 % of PHREEQC 3.8.6 from 1 to 5000 mg/L
    Assumes: no carbon dioxide
    Not for: brine for regeneration
    Example:
        >>> round(ec_of_nacl_us_cm(1000))
        1990
    """
    t = within("temperature_c", temperature_c, 0.0, 50.0, "°C")
    c = within("nacl_mg_l", nacl_mg_l, 0.0, 10_000.0, "mg/L") / 1000.0 / NACL_G_MOL
    carried = equivalent_conductivity("Na", c) + equivalent_conductivity("Cl", c)
    return pure_water_us_cm(t) + 1000.0 * c * carried / sodium_chloride_factor(t)


def tds_sum_mg_l(analysis_mg_l: Mapping[Ion, float]) -> float:
    """Dissolved solids of an analysis as the sum of its constituents.

    Equation: sum of all, HCO3 counted whole, silica included, gas (CO2) not
    Range: each ion 0 to 300000 mg/L
    Raises: OutOfRange when a value is outside or an ion unknown
    Source: definition
    Not for: comparing with a dried residue, which is 25 to 30 % less in a bicarbonate water
    Example:
        >>> tds_sum_mg_l({"Na": 3.0, "HCO3": 4.5, "Cl": 1.7, "SO4": 0.4})
        9.6
    """
    mol_per_l(analysis_mg_l)
    return float(sum(value for ion, value in analysis_mg_l.items() if ion != "CO2"))


def tds_residue_mg_l(analysis_mg_l: Mapping[Ion, float]) -> float:
    """Dissolved solids of an analysis as a residue dried at 180 °C would weigh them.

    Equation: sum of all with HCO3 x 0.4917 (it dries to half a carbonate), gas (CO2) not counted
    Range: each ion 0 to 300000 mg/L
    Raises: OutOfRange when a value is outside or an ion unknown
    Source: arithmetic of 2 HCO3 -> CO3 + CO2 + H2O
    Not for: gypsum waters, whose residue keeps crystal water
    Example:
        >>> round(tds_residue_mg_l({"Na": 3.0, "HCO3": 4.5, "Cl": 1.7, "SO4": 0.4}), 3)
        7.313
    """
    return tds_sum_mg_l(analysis_mg_l) - (1.0 - HCO3_DRIED) * analysis_mg_l.get("HCO3", 0.0)
