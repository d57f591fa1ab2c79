"""A coolant sump's water balance: volume, strength, minerals, and what to top it off with.

V litres at strength c; E evaporates (water only), D leaves as mixture (drag-out, leak). What evaporates
leaves everything else behind; what is lost as mixture takes its share along. Less drag-out therefore means
*faster* build-up, and a loss of RO or DI quality shows up as sump life weeks later.

Cautions: a sump is a living thing. Smell, slime or mist is a matter for ventilation and the safety officer;
biocide goes in by its label and trained people only. Skin contact, splash: the product's safety data sheet.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from monitor.water.errors import OutOfRange, positive, within

__all__ = [
    "TopOff",
    "bleed_for_cycles_l_d",
    "cycles_of_concentration",
    "mineral_after_mg_l",
    "mineral_limit_time_d",
    "mineral_steady_mg_l",
    "steady_makeup_pct",
    "sump_concentration_after_pct",
    "sump_volume_after_l",
    "top_off",
]


def sump_volume_after_l(
    volume_l: float, evaporation_l_d: float, mixture_loss_l_d: float, time_d: float
) -> float:
    """Litres left in a sump that nobody tops off.

    Equation: V(t) = V0 - (E + D) t
    Range: volume above 0 L, losses from 0 L/d, time from 0 d until the sump is empty
    Raises: OutOfRange, also when the sump would be empty before then
    Source: water balance
    Not for: losses that change with level or season
    Example:
        >>> sump_volume_after_l(300.0, 8.0, 4.0, 5.0)
        240.0
    """
    start = _volume(volume_l)
    lost_l_d = _losses(evaporation_l_d, mixture_loss_l_d)
    time = within("time_d", time_d, 0.0, unit="d")
    if lost_l_d * time >= start:
        raise OutOfRange("time_d", time, f"below {start / lost_l_d:g} d", "the sump is empty then")
    return start - lost_l_d * time


def sump_concentration_after_pct(
    volume_l: float, concentration_pct: float, evaporation_l_d: float, mixture_loss_l_d: float, time_d: float
) -> float:
    """Strength of a sump that nobody tops off.

    Equation: c(t) = c0 (V0 / V(t))^phi, phi = E / (E + D)
    Range: as `sump_volume_after_l`; concentration 0 to 100 %
    Raises: OutOfRange
    Source: water balance, integrated
    Assumes: a constant ratio E : D; mixture lost at the sump's own strength
    Not for: coolant that is consumed, splits or rots besides
    Example:
        >>> round(sump_concentration_after_pct(300.0, 6.0, 8.0, 4.0, 5.0), 3)
        6.962
    """
    strength = within("concentration_pct", concentration_pct, 0.0, 100.0, "%")
    left = sump_volume_after_l(volume_l, evaporation_l_d, mixture_loss_l_d, time_d)
    lost_l_d = _losses(evaporation_l_d, mixture_loss_l_d)
    return strength * math.pow(volume_l / left, evaporation_l_d / lost_l_d) if lost_l_d else strength


def steady_makeup_pct(concentration_pct: float, evaporation_l_d: float, mixture_loss_l_d: float) -> float:
    """Strength of the make-up that holds a sump at level and at strength.

    Equation: c_m = c D / (E + D)
    Range: concentration 0 to 100 %, losses from 0 L/d and not both 0
    Raises: OutOfRange
    Source: water balance
    Assumes: mixture lost at the sump's own strength
    Not for: a sump that has drifted: first bring it back, see `top_off`
    Example:
        >>> round(steady_makeup_pct(6.0, 8.0, 4.0), 3)
        2.0
    """
    strength = within("concentration_pct", concentration_pct, 0.0, 100.0, "%")
    lost_l_d = positive("evaporation_l_d + mixture_loss_l_d", _losses(evaporation_l_d, mixture_loss_l_d))
    return strength * mixture_loss_l_d / lost_l_d


def cycles_of_concentration(evaporation_l_d: float, mixture_loss_l_d: float) -> float:
    """How many times stronger in minerals than its make-up a sump becomes in the end.

    Equation: cycles = (E + D) / D
    Range: evaporation from 0 L/d, mixture lost above 0 L/d (without any, minerals rise without end)
    Raises: OutOfRange
    Source: water balance; a cooling tower's cycles with loss in place of blowdown
    Not for: how long it takes to get there: see `mineral_after_mg_l`
    Example:
        >>> cycles_of_concentration(10.0, 2.0)
        6.0
    """
    loss = positive(
        "mixture_loss_l_d", mixture_loss_l_d, unit="L/d", why="without loss there is no steady end"
    )
    return _losses(evaporation_l_d, loss) / loss


def bleed_for_cycles_l_d(evaporation_l_d: float, cycles: float, drag_out_l_d: float = 0.0) -> float:
    """Mixture to draw off each day, beyond what is lost anyway, to hold the cycles of concentration.

    Equation: B = E / (cycles - 1) - drag-out
    Range: evaporation and drag-out from 0 L/d, cycles above 1. Below zero: the drag-out already does more
    Raises: OutOfRange
    Source: cooling-tower practice (blowdown); published worked examples in the tests
    Not for: pouring away: spent coolant is disposed of under local rules
    Example:
        >>> bleed_for_cycles_l_d(10.0, 6.0)
        2.0
    """
    evaporation = within("evaporation_l_d", evaporation_l_d, 0.0, unit="L/d")
    over_one = positive("cycles less 1", cycles - 1.0)
    return evaporation / over_one - within("drag_out_l_d", drag_out_l_d, 0.0, unit="L/d")


def mineral_after_mg_l(
    volume_l: float,
    evaporation_l_d: float,
    mixture_loss_l_d: float,
    makeup_mg_l: float,
    initial_mg_l: float,
    time_d: float,
) -> float:
    """Minerals in a sump held at level, after some days.

    Equation: s(t) = s_end + (s0 - s_end) exp(-D t / V), s_end = s_m (E + D) / D;
        without loss s0 + s_m E t / V
    Range: volume above 0 L, losses from 0 L/d, minerals from 0 mg/L, time from 0 d
    Raises: OutOfRange
    Source: water balance, integrated
    Assumes: level held by steady top-off; what the water brought stays dissolved
    Not for: what concentrate, chips and tramp oil bring, or what falls out as scale and soap
    Example:
        >>> round(mineral_after_mg_l(300, 10, 2, 180, 180, 30), 1)
        343.1
    """
    volume = _volume(volume_l)
    makeup_l_d = _losses(evaporation_l_d, mixture_loss_l_d)
    turned = mixture_loss_l_d * within("time_d", time_d, 0.0, unit="d") / volume
    # (1 - exp(-x))/x, which is 1 at x = 0: so no loss needs no case of its own
    held = -math.expm1(-turned) / turned if turned else 1.0
    brought = _mineral("makeup_mg_l", makeup_mg_l) * makeup_l_d * time_d / volume * held
    return _mineral("initial_mg_l", initial_mg_l) * math.exp(-turned) + brought


def mineral_steady_mg_l(evaporation_l_d: float, mixture_loss_l_d: float, makeup_mg_l: float) -> float:
    """Minerals at which a sump held at level settles in the end.

    Equation: s_end = s_m (E + D) / D
    Range: as `cycles_of_concentration`; make-up from 0 mg/L
    Raises: OutOfRange
    Source: water balance
    Not for: how long it takes to get there: see `mineral_after_mg_l`
    Example:
        >>> mineral_steady_mg_l(10.0, 2.0, 60.0)
        360.0
    """
    return _mineral("makeup_mg_l", makeup_mg_l) * cycles_of_concentration(evaporation_l_d, mixture_loss_l_d)


def mineral_limit_time_d(
    limit_mg_l: float,
    volume_l: float,
    evaporation_l_d: float,
    mixture_loss_l_d: float,
    makeup_mg_l: float,
    initial_mg_l: float,
) -> float | None:
    """Days until a sump held at level passes a mineral limit; None when it never does, 0 when it has.

    Equation: t = (V/D) ln((s_end - s0) / (s_end - limit)); without loss (limit - s0) V / (E s_m)
    Range: limit above 0 mg/L; else as `mineral_after_mg_l`
    Raises: OutOfRange
    Source: water balance, solved for time
    Assumes: as `mineral_after_mg_l`
    Not for: as `mineral_after_mg_l`
    Example:
        >>> round(mineral_limit_time_d(600, 300, 10, 2, 180, 180), 1)
        94.3
        >>> mineral_limit_time_d(600, 300, 10, 2, 60, 60) is None
        True
    """
    limit = positive("limit_mg_l", limit_mg_l, unit="mg/L")
    volume = _volume(volume_l)
    makeup_l_d = _losses(evaporation_l_d, mixture_loss_l_d)
    brought_mg_d = _mineral("makeup_mg_l", makeup_mg_l) * makeup_l_d
    missing = limit - _mineral("initial_mg_l", initial_mg_l)
    if missing <= 0.0:
        return 0.0
    if brought_mg_d <= mixture_loss_l_d * limit:
        return None
    gain_mg_d = brought_mg_d - mixture_loss_l_d * initial_mg_l
    share = mixture_loss_l_d * missing / gain_mg_d
    # -ln(1 - x)/x, which is 1 at x = 0
    slowed = -math.log1p(-share) / share if share else 1.0
    return volume * missing / gain_mg_d * slowed


@dataclass(frozen=True)
class TopOff:
    """What to put into a sump, and what first to take out, to return it to level and strength."""

    concentrate_l: float
    water_l: float
    mix_pct: float
    """Strength of the mix to prepare; 0 is plain water."""
    bleed_l: float
    """Coolant to draw off first; 0 when the target can be reached without."""
    reached_without_bleed_pct: float
    """Strength reached at the target level when nothing is drawn off."""
    how: Literal["mix", "bleed, then water", "bleed, then concentrate"]


def top_off(
    volume_l: float, concentration_pct: float, target_volume_l: float, target_concentration_pct: float
) -> TopOff:
    """Mix that returns a sump to level and strength, and what cannot be reached without drawing off.

    Equation: add A = V_t - V; concentrate k = (c_t V_t - c V) / 100, water A - k, mix 100 k / A. k below 0:
        plain water reaches c V / V_t, for the target first remove (c V - c_t V_t) / c. k above A: first take
        (c_t V_t - c V - 100 A) / (100 - c), then fill with concentrate
    Range: volume above 0 L, target volume from there on, concentrations 0 to 100 %, the sump's below 100 %
    Raises: OutOfRange
    Source: balance of volume and concentrate; a published example of 700 L at 10 % to 1000 L at 8 %
    Assumes: volumes add; the strength is that of the mixed sump, read with a zeroed refractometer
    Not for: an emulsion that has split. Water first, then concentrate, stirred in a mixer: never concentrate
        alone into a low sump, and never the other way round (common practice)
    Example:
        >>> mix = top_off(240, 7.5, target_volume_l=300, target_concentration_pct=6.0)
        >>> mix.how, mix.water_l, mix.concentrate_l
        ('mix', 60.0, 0.0)
    """
    volume = _volume(volume_l)
    strength = within("concentration_pct", concentration_pct, 0.0, 100.0, "%")
    goal = within("target_concentration_pct", target_concentration_pct, 0.0, 100.0, "%")
    added = within("target_volume_l less volume_l", target_volume_l - volume, 0.0, unit="L")
    held = strength * volume / 100.0
    concentrate = goal * target_volume_l / 100.0 - held
    slack = 1e-12 * target_volume_l  # a target met exactly by plain water is not missed by rounding
    if concentrate < -slack:
        bleed = volume - goal * target_volume_l / strength
        return TopOff(0.0, added + bleed, 0.0, bleed, 100.0 * held / target_volume_l, "bleed, then water")
    if concentrate > added + slack:
        if strength >= 100.0:
            raise OutOfRange("concentration_pct", strength, "below 100 %", "it is concentrate already")
        bleed = 100.0 * (concentrate - added) / (100.0 - strength)
        best = 100.0 * (held + added) / target_volume_l
        return TopOff(added + bleed, 0.0, 100.0, bleed, best, "bleed, then concentrate")
    concentrate = min(max(concentrate, 0.0), added)
    mix = 100.0 * concentrate / added if added else 0.0
    return TopOff(concentrate, added - concentrate, mix, 0.0, goal, "mix")


def _volume(volume_l: float) -> float:
    return positive("volume_l", volume_l, 1e7, "L")


def _losses(evaporation_l_d: float, mixture_loss_l_d: float) -> float:
    evaporation = within("evaporation_l_d", evaporation_l_d, 0.0, unit="L/d")
    return evaporation + within("mixture_loss_l_d", mixture_loss_l_d, 0.0, unit="L/d")


def _mineral(name: str, mineral_mg_l: float) -> float:
    return within(name, mineral_mg_l, 0.0, 1e6, "mg/L")
