"""Which of our functions answers which quantity of the conductivity cases."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from monitor.plant.units import registry, split_measure
from monitor.water import calibration, conductivity, dissolved, ions, standards, ultrapure
from monitor.water.errors import positive, within

Inputs = dict[str, Any]


def kcl(i: Inputs) -> float:
    """Molality carries the NIST column, molarity the Standard Methods one; without a temperature 25 °C."""
    if "molarity_mol_per_L" in i:
        return standards.kcl_standard_us_cm(i["molarity_mol_per_L"], i.get("T_C", 25.0), "mol/L")
    return standards.kcl_standard_us_cm(i["molality_mol_per_kg_water"], i.get("T_C", 25.0))


def label_us_cm(text: str | float) -> float:
    """A label such as "12.88 mS/cm" in µS/cm."""
    if not isinstance(text, str):
        return float(text)
    value, unit = split_measure(text if "S" in text else f"{text} uS/cm")
    return convert(value, unit if "/" in unit else f"{unit}/cm", "uS/cm")


def convert(value: float, source: str, target: str) -> float:
    """Between units of conductivity and, by the reciprocal, of resistivity."""
    units = registry()
    given, wanted = units.Unit(spelled(source)), units.Unit(spelled(target))
    if given.dimensionality != wanted.dimensionality:
        return float((1.0 / units.Quantity(positive("value", value), given)).to(wanted).magnitude)
    return float(units.Quantity(within("value", value, 0.0), given).to(wanted).magnitude)


def spelled(unit: str) -> str:
    """A unit as the registry spells it: "MOhm.cm", "Mohm-cm" and "MΩ·cm" are all megaohm times centimetre."""
    plain = unit.replace("Ω", "ohm").replace("Ohm", "ohm").replace("µ", "u").replace("μ", "u")
    return re.sub(r"ohm[\s.·*-]*(c?m)$", r"ohm*\1", plain)


def ion(name: str) -> str:
    """The name of an ion without its charge: Ca+2, Ca++ and Ca2+ are Ca."""
    return re.sub(r"(\d?[+-]+|[+-]\d)$", "", name)


def scale(name: str | int) -> str:
    """ "NaCl", "KCl scale", 442, "4-4-2"."""
    low = str(name).lower().replace("4-4-2", "442")
    return next((known for known in ("nacl", "kcl", "442", "natural") if known in low), low)


def alpha(i: Inputs) -> float:
    return conductivity.alpha_from_two_readings_per_c(
        i["kappa_a"],
        i["T_a_C"],
        i["kappa_b"],
        i["T_b_C"],
        "second" if str(i.get("reference", "a")).lower() == "b" else "first",
    )


def water_at(i: Inputs, temperature_c: float) -> float:
    return ions.ec_from_ions_us_cm(i["mg_per_L"], temperature_c, i.get("pH_25C", i.get("pH")))


def tds_over_ec25(i: Inputs, tds: Callable[[Any], float]) -> float:
    return tds(i["mg_per_L"]) / water_at(i, 25.0)


def pure_water(i: Inputs) -> float:
    return ultrapure.pure_water_us_cm(i["T_C"], "iapws" if "iapws" in i.get("model", "").lower() else "ions")


def from_mol(i: Inputs) -> float:
    return ions.ec_from_ions_us_cm(
        {ion: c * 1000.0 * ions.molar_mass_g_mol(ion) for ion, c in i["mol_per_L"].items()}
    )


def linear_error(i: Inputs) -> float:
    """The reading given, compensated linearly, against pure water at 25 °C."""
    shown = conductivity.ec25_linear_us_cm(i["kappa_T_uS_cm"], i["T_C"], i.get("alpha_per_C", 0.02))
    return shown / ultrapure.pure_water_us_cm(25.0) - 1.0


def two_point(i: Inputs) -> calibration.TwoPoint:
    return calibration.two_point(i["raw_1"], i["raw_2"], i["std_1"], i["std_2"])


QUANTITIES: dict[str, Callable[[Inputs], Any]] = {
    "kcl_conductivity": kcl,
    "co2_saturated_water_conductivity": lambda i: standards.co2_saturated_water_us_cm(i["T_C"]),
    "labelled_standard_at_T": lambda i: standards.labelled_standard_us_cm(
        label_us_cm(i["label_at_25C"]), i["T_C"]
    ),
    "f25_nonlinear_natural_water": lambda i: conductivity.natural_water_factor_25(i["T_C"]),
    "f20_nonlinear_natural_water": lambda i: conductivity.natural_water_factor_20(i["T_C"]),
    "kappa25_nonlinear_natural_water": lambda i: conductivity.ec25_natural_us_cm(
        i["kappa_T_uS_cm"], i["T_C"]
    ),
    "kappa_ref_linear": lambda i: conductivity.ec25_linear_us_cm(
        i["kappa_T_uS_cm"], i["T_C"], i.get("alpha_per_C", 0.02), i.get("T_ref_C", 25.0)
    ),
    "alpha_from_two_readings": alpha,
    "alpha_of_labelled_standard": lambda i: standards.labelled_standard_alpha_per_c(
        label_us_cm(i["label_uS_cm"]), i["T_C"]
    ),
    "water_conductivity_at_T": lambda i: water_at(i, i["T_C"]),
    "conductivity_ratio_25_over_T": lambda i: water_at(i, 25.0) / water_at(i, i["T_C"]),
    "tds_sum_of_constituents": lambda i: ions.tds_sum_mg_l(i["mg_per_L"]),
    "tds_residue_equivalent_180C": lambda i: ions.tds_residue_mg_l(i["mg_per_L"]),
    "tds_factor_sum_over_ec25": lambda i: tds_over_ec25(i, ions.tds_sum_mg_l),
    "tds_factor_residue_over_ec25": lambda i: tds_over_ec25(i, ions.tds_residue_mg_l),
    "nacl_solution_conductivity_at_T": lambda i: ions.ec_of_nacl_us_cm(i["NaCl_mg_per_L"], i["T_C"]),
    "pure_water_conductivity": pure_water,
    "pure_water_resistivity": lambda i: 1.0 / pure_water(i),
    "pKw_molal": lambda i: ultrapure.water_pkw(i["T_C"]),
    "resistivity_with_trace_NaCl": lambda i: ultrapure.trace_nacl_mohm_cm(i["NaCl_ug_per_L"], i["T_C"]),
    "trace_nacl_conductivity_at_T": lambda i: ultrapure.trace_nacl_us_cm(i["NaCl_ug_per_L"], i["T_C"]),
    "nacl_trace_factor_25_over_T": lambda i: ultrapure.sodium_chloride_factor(i["T_C"]),
    "kappa25_from_uncompensated_ultrapure": lambda i: conductivity.ec25_high_purity_us_cm(
        i["kappa_T_uS_cm"], i["T_C"]
    ),
    "linear_compensation_error_on_pure_water": linear_error,
    "air_equilibrated_di_conductivity": lambda i: (
        ultrapure.open_air_water(i["T_C"], 1e6 * 10.0 ** i["log10_pCO2_atm"]).ec_us_cm
    ),
    "di_with_dissolved_co2_conductivity": lambda i: (
        ultrapure.carbonated_water(i["CO2_total_mg_per_L"], 0.0, i.get("T_C", 25.0)).ec_us_cm
    ),
    "nacl_conductivity_25C": lambda i: ions.ec_of_nacl_us_cm(i["NaCl_mg_per_L"]),
    "nacl_tds_over_ec25": lambda i: i["NaCl_mg_per_L"] / ions.ec_of_nacl_us_cm(i["NaCl_mg_per_L"]),
    "single_salt_conductivity_25C": from_mol,
    "tds_from_ec25": lambda i: dissolved.tds_mg_l(i["ec25_uS_cm"], "own", i["factor"]),
    "tds_scale_conversion": lambda i: dissolved.tds_mg_l(i["ec25_uS_cm"], scale(i["scale"])),
    "limiting_equivalent_conductivity_25C": lambda i: ions.limiting_conductivity_s_cm2_eq(ion(i["ion"])),
    "measured_conductivity_20C_from_analysis": lambda i: water_at(i, i.get("T_C", 20.0)),
    "kappa25_infinite_dilution_sum": lambda i: ions.ec25_infinite_dilution_us_cm(i["mg_per_L"]),
    "ionic_strength": lambda i: ions.ionic_strength_mol_l(i["mg_per_L"]),
    "kappa25_davies_y2": lambda i: ions.ec25_y2_us_cm(i["mg_per_L"]),
    "cell_constant": lambda i: calibration.cell_constant_per_cm(i["kappa_standard_uS_cm"], i["R_ohm"]),
    "conductivity_from_resistance": lambda i: calibration.conductivity_from_resistance_us_cm(
        i["R_ohm"], i["K_per_cm"]
    ),
    "resistivity_from_resistance": lambda i: calibration.resistivity_from_resistance_mohm_cm(
        i["R_ohm"], i["K_per_cm"]
    ),
    "conductivity_from_conductance": lambda i: calibration.conductivity_from_conductance_us_cm(
        i["G_uS"], i["K_per_cm"]
    ),
    "cell_constant_from_geometry": lambda i: calibration.cell_constant_from_geometry_per_cm(
        i["L_cm"], i["A_cm2"]
    ),
    "two_point_gain": lambda i: two_point(i).gain,
    "two_point_offset": lambda i: two_point(i).offset_us_cm,
    "two_point_corrected": lambda i: calibration.two_point_corrected_us_cm(
        i["raw_x"], i["raw_1"], i["raw_2"], i["std_1"], i["std_2"]
    ),
    "one_point_slope_with_standard_at_T": lambda i: calibration.one_point_gain(
        i["raw_reading_uncompensated"], i["standard_25C"], i["T_C"], i.get("alpha_per_C", 0.0194)
    ),
    "unit_conversion": lambda i: convert(i["value"], i["from"], i["to"]),
}
