"""Mixed-bed deioniser: cells of cation and anion resin, load by every ion and by carbon dioxide and silica.

Each cell first trades cations for hydrogen, then anions and weak acids for hydroxide, and what is set free
makes water. A front, an early slip of the weakly held, displacement above the inlet, and an acid or caustic
discharge when one side ends first all come out of the exchange; none is put in.
"""

from __future__ import annotations

import numpy as np

from simulator import shop
from simulator.column import equilibrium, held_back
from simulator.noise import Floats
from simulator.water import CATIONS, CL, SIZE, TIC

CELLS = 32
# Equivalent affinities against H (8 % crosslinked, H Na K Mg Ca) and against OH (type 1: OH Cl NO3 SO4 HCO3
# HSiO3); published relative affinities for the cations, from memory for the anions.
CATION_AFFINITY = np.array([1.0, 1.56, 2.28, 2.6, 4.06])
CATION_DIVALENT = np.array([False, False, False, True, True])
ANION_AFFINITY = np.array([1.0, 22.0, 65.0, 40.0, 6.0, 2.2])
ANION_DIVALENT = np.array([False, False, False, True, False, False])


class ResinBed:
    """State of one mixed bed: equivalent fractions on the resin by cell; cell 0 is at the inlet."""

    def __init__(self, described: shop.Resin) -> None:
        self.described = described
        self.cation_cell_meq = 1000.0 * described.volume_l * described.cation_eq_l / CELLS
        self.anion_cell_meq = 1000.0 * described.volume_l * described.anion_eq_l / CELLS
        self.litres = 0.0
        self.change()

    def change(self) -> None:
        """Fresh resin."""
        self.cation = np.zeros((CELLS, 5))
        self.anion = np.zeros((CELLS, 6))
        self.cation[:, 0] = self.anion[:, 0] = 1.0
        self.litres = 0.0

    def used_share(self) -> tuple[float, float]:
        """Share of the cation and of the anion sites taken."""
        return 1.0 - float(self.cation[:, 0].mean()), 1.0 - float(self.anion[:, 0].mean())

    def spend(self, feed: Floats, litres: float) -> None:
        """Treat `litres` of `feed` at once: how a bed that has served before comes into the run."""
        # a parcel that brought more than a small part of a cell's sites would overshoot its equilibrium
        most = min(25.0, 0.01 * self.anion_cell_meq / max(float(feed[CL:].sum()), 1e-6))
        parcels = int(np.ceil(litres / most))
        if parcels:
            self.run(np.tile(feed, (parcels, 1)), np.full(parcels, litres / parcels), 0.0)

    def load(self, feed: Floats, strong_share: float) -> None:
        """Treat `feed` until chloride, nitrate and sulfate hold `strong_share` of the anion sites.

        Ends earlier when the bed has come to balance with the feed and takes no more.
        """
        before = -1.0
        while (held := float(self.anion[:, 1:4].sum(axis=1).mean())) < strong_share and held > before + 1e-5:
            before = held
            self.spend(feed, 0.01 * self.anion_cell_meq * CELLS / max(float(feed[CL:TIC].sum()), 1e-3))

    def run(self, feed: Floats, volumes_l: Floats, bypass: float) -> Floats:
        """Water that leaves for parcels (parcel, ion) that enter; `bypass` is the share that runs in a
        channel.
        """
        if len(feed) == 0:
            return feed
        bypass = max(bypass, self.described.wall_leak)
        through = volumes_l * (1.0 - bypass)
        self.litres += float(volumes_l.sum())
        out = np.empty_like(feed)
        liquid, volume = np.zeros((CELLS, SIZE)), np.zeros(CELLS)
        units = self.described.transfer_units / CELLS
        reach = 1.0 - np.exp(-units)
        parcels = len(feed)
        for step in range(parcels + CELLS - 1):
            liquid[1:], volume[1:] = liquid[:-1].copy(), volume[:-1].copy()
            inside = step < parcels
            liquid[0] = feed[step] if inside else 0.0
            volume[0] = through[step] if inside else 0.0
            self._exchange(liquid, volume, reach)
            if step >= CELLS - 1:
                out[step - CELLS + 1] = liquid[-1]
        return (1.0 - bypass) * out + bypass * feed

    def _exchange(self, liquid: Floats, volume: Floats, reach: float) -> None:
        cations, anions = liquid[:, CATIONS], liquid[:, CL:]
        cation_sum, anion_sum = cations.sum(axis=1), anions.sum(axis=1)
        strong_sum = anions[:, :3].sum(axis=1)
        total = cation_sum + np.maximum(strong_sum - cation_sum, 0.0)
        x = equilibrium(
            self.cation, 0.001 * total, CATION_AFFINITY, CATION_DIVALENT, self.described.cation_eq_l
        )
        share = volume / self.cation_cell_meq
        change = held_back(reach * (x[:, 1:] * total[:, None] - cations), self.cation, share)
        cations += change
        on_resin = self.cation
        on_resin[:, 1:] -= change * share[:, None]
        on_resin[:, 0] = 1.0 - on_resin[:, 1:].sum(axis=1)
        total = anion_sum + np.maximum(cations.sum(axis=1) - anion_sum, 0.0)
        x = equilibrium(self.anion, 0.001 * total, ANION_AFFINITY, ANION_DIVALENT, self.described.anion_eq_l)
        share = volume / self.anion_cell_meq
        change = held_back(reach * (x[:, 1:] * total[:, None] - anions), self.anion, share)
        anions += change
        on_resin = self.anion
        on_resin[:, 1:] -= change * share[:, None]
        on_resin[:, 0] = 1.0 - on_resin[:, 1:].sum(axis=1)
