"""The hall's air and the vapour that leaves a wet surface, from heat and mass transfer alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulator.noise import Floats, correlated, first_order, stream
from simulator.schedule import DAY_MIN, Calendar, Work
from simulator.shop import Climate

VAPOUR_GAS_J_KG_K = 461.5
AIR_GAS_J_KG_K = 287.05
PRESSURE_PA = 100_500.0
ZERO_C_K = 273.15
AIR_VISCOSITY_M2_S = 1.53e-5


def saturation_pa(temp_c: Floats | float) -> Floats:
    """Saturation pressure over water: Clausius-Clapeyron integrated with constant heat capacities, 0 to 60 C.

    (Rankine-Kirchhoff form from the triple point; latent heat falls by cl - cpv per kelvin.)
    """
    kelvin = np.asarray(temp_c, dtype=float) + ZERO_C_K
    slope = (1_879.0 - 4_195.0) / VAPOUR_GAS_J_KG_K
    latent = 2.5009e6 + (4_195.0 - 1_879.0) * 273.16
    power = latent / VAPOUR_GAS_J_KG_K * (1.0 / 273.16 - 1.0 / kelvin)
    return np.asarray(611.655 * (kelvin / 273.16) ** slope * np.exp(power))


def diffusivity_m2_s(temp_c: Floats | float) -> Floats:
    """Diffusivity of water vapour in air, kinetic-theory power law through 2.5e-5 m2/s at 25 C (from
    memory).
    """
    return np.asarray(2.5e-5 * ((np.asarray(temp_c, dtype=float) + ZERO_C_K) / 298.15) ** 1.81)


def evaporation_kg_m2_s(
    liquid_c: Floats, air_c: Floats, vapour_pa: Floats, speed_m_s: Floats | float
) -> Floats:
    """Evaporation from a flat wet surface about 0.8 m long; negative where the air condenses on it.

    Forced convection from the laminar-turbulent flat-plate Sherwood number, free convection from the density
    difference that temperature and vapour make together; the two are blended by their cubes.
    """
    length = 0.8
    diffusivity = diffusivity_m2_s(0.5 * (liquid_c + air_c))
    schmidt = AIR_VISCOSITY_M2_S / diffusivity
    surface_pa = saturation_pa(liquid_c)
    surface_k, air_k = liquid_c + ZERO_C_K, air_c + ZERO_C_K
    reynolds = np.asarray(speed_m_s, dtype=float) * length / AIR_VISCOSITY_M2_S
    forced = 0.664 * np.sqrt(reynolds) * np.cbrt(schmidt) + np.maximum(0.037 * (reynolds**0.8 - 871.0), 0.0)
    light_surface = (PRESSURE_PA - 0.378 * surface_pa) / surface_k
    light_air = (PRESSURE_PA - 0.378 * vapour_pa) / air_k
    buoyancy = np.maximum((light_air - light_surface) / light_air, 0.0)
    grashof = 9.81 * buoyancy * length**3 / AIR_VISCOSITY_M2_S**2
    free = 0.14 * np.cbrt(grashof * schmidt)
    sherwood = np.cbrt(forced**3 + free**3)
    density_step = surface_pa / (VAPOUR_GAS_J_KG_K * surface_k) - vapour_pa / (VAPOUR_GAS_J_KG_K * air_k)
    return np.asarray(sherwood * diffusivity / length * density_step)


@dataclass(frozen=True)
class Air:
    """Hall air on a 5-minute grid: temperature (C) and vapour pressure (Pa)."""

    temp_c: Floats
    vapour_pa: Floats

    @property
    def humidity_pct(self) -> Floats:
        return np.asarray(100.0 * self.vapour_pa / saturation_pa(self.temp_c))


def make_air(climate: Climate, calendar: Calendar, work: Work, seed: int) -> Air:
    """Outdoor season, weather and day; a hall that is heated, warmed by machines and slow to follow."""
    rng = stream(seed, "air")
    year = calendar.year_fraction[::5]
    steps = len(year)
    weather = correlated(rng, (steps,), 3.2, 5.0, 3 * DAY_MIN)
    moist = correlated(rng, (steps,), 2.2, 5.0, 2 * DAY_MIN)
    season = -np.cos(2.0 * np.pi * (year - 20.0 / 365.25))
    hour = (calendar.local_minute[::5] % DAY_MIN) / 60.0
    outdoor = climate.mean_c + climate.season_c * season + weather
    dew = np.minimum(outdoor - climate.dew_point_below_c + moist, outdoor - 0.3)
    outdoor = outdoor + 0.5 * climate.day_c * np.cos(2.0 * np.pi * (hour - 15.0) / 24.0)
    staffed = work.staffed[::5]
    busy = work.pump_on[::5].mean(axis=1)
    heated = climate.hall_c - 3.0 * ~staffed
    target = np.maximum(heated, 0.75 * outdoor + 5.5) + 3.0 * busy
    inside = first_order(target, 5.0, 240.0)
    vapour = first_order(saturation_pa(dew) + 120.0 * busy, 5.0, 90.0)
    return Air(inside, np.minimum(vapour, 0.92 * saturation_pa(inside)))
