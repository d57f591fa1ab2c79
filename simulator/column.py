"""A bed of ion exchange resin as cells in series, each in reach of its mass-action equilibrium.

Water moves as parcels. One step lets every cell work on the parcel standing in it, then moves all parcels on
by one cell, so a day of parcels passes in as many vector steps. What the water loses the resin gains,
exactly.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.noise import Floats


def equilibrium(
    loading: Floats, normality: Floats, affinity: Floats, divalent: NDArray[np.bool_], site: float
) -> Floats:
    """Equivalent fractions in water that stand over resin of equivalent fractions `loading` (cell, ion).

    Ion 0 is the reference. Mass action against it: y_i / y_0**z = K_i (site / normality)**(z - 1) x_i
    / x_0**z,
    with `site` the resin's eq/L and `normality` (cell) the water's eq/L. The fractions in water sum to one,
    which is a quadratic in x_0 / y_0 and needs no iteration; so strong brine reverses the preference for
    divalent ions by itself.
    """
    mono = (loading[:, ~divalent] / affinity[~divalent]).sum(axis=1)
    ratio = loading[:, divalent] / affinity[divalent] * (normality / site)[:, None]
    double = ratio.sum(axis=1)
    unit = 2.0 / (mono + np.sqrt(mono * mono + 4.0 * double) + 1e-300)
    x = loading / affinity * unit[:, None]
    x[:, divalent] = ratio * (unit * unit)[:, None]
    return x


def held_back(change: Floats, loading: Floats, share: Floats) -> Floats:
    """`change` in the water (cell, ion but the reference), slowed so that no ion loses more than half.

    `share` (cell) turns meq/L of the parcel into equivalent fractions of the resin. Without this a salty
    parcel over a cell that holds little of what it would push out would take out more than is there.
    """
    leaving = np.concatenate([-change.sum(axis=1, keepdims=True), change], axis=1) * share[:, None]
    worst = (leaving / (0.5 * loading + 1e-12)).max(axis=1)
    return np.asarray(change / np.maximum(worst, 1.0)[:, None])


class CationColumn:
    """Sodium-form softener: cations Na (reference), K, Mg, Ca at constant normality."""

    # Against sodium, 8 % crosslinked (published against H: Na 1.56, K 2.28, Ca 4.06).
    AFFINITY = np.array([1.0, 1.46, 1.67, 2.6])
    DIVALENT = np.array([False, False, True, True])

    def __init__(self, volume_l: float, capacity_eq_l: float, cells: int, transfer_units: float) -> None:
        self.site_eq_l = capacity_eq_l
        self.cell_meq = 1000.0 * volume_l * capacity_eq_l / cells
        self.reach = 1.0 - np.exp(-transfer_units / cells)
        self.loading = np.zeros((cells, 4))
        self.loading[:, 0] = 1.0

    def run(self, cations: Floats, volumes_l: Floats) -> Floats:
        """Pass parcels (parcel, Na K Mg Ca in meq/L) of the given volumes; the composition that comes out."""
        cells, parcels = len(self.loading), len(cations)
        out = np.empty_like(cations)
        liquid, volume = np.zeros((cells, 4)), np.zeros(cells)
        for step in range(parcels + cells - 1):
            liquid[1:], volume[1:] = liquid[:-1].copy(), volume[:-1].copy()
            inside = step < parcels
            liquid[0] = cations[step] if inside else 0.0
            volume[0] = volumes_l[step] if inside else 0.0
            total = liquid.sum(axis=1)
            x = equilibrium(self.loading, 0.001 * total, self.AFFINITY, self.DIVALENT, self.site_eq_l)
            share = volume / self.cell_meq
            change = held_back(self.reach * (x * total[:, None] - liquid)[:, 1:], self.loading, share)
            liquid[:, 1:] += change
            liquid[:, 0] = total - liquid[:, 1:].sum(axis=1)
            self.loading[:, 1:] -= change * share[:, None]
            self.loading[:, 0] = 1.0 - self.loading[:, 1:].sum(axis=1)
            if step >= cells - 1:
                out[step - cells + 1] = liquid[-1]
        return out
