"""Conductivity against temperature: every comparison of two waters starts at 25 °C.

Four ways to get there, each with its own water: linear (a fixed coefficient), natural water (ISO 7888),
sodium chloride (softened, permeate), and high purity (below about 1 µS/cm, where the water's own conduction
is taken out first). Which one was used belongs beside the number, and compensating twice is an error.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from monitor.water.errors import OutOfRange, all_within, positive, within
from monitor.water.interpolate import Floats, cubic, cubic_series
from monitor.water.ultrapure import pure_water_us_cm, salt_ratio_series, sodium_chloride_factor

__all__ = [
    "alpha_from_two_readings_per_c",
    "ec25_high_purity_us_cm",
    "ec25_linear_us_cm",
    "ec25_natural_us_cm",
    "ec25_sodium_chloride_us_cm",
    "ec_from_resistivity_us_cm",
    "linear_error_on_pure_water",
    "natural_water_factor_20",
    "natural_water_factor_25",
    "resistivity_from_ec_mohm_cm",
]

Compensation = Literal["linear", "natural", "sodium chloride", "high purity"]

HIGHEST_US_CM = 1_000_000.0  # above a saturated brine; more is a wire, not water
NATURAL_LOW_C, NATURAL_HIGH_C = 0.0, 35.9
PURE_WATER_DOUBT = 0.05  # two models of pure water differ by up to 4.5 %

# f25 of ISO 7888 / EN 27888 by whole degrees, 0 to 35 °C. The standard goes on to 35.9; the value for
# 36 °C continues the table's own second differences and serves only to read between 35 and 35.9 °C.
_F25 = (
    1.918, 1.857, 1.800, 1.745, 1.693, 1.643, 1.596, 1.551, 1.508, 1.467, 1.428, 1.390,
    1.354, 1.320, 1.287, 1.256, 1.225, 1.196, 1.168, 1.141, 1.116, 1.091, 1.067, 1.044,
    1.021, 1.000, 0.979, 0.959, 0.940, 0.921, 0.903, 0.886, 0.869, 0.853, 0.837, 0.822, 0.808,
)  # fmt: skip
_F25_T = tuple(float(t) for t in range(len(_F25)))


def natural_water_factor_25(temperature_c: float) -> float:
    """Factor f25 that brings the conductivity of a natural water to 25 °C.

    Equation: k25 = k(T) f25(T), a table read by local cubics
    Range: 0 to 35.9 °C, where the printed table ends
    Raises: OutOfRange outside 0 to 35.9 °C
    Source: ISO 7888 / EN 27888, non-linear table, as reprinted in a bench meter manual
    Not for: ultrapure water, brines, acids; a meter manual recommends it for 60 to 1000 uS/cm
    Example:
        >>> natural_water_factor_25(10)
        1.428
    """
    t = within("temperature_c", temperature_c, NATURAL_LOW_C, NATURAL_HIGH_C, "°C")
    return cubic(t, _F25_T, _F25)


def natural_water_factor_20(temperature_c: float) -> float:
    """Factor f20 that brings the conductivity of a natural water to 20 °C.

    Equation: f20(T) = f25(T) / 1.116
    Range: 0 to 35.9 °C, where the printed table ends
    Raises: OutOfRange outside 0 to 35.9 °C
    Source: ISO 7888 / EN 27888, as reprinted in a bench meter manual
    Not for: comparing with values at 25 °C: say which reference temperature a figure has
    Example:
        >>> round(natural_water_factor_20(10), 4)
        1.2796
    """
    return natural_water_factor_25(temperature_c) / 1.116


def ec25_natural_us_cm(ec_us_cm: float, temperature_c: float) -> float:
    """Conductivity at 25 °C of a natural water (tap, softened, RO permeate above about 10 uS/cm).

    Equation: k25 = k(T) f25(T)
    Range: 0 to 1000000 uS/cm, 0 to 35.9 °C
    Raises: OutOfRange when an input is outside, NaN or infinite
    Source: ISO 7888 / EN 27888, non-linear table
    Assumes: the reading is not compensated already
    Not for: ultrapure water, brine, acid or coolant; PHREEQC runs up to 2.8 % above f25 at 5 °C
    Example:
        >>> round(ec25_natural_us_cm(310, 14), 1)
        399.0
    """
    ec = within("ec_us_cm", ec_us_cm, 0.0, HIGHEST_US_CM, "µS/cm")
    return ec * natural_water_factor_25(temperature_c)


def ec25_linear_us_cm(
    ec_us_cm: float, temperature_c: float, alpha_per_c: float = 0.02, reference_c: float = 25.0
) -> float:
    """Conductivity at a reference temperature, by a fixed coefficient.

    Equation: k_ref = k(T) / (1 + a (T - T_ref)), a belonging to T_ref
    Range: 0 to 1000000 uS/cm, -5 to 100 °C, a 0 to 0.1 per °C, and 1 + a (T - T_ref) above 0.1
    Raises: OutOfRange when an input is outside, NaN or infinite
    Source: definition; a 0.019 to 0.022 for salts (bench meter manual)
    Assumes: a = 0.02 per °C and 25 °C unless given; the reading is not compensated already
    Not for: water below about 1 uS/cm: -50 % for pure water at 5 °C, +58 % at 40 °C
    Example:
        >>> ec25_linear_us_cm(12.5, 15)
        15.625
    """
    ec = within("ec_us_cm", ec_us_cm, 0.0, HIGHEST_US_CM, "µS/cm")
    t = within("temperature_c", temperature_c, -5.0, 100.0, "°C")
    alpha = within("alpha_per_c", alpha_per_c, 0.0, 0.1, "1/°C")
    divisor = 1.0 + alpha * (t - within("reference_c", reference_c, 0.0, 50.0, "°C"))
    if divisor <= 0.1:
        raise OutOfRange("temperature_c", t, f"above {reference_c - 0.9 / alpha:.1f} °C", "linear rule ends")
    return ec / divisor


def ec25_sodium_chloride_us_cm(ec_us_cm: float, temperature_c: float) -> float:
    """Conductivity at 25 °C of a dilute sodium chloride solution (softened water, permeate, rinse).

    Equation: k25 = k(T) f(T), f the sodium_chloride_factor
    Range: 0 to 1000000 uS/cm, 0 to 50 °C
    Raises: OutOfRange when an input is outside, NaN or infinite
    Source: PHREEQC 3.8.6 for a trace of NaCl, 5 to 40 °C; 0 and 50 °C as in sodium_chloride_factor
    Assumes: the reading is not compensated already
    Not for: water below about 1 uS/cm (use the high-purity form), or acid
    Example:
        >>> round(ec25_sodium_chloride_us_cm(17.0752, 15), 2)
        21.34
    """
    ec = within("ec_us_cm", ec_us_cm, 0.0, HIGHEST_US_CM, "µS/cm")
    return ec * sodium_chloride_factor(within("temperature_c", temperature_c, 0.0, 50.0, "°C"))


def ec25_high_purity_us_cm(ec_us_cm: float, temperature_c: float) -> float:
    """Conductivity at 25 °C of high-purity water: its own conduction and the salt's, each in its own way.

    Equation: k25 = kw(25) + (k(T) - kw(T)) f(T), kw pure water ("ions"), f the sodium_chloride_factor
    Range: 0 to 50 °C, kw(T) less 5 % to 1000000 uS/cm; within that 5 % the answer is pure water, kw(25)
    Raises: OutOfRange for a reading below pure water at that temperature: it speaks of a wrong temperature, a
        wrong cell constant or a value compensated twice, not of clean water
    Source: two-part rule of ASTM D5391 (abstract); kw and f as in pure_water_us_cm and sodium_chloride_factor
    Assumes: the impurity is a neutral salt; the reading is not compensated already
    Not for: acid or carbon dioxide, which behave otherwise; cation-exchanged samples
    Example:
        >>> round(ec25_high_purity_us_cm(0.17431, 10), 3)
        0.27
    """
    t = within("temperature_c", temperature_c, 0.0, 50.0, "°C")
    own = pure_water_us_cm(t)
    why = f"pure water conducts {own:.4g} µS/cm at {t:g} °C: check temperature, cell constant, compensation"
    ec = within("ec_us_cm", ec_us_cm, (1.0 - PURE_WATER_DOUBT) * own, HIGHEST_US_CM, "µS/cm", why)
    return pure_water_us_cm(25.0) + max(ec - own, 0.0) * sodium_chloride_factor(t)


def ec25_series_us_cm(
    ec_us_cm: ArrayLike, temperature_c: ArrayLike, method: Compensation, alpha_per_c: float = 0.02
) -> Floats:
    """A whole series at 25 °C at once, by the same rules as the functions of one reading.

    Raises: OutOfRange naming the first value that its rule refuses.
    """
    ec, t = np.broadcast_arrays(
        all_within("ec_us_cm", ec_us_cm, 0.0, HIGHEST_US_CM, "µS/cm"),
        all_within("temperature_c", temperature_c, *_span_c(method), "°C"),
    )
    if method == "linear":
        divisor = 1.0 + within("alpha_per_c", alpha_per_c, 0.0, 0.1, "1/°C") * (t - 25.0)
        return np.asarray(ec / all_within("1 + alpha (T - 25)", divisor, 0.1))
    if method == "natural":
        return np.asarray(ec * cubic_series(t, _F25_T, _F25))
    if method == "sodium chloride":
        return np.asarray(ec / salt_ratio_series(t))
    own = np.vectorize(pure_water_us_cm, otypes=[float])(t)
    above = ec - own
    all_within("ec_us_cm / pure water at its temperature", ec / own, 1.0 - PURE_WATER_DOUBT)
    return np.asarray(pure_water_us_cm(25.0) + np.maximum(above, 0.0) / salt_ratio_series(t))


def _span_c(method: Compensation) -> tuple[float, float]:
    if method == "linear":
        return -5.0, 100.0
    return (NATURAL_LOW_C, NATURAL_HIGH_C) if method == "natural" else (0.0, 50.0)


def alpha_from_two_readings_per_c(
    first_us_cm: float,
    first_c: float,
    second_us_cm: float,
    second_c: float,
    reference: Literal["first", "second"] = "first",
) -> float:
    """Linear temperature coefficient of a water from two uncompensated readings of it.

    Equation: a = (k_other / k_ref - 1) / (T_other - T_ref), the coefficient at the chosen reference state
    Range: both readings above 0 uS/cm, -5 to 100 °C, the temperatures at least 0.5 °C apart
    Raises: OutOfRange when an input is outside
    Source: definition of the linear coefficient
    Not for: another reference temperature: a at 20 °C is not a at 25 °C
    Example:
        >>> round(alpha_from_two_readings_per_c(1408.23, 25, 1273.03, 20), 5)
        0.0192
    """
    one = positive("first_us_cm", first_us_cm, HIGHEST_US_CM, "µS/cm")
    two = positive("second_us_cm", second_us_cm, HIGHEST_US_CM, "µS/cm")
    apart = within("second_c", second_c, -5.0, 100.0, "°C") - within("first_c", first_c, -5.0, 100.0, "°C")
    if abs(apart) < 0.5:
        raise OutOfRange("second_c", second_c, f"at least 0.5 °C from {first_c:g} °C", "nothing to divide by")
    return (two / one - 1.0) / apart if reference == "first" else (one / two - 1.0) / -apart


def resistivity_from_ec_mohm_cm(ec_us_cm: float) -> float:
    """Resistivity from conductivity at the same temperature.

    Equation: r = 1 / k, r in Mohm cm, k in uS/cm
    Range: above 0 to 1000000 uS/cm
    Raises: OutOfRange when the input is outside
    Source: definition
    Not for: changing the temperature a value belongs to
    Example:
        >>> resistivity_from_ec_mohm_cm(5)
        0.2
    """
    return 1.0 / positive("ec_us_cm", ec_us_cm, HIGHEST_US_CM, "µS/cm")


def ec_from_resistivity_us_cm(resistivity_mohm_cm: float) -> float:
    """Conductivity from resistivity at the same temperature.

    Equation: k = 1 / r, k in uS/cm, r in Mohm cm
    Range: above 0 to 100 Mohm cm (pure water shows 87 at 0 °C)
    Raises: OutOfRange when the input is outside
    Source: definition
    Not for: changing the temperature a value belongs to
    Example:
        >>> ec_from_resistivity_us_cm(0.2)
        5.0
    """
    return 1.0 / positive("resistivity_mohm_cm", resistivity_mohm_cm, 100.0, "MΩ·cm")


def linear_error_on_pure_water(temperature_c: float, alpha_per_c: float = 0.02) -> float:
    """How far a linear coefficient is off on pure water, as a fraction of the true value at 25 °C.

    Equation: e = kw(T) / (1 + a (T - 25)) / kw(25) - 1
    Range: 0 to 100 °C, a 0 to 0.1 per °C
    Raises: OutOfRange when an input is outside
    Source: pure_water_us_cm; the effect in ASTM D5391 (abstract): up to 7 % of reading per degree
    Not for: correcting anything: use ec25_high_purity_us_cm
    Example:
        >>> round(linear_error_on_pure_water(5), 1)
        -0.5
    """
    shown = ec25_linear_us_cm(pure_water_us_cm(temperature_c), temperature_c, alpha_per_c)
    return shown / pure_water_us_cm(25.0) - 1.0
