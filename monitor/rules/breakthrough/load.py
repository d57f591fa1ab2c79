"""How much of a bed is used and how long it lasts, in equivalents, with what conductivity does not see.

Used by `breakthrough` alone. The science is `monitor.water.resin` and `monitor.water.carbonate`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median

from monitor.frozen import replace
from monitor.water.carbonate import co2_from_alkalinity_mg_l, ionic_strength_from_ec_mol_l
from monitor.water.resin import (
    PERMEATE_US_CM_PER_MG_L,
    REGENERATED_EQ_L,
    di_litres_to_exhaustion_l,
    load_from_conductivity_meq_l,
)

_IONS_OFF = 0.13
_CO2_OFF = 0.26  # a pH off by 0.1
_CAPACITY_OFF = {"rule of the trade": 0.25, "set": 0.10, "learned": 0.12}
# Behind an RO up to two thirds of the load may be CO2 and silica; in raw or softened water about a quarter.
_UNSEEN_IN_PERMEATE, _UNSEEN_IN_RAW, _RAW_US_CM = 2.0 / 3.0, 0.25, 200.0
_MOST_US_CM = 1000.0
_TYPICAL_TAP_US_CM = 500.0
_LONGEST_LEARNED = 5


@dataclass(frozen=True, slots=True)
class Chemistry:
    """What of the water was told: carbon dioxide from alkalinity and pH, silica at the bed's inlet."""

    co2_mg_l: float | None = None
    silica_mg_l: float = 0.0


def chemistry(alkalinity_mg_l: float | None, ph: float | None, silica_mg_l: float) -> Chemistry:
    """Carbon dioxide of the feed water; a reverse osmosis lets it through unchanged.

    The ionic strength is that of a tap water of 500 uS/cm, which matters by a few per cent.
    Raises: OutOfRange when the pH does not fit the alkalinity.
    """
    if alkalinity_mg_l is None or ph is None:
        return Chemistry(None, silica_mg_l)
    strength = ionic_strength_from_ec_mol_l(_TYPICAL_TAP_US_CM)
    return Chemistry(
        co2_from_alkalinity_mg_l(alkalinity_mg_l, ph, ionic_strength_mol_l=strength), silica_mg_l
    )


@dataclass(frozen=True, slots=True)
class Load:
    """Litres whose conductivity at the inlet is known, weighted by it, and capacities seen so far."""

    known_l: float = 0.0
    ec_litres: float = 0.0
    learned_eq_l: tuple[float, ...] = ()


def on_water(load: Load, litres: float, inlet_us_cm: float | None) -> Load:
    """More water through the bed."""
    if inlet_us_cm is None or litres <= 0:
        return load
    return replace(load, known_l=load.known_l + litres, ec_litres=load.ec_litres + litres * inlet_us_cm)


@dataclass(frozen=True, slots=True)
class Forecast:
    """Litres a bed treats in all, and the range that is meant by it."""

    total_l: float | None  # None: only the range is known
    low_l: float
    high_l: float
    load_meq_l: float
    unseen_pct: float | None  # share of the load that conductivity does not show
    capacity_eq_l: float
    capacity_from: str


def capacity(load: Load, set_eq_l: float | None) -> tuple[float, str]:
    """The capacity reckoned with, and where it comes from."""
    if load.learned_eq_l:
        return median(load.learned_eq_l), "learned"
    return (set_eq_l, "set") if set_eq_l is not None else (REGENERATED_EQ_L, "rule of the trade")


def load_meq_l(load: Load, known: Chemistry) -> float | None:
    """Mean load of a litre so far; without alkalinity and pH only what conductivity shows."""
    if load.known_l <= 0:
        return None
    ec = min(load.ec_litres / load.known_l, _MOST_US_CM)
    return max(
        load_from_conductivity_meq_l(ec, known.co2_mg_l or 0.0, known.silica_mg_l, PERMEATE_US_CM_PER_MG_L),
        1e-4,
    )


def forecast(load: Load, known: Chemistry, resin_l: float, set_eq_l: float | None) -> Forecast | None:
    """How many litres the bed treats in all; None while nothing is known of its feed."""
    per_l = load_meq_l(load, known)
    if per_l is None:
        return None
    cap, source = capacity(load, set_eq_l)
    total = di_litres_to_exhaustion_l(resin_l, cap, per_l)
    ec = min(load.ec_litres / load.known_l, _MOST_US_CM)
    ions = load_from_conductivity_meq_l(ec, 0.0, 0.0, PERMEATE_US_CM_PER_MG_L)
    off = _CAPACITY_OFF[source]
    if source == "learned":  # learned with the same chemistry, so its errors are in it already
        return Forecast(total, total * (1 - off), total * (1 + off), per_l, None, cap, source)
    if known.co2_mg_l is None:
        unseen = _UNSEEN_IN_RAW if ec > _RAW_US_CM else _UNSEEN_IN_PERMEATE
        low = total * (1 - unseen) * (1 - off)
        return Forecast(None, low, total * (1 + off), per_l, None, cap, source)
    weak = (per_l - ions) / per_l
    off = math.sqrt(off**2 + (_IONS_OFF * (1 - weak)) ** 2 + (_CO2_OFF * weak) ** 2)
    return Forecast(total, total * (1 - off), total * (1 + off), per_l, 100 * weak, cap, source)


def learned(load: Load, known: Chemistry, resin_l: float, litres: float) -> Load:
    """After a bed that was seen from its change to its front: the capacity it has shown."""
    per_l = load_meq_l(load, known)
    if per_l is None or litres <= 0:
        return replace(load, known_l=0.0, ec_litres=0.0)
    shown = litres * per_l / 1000.0 / resin_l
    kept = load.learned_eq_l
    if 0.02 <= shown <= 1.5:
        kept = (*kept, shown)[-_LONGEST_LEARNED:]
    return Load(learned_eq_l=kept)
