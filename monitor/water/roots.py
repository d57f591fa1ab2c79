"""Where a rising curve passes zero: for the equations that are only given the other way round."""

from __future__ import annotations

from collections.abc import Callable

__all__: list[str] = []

LAST_BIT = 2.0**-52


def where_zero(rising: Callable[[float], float], low: float, high: float) -> float:
    """Where a never-falling function passes zero between low and high (an end, where it does not).

    Chandrupatla's method (1997): inverse quadratic steps where the curve allows them, halving where not.
    """
    a, b = low, high
    off_a, off_b = rising(a), rising(b)
    if off_a >= 0.0 or off_b <= 0.0:
        return a if off_a >= 0.0 else b
    c, off_c, share = a, off_a, 0.5
    for _ in range(200):
        x = a + share * (b - a)
        off_x = rising(x)
        if (off_x < 0.0) == (off_a < 0.0):
            c, off_c = a, off_a
        else:
            c, off_c, b, off_b = b, off_b, a, off_a
        a, off_a = x, off_x
        best = a if abs(off_a) < abs(off_b) else b
        near = LAST_BIT * abs(best) / abs(b - a) if b != a else 1.0
        if off_x == 0.0 or near > 0.25:
            return best
        share = min(1.0 - near, max(near, _share(a, b, c, off_a, off_b, off_c)))
    return best


def _share(a: float, b: float, c: float, off_a: float, off_b: float, off_c: float) -> float:
    """How far from a towards b to look next."""
    reach, fall = (a - b) / (c - b), (off_a - off_b) / (off_c - off_b)
    if not fall * fall < reach or not (1.0 - fall) ** 2 < 1.0 - reach:
        return 0.5
    first = off_a / (off_b - off_a) * off_c / (off_b - off_c)
    return first + (c - a) / (b - a) * off_a / (off_c - off_a) * off_b / (off_c - off_b)
