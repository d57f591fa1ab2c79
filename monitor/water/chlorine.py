"""Chlorine ahead of a membrane: what is bound, and what a polyamide membrane has had of it.

Free chlorine eats a polyamide membrane for good; bound chlorine (chloramine) does so far more slowly, and
carbon takes it up far more slowly too. Neither is seen by any conductivity probe: a test is, or nothing.

Cautions: used carbon holds what bacteria live on, and has disposal rules of its own.
"""

from __future__ import annotations

from monitor.water.errors import OutOfRange, positive, within

__all__ = [
    "chlorine_exposure_mg_h_l",
    "combined_chlorine_mg_l",
    "membrane_time_in_chlorine_h",
]

# Free chlorine times hours that a polyamide membrane bears before its rejection falls: between these.
TOLERANCE_LOW_MG_H_L, TOLERANCE_HIGH_MG_H_L = 200.0, 1000.0
MOST_MG_L = 100.0


def combined_chlorine_mg_l(total_mg_l: float, free_mg_l: float) -> float:
    """Bound chlorine (chloramines), from the two readings of a test kit.

    Equation: combined = total - free, not below 0
    Range: 0 to 100 mg/L as Cl2; free at most 0.2 mg/L above total, as two readings of a kit may differ
    Raises: OutOfRange
    Source: definition of total chlorine
    Assumes: both read within minutes of the same water: free chlorine goes on reacting in the glass
    Not for: telling mono- from dichloramine
    Example:
        >>> round(combined_chlorine_mg_l(total_mg_l=1.5, free_mg_l=0.2), 2)
        1.3
    """
    total = _chlorine("total_mg_l", total_mg_l)
    free = _chlorine("free_mg_l", free_mg_l)
    if free > total + 0.2:
        raise OutOfRange(
            "free_mg_l", free, f"at most {total + 0.2:g} mg/L", "free is part of total: are the two swapped?"
        )
    return max(0.0, total - free)


def chlorine_exposure_mg_h_l(chlorine_mg_l: float, time_h: float) -> float:
    """What a membrane has had of chlorine: concentration times the hours that water ran.

    Equation: E = c t
    Range: 0 to 100 mg/L as Cl2; time at least 0 h
    Raises: OutOfRange
    Source: how membrane makers state what their membranes bear (ppm-hours)
    Assumes: the same concentration all the time; standing water loses its chlorine and counts for little
    Not for: chloramine beside free chlorine in one sum: the two are a thousandfold apart
    Example:
        >>> chlorine_exposure_mg_h_l(0.3, time_h=100)
        30.0
    """
    return _chlorine("chlorine_mg_l", chlorine_mg_l) * within("time_h", time_h, 0.0, unit="h")


def membrane_time_in_chlorine_h(
    chlorine_mg_l: float, tolerance_mg_h_l: float = TOLERANCE_LOW_MG_H_L
) -> float:
    """Hours of running until free chlorine is seen in what a polyamide membrane lets through.

    Equation: t = tolerance / c
    Range: above 0 and at most 100 mg/L as Cl2; tolerance above 0 and at most 2000 mg h/L
    Raises: OutOfRange
    Source: a membrane maker's technical manual: 200 to 1000 hours at 1 mg/L of free chlorine; faster when
        alkaline, warm, or with iron in the water
    Assumes: free chlorine; the earlier end of that span
    Not for: chloramine (about 300,000 mg h/L by makers' sheets, from memory); a promise, damage is for good
    Example:
        >>> membrane_time_in_chlorine_h(0.5)
        400.0
    """
    tolerance = positive("tolerance_mg_h_l", tolerance_mg_h_l, 2000.0, "mg h/L")
    return tolerance / positive("chlorine_mg_l", chlorine_mg_l, MOST_MG_L, "mg/L as Cl2")


def _chlorine(name: str, value: float) -> float:
    return within(name, value, 0.0, MOST_MG_L, "mg/L as Cl2")
