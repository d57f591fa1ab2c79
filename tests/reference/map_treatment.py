"""Which of our functions answers which quantity of the treatment cases.

The cases speak the trade's units (grains, cubic feet, pounds, US gallons); ours are metric. Only that, and
the names of keys, is translated here.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from monitor.water import (
    blending,
    breakthrough,
    carbonate,
    conductivity,
    cost,
    discharge,
    hardness,
    ion_pairs,
    ions,
    membrane,
    membrane_temperature,
    osmosis,
    permeate,
    resin,
    scaling,
    softener,
    sump,
    ultrapure,
)

Inputs = dict[str, Any]

G_PER_GRAIN = 0.06479891
L_PER_FT3 = 28.316846592
L_PER_US_GAL = 3.785411784
G_PER_LB = 453.59237
KPA_PER_BAR = 100.0
BAR_PER_PSI = 0.0689475729
BAR_PER_ATM = 1.01325
G_L_PER_GR_FT3 = G_PER_GRAIN / L_PER_FT3


def hard_mg_l(i: Inputs) -> float:
    """Hardness given as mg/L or as grains per US gallon."""
    if "hardness_gpg" in i:
        return hardness.hardness_in_mg_l(i["hardness_gpg"], "gpg")
    return float(i["hardness_mgL_CaCO3"])


def resin_bed(i: Inputs) -> tuple[float, float]:
    """Litres of resin and g CaCO3 per litre."""
    return i["resin_ft3"] * L_PER_FT3, i["capacity_gr_per_ft3"] * G_L_PER_GR_FT3


def capacity_g(i: Inputs) -> float:
    if "capacity_gr" in i:
        return float(i["capacity_gr"] * G_PER_GRAIN)
    return softener.softener_capacity_g(*resin_bed(i))


def softener_l(i: Inputs) -> float:
    return softener.softener_litres_to_regeneration_l(
        *resin_bed(i), hard_mg_l(i), i.get("reserve_fraction", 0.0)
    )


def softener_days(i: Inputs) -> float:
    use = i["use_gal_per_day"] * L_PER_US_GAL
    return softener.softener_time_to_regeneration_d(
        capacity_g(i), hard_mg_l(i), use, i.get("reserve_fraction", 0.0)
    )


def salt_lb(i: Inputs) -> float:
    salt_kg = i["salt_lb_per_regen"] * G_PER_LB / 1000.0
    return softener.softener_salt_per_period_kg(i["days"], softener_days(i), salt_kg) * 1000.0 / G_PER_LB


def salt_efficiency(i: Inputs) -> float:
    dose = i["salt_lb_per_ft3"] * G_PER_LB / L_PER_FT3
    per_gram = softener.softener_salt_efficiency_g_g(i["capacity_gr_per_ft3"] * G_L_PER_GR_FT3, dose)
    return per_gram * G_PER_LB / G_PER_GRAIN


def salt_ratio(i: Inputs) -> float:
    """Mass of NaCl per mass of CaCO3 from a label such as "stoichiometric, 50/58.5"; ours without one."""
    found = re.search(r"([\d.]+)\s*/\s*([\d.]+)", str(i.get("assumption", "")))
    if not found:
        return softener.NACL_PER_CACO3
    one, other = sorted(float(number) for number in found.groups())
    return other / one


def analysis(mg_l: Inputs) -> dict[ions.Ion, float]:
    """The ions of a water given under `mgL`; alkalinity, pH and CO2 stand beside them there."""
    named = {key.removesuffix("_charge_balanced_mgL"): value for key, value in mg_l.items()}
    return {
        ion: named[ion]
        for ion in ("Ca", "Mg", "Na", "K", "NH4", "Cl", "SO4", "NO3", "F", "SiO2")
        if ion in named
    }  # type: ignore[misc]  # names of ions


def alkalinity(mg_l: Inputs) -> float:
    """As CaCO3; where it is not given, that of the bicarbonate and carbonate listed."""
    for name in ("alk_CaCO3", "alk"):
        if name in mg_l:
            return float(mg_l[name])
    factors = {"HCO3": resin.as_caco3_factor("HCO3", 1), "CO3": resin.as_caco3_factor("CO3", 2)}
    return sum(factor * mg_l.get(name, 0.0) for name, factor in factors.items())


def water(i: Inputs) -> permeate.WaterState:
    mg_l = i["mgL"]
    return permeate.feed_water(
        analysis(mg_l), alkalinity(mg_l), mg_l["pH"], i.get("temp_C", i.get("T_C", 25.0))
    )


def softened(mg_l: Inputs, share: float) -> dict[ions.Ion, float]:
    """The ions after a share of the hardness was exchanged for sodium."""
    after = analysis(mg_l)
    swapped = share * ions.cations_meq_l({ion: after.get(ion, 0.0) for ion in ("Ca", "Mg")})  # type: ignore[misc]  # names of ions
    after["Ca"], after["Mg"] = (1.0 - share) * after.get("Ca", 0.0), (1.0 - share) * after.get("Mg", 0.0)
    after["Na"] = after.get("Na", 0.0) + swapped * ions.molar_mass_g_mol("Na")
    return after


def paired(i: Inputs, share: float = 0.0) -> ion_pairs.PairedWater:
    """The water with its ion pairs, after a share of its hardness was exchanged for sodium."""
    mg_l = i["mgL"]
    return ion_pairs.paired_water(
        softened(mg_l, share), alkalinity(mg_l), mg_l["pH"], i.get("temp_C", i.get("T_C", 25.0))
    )


def paired_concentrate(i: Inputs, share: float = 0.0) -> float | None:
    mg_l = i["mgL"]
    return ion_pairs.paired_concentrate(
        softened(mg_l, share), alkalinity(mg_l), mg_l["pH"], 100.0 * i["recovery"], i.get("T_C", 25.0)
    ).calcite_index


def blend_ec25(i: Inputs) -> float:
    """With the same water thinned, as in "same water x0.02, pH 6.2"."""
    mg_l, other = i["mgL"], str(i.get("other", ""))
    found = re.search(r"x\s*([\d.]+)\D+pH\s*([\d.]+)", other)
    if not found:
        raise NotImplementedError(f"other water {other!r}")
    times, ph = (float(number) for number in found.groups())
    first, alk = analysis(mg_l), alkalinity(mg_l)
    thin = {ion: times * c for ion, c in first.items()}
    water = ion_pairs.paired_blend(
        first, alk, mg_l["pH"], thin, times * alk, ph, i["fraction_raw"], i.get("T_C", 25.0)
    )
    return water.ec25_us_cm


def tds_change(i: Inputs) -> float:
    raw = water(i)
    ions_only = ions.tds_sum_mg_l({ion: c for ion, c in raw.analysis_mg_l.items() if ion != "CO3"})
    return softener.total_dissolved_change_by_softening_pct(
        ions_only, i["mgL"].get("Ca", 0.0), i["mgL"].get("Mg", 0.0)
    )


def limiting_change(i: Inputs) -> float:
    """Change by full softening of the sum of limiting conductivities that the case itself lists per mole."""
    molar = {re.sub(r"[+-]\d*$", "", name): value for name, value in i["lambda0"].items()}

    def total(mg_l: dict[ions.Ion, float]) -> float:
        hco3 = alkalinity(i["mgL"]) / carbonate.CACO3_MG_EQ * molar.get("HCO3", 0.0)
        listed = {ion: c for ion, c in mg_l.items() if ion in molar}
        return hco3 + sum(1000.0 * c * molar[ion] for ion, c in ions.mol_per_l(listed).items())

    before = total(analysis(i["mgL"]))
    return 100.0 * (total(softened(i["mgL"], 1.0)) / before - 1.0)


def anion_load(mg_l: Inputs) -> float:
    names = ("Cl", "SO4", "NO3")
    given = analysis(mg_l)
    salts = [given.get(name, 0.0) for name in names]  # type: ignore[call-overload]  # names of ions
    return resin.anion_load_meq_l(*salts, alkalinity(mg_l), mg_l.get("CO2", 0.0), mg_l.get("SiO2", 0.0))


def weak_share(i: Inputs) -> float:
    mg_l = i["mgL"]
    return resin.weak_acid_share_pct(anion_load(mg_l), mg_l.get("CO2", 0.0), mg_l.get("SiO2", 0.0))


def co2(i: Inputs) -> float:
    return carbonate.co2_from_alkalinity_mg_l(
        i["alk_mgL_CaCO3"], i["pH"], i.get("T_C", 25.0), i.get("ionic_strength_mol_L", 0.0)
    )


def load_by_ph(i: Inputs) -> float:
    salts = (i.get("Cl_mgL", 0.0), i.get("SO4_mgL", 0.0), i.get("NO3_mgL", 0.0))
    return resin.anion_load_meq_l(*salts, i["alk_mgL_CaCO3"], co2(i), i.get("SiO2_mgL", 0.0))


def di_gallons(i: Inputs) -> float:
    bed_l, capacity = resin_bed(i)
    load = hardness.hardness_in_mg_l(i["load_gpg_CaCO3"], "gpg") / carbonate.CACO3_MG_EQ
    capacity_eq_l = softener.resin_capacity_eq_l(capacity)
    return resin.di_litres_to_exhaustion_l(bed_l, capacity_eq_l, load) / L_PER_US_GAL


def di_litres(i: Inputs) -> float:
    return resin.di_litres_by_rating_l(i["capacity_gr"] * G_PER_GRAIN, i["load_mgL_CaCO3"])


def carbonated(i: Inputs) -> ultrapure.WeakAcidWater:
    return ultrapure.carbonated_water(i.get("CO2_mgL", 0.0), i.get("SiO2_mgL", 0.0), i.get("T_C", 25.0))


def ro_permeate(i: Inputs) -> permeate.WaterState:
    mg_l, passage = i["mgL"], 100.0 * i["salt_passage_all_ions"]
    return permeate.permeate_water(analysis(mg_l), alkalinity(mg_l), mg_l["pH"], passage, i.get("T_C", 25.0))


def ro_concentrate(i: Inputs) -> permeate.WaterState:
    mg_l = i["mgL"]
    feed = analysis(mg_l)
    return permeate.concentrate_water(
        feed, alkalinity(mg_l), mg_l["pH"], 100.0 * i["recovery"], temperature_c=i.get("T_C", 25.0)
    )


def ca_as_caco3(ca_mg_l: float) -> float:
    return ca_mg_l * resin.as_caco3_factor("Ca", 2)


def cation_peak(i: Inputs, ion: discharge.Cation) -> float:
    feed = {name: c for name, c in i["feed_mmol"].items() if name in ("H", "Na", "K", "NH4", "Mg", "Ca")}
    constant = i.get("logK_H_vs_Na", -0.193)
    return discharge.cation_bed_peak_ratio(
        ion, feed, i["form"], i["cells"], i["exchange_mol_per_cell"], constant
    )


def recovery(i: Inputs) -> float:
    return osmosis.ro_recovery_pct(i["Qf"], i["Qp"])


def tcf(i: Inputs) -> float:
    zero = 273.15 if "273.15" in str(i.get("K", "")) else 273.0
    return membrane_temperature.ro_temperature_factor(i["T_C"], zero_k=zero)


def ro_state(readings: Inputs) -> membrane.RoState:
    keys = ("T", "Qp", "Qf", "Pf", "dP", "Pp", "Cf", "Cp")
    return membrane.RoState(*(readings.get(key) for key in keys))


def osmotic_rule(label: str) -> membrane.OsmoticRule:
    low = label.lower()
    if "manu" in low:
        return "membrane manual"
    return "van't Hoff" if "hoff" in low else "astm"


def temperature_rule(label: str) -> membrane_temperature.TemperatureRule:
    """ "3020/2640" or one constant for both sides of 25 °C."""
    found = [float(number) for number in re.findall(r"\d{4}", label)] or [3020.0, 2640.0]
    return membrane_temperature.TemperatureRule(found[0], found[-1])


def normalised(i: Inputs) -> membrane.NormalisedRo:
    return membrane.normalise_ro(
        ro_state(i["reference"]),
        ro_state(i["actual"]),
        temperature_rule(str(i.get("TCF", ""))),
        osmotic_rule(str(i.get("osmotic", ""))),
    )


def langelier(i: Inputs, form: str) -> float:
    calcium = i.get("Ca_hardness_CaCO3")
    if calcium is None:
        calcium = (
            i["Ca_mgL"] * 2.497 if "2.497" in str(i.get("Ca_hardness", "")) else ca_as_caco3(i["Ca_mgL"])
        )
    alk = i.get("alk_CaCO3", i.get("alk_mgL_CaCO3"))
    if form == "Carrier":
        return scaling.langelier_carrier(i["pH"], calcium, alk, i["TDS_mgL"], i["T_C"]).langelier_index
    strength = re.match(r"\s*([\d.]+(?:e-?\d+)?)", str(i.get("I", "")))
    given = float(strength.group(1)) if strength else None
    return scaling.langelier_sm2330(
        i["pH"], calcium, alk, i.get("TDS_mgL", 0.0), i["T_C"], given
    ).langelier_index


def pool_index(i: Inputs) -> float:
    return scaling.langelier_factor_table(
        i["pH"], i["TF"], i["CF"], i["AF"], i.get("TDSF", 12.1)
    ).langelier_index


def train(i: Inputs) -> cost.TrainCost:
    return cost.train_cost(
        i["m3_per_month"], i["hardness"], i["di_load_meqL"], 100.0 * i["recovery"], i["mixed_bed_L"],
        i["cap_eqL"], i["water"], i["sewer"], i["salt_kg"], i["salt_eff"], i["kwh"], i["kwh_m3"],
        i["resin_swap"], i["filters_month"], i["capex"], 12.0 * i["years"],
    )  # fmt: skip


def in_units(name: str) -> Callable[[Inputs], float]:
    return lambda i: float(getattr(hardness.hardness_units(i["hardness_mgL_CaCO3"]), name))


def in_psi(bar: float) -> float:
    return bar / BAR_PER_PSI


def molal_osmotic_atm(i: Inputs) -> float:
    """The textbook's example: molality times density, in atmospheres."""
    bar = osmosis.osmotic_pressure_vant_hoff_molal_bar(i["molality"], i["T_C"], i["rho"] / 1000.0)
    return bar / BAR_PER_ATM


def blend(i: Inputs) -> tuple[float, float, float]:
    return i["H_hard"], i["H_soft"], i["target"]


def load_equivalent(i: Inputs) -> float:
    return resin.weak_acid_load_mg_l(i.get("CO2_mgL", 0.0), i.get("SiO2_mgL", 0.0))


QUANTITIES: dict[str, Callable[[Inputs], Any]] = {
    # hardness
    "hardness_gpg": in_units("hardness_gpg"),
    "hardness_dH": in_units("hardness_dh"),
    "hardness_fH": in_units("hardness_fh"),
    "hardness_meqL": in_units("hardness_meq_l"),
    "hardness_mgL_from_gpg": lambda i: hardness.hardness_in_mg_l(i["gpg"], "gpg"),
    "hardness_dH_from_gpg": lambda i: (
        hardness.hardness_units(hardness.hardness_in_mg_l(i["gpg"], "gpg")).hardness_dh
    ),
    "hardness_mgL_from_dH": lambda i: hardness.hardness_in_mg_l(i["dH"], "dH"),
    "hardness_from_Ca_Mg": lambda i: hardness.hardness_from_ca_mg_mg_l(i["Ca_mgL"], i["Mg_mgL"]),
    "usgs_class": lambda i: hardness.hardness_class(i["hardness_mgL_CaCO3"], "usgs").name,
    # softener
    "softener_capacity_grains": lambda i: softener.softener_capacity_g(*resin_bed(i)) / G_PER_GRAIN,
    "softener_gallons": lambda i: softener_l(i) / L_PER_US_GAL,
    "softener_litres": softener_l,
    "softener_capacity_eq": lambda i: softener.softener_capacity_eq(*resin_bed(i)),
    "softener_days_between_regen": softener_days,
    "softener_salt_lb_per_month": salt_lb,
    "softener_salt_efficiency_gr_per_lb": salt_efficiency,
    "softener_stoich_salt_lb_per_ft3": lambda i: (
        softener.softener_salt_stoichiometric_g_l(i["capacity_gr_per_ft3"] * G_L_PER_GR_FT3)
        * L_PER_FT3
        / G_PER_LB
    ),
    "softener_stoich_salt_kg": lambda i: softener.softener_salt_stoichiometric_g(capacity_g(i)) / 1000.0,
    "capacity_eqL_from_kgr_ft3": lambda i: softener.resin_capacity_eq_l(
        1000.0 * i["kgr_ft3"] * G_L_PER_GR_FT3
    ),
    "hardness_from_regenerant_NaCl": lambda i: softener.hardness_from_brine_mg_l(
        i["brine_L"], i["NaCl_gL"], i["hard_water_L"], salt_ratio(i)
    ),
    "brine_volume_for_hardness": lambda i: softener.brine_volume_for_hardness_l(
        i["NaCl_gL"], i["hard_water_L"], hard_mg_l(i), salt_ratio(i)
    ),
    "hard_water_volume_from_brine": lambda i: softener.hard_water_volume_from_brine_l(
        i["brine_L"], i["NaCl_gL"], hard_mg_l(i), salt_ratio(i)
    ),
    "sodium_added_by_softening": lambda i: softener.sodium_added_mg_l(i["hardness_removed_mgL_CaCO3"]),
    "TDS_change_pct_full_softening": tds_change,
    "EC25_raw": lambda i: paired(i).ec25_us_cm,
    "EC25_half_softened": lambda i: paired(i, 0.5).ec25_us_cm,
    "EC25_fully_softened": lambda i: paired(i, 1.0).ec25_us_cm,
    "EC_change_pct_full_softening_limiting": limiting_change,
    # resin
    "CO2_aq_raw": lambda i: water(i).co2_mg_l,
    "co2_from_alkalinity_pH": co2,
    "di_gallons_to_exhaustion": di_gallons,
    "di_gallons_to_exhaustion_ppm_gal": lambda i: (
        resin.di_litres_by_rating_l(i["rating_ppm_gal"] * L_PER_US_GAL / 1000.0, i["feed_TDS_ppm"])
        / L_PER_US_GAL
    ),
    "di_litres_to_exhaustion": di_litres,
    "di_FCE": lambda i: resin.feed_conductivity_equivalent_us_cm(
        i["EC_uScm"], i.get("CO2_mgL", 0.0), i.get("SiO2_mgL", 0.0)
    ),
    "di_TEA_rule": lambda i: resin.total_exchangeable_anions_mg_l(i["EC_uScm"], i.get("CO2_mgL", 0.0)),
    "di_anion_load": lambda i: anion_load(i["mgL"]),
    "di_weak_acid_share": weak_share,
    "di_litres_to_exhaustion_anion_limited": lambda i: resin.di_litres_to_exhaustion_l(
        i["mixed_bed_L"], i["capacity_eq_per_L_mixed"], anion_load(i["mgL"])
    ),
    "di_anion_load_from_alkalinity_pH": load_by_ph,
    "di_co2_share_of_load_from_alkalinity_pH": lambda i: resin.co2_share_of_load_pct(load_by_ph(i), co2(i)),
    "factor_to_CaCO3": lambda i: resin.as_caco3_factor(i["species"], i["valence_on_resin"]),
    "load_CO2_SiO2": load_equivalent,
    "EC25_pure_water_with_CO2_SiO2": lambda i: carbonated(i).ec_us_cm,
    "pH_pure_water_with_CO2_SiO2": lambda i: carbonated(i).ph,
    "EC_from_resistivity": lambda i: conductivity.ec_from_resistivity_us_cm(i["Mohm_cm"]),
    "EC25_NaCl": lambda i: ions.ec_of_nacl_us_cm(i["NaCl_mgL"]),
    "EC25_feed": lambda i: discharge.one_sided_discharge(i["feed_NaCl_mmolL"]).feed_us_cm,
    "EC25_anion_side_exhausted": lambda i: (
        discharge.one_sided_discharge(i["feed_NaCl_mmolL"]).anion_side_spent_us_cm
    ),
    "EC25_cation_side_exhausted": lambda i: (
        discharge.one_sided_discharge(i["feed_NaCl_mmolL"]).cation_side_spent_us_cm
    ),
    "softener_Mg_overshoot_ratio": lambda i: cation_peak(i, "Mg"),
    "cation_bed_Na_overshoot_ratio": lambda i: cation_peak(i, "Na"),
    # breakthrough; the functions are in volume, and t is read for it
    "kYN_from_Thomas": lambda i: breakthrough.thomas_rate_per_min(i["kTh_mL_min_mg"], i["C0_mgL"]),
    "tau_from_Thomas": lambda i: breakthrough.thomas_midpoint_min(
        i["q0_mg_g"], i["mass_g"], i["flow_mL_min"], i["C0_mgL"]
    ),
    "yoon_nelson_ratio": lambda i: breakthrough.breakthrough_ratio(i["t_min"], i["k_1_min"], i["tau_min"]),
    "yoon_nelson_time_at_ratio": lambda i: breakthrough.breakthrough_volume_l(
        i["ratio"], i["k_1_min"], i["tau_min"]
    ),
    "bohart_adams_ratio": lambda i: breakthrough.breakthrough_ratio(
        i["t"], breakthrough.bohart_adams_rate_per_min(i["k"], i["C0"]), bohart_adams_tau(i)
    ),
    "bohart_adams_tau": lambda i: bohart_adams_tau(i),
    "di_volume_at_EC_limit": lambda i: breakthrough.breakthrough_volume_at_limit_l(
        i["EC_limit"], i["EC_feed"], i["k_per_L"], i["V50_L"], i.get("EC_leak", 0.0)
    ),
    "yoon_nelson_fit_k": lambda i: breakthrough.breakthrough_logit_line(i["t"], i["ratio"]).k_per_l,
    "yoon_nelson_fit_tau": lambda i: breakthrough.breakthrough_logit_line(i["t"], i["ratio"]).v50_l,
    # reverse osmosis
    "permeate_EC25": lambda i: ro_permeate(i).ec25_us_cm,
    "permeate_pH": lambda i: ro_permeate(i).ph,
    "permeate_anion_load_with_CO2": lambda i: ro_permeate(i).anion_load_meq_l,
    "permeate_CO2_share_of_load": lambda i: ro_permeate(i).co2_share_of_load_pct,
    "ro_recovery": recovery,
    "ro_rejection": lambda i: osmosis.ro_rejection_pct(i["Cf"], i["Cp"]),
    "ro_salt_passage": lambda i: osmosis.ro_salt_passage_pct(i["Cf"], i["Cp"]),
    "ro_concentrate_conc": lambda i: osmosis.ro_concentrate_mg_l(i["Cf"], i["Cp"], recovery(i)),
    "ro_CF_full_rejection": lambda i: osmosis.ro_concentration_factor(recovery(i)),
    "ro_logmean_feedconc": lambda i: osmosis.ro_feed_side_mean_mg_l(i["Cf"], recovery(i)),
    "ro_water_balance_error": lambda i: osmosis.ro_water_balance_error_pct(i["Qf"], i["Qp"], i["Qc"]),
    "ro_salt_balance_error": lambda i: osmosis.ro_salt_balance_error_pct(
        i["Qf"], i["Qp"], i["Qc"], i["Cf"], i["Cp"], i["Cc"]
    ),
    "ro_TCF_3020_2640": tcf,
    "osmotic_ASTM_rule": lambda i: KPA_PER_BAR * osmosis.osmotic_pressure_astm_bar(i["C_mgL"], i["T_C"]),
    "osmotic_tap_water_ASTM_rule": lambda i: osmosis.osmotic_pressure_astm_bar(i["TDS_mgL"], i["T_C"]),
    "osmotic_manual_rule": lambda i: osmosis.osmotic_pressure_membrane_manual_bar(i["C_mgL"], i["T_C"]),
    "osmotic_vant_hoff_NaCl": lambda i: osmosis.osmotic_pressure_vant_hoff_bar(i["C_mgL"], i["T_C"]),
    "osmotic_psi_rule_of_thumb": lambda i: in_psi(osmosis.osmotic_pressure_rule_of_thumb_bar(i["C_mgL"])),
    "osmotic_0.1_molal_NaCl": molal_osmotic_atm,
    "osmotic_NaCl_pitzer": lambda i: osmosis.osmotic_pressure_nacl_pitzer_bar(i["NaCl_mgL"], i["T_C"]),
    "osmotic_NaCl_pyEQL": lambda i: osmosis.osmotic_pressure_nacl_pitzer_bar(i["NaCl_mgL"], i["T_C"]),
    "ro_NDP_reference": lambda i: normalised(i).reference_ndp_bar,
    "ro_NDP_actual": lambda i: normalised(i).ndp_bar,
    "ro_normalised_permeate_flow": lambda i: normalised(i).permeate_flow_l_min,
    "ro_normalised_flow_change": lambda i: normalised(i).flow_change_pct,
    "ro_normalised_salt_passage": lambda i: normalised(i).salt_passage_pct,
    "ro_salt_passage_actual": lambda i: normalised(i).salt_passage_measured_pct,
    "ro_flush_volume_to_settle": lambda i: osmosis.ro_flush_volume_l(
        i["EC0"], i["EC_steady"], i["holdup_L"], 100.0 * i["within_fraction"]
    ),
    # scaling
    "LSI_carrier": lambda i: langelier(i, "Carrier"),
    "LSI_factor_table": pool_index,
    "LSI_SM2330": lambda i: langelier(i, "SM 2330B"),
    "SI_calcite_PHREEQC": lambda i: langelier(i, "SM 2330B"),
    "concentrate_pH": lambda i: ro_concentrate(i).ph,
    "concentrate_SI_calcite": paired_concentrate,
    "concentrate_SI_calcite_after_98pct_softening": lambda i: paired_concentrate(i, 0.98),
    # blending, sump, cost
    "blend_fraction_hard": lambda i: blending.blend_hard_fraction(*blend(i)),
    "blend_EC25": blend_ec25,
    "blend_litres_hard": lambda i: blending.blend_volumes(*blend(i), i["total_L"]).hard_l,
    "sump_hardness": lambda i: sump.mineral_after_mg_l(
        i["sump_L"], i["evap_L_d"], i.get("dragout_L_d", 0.0), i["topoff_H"], i["H0"], i["days"]
    ),
    "train_cost_per_month": lambda i: train(i).total_money_month,
    "train_cost_per_m3": lambda i: train(i).total_money_m3,
    "exchange_DI_cost_per_m3": lambda i: (
        cost.exchange_service_cost(i["m3_per_month"], i["monthly_fee"]).total_money_m3
    ),
}


def bohart_adams_tau(i: Inputs) -> float:
    return breakthrough.bohart_adams_midpoint_min(i["N0"], i["Z"], i["u"], i["C0"])
