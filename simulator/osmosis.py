"""Reverse osmosis element: solution-diffusion with concentration polarisation, ageing, fouling, scale,
start-up creep.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulator import shop
from simulator.noise import Floats
from simulator.water import (
    CA,
    CATIONS,
    GAS_J_MOL_K,
    ROOM_K,
    SIZE,
    STRONG_ANIONS,
    TIC,
    ZERO_C_K,
    carbonate_constants,
    charge_excess_meq_l,
    hydrogen_mmol_l,
    osmotic_pa,
    van_t_hoff,
    viscosity_pa_s,
)  # fmt: skip

WATER_ACTIVATION_J_MOL = 23_000.0
SALT_ACTIVATION_J_MOL = 29_500.0
SEGMENTS = 4
LMH = 1.0 / 3.6e6
# Permeability of each ion against sodium chloride; small, singly charged ions pass best (common
# practice, no source).
RELATIVE = np.array([1.0, 1.05, 0.5, 0.5, 1.0, 2.2, 0.3, 0.9, 1.1])
SALT_DIFFUSIVITY_M2_S = 1.5e-9
SCALE_RATE_H = 3.0e-4


@dataclass(frozen=True)
class Operation:
    """Element at a set of moments: flows L/min, ion passages (moment, ion), pressures bar."""

    permeate_l_min: Floats
    concentrate_l_min: Floats
    passage: Floats
    feed_bar: Floats
    drop_bar: Floats


class MembraneUnit:
    """State of the element through the run: what has fouled, scaled, aged; and the water on the
    permeate side.
    """

    def __init__(self, described: shop.Membrane) -> None:
        self.described = described
        self.fouling = 0.0
        self.scale = 0.0
        self.aged_days = 0.0
        self.chlorine_mg_h_l = 0.0
        self.permeate_side = np.zeros(SIZE)
        self.settled = False
        self.concentrate_l_min = self._valve_setting()

    def _valve_setting(self) -> float:
        """Concentrate flow that gives the described recovery at 25 C on a clean element and a middling
        water.
        """
        d = self.described
        permeate = d.water_lmh_bar * d.area_m2 * (d.pressure_bar - d.permeate_back_bar - 0.6) / 60.0
        return permeate * (1.0 - d.recovery_25c) / d.recovery_25c

    def operate(
        self, feed: Floats, temp_c: Floats, salt_factor: Floats, hole: Floats, pump_bar: Floats,
        oxidised: Floats,
    ) -> Operation:  # fmt: skip
        """Solve the element for feed water (moment, ion) at a temperature.

        `salt_factor` multiplies the salt permeability, `hole` is the share of raw feed that leaks past
        a seal, `oxidised` the share by which oxidation opened the membrane to salt, and to water by a third
        of that (a guess: both grow, salt by more).
        """
        d = self.described
        arrhenius = 1.0 / ROOM_K - 1.0 / (temp_c + ZERO_C_K)
        water_pass = d.water_lmh_bar * LMH * np.exp(WATER_ACTIVATION_J_MOL / GAS_J_MOL_K * arrhenius)
        water_pass = water_pass / (1.0 + self.fouling + self.scale) * (1.0 + oxidised / 3.0)
        aged = 1.0 + d.salt_ageing_per_year * self.aged_days / 365.25 + self.chlorine_mg_h_l / 1000.0
        salt_pass = d.salt_lmh * LMH * np.exp(SALT_ACTIVATION_J_MOL / GAS_J_MOL_K * arrhenius)
        salt_pass = salt_pass * salt_factor * aged * (1.0 + 1.5 * self.scale) * (1.0 + oxidised)
        transfer, drop_bar = self._crossflow(temp_c)
        osmotic_bar = osmotic_pa(feed, temp_c) / 1e5
        concentrate = np.full_like(temp_c, self.concentrate_l_min)
        permeate = np.full_like(temp_c, concentrate[0])
        area = d.area_m2 / SEGMENTS
        for _ in range(5):
            fresh = permeate + concentrate
            factor = 1.0 + np.maximum(1.0 - fresh / d.crossflow_l_min, 0.0) * (fresh / concentrate - 1.0)
            flow = np.maximum(fresh, d.crossflow_l_min)
            made = np.zeros_like(temp_c)
            salt = np.zeros((len(temp_c), SIZE))
            for segment in range(SEGMENTS):
                pressure = pump_bar - drop_bar * (segment + 0.5) / SEGMENTS - d.permeate_back_bar
                flux = water_pass * np.maximum(pressure - osmotic_bar * factor * 1.12, 0.05)
                polarised = np.exp(flux / transfer)
                leak = salt_pass[:, None] * RELATIVE * polarised[:, None]
                share = leak / (flux[:, None] + leak)
                litres = flux * area * 60_000.0
                salt += share * (factor * litres)[:, None]
                made += litres
                factor = factor * flow / np.maximum(flow - litres, 0.2)
                flow = np.maximum(flow - litres, 0.2)
            permeate = made
        passage = np.minimum(salt / made[:, None] + hole[:, None], 1.0)
        return Operation(permeate, concentrate, passage, pump_bar.copy(), drop_bar)

    def _crossflow(self, temp_c: Floats) -> tuple[Floats, Floats]:
        """Mass-transfer coefficient m/s (Schock and Miquel's spacer correlation) and channel pressure
        drop bar.
        """
        d = self.described
        speed = d.crossflow_l_min / 60_000.0 / (d.channel_m * d.channel_width_m * 0.89)
        kinematic = viscosity_pa_s(temp_c) / 998.0
        thermal = (temp_c + ZERO_C_K) / ROOM_K * viscosity_pa_s(25.0) / viscosity_pa_s(temp_c)
        diffusivity = SALT_DIFFUSIVITY_M2_S * thermal
        reynolds = speed * d.channel_m / kinematic
        sherwood = 0.065 * reynolds**0.875 * (kinematic / diffusivity) ** 0.25
        drop_pa = 6.23 * reynolds**-0.3 / d.channel_m * 0.5 * 998.0 * speed**2
        blocked = 1.0 + 1.5 * self.fouling + 3.0 * self.scale
        return sherwood * diffusivity / d.channel_m, drop_pa / 1e5 * blocked

    def permeate(self, feed: Floats, passage: Floats) -> Floats:
        """Composition that permeates at once; ions as neutral salts, carbon dioxide without hindrance."""
        out = feed * passage
        bicarbonate = np.clip(charge_excess_meq_l(feed), 0.0, feed[..., TIC])
        passed = bicarbonate * passage[..., TIC]
        anions = out[..., STRONG_ANIONS].sum(-1) + passed
        cations = out[..., CATIONS].sum(-1)
        middle = np.sqrt(anions * cations)
        out[..., CATIONS] *= (middle / np.maximum(cations, 1e-12))[..., None]
        ratio = middle / np.maximum(anions, 1e-12)
        out[..., STRONG_ANIONS] *= ratio[..., None]
        out[..., TIC] = feed[..., TIC] - bicarbonate + passed * ratio
        return out

    def hold(
        self, made: Floats, litres: Floats, feed: Floats, idle_min: Floats, salt_factor: float
    ) -> Floats:
        """What leaves the element minute by minute: permeate mixed with the water held on the permeate side.

        While the pump stands (`idle_min` before each minute) salt goes on diffusing through the membrane.
        """
        d = self.described
        if not self.settled and len(made):
            self.permeate_side, self.settled = made[0].copy(), True
        seep_l_min = d.area_m2 * d.salt_lmh * salt_factor / 60.0
        out = np.empty_like(made)
        side = self.permeate_side
        mixing = 1.0 - np.exp(-litres / d.holdup_l)
        for index in range(len(made)):
            if idle_min[index] > 0.0:
                gone = np.exp(-seep_l_min * RELATIVE * idle_min[index] / d.holdup_l)
                side = feed[index] + (side - feed[index]) * gone
            side = side + (made[index] - side) * mixing[index]
            out[index] = side
        self.permeate_side = side
        return out

    def age(self, feed: Floats, temp_c: float, made_l: float, hours: float, chlorine_mg_l: float) -> None:
        """A day's wear: fouling by volume, scale where the concentrate is supersaturated, oxidation by
        chlorine.
        """
        self.aged_days += 1.0
        self.fouling += self.described.fouling_per_m3 * made_l / 1000.0
        self.chlorine_mg_h_l += chlorine_mg_l * hours
        recovery = self.described.recovery_25c
        concentrate = feed / (1.0 - recovery)
        carbon = charge_excess_meq_l(concentrate)
        concentrate[TIC] = carbon + max(float(feed[TIC] - charge_excess_meq_l(feed)), 0.0)
        k1, k2, _, _ = carbonate_constants(temp_c)
        h = hydrogen_mmol_l(concentrate, temp_c)
        carbonate = concentrate[TIC] * k1 * k2 / (h * (h + k1) + k1 * k2)
        product = van_t_hoff(8.48, -12_000.0, temp_c) * 1000.0
        saturation = float(concentrate[CA] / 2.0 * carbonate * 0.35 / product)
        self.scale += SCALE_RATE_H * hours * max(saturation**0.5 - 1.6, 0.0) ** 2

    def deposit(self, fouling: float, scale: float) -> None:
        """What a fault lays on the membrane, as a share of its resistance to water."""
        self.fouling += fouling
        self.scale += scale

    def clean(self, left: float = 0.2) -> None:
        """A cleaning takes off most of what fouled and scaled."""
        self.fouling *= left
        self.scale *= left
