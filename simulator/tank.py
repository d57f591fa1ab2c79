"""Treated-water tank: a float that starts and stops the osmosis, mixing, and carbon dioxide taken from
the air.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator import shop
from simulator.noise import Floats
from simulator.water import SIZE, TIC, charge_excess_meq_l

EMPTY_L = 15.0
AIR_CARBON_DIOXIDE_MMOL_L = 0.0145


class TankUnit:
    """State of the tank through the run: litres, composition, and whether the float calls for water."""

    def __init__(self, described: shop.Tank) -> None:
        self.described = described
        self.litres = 0.5 * (described.start_l + described.stop_l)
        self.calling = False
        self.water = np.zeros(SIZE)
        self.water[TIC] = AIR_CARBON_DIOXIDE_MMOL_L

    def day(
        self, made_l_min: list[float], drawn_l_min: list[float], locked: list[bool],
        leak_l_min: list[float], stuck_calling: list[bool], band_l: list[float],
    ) -> tuple[NDArray[np.bool_], Floats, Floats]:  # fmt: skip
        """A day by the minute: osmosis running, litres in the tank, litres wanted but not there (bypass).

        What does not fit into the tank runs over. A leak stops with the water.
        """
        start, full = self.described.start_l, self.described.volume_l
        litres, calling = self.litres, self.calling
        running, level, unmet = [], [], []
        for made, drawn, lock, leak, stuck, band in zip(
            made_l_min, drawn_l_min, locked, leak_l_min, stuck_calling, band_l, strict=True
        ):
            stop = start + band if band > 0.0 else self.described.stop_l
            if litres < start or stuck:
                calling = True
            elif litres > stop:
                calling = False
            on = calling and not lock
            after = litres - drawn + (made if on else 0.0)
            short = EMPTY_L - after if after < EMPTY_L else 0.0
            litres = after + short
            if leak > 0.0:
                litres = max(litres - leak, min(litres, EMPTY_L))
            litres = min(litres, full)
            running.append(on)
            level.append(litres)
            unmet.append(short)
        self.litres, self.calling = litres, calling
        return np.array(running), np.array(level), np.array(unmet)

    def mix(self, incoming: Floats, volumes_l: Floats, litres: Floats, gap_h: Floats) -> Floats:
        """Composition of the tank after each parcel that comes in, `gap_h` hours after the one before."""
        out = np.empty_like(incoming)
        water = self.water
        breath = 1.0 - np.exp(-gap_h / self.described.carbon_dioxide_h)
        for index in range(len(incoming)):
            water = water + (incoming[index] - water) * (volumes_l[index] / litres[index])
            water[TIC] += (rest_carbon_mmol_l(water) - water[TIC]) * breath[index]
            out[index] = water
        self.water = water
        return out


def rest_carbon_mmol_l(water: Floats) -> Floats:
    """Inorganic carbon of water in balance with the air: what dissolves, and what the bases hold as
    bicarbonate.
    """
    return np.asarray(AIR_CARBON_DIOXIDE_MMOL_L + np.maximum(charge_excess_meq_l(water), 0.0))
