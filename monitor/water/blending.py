"""Two waters into one of a wanted hardness. Blend on hardness or mass; conductivity does not mix linearly."""

from __future__ import annotations

from typing import NamedTuple

from monitor.water.errors import OutOfRange, within

__all__ = ["Blend", "blend_hard_fraction", "blend_hardness_mg_l", "blend_volumes"]

MOST_MG_L = 20_000.0


class Blend(NamedTuple):
    """Litres of each of two waters."""

    hard_l: float
    soft_l: float
    hard_fraction: float


def blend_hardness_mg_l(hard_mg_l: float, soft_mg_l: float, hard_fraction: float) -> float:
    """Hardness (or any conserved concentration) of a mixture of two waters.

    Equation: H = x Hh + (1 - x) Hs
    Range: 0 to 20,000 mg/L; fraction 0 to 1
    Raises: OutOfRange
    Source: mass balance
    Assumes: nothing precipitates
    Not for: conductivity (6 % off for 40 % tap water in its permeate), pH
    Example:
        >>> round(blend_hardness_mg_l(250, soft_mg_l=2, hard_fraction=0.4), 1)
        101.2
    """
    share = within("hard_fraction", hard_fraction, 0.0, 1.0)
    hard, soft = _concentration("hard_mg_l", hard_mg_l), _concentration("soft_mg_l", soft_mg_l)
    return share * hard + (1.0 - share) * soft


def blend_hard_fraction(hard_mg_l: float, soft_mg_l: float, target_mg_l: float) -> float:
    """Share of the harder water that gives a wanted hardness.

    Equation: x = (Ht - Hs) / (Hh - Hs)
    Range: 0 to 20,000 mg/L, hard above soft; target from soft to hard
    Raises: OutOfRange, also for a target neither water nor any mixture has
    Source: mass balance
    Assumes: nothing precipitates
    Not for: conductivity, pH
    Example:
        >>> round(blend_hard_fraction(250, soft_mg_l=2, target_mg_l=100), 3)
        0.395
    """
    soft = _concentration("soft_mg_l", soft_mg_l)
    hard = _concentration("hard_mg_l", hard_mg_l)
    if hard <= soft:
        raise OutOfRange("hard_mg_l", hard, f"above the softer water's {soft:g} mg/L")
    target = within("target_mg_l", target_mg_l, soft, hard, "mg/L", "no mixture of the two gives it")
    return (target - soft) / (hard - soft)


def blend_volumes(hard_mg_l: float, soft_mg_l: float, target_mg_l: float, total_l: float) -> Blend:
    """Litres of two waters for a volume of a wanted hardness, as for the first fill of a sump.

    Equation: hard = x V, soft = (1 - x) V, x as `blend_hard_fraction`
    Range: as `blend_hard_fraction`; total 0 to 1,000,000 L
    Raises: OutOfRange
    Source: mass balance. Coolant makers give their own hardness window, 80 to 110 mg/L is one; too soft
        foams, too hard forms soaps (a coolant's data sheet decides)
    Assumes: nothing precipitates
    Not for: top-off of a running sump, which wants treated water: evaporation leaves every salt behind
    Example:
        >>> round(blend_volumes(250, soft_mg_l=2, target_mg_l=100, total_l=1000).hard_l, 1)
        395.2
    """
    total = within("total_l", total_l, 0.0, 1_000_000.0, "L")
    share = blend_hard_fraction(hard_mg_l, soft_mg_l, target_mg_l)
    return Blend(share * total, (1.0 - share) * total, share)


def _concentration(name: str, value: float) -> float:
    return within(name, value, 0.0, MOST_MG_L, "mg/L")
