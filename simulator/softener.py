"""Softener: sodium-form resin that takes calcium and magnesium, and its nightly regeneration with brine."""

from __future__ import annotations

import numpy as np

from simulator import shop, water
from simulator.column import CationColumn
from simulator.noise import Floats

CELLS = 12
BRINE_PARCELS = 60
REGENERATION_MIN = 80
SALT_G_EQ = 58.44
RINSE_LEFT_MEQ_L = 9.0


class SoftenerUnit:
    """State of the softener through the run: resin, litres since regeneration, brine still being
    rinsed out.
    """

    def __init__(self, described: shop.Softener) -> None:
        self.described = described
        self.column = CationColumn(described.resin_l, described.capacity_eq_l, CELLS, 40.0)
        self.litres = 0.0
        self.brine_meq_l = 0.0
        per_litre_eq = described.design_hardness_mg_l / 50_040.0
        usable = described.resin_l * described.operating_eq_l * (1.0 - described.reserve)
        self.litres_allowed = usable / per_litre_eq

    def due(self) -> bool:
        """True when the metered litres are used up, so the next night regenerates."""
        return self.litres >= self.litres_allowed

    def regenerate(self, *, with_salt: bool) -> None:
        """One cycle; without salt (bridged, empty, brine line blocked) the valve turns and nothing
        else happens.
        """
        self.litres = 0.0
        if not with_salt:
            return
        salt_meq = 1e6 * self.described.salt_kg / SALT_G_EQ
        strength = 1600.0
        brine = np.zeros((BRINE_PARCELS, 4))
        brine[:, 0] = strength
        self.column.run(brine, np.full(BRINE_PARCELS, salt_meq / strength / BRINE_PARCELS))
        self.brine_meq_l = RINSE_LEFT_MEQ_L

    def run(self, feed: Floats, volumes_l: Floats) -> Floats:
        """Softened composition of parcels (parcel, ion); salt left from the last rinse leaves with the
        first litres.
        """
        if len(feed) == 0:
            return feed
        out = feed.copy()
        out[:, water.CATIONS] = self.column.run(feed[:, water.CATIONS], volumes_l)
        passed = np.concatenate([[0.0], np.cumsum(volumes_l)])
        left = self.brine_meq_l * np.exp(-passed / self.described.brine_hold_l)
        mean = (left[:-1] - left[1:]) * self.described.brine_hold_l / np.maximum(volumes_l, 1e-9)
        out[:, water.NA] += mean
        out[:, water.CL] += mean
        self.brine_meq_l = float(left[-1])
        self.litres += float(passed[-1])
        return out
