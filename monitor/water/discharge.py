"""What comes out of a spent bed: acid or caustic from one side, and ions above their feed.

Both are why an effluent above the influent is a real sign of exhaustion ("dumping"), not necessarily swapped
probes. A cation bed is taken as a row of well-mixed cells: each litre of feed pushes every cell's water into
the next, and each cell then settles its exchange. Ideal: real fronts are broader, peaks lower.

Caution: such water may be acid or caustic although it looks merely salty. Test the pH before touching it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal, NamedTuple

import numpy as np

from monitor.water.errors import OutOfRange, positive, within
from monitor.water.ions import ec_of_mol_us_cm
from monitor.water.ultrapure import pure_water_us_cm

__all__ = [
    "OneSidedDischarge",
    "cation_bed_effluent_mmol_l",
    "cation_bed_peak_ratio",
    "one_sided_discharge",
    "overshoot_limit",
]

Cation = Literal["H", "Na", "K", "NH4", "Mg", "Ca"]

# charge, and log10 of the exchange constant against sodium (Gaines-Thomas, phreeqc.dat; H from the affinity
# of 8 % cross-linked resin, 1 to 1.56)
_CATIONS: dict[str, tuple[int, float]] = {
    "H": (1, -0.193),
    "Na": (1, 0.0),
    "NH4": (1, 0.6),
    "K": (1, 0.7),
    "Mg": (2, 0.6),
    "Ca": (2, 0.8),
}
MOST_CELLS = 200
PAST_CAPACITY = 1.6  # bed capacities of feed after which the peaks are over


def cation_bed_effluent_mmol_l(
    feed_mmol_l: Mapping[Cation, float],
    form: Literal["Na", "H"],
    cells: int,
    sites_mol: float,
    log_k_h_vs_na: float = -0.193,
) -> dict[str, np.ndarray]:
    """What leaves an ideal bed, litre by litre, one litre of water to a cell.

    Equation: in each cell b_i = K_i c_i x^z, sum of b_i = 1, with b_i the share of sites, K_i the exchange
        constant, c_i the concentration, x one number a cell; found by halving
    Range: feed ions each 0 to 200 mmol/L; 2 to 200 cells; sites above 0 to 5 mol a cell
    Raises: OutOfRange
    Source: PHREEQC's ADVECTION scheme and default exchange constants (phreeqc.dat); H from a resin's printed
        relative affinity
    Assumes: activity coefficients cancel, as in phreeqc.dat; the bed starts wholly in its form
    Not for: predicting a real bed's run length; its fronts are broader
    Example:
        >>> out = cation_bed_effluent_mmol_l({"Ca": 1.5, "Mg": 1.0, "Na": 1.0}, "Na", 8, 0.02)
        >>> round(float(out["Na"][0]), 2), round(float(out["Mg"].max()), 2)
        (6.0, 1.74)
    """
    given = {str(ion): value for ion, value in feed_mmol_l.items()}
    ions = [ion for ion in _CATIONS if ion in given or ion == form]
    for ion in given:
        if ion not in _CATIONS:
            raise OutOfRange("feed_mmol_l", ion, "one of " + ", ".join(_CATIONS))
    if form not in ("Na", "H"):
        raise OutOfRange("form", form, "Na or H")
    count = int(within("cells", cells, 2, MOST_CELLS))
    sites = positive("sites_mol", sites_mol, 5.0, "mol")
    charges = np.array([_CATIONS[ion][0] for ion in ions], dtype=float)
    affinity = {ion: log for ion, (_, log) in _CATIONS.items()}
    affinity["H"] = within("log_k_h_vs_na", log_k_h_vs_na, -3.0, 3.0)
    constants = np.array([10.0 ** affinity[ion] for ion in ions])
    feed = np.array([within(ion, given.get(ion, 0.0), 0.0, 200.0, "mmol/L") for ion in ions]) / 1000.0
    equivalents = positive("feed_mmol_l", float(feed @ charges), unit="eq/L of cations")
    start = np.where(np.array(ions) == form, 1.0, 0.0)
    water = np.tile(start * equivalents, (count, 1))
    held = np.tile(start * sites, (count, 1))  # mol on the resin, form ion of one charge
    steps = math.ceil(PAST_CAPACITY * count * (sites / equivalents + 1.0))
    out = np.empty((steps, len(ions)))
    for step in range(steps):
        water = np.vstack([feed, water[:-1]])
        total = water + held
        held = _settle(total, charges, constants, sites)
        water = total - held
        out[step] = water[-1]
    return {ion: 1000.0 * out[:, i] for i, ion in enumerate(ions)}


def cation_bed_peak_ratio(
    ion: Cation,
    feed_mmol_l: Mapping[Cation, float],
    form: Literal["Na", "H"],
    cells: int = 20,
    sites_mol: float = 0.02,
    log_k_h_vs_na: float = -0.193,
) -> float:
    """Highest effluent of one ion over its feed while stronger ions push it off.

    Equation: the greatest C/C0 of `cation_bed_effluent_mmol_l`
    Range: as there; the ion must be in the feed and not be the form of the bed
    Raises: OutOfRange
    Source: as there
    Assumes: as there. For the weakest-held ion it comes to `overshoot_limit`
    Not for: a real bed, which shows less
    Example:
        >>> round(cation_bed_peak_ratio("Mg", {"Ca": 1.5, "Mg": 1.0, "Na": 1.0}, "Na"), 1)
        2.2
    """
    fed = positive(f"feed_mmol_l[{ion}]", feed_mmol_l.get(ion, 0.0), 200.0, "mmol/L")
    if ion == form:
        raise OutOfRange(
            "ion", ion, "another ion than the form of the bed", "the bed gives that off all along"
        )
    effluent = cation_bed_effluent_mmol_l(feed_mmol_l, form, cells, sites_mol, log_k_h_vs_na)
    return float(effluent[ion].max()) / fed


class OneSidedDischarge(NamedTuple):
    """Conductivity at 25 °C when one side of a bed has ended and the other still works."""

    feed_us_cm: float
    anion_side_spent_us_cm: float
    cation_side_spent_us_cm: float


def one_sided_discharge(feed_mmol_l: float) -> OneSidedDischarge:
    """What a bed puts out when only one side is spent: acid or caustic, above the feed.

    Equation: NaCl of the feed; HCl of equal equivalents (anion side spent); NaOH (cation side spent), each by
        the per-ion law of `ec_from_ions_us_cm`
    Range: 0.001 to 50 mmol/L of NaCl
    Raises: OutOfRange
    Source: limiting conductivities (CRC); PHREEQC has 3.37 and 1.96 times the feed
        at 0.2 to 1 mmol/L
    Assumes: a feed like NaCl, free of CO2
    Not for: separate beds in series: the second then turns the first one's acid back
    Example:
        >>> out = one_sided_discharge(1.0)
        >>> round(out.anion_side_spent_us_cm / out.feed_us_cm, 1)
        3.4
        >>> round(out.cation_side_spent_us_cm / out.feed_us_cm, 1)
        2.0
    """
    mol_l = within("feed_mmol_l", feed_mmol_l, 0.001, 50.0, "mmol/L") / 1000.0
    own = pure_water_us_cm(25.0)
    return OneSidedDischarge(
        ec_of_mol_us_cm({"Na": mol_l, "Cl": mol_l}) + own,
        ec_of_mol_us_cm({"H": mol_l, "Cl": mol_l}),
        ec_of_mol_us_cm({"Na": mol_l, "OH": mol_l}),
    )


def overshoot_limit(ion_meq_l: float, total_meq_l: float) -> float:
    """How far above its own feed a weakly held ion can come out while stronger ones push it off.

    Equation: peak C/C0 = total equivalents / equivalents of the ion
    Range: ion above 0 and at most the total, meq/L
    Raises: OutOfRange
    Source: electroneutrality: at most every charge leaving is that ion; a 20-cell PHREEQC column reaches
        3.0 for Na 1 among 3 meq/L
    Assumes: the least-held ion of its sign (sodium on a cation bed; bicarbonate and silica on an anion bed)
    Not for: an ion between others (magnesium on a softener), which peaks lower (`cation_bed_peak_ratio`)
    Example:
        >>> overshoot_limit(1.0, total_meq_l=3.0)
        3.0
    """
    total = positive("total_meq_l", total_meq_l, unit="meq/L")
    return total / positive("ion_meq_l", ion_meq_l, total, "meq/L", "no more than the total")


def _settle(total: np.ndarray, charges: np.ndarray, constants: np.ndarray, sites: float) -> np.ndarray:
    """Moles of each ion on the resin of each cell at equilibrium, all cells at once."""
    low = np.full(len(total), -30.0)
    high = np.full(len(total), 30.0)
    for _ in range(50):
        middle = 0.5 * (low + high)
        pull = constants * np.exp(middle)[:, None] ** charges
        shares = pull * total / (1.0 + pull * sites / charges)
        full = shares.sum(axis=1) > 1.0
        low, high = np.where(full, low, middle), np.where(full, middle, high)
    return np.asarray(shares * sites / charges)
