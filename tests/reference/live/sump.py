"""Tanks against fluids, water vapour against CoolProp, PsychroLib and IAPWS. Seeded draws."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from monitor.water import evaporation, psychrometrics, refractometer, tank
from tests.reference.deviation import Comparison, relative_pct

CASES = 200
ENDS = ("flat", "conical", "ellipsoidal", "spherical", "torispherical")


def tanks(seed: int) -> Iterator[dict[str, float]]:
    draw = np.random.default_rng(seed)
    for _ in range(CASES):
        diameter = draw.uniform(0.3, 3.0)
        yield {
            "D": diameter,
            "L": draw.uniform(0.3, 5.0),
            "a": diameter * draw.uniform(0.05, 0.49),
            "f": draw.uniform(0.6, 1.5),
            "k": draw.uniform(0.03, 0.2),
            "h": diameter * draw.uniform(0.01, 1.0),
        }


def lying(kind: str) -> Callable[[], list[float]]:
    def run() -> list[float]:
        from fluids import geometry

        other: dict[str, Callable[[dict[str, float]], float]] = {
            "flat": flat_fluids,
            "conical": lambda s: geometry.V_horiz_conical(s["D"], s["L"], s["a"], s["h"]),
            "ellipsoidal": lambda s: geometry.V_horiz_ellipsoidal(s["D"], s["L"], s["a"], s["h"]),
            "spherical": lambda s: geometry.V_horiz_spherical(s["D"], s["L"], s["a"], s["h"]),
            "torispherical": lambda s: geometry.V_horiz_torispherical(s["D"], s["L"], s["f"], s["k"], s["h"]),
        }
        return [relative_pct(ours_lying(kind, s), other[kind](s) * 1000.0) for s in tanks(51)]

    return run


def flat_fluids(size: dict[str, float]) -> float:
    from fluids import TANK

    return float(TANK(D=size["D"], L=size["L"], horizontal=True).V_from_h(size["h"]))


def ours_lying(kind: str, size: dict[str, float]) -> float:
    depth = 0.0 if kind in ("flat", "torispherical") else size["a"]
    return tank.horizontal_cylinder_volume_l(
        size["D"],
        size["L"],
        size["h"],
        kind,
        depth,
        size["f"],
        size["k"],  # type: ignore[arg-type]  # a word of ENDS
    )


def upright(kind: str) -> Callable[[], list[float]]:
    def run() -> list[float]:
        from fluids import geometry

        other: dict[str, Callable[[dict[str, float]], float]] = {
            "conical": lambda s: geometry.V_vertical_conical(s["D"], s["a"], s["h"]),
            "ellipsoidal": lambda s: geometry.V_vertical_ellipsoidal(s["D"], s["a"], s["h"]),
            "spherical": lambda s: geometry.V_vertical_spherical(s["D"], s["a"], s["h"]),
            "torispherical": lambda s: geometry.V_vertical_torispherical(s["D"], s["f"], s["k"], s["h"]),
        }
        found = []
        for s in tanks(52):
            depth = 0.0 if kind == "torispherical" else s["a"]
            ours = tank.vertical_cylinder_volume_l(s["D"], s["h"], kind, depth, s["f"], s["k"])  # type: ignore[arg-type]  # a word of ENDS
            found.append(relative_pct(ours, other[kind](s) * 1000.0))
        return found

    return run


def level_back() -> list[float]:
    """Level from volume against fluids' own volume there, in per cent of the diameter."""
    from fluids import geometry

    found = []
    for s in tanks(53):
        volume_l = geometry.V_horiz_ellipsoidal(s["D"], s["L"], s["a"], s["h"]) * 1000.0
        level = tank.horizontal_cylinder_level_m(s["D"], s["L"], volume_l, "ellipsoidal", s["a"])
        found.append(100.0 * (level - s["h"]) / s["D"])
    return found


def temperatures(seed: int, low: float, high: float) -> list[float]:
    return np.random.default_rng(seed).uniform(low, high, CASES).tolist()


def saturation_coolprop() -> list[float]:
    from CoolProp.CoolProp import PropsSI

    return [
        relative_pct(psychrometrics.saturation_pressure_pa(t), PropsSI("P", "T", t + 273.15, "Q", 0, "Water"))
        for t in temperatures(54, 0.02, 150.0)
    ]


def saturation_psychrolib() -> list[float]:
    library = psychrolib()
    return [
        relative_pct(psychrometrics.saturation_pressure_pa(t), library.GetSatVapPres(t))
        for t in temperatures(55, -40.0, 100.0)
    ]


def latent_coolprop() -> list[float]:
    from CoolProp.CoolProp import PropsSI

    found = []
    for t in temperatures(56, 0.02, 150.0):
        vapour, liquid = (PropsSI("H", "T", t + 273.15, "Q", q, "Water") for q in (1, 0))
        found.append(relative_pct(psychrometrics.latent_heat_kj_kg(t), (vapour - liquid) / 1000.0))
    return found


def density_iapws() -> list[float]:
    from iapws import IAPWS97

    return [
        relative_pct(psychrometrics.saturated_water_density_kg_m3(t), IAPWS97(T=t + 273.15, x=0).rho)
        for t in temperatures(57, 1.0, 150.0)
    ]


def airs(seed: int) -> Iterator[tuple[float, float, float]]:
    draw = np.random.default_rng(seed)
    for _ in range(CASES):
        yield draw.uniform(5.0, 45.0), draw.uniform(0.15, 0.95), draw.uniform(80_000.0, 104_000.0)


def psychrolib() -> Any:
    import psychrolib as library

    library.SetUnitSystem(library.SI)
    return library


def humidity_psychrolib() -> list[float]:
    library = psychrolib()
    return [
        relative_pct(psychrometrics.humidity_ratio_kg_kg(t, rh, p), library.GetHumRatioFromRelHum(t, rh, p))
        for t, rh, p in airs(58)
    ]


def humidity_coolprop() -> list[float]:
    """Real air, which an ideal gas misses by about half a per cent."""
    from CoolProp.CoolProp import HAPropsSI

    return [
        relative_pct(
            psychrometrics.humidity_ratio_kg_kg(t, rh, p), HAPropsSI("W", "T", t + 273.15, "R", rh, "P", p)
        )
        for t, rh, p in airs(59)
    ]


def dew_point_psychrolib() -> list[float]:
    library = psychrolib()
    return [
        psychrometrics.dew_point_c(t, rh) - library.GetTDewPointFromRelHum(t, rh) for t, rh, _ in airs(60)
    ]


def wet_bulb_psychrolib() -> list[float]:
    library = psychrolib()
    return [
        psychrometrics.wet_bulb_c(t, rh, p) - library.GetTWetBulbFromRelHum(t, rh, p) for t, rh, p in airs(61)
    ]


def wet_bulb_coolprop() -> list[float]:
    from CoolProp.CoolProp import HAPropsSI

    return [
        ours + 273.15 - HAPropsSI("B", "T", t + 273.15, "R", rh, "P", p)
        for t, rh, p in airs(62)
        if (ours := psychrometrics.wet_bulb_c(t, rh, p)) > 1.0  # below, ice or water is a choice
    ]


def carrier_from_libraries() -> list[float]:
    """The Carrier equation fed with PsychroLib's pressures and CoolProp's latent heat."""
    from CoolProp.CoolProp import PropsSI

    library = psychrolib()
    draw = np.random.default_rng(63)
    found = []
    for t_air, rh, _ in airs(64):
        # well above the dew point: the difference of two like pressures magnifies any error
        t = max(library.GetTDewPointFromRelHum(t_air, rh), 0.0) + draw.uniform(6.0, 16.0)
        speed = draw.uniform(0.0, 1.0)
        pull_kpa = (library.GetSatVapPres(t) - library.GetVapPresFromRelHum(t_air, rh)) / 1000.0
        vapour, liquid = (PropsSI("H", "T", t + 273.15, "Q", q, "Water") for q in (1, 0))
        other = pull_kpa * (0.089 + 0.0782 * speed) / ((vapour - liquid) / 1000.0) * 3600.0
        found.append(relative_pct(evaporation.evaporation_kg_h(1.0, t, t_air, rh, speed), other))
    return found


def index_iapws() -> list[float]:
    """Index of water against air, the library's vacuum value scaled as ours to 1.33299 at 20 °C."""
    from iapws._iapws import _Refractive
    from iapws.iapws97 import IAPWS97

    def vacuum(t: float) -> float:
        return float(_Refractive(IAPWS97(T=t + 273.15, P=0.101325).rho, t + 273.15, 0.5893))

    at_20 = vacuum(20.0)
    return [
        refractometer.water_refractive_index(t) - 1.33299 * vacuum(t) / at_20
        for t in temperatures(65, 1.0, 60.0)
    ]


AIR = "5 to 45 °C, 15 to 95 %, 80 to 104 kPa"
SPAN = "0.3 to 3 m across, full range of level"

COMPARISONS = [
    *(
        Comparison("horizontal_cylinder_volume_l", "fluids", f"{kind} ends, {SPAN}", bound, lying(kind))
        for kind, bound in zip(ENDS, (1e-9, 1e-9, 1e-9, 1e-7, 1e-5), strict=True)
    ),
    *(
        Comparison("vertical_cylinder_volume_l", "fluids", f"{kind} bottom, {SPAN}", 1e-9, upright(kind))
        for kind in ENDS[1:]
    ),
    Comparison(
        "horizontal_cylinder_level_m", "fluids", f"ellipsoidal ends, {SPAN}", 1e-9, level_back,
        "% of diameter",
    ),
    Comparison("saturation_pressure_pa", "CoolProp", "0.02 to 150 °C", 0.02, saturation_coolprop),
    Comparison("saturation_pressure_pa", "PsychroLib", "-40 to 100 °C", 0.1, saturation_psychrolib),
    Comparison("latent_heat_kj_kg", "CoolProp", "0.02 to 150 °C", 0.05, latent_coolprop),
    Comparison("saturated_water_density_kg_m3", "IAPWS (iapws)", "1 to 150 °C", 0.01, density_iapws),
    Comparison(
        "humidity_ratio_kg_kg", "PsychroLib", AIR, 0.1, humidity_psychrolib
    ),
    Comparison(
        "humidity_ratio_kg_kg", "CoolProp (real air)", AIR, 1.0,
        humidity_coolprop,
    ),
    Comparison("dew_point_c", "PsychroLib", "5 to 45 °C, 15 to 95 %", 0.02, dew_point_psychrolib, "K"),
    Comparison(
        "wet_bulb_c", "PsychroLib", AIR, 0.01, wet_bulb_psychrolib, "K"
    ),
    Comparison(
        "wet_bulb_c", "CoolProp (real air)", f"{AIR}, wet bulb above 1 °C", 0.1, wet_bulb_coolprop, "K"
    ),
    Comparison(
        "evaporation_kg_h", "PsychroLib and CoolProp in the same equation",
        "liquid 6 to 16 K above a dew point above 0 °C, 0 to 1 m/s", 0.5, carrier_from_libraries,
    ),
    Comparison("water_refractive_index", "IAPWS (iapws)", "1 to 60 °C", 5e-6, index_iapws, "(index)"),
]  # fmt: skip
