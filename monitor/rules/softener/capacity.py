"""How many litres a softener lasts, by its sheet and by its own habit.

Used by `softener` alone.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.plant.model import Plant, Stage
from monitor.rules.counted import is_behind
from monitor.rules.softener.settings import Settings
from monitor.water.softener import (
    NACL_PER_CACO3,
    softener_capacity_eq,
    softener_litres_to_regeneration_l,
)
from monitor.water.softener_dose import LEAST_G_L, MOST_G_L, softener_capacity_by_salt_g_l

# What the resin's age and its brining (own judgement), and the supplier's water through a year, may be off.
_CAPACITY_OFF, _HARDNESS_OFF = 0.20, 0.20
_OFF = math.hypot(_CAPACITY_OFF, _HARDNESS_OFF)
# A metered valve waits for the night, so that litres between regenerations differ by a day's use; what is
# more than a quarter beyond the longest seen is none of that (own choice).
_BEYOND_LONGEST = 1.25
LEAST_CYCLES, _CYCLES_KEPT = 4, 12


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the site file says of the softener; None where it does not."""

    dose_kg: float | None
    capacity_eq: float | None
    feed_mg_l: float | None  # of the tap, as entered
    recovery: float | None  # of the RO behind it
    _resin_l: float | None
    _capacity_g_l: float | None

    def litres(self, feed_mg_l: float | None) -> float | None:
        """Litres from one regeneration to the next at the most; None where something is not known."""
        feed = feed_mg_l or self.feed_mg_l
        if self._resin_l is None or self._capacity_g_l is None or not feed:
            return None
        return softener_litres_to_regeneration_l(self._resin_l, self._capacity_g_l, feed)

    def late_l(self, feed_mg_l: float | None) -> float | None:
        """The late end of that."""
        litres = self.litres(feed_mg_l)
        return None if litres is None else litres * (1.0 + _OFF)

    def least_salt_kg_l(self, feed_mg_l: float | None) -> float | None:
        """Salt that a litre softened needs at the very least, by stoichiometry and the softest feed."""
        feed = feed_mg_l or self.feed_mg_l
        return None if not feed else NACL_PER_CACO3 * feed * (1.0 - _HARDNESS_OFF) / 1e6


def sheet(settings: Settings, plant: Plant, stage: Stage) -> Sheet:
    """What the stage, the tap and the RO behind say."""
    resin_l = None if stage.resin is None else stage.resin.canonical("volume")
    salt_g_l = stage.salt_g_l
    capacity = None
    if salt_g_l is not None:
        capacity = softener_capacity_by_salt_g_l(min(max(salt_g_l, LEAST_G_L), MOST_G_L))
    eq = None if resin_l is None or capacity is None else softener_capacity_eq(resin_l, capacity)
    tap = next((s for s in plant.stage if s.kind == "tap"), None)
    hardness = None if tap is None or tap.hardness is None else tap.hardness.in_unit("mg/L")
    ro = next((s for s in plant.stage if s.kind == "ro" and is_behind(plant, s, stage.id)), None)
    recovery = None if ro is None or ro.recovery is None else ro.recovery.in_unit("1")
    return Sheet(_dose_kg(stage, resin_l), eq, hardness, recovery, resin_l, capacity)


def _dose_kg(stage: Stage, resin_l: float | None) -> float | None:
    """Salt of one regeneration."""
    if stage.salt is None:
        return None
    if stage.salt_g_l is not None and resin_l is not None:
        return stage.salt_g_l * resin_l / 1000.0
    return stage.salt.in_unit("kg") if stage.salt_g_l is None else None


def between(times: Sequence[tuple[int, float]]) -> list[float]:
    """Litres between the last regenerations."""
    litres = [at for _, at in times[-_CYCLES_KEPT - 1 :]]
    return [late - early for early, late in itertools.pairwise(litres)]


def longest_by_habit_l(times: Sequence[tuple[int, float]]) -> float | None:
    """Litres after which the next regeneration is late, by the softener's own; None while there are few."""
    gaps = [gap for gap in between(times) if gap > 0.0]
    return _BEYOND_LONGEST * max(gaps) if len(gaps) >= LEAST_CYCLES else None
