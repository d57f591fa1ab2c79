"""Waters with their ion pairs against PHREEQC: phreeqpython's, whose data base the constants are from.

So this checks the algebra, the activity coefficients and the conductivity's law, not the constants.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from monitor.water import ion_pairs
from tests.reference.deviation import Comparison, relative_pct
from tests.reference.live.conductivity import engine, natural_waters
from tests.reference.live.treatment import alkalinity_mg_l, diluted, dissolve, without_carbon

Pair = tuple[ion_pairs.PairedWater, Any]


def feeds(seed: int) -> Iterator[Pair]:
    """Fresh waters at their own temperature."""
    draw = np.random.default_rng(seed)
    for water in natural_waters(seed):
        ph, t = draw.uniform(6.6, 8.4), draw.uniform(5.0, 40.0)
        theirs = dissolve(water, ph, t)
        yield ion_pairs.paired_water(_ions(water), alkalinity_mg_l(water), ph, t), theirs
        theirs.forget()


def feeds_25(seed: int) -> Iterator[Pair]:
    """Fresh waters at 25 °C, raw and with a part of the hardness exchanged for sodium."""
    draw = np.random.default_rng(seed)
    for water in natural_waters(seed):
        ph, share = draw.uniform(6.6, 8.4), draw.choice([0.0, 0.5, 0.98])
        sodium = share * (2.0 * water["Ca"] / 40.078 + 2.0 * water["Mg"] / 24.305) * 22.98977
        soft = {**water, "Ca": (1 - share) * water["Ca"], "Mg": (1 - share) * water["Mg"]}
        soft["Na"] = water["Na"] + sodium
        theirs = dissolve(soft, ph, 25.0)
        yield ion_pairs.paired_water(_ions(soft), alkalinity_mg_l(soft), ph), theirs
        theirs.forget()


def concentrates(seed: int) -> Iterator[Pair]:
    draw = np.random.default_rng(seed)
    for water in natural_waters(seed):
        ph, recovery = draw.uniform(6.6, 7.8), draw.uniform(0.2, 0.75)
        theirs = diluted(water, ph, 1.0 / (1.0 - recovery))
        alkalinity = alkalinity_mg_l(water)
        yield ion_pairs.paired_concentrate(_ions(water), alkalinity, ph, 100.0 * recovery), theirs
        theirs.forget()


def blends(seed: int) -> Iterator[Pair]:
    """A fresh water mixed with itself thinned, each with its own pH."""
    draw = np.random.default_rng(seed)
    for water in natural_waters(seed):
        ph, share, times = draw.uniform(6.8, 8.2), draw.uniform(0.1, 0.9), draw.uniform(0.01, 0.1)
        thin, thin_ph = {ion: times * mass for ion, mass in water.items()}, draw.uniform(5.6, 6.6)
        one, two = dissolve(water, ph, 25.0), dissolve(thin, thin_ph, 25.0)
        theirs = engine().mix_solutions({one: share, two: 1.0 - share})
        ours = ion_pairs.paired_blend(
            _ions(water), alkalinity_mg_l(water), ph, _ions(thin), alkalinity_mg_l(thin), thin_ph, share
        )
        yield ours, theirs
        for solution in (one, two, theirs):
            solution.forget()


def _ions(water: dict[str, float]) -> Any:
    return without_carbon(water)


def each(
    pairs: Callable[[int], Iterator[Pair]], seed: int, of: Callable[[Any, Any], float]
) -> Callable[[], list[float]]:
    return lambda: [of(ours, theirs) for ours, theirs in pairs(seed)]


def index(ours: ion_pairs.PairedWater, theirs: Any) -> float:
    assert ours.calcite_index is not None
    return ours.calcite_index - float(theirs.si("Calcite"))


def conductivity(ours: ion_pairs.PairedWater, theirs: Any) -> float:
    return relative_pct(ours.ec25_us_cm, theirs.sc)


def acidity(ours: ion_pairs.PairedWater, theirs: Any) -> float:
    return ours.ph - float(theirs.pH)


PHREEQC = "PHREEQC (phreeqpython)"
AT_T = "fresh waters, pH 6.6 to 8.4, 5 to 40 °C"
AT_25 = "fresh waters raw, half and 98 % softened, pH 6.6 to 8.4, 25 °C"
AT_Y = "20 to 75 % recovery of fresh waters, pH 6.6 to 7.8, 25 °C"
MIXED = "10 to 90 % of a fresh water in 1 to 10 % of itself, 25 °C"

COMPARISONS = [
    Comparison("paired_water", PHREEQC, f"SI calcite, {AT_T}", 0.01, each(feeds, 51, index), unit="index"),
    Comparison("paired_water", PHREEQC, f"EC, {AT_25}", 0.5, each(feeds_25, 52, conductivity)),
    Comparison(
        "paired_concentrate",
        PHREEQC,
        f"SI calcite, {AT_Y}",
        0.03,
        each(concentrates, 53, index),
        unit="index",
    ),
    Comparison("paired_concentrate", PHREEQC, f"EC, {AT_Y}", 1.5, each(concentrates, 53, conductivity)),
    Comparison("paired_blend", PHREEQC, f"EC, {MIXED}", 0.5, each(blends, 54, conductivity)),
    Comparison("paired_blend", PHREEQC, f"pH, {MIXED}", 0.02, each(blends, 54, acidity), unit="pH"),
]
