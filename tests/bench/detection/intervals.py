"""Intervals of counts: exact ones, so that none and all have honest ends."""

from __future__ import annotations

import math
from collections.abc import Callable


def poisson(count: int, exposure: float, sure: float = 0.95) -> tuple[float, float]:
    """Interval of a rate: `count` events seen in `exposure` (years, weeks ...).

    Equation: the ends at which seeing so many, or so few, has probability (1 - sure) / 2
    Source: Garwood 1936, from memory; 0 seen gives 0 to 3.69, 10 seen gives 4.80 to 18.39 (in the test)
    """
    if exposure <= 0:
        return 0.0, math.inf
    tail = (1.0 - sure) / 2.0
    low = 0.0 if count == 0 else _solve(lambda m: 1.0 - _poisson_at_most(count - 1, m), tail, 0.0, count)
    high = _solve(
        lambda m: -_poisson_at_most(count, m), -tail, float(count), count + 10.0 * math.sqrt(count + 1) + 10.0
    )
    return low / exposure, high / exposure


def binomial(hits: int, of: int, sure: float = 0.95) -> tuple[float, float]:
    """Interval of a share: `hits` of `of`.

    Equation: as `poisson`, with the binomial distribution
    Source: Clopper and Pearson 1934, from memory; 0 of 10 gives 0 to 0.308 (checked in the test)
    """
    if of == 0:
        return 0.0, 1.0
    tail = (1.0 - sure) / 2.0
    low = 0.0 if hits == 0 else _solve(lambda p: 1.0 - _binomial_at_most(hits - 1, of, p), tail, 0.0, 1.0)
    high = 1.0 if hits == of else _solve(lambda p: -_binomial_at_most(hits, of, p), -tail, 0.0, 1.0)
    return low, high


def _solve(rising: Callable[[float], float], wanted: float, low: float, high: float) -> float:
    for _ in range(200):
        middle = 0.5 * (low + high)
        if rising(middle) < wanted:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _poisson_at_most(count: int, mean: float) -> float:
    if mean <= 0.0:
        return 1.0
    return math.fsum(math.exp(k * math.log(mean) - mean - math.lgamma(k + 1)) for k in range(count + 1))


def _binomial_at_most(hits: int, of: int, p: float) -> float:
    if p <= 0.0:
        return 1.0
    if p >= 1.0:
        return 1.0 if hits >= of else 0.0
    return math.fsum(math.comb(of, k) * p**k * (1.0 - p) ** (of - k) for k in range(hits + 1))
