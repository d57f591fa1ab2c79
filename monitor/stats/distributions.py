"""Normal and Student t without scipy, whose import alone would cost more than this whole package may."""

from __future__ import annotations

import math

import numpy as np

from monitor.stats.errors import Floats, OutOfRange, positive, within

__all__ = [
    "normal_cdf",
    "normal_quantile",
    "student_t_cdf",
    "student_t_quantile",
]

_ROOT_2 = math.sqrt(2.0)
_ROOT_2_PI = math.sqrt(2.0 * math.pi)


def normal_cdf(z: float) -> float:
    """Probability that a standard normal lies below z, accurate in the lower tail.

    Equation: Phi(z) = erfc(-z / sqrt 2) / 2
    Range: any z; NaN is refused
    Raises: OutOfRange
    Source: definition
    Not for: the upper tail as 1 - Phi: take Phi(-z)
    Example:
        >>> round(normal_cdf(-3.0), 6)
        0.00135
    """
    if math.isnan(z):
        raise OutOfRange("z", z, "a number")
    return 0.5 * math.erfc(-z / _ROOT_2)


def normal_pdf(z: Floats) -> Floats:
    """Standard normal density, on an array."""
    return np.exp(-0.5 * z * z) / _ROOT_2_PI


def normal_cdf_array(z: Floats) -> Floats:
    """`normal_cdf` on an array (a few thousand values: math.erfc one by one)."""
    flat = [0.5 * math.erfc(-v / _ROOT_2) for v in z.ravel().tolist()]
    return np.array(flat, dtype=float).reshape(z.shape)


def normal_quantile(probability: float) -> float:
    """The z below which a standard normal lies with this probability.

    Equation: Phi(z) = p solved by Newton steps from a logistic first guess
    Range: above 0, below 1
    Raises: OutOfRange
    Source: definition
    Not for: probabilities closer to 1 than 1e-16
    Example:
        >>> round(normal_quantile(0.975), 6)
        1.959964
    """
    p = _open_unit("probability", probability)
    if p > 0.5:
        return -_lower_quantile(1.0 - p)
    return _lower_quantile(p)


def _lower_quantile(p: float) -> float:
    """For p <= 1/2; Newton on the logarithm of the probability, nearly a parabola in the far tail."""
    z = -math.sqrt(max(-2.0 * math.log(2.0 * p), 0.0))
    for _ in range(60):
        tail = normal_cdf(z)
        density = math.exp(-0.5 * z * z) / _ROOT_2_PI
        step = math.log(tail / p) * tail / density
        z -= step
        if abs(step) <= 1e-15 * max(1.0, abs(z)):
            break
    return z


def student_t_cdf(t: float, degrees: float) -> float:
    """Probability that Student's t with these degrees of freedom lies below t.

    Equation: lower tail I_x(n/2, 1/2) / 2 with x = n / (n + t²), I the regularised incomplete beta function
    Range: any finite t, degrees above 0
    Raises: OutOfRange
    Source: definition; continued fraction of the incomplete beta function, held to scipy in the tests
    Not for: the upper tail as 1 - cdf: take cdf(-t)
    Example:
        >>> round(student_t_cdf(2.228, 10), 4)
        0.975
    """
    value, n = within("t", t), positive("degrees", degrees)
    tail = 0.5 * _incomplete_beta(0.5 * n, 0.5, n / (n + value * value))
    return tail if value < 0.0 else 1.0 - tail


def student_t_quantile(probability: float, degrees: float) -> float:
    """The t below which Student's t lies with this probability.

    Equation: `student_t_cdf` solved by halving
    Range: above 0, below 1; degrees above 0
    Raises: OutOfRange
    Source: definition
    Not for: probabilities closer to 1 than 1e-16
    Example:
        >>> round(student_t_quantile(0.975, 11), 4)
        2.201
    """
    p, n = _open_unit("probability", probability), positive("degrees", degrees)
    if p == 0.5:
        return 0.0
    tail = min(p, 1.0 - p)
    low, high = -1.0, 0.0
    while student_t_cdf(low, n) > tail:
        low *= 2.0
    while True:
        middle = (low + high) / 2.0
        if middle in (low, high):
            return middle if p < 0.5 else -middle
        if student_t_cdf(middle, n) < tail:
            low = middle
        else:
            high = middle


def _open_unit(name: str, probability: float) -> float:
    if not 0.0 < probability < 1.0:
        raise OutOfRange(name, probability, "above 0 and below 1")
    return float(probability)


def _incomplete_beta(a: float, b: float, x: float) -> float:
    """Regularised I_x(a, b)."""
    if x <= 0.0 or x >= 1.0:
        return float(x >= 1.0)
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(a, b, x) / a
    return 1.0 - front * _beta_fraction(b, a, 1.0 - x) / b


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Lentz's evaluation of the continued fraction."""
    tiny = 1e-300
    c, d = 1.0, 1.0 / _not_zero(1.0 - (a + b) * x / (a + 1.0), tiny)
    result = d
    for m in range(1, 1000):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 / _not_zero(1.0 + term * d, tiny)
            c = _not_zero(1.0 + term / c, tiny)
            result *= c * d
        if abs(c * d - 1.0) < 1e-16:
            break
    return result


def _not_zero(value: float, tiny: float) -> float:
    return value if abs(value) > tiny else tiny
