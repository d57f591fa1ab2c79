"""Which of our functions answers which quantity of the sump cases."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from monitor.water import (
    evaporation,
    level_drop,
    period_balance,
    psychrometrics,
    refractometer,
    sump,
    tank,
)
from monitor.water.errors import OutOfRange

Inputs = dict[str, Any]

M_PER_INCH = 0.0254
L_PER_US_GAL = 3.785411784
L_PER_M3 = 1000.0


def lying(ends: str, gallons: bool) -> Callable[[Inputs], float]:
    """A lying cylinder; cases in inches answer in US gallons, cases in metres in cubic metres."""

    def volume(i: Inputs) -> float:
        size = M_PER_INCH if gallons else 1.0
        two_to_one = i.get("D_m", 0.0) / 4.0 if ends == "ellipsoidal" else 0.0
        depth = i.get("a_in", i.get("head_depth_each_m", two_to_one)) * size
        litres = tank.horizontal_cylinder_volume_l(
            (i["D_in"] if gallons else i["D_m"]) * size,
            (i["L_in"] if gallons else i["L_m"]) * size,
            (i["h_in"] if gallons else i["level_m"]) * size,
            ends,  # type: ignore[arg-type]  # a word of Ends, from the table below
            depth,
            i.get("f", 1.0),
            i.get("k", 0.06),
        )
        return litres / (L_PER_US_GAL if gallons else L_PER_M3)

    return volume


def upright_gal(bottom: str) -> Callable[[Inputs], float]:
    def volume(i: Inputs) -> float:
        litres = tank.vertical_cylinder_volume_l(
            i["D_in"] * M_PER_INCH,
            i["h_in"] * M_PER_INCH,
            bottom,  # type: ignore[arg-type]  # a word of Ends, from the table below
            i.get("a_in", 0.0) * M_PER_INCH,
            i.get("f", 1.0),
            i.get("k", 0.06),
        )
        return litres / L_PER_US_GAL

    return volume


def upright_cone_m3(i: Inputs) -> float:
    level = i["level_from_cone_tip_m"]
    tank.within("level_m", level, 0.0, i["cone_depth_m"] + i["cyl_L_m"], "m")
    return tank.vertical_cylinder_volume_l(i["D_m"], level, "conical", i["cone_depth_m"]) / L_PER_M3


def upright_flat_m3(i: Inputs) -> float:
    tank.within("level_m", i["level_m"], 0.0, i.get("L_m", tank.LARGEST_M), "m")
    return tank.vertical_cylinder_volume_l(i["D_m"], i["level_m"]) / L_PER_M3


def strap_error(i: Inputs) -> float:
    """A table of equal steps on a lying cylinder, against the cylinder itself."""
    steps = i["equal_steps"]
    levels = [i["D_m"] * step / steps for step in range(steps + 1)]
    volumes = [tank.horizontal_cylinder_volume_l(i["D_m"], i["L_m"], level) for level in levels]
    read = tank.strapping_volume_l([level * 1000.0 for level in levels], volumes, i["level_m"] * 1000.0)
    return read - tank.horizontal_cylinder_volume_l(i["D_m"], i["L_m"], i["level_m"])


def carrier(i: Inputs) -> float:
    return evaporation.evaporation_kg_h(
        i["A_m2"], i["T_water_C"], i["T_air_C"], i["RH"], i["v_m_s"], i.get("activity_factor", 1.0)
    )


def by_humidity(i: Inputs) -> float:
    return evaporation.evaporation_by_humidity_kg_h(
        i["A_m2"], i["T_water_C"], i["T_air_C"], i["RH"], i["v_m_s"], i.get("P_Pa", 101325.0)
    )


def band(i: Inputs) -> list[float]:
    return [
        evaporation.evaporation_kg_h(
            end["A_m2"], end["Tw"], end["Ta"], end["RH"], end["v"], end.get("activity", 1.0)
        )
        * end["hours"]
        for end in (i["low"], i["high"])
    ]


def theta_kg_s(i: Inputs) -> float:
    coefficient = 25.0 + 19.0 * i["v_m_s"]
    return evaporation.evaporation_from_humidities_kg_h(i["A_m2"], i["xs"], i["x"], coefficient) / 3600.0


def drop(function: Callable[..., Any]) -> Callable[[Inputs], Any]:
    def answer(i: Inputs) -> Any:
        if not i.get("no_additions", True):
            raise OutOfRange("no_additions", False, "true", "a drop with additions is the period balance")
        extra = [i[key] for key in ("sigma_brix", "sigma_V_L") if key in i]
        return function(i["V0_L"], i["V1_L"], i["brix0"], i["brix1"], *extra)

    return answer


def bracket(i: Inputs) -> list[float]:
    ends = drop(level_drop.evaporated_bracket)(i)
    return [ends.low_l, ends.high_l]


def lost_at(label: str) -> str:
    """ "mean of c0 and c1", "c0", "start" or "initial", "c1", "end" or "final"."""
    low = label.lower()
    words = {"mean": ("mean", "average"), "start": ("c0", "start", "initial"), "end": ("c1", "end", "final")}
    return next((place for place, named in words.items() if any(word in low for word in named)), low)


def period(function: Callable[..., float]) -> Callable[[Inputs], float]:
    return lambda i: function(
        i["V0_L"], i["c0_pct"], i["V1_L"], i["c1_pct"], i["added_L"], i["added_conc_pct"],
        lost_at(i.get("loss_conc", "mean")),
    )  # fmt: skip


def topped(i: Inputs) -> sump.TopOff:
    return sump.top_off(i["V_now_L"], i["c_now_pct"], i["V_target_L"], i["c_target_pct"])


def balance(function: Callable[..., Any]) -> Callable[[Inputs], Any]:
    """The functions that take the sump, its two losses and the time."""
    return lambda i: function(
        i["V0_L"],
        *([i["c0_pct"]] if function is sump.sump_concentration_after_pct else []),
        i["evap_L_d"],
        i["mixture_loss_L_d"],
        i["days"],
    )


def mineral(i: Inputs) -> float:
    return sump.mineral_after_mg_l(
        i["V_L"], i["evap_L_d"], i["mixture_loss_L_d"], i["makeup_mg_L"], i["initial_mg_L"], i["days"]
    )


def mineral_limit(i: Inputs) -> float | str:
    days = sump.mineral_limit_time_d(
        i["limit_mg_L"], i["V_L"], i["evap_L_d"], i["mixture_loss_L_d"], i["makeup_mg_L"], i["initial_mg_L"]
    )
    return "never" if days is None else days


def bleed(unit: str) -> Callable[[Inputs], float]:
    """The balance holds in any unit of flow, so gallons go in as they are."""
    return lambda i: sump.bleed_for_cycles_l_d(i[f"evap_{unit}"], i["cycles"], i.get(f"windage_{unit}", 0.0))


def makeup(i: Inputs) -> float:
    return i["evap_gpd"] + i.get("windage_gpd", 0.0) + bleed("gpd")(i)


def coolant_pct(i: Inputs) -> float:
    return refractometer.coolant_concentration_pct(i["brix"], i["factor"], i.get("zero_offset_brix", 0.0))


def unzeroed_bias(i: Inputs) -> float:
    def share(zero: float) -> float:
        return level_drop.evaporated_fraction(
            i["V0_L"], i["V1_L"], i["raw_brix0"] - zero, i["raw_brix1"] - zero
        )

    return share(0.0) - share(i["true_zero_offset"])


QUANTITIES: dict[str, Callable[[Inputs], Any]] = {
    "rect_volume_L": lambda i: tank.rectangular_volume_l(i["length_m"], i["width_m"], i["level_m"]),
    "rect_litres_per_mm": lambda i: tank.rectangular_volume_l_mm(i["length_m"], i["width_m"]),
    "vert_cyl_flat_volume_m3": upright_flat_m3,
    "horiz_cyl_flat_volume_m3": lying("flat", gallons=False),
    "horiz_cyl_flat_level_from_volume_m": lambda i: tank.horizontal_cylinder_level_m(
        i["D_m"], i["L_m"], i["volume_m3"] * L_PER_M3
    ),
    "horiz_cyl_litres_per_mm_at_level": lambda i: tank.horizontal_cylinder_volume_l_mm(
        i["D_m"], i["L_m"], i["level_m"]
    ),
    "horiz_cyl_conical_ends_gal": lying("conical", gallons=True),
    "horiz_cyl_ellipsoidal_ends_gal": lying("ellipsoidal", gallons=True),
    "horiz_cyl_spherical_ends_gal": lying("spherical", gallons=True),
    "horiz_cyl_torispherical_ends_gal": lying("torispherical", gallons=True),
    "horiz_cyl_2to1_ellipsoidal_volume_m3": lying("ellipsoidal", gallons=False),
    "vert_cyl_conical_bottom_gal": upright_gal("conical"),
    "vert_cyl_torispherical_bottom_gal": upright_gal("torispherical"),
    "vert_cyl_cone_bottom_volume_m3": upright_cone_m3,
    "strap_table_volume_L": lambda i: tank.strapping_volume_l(i["levels_mm"], i["volumes_L"], i["level_mm"]),
    "strap_table_out_of_range": lambda i: (
        tank.strapping_volume_l(i["levels_mm"], i["volumes_L"], i["level_mm"])
        if "level_mm" in i
        else tank.strapping_level_mm(i["levels_mm"], i["volumes_L"], i["volume_L"])
    ),
    "strap_table_level_mm_inverse": lambda i: tank.strapping_level_mm(
        i["levels_mm"], i["volumes_L"], i["volume_L"]
    ),
    "strap_table_interp_error_L": strap_error,
    "sat_vapour_pressure_Pa": lambda i: psychrometrics.saturation_pressure_pa(i["T_C"]),
    "latent_heat_kJ_per_kg": lambda i: psychrometrics.latent_heat_kj_kg(i["T_C"]),
    "humidity_ratio_kg_per_kg": lambda i: psychrometrics.humidity_ratio_kg_kg(
        i["T_C"], i["RH"], i.get("P_Pa", 101325.0)
    ),
    "dew_point_C": lambda i: psychrometrics.dew_point_c(i["T_C"], i["RH"]),
    "wet_bulb_C": lambda i: psychrometrics.wet_bulb_c(i["T_C"], i["RH"], i.get("P_Pa", 101325.0)),
    "ashrae_pool_evap_kg_per_h": carrier,
    "theta_formula_evap_kg_per_s": theta_kg_s,
    "theta_formula_evap_kg_per_h": lambda i: evaporation.evaporation_from_humidities_kg_h(
        i["A_m2"], i["xs"], i["x"], i["Theta"]
    ),
    "theta_formula_evap_kg_per_h_psychro": by_humidity,
    "ratio_theta_formula_to_ashrae": lambda i: by_humidity(i) / carrier(i),
    "energy_bound_evap_kg": lambda i: evaporation.evaporation_energy_bound_kg(
        i["P_kW"], i["hours"], i["T_C"], i.get("fraction_to_evaporation", 1.0)
    ),
    "heat_needed_kWh_for_evaporation": lambda i: evaporation.evaporation_heat_kwh(i["mass_kg"], i["T_C"]),
    "expected_idle_evap_band_L_per_day": band,
    "expected_cutting_evap_band_L_per_day": band,
    "sump_volume_after_L": balance(sump.sump_volume_after_l),
    "sump_concentration_after_pct": balance(sump.sump_concentration_after_pct),
    "evaporated_fraction_of_loss": drop(level_drop.evaporated_fraction),
    "evaporated_L": drop(level_drop.evaporated_volume_l),
    "mixture_lost_L": drop(level_drop.mixture_lost_l),
    "evaporated_L_bracket_any_order": bracket,
    "evaporated_fraction_std_uncertainty": drop(level_drop.evaporated_fraction_std),
    "period_mixture_lost_L": period(period_balance.period_mixture_lost_l),
    "period_evaporated_L": period(period_balance.period_evaporated_l),
    "topoff_concentrate_L": lambda i: topped(i).concentrate_l,
    "topoff_water_L": lambda i: topped(i).water_l,
    "topoff_mix_pct": lambda i: topped(i).mix_pct,
    "topoff_infeasible_best_concentration_pct": lambda i: topped(i).reached_without_bleed_pct,
    "topoff_bleed_needed_L": lambda i: topped(i).bleed_l,
    "steady_makeup_concentration_pct": lambda i: sump.steady_makeup_pct(
        i["c_target_pct"], i["evap_L_d"], i["mixture_loss_L_d"]
    ),
    "tower_blowdown_gpd": bleed("gpd"),
    "tower_blowdown_gph": bleed("gph"),
    "tower_blowdown_gpm": bleed("gpm"),
    "tower_makeup_gpd": makeup,
    "sump_mineral_mg_L": mineral,
    "steady_cycles_of_concentration": lambda i: sump.cycles_of_concentration(
        i["evap_L_d"], i["mixture_loss_L_d"]
    ),
    "days_to_mineral_limit": mineral_limit,
    "brix_from_nD20": lambda i: refractometer.brix_from_index_brix(i["nD20"]),
    "nD20_from_brix": lambda i: refractometer.refractive_index_from_brix(i["brix"]),
    "water_reading_shift_brix_no_atc": lambda i: refractometer.water_shift_brix(i["T_C"]),
    "water_nD_in_air": lambda i: refractometer.water_refractive_index(i["T_C"]),
    "oiv_temperature_correction_brix": lambda i: refractometer.brix_temperature_correction_brix(
        i["reading_brix"], i["T_C"]
    ),
    "coolant_concentration_pct": coolant_pct,
    "coolant_concentration_zeroed_pct": coolant_pct,
    "unzeroed_relative_error": lambda i: refractometer.unzeroed_error(i["brix"], i["zero_offset_brix"]),
    "phi_bias_from_unzeroed": unzeroed_bias,
}
