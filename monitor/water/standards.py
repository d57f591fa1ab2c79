"""Potassium chloride standards: what the bottle should read, at its temperature.

Three scales share the name "0.01 KCl" and differ by 0.34 %. The value on the bottle is carried; nothing here
converts one scale into another silently.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from monitor.water.errors import OutOfRange, within
from monitor.water.interpolate import cubic

__all__ = [
    "co2_saturated_water_us_cm",
    "kcl_standard_us_cm",
    "labelled_standard_alpha_per_c",
    "labelled_standard_us_cm",
]

# NIST molality scale, ITS-90, the water's own conductivity subtracted (CRC Handbook p. 5-73)
_T = (0.0, 10.0, 18.0, 20.0, 25.0, 30.0, 40.0, 50.0)
_T_ONE = (0.0, 10.0, 20.0, 25.0, 30.0, 40.0, 50.0)
_HUNDREDTH = (772.92, 1013.95, 1219.93, 1273.03, 1408.23, 1546.63, 1831.27, 2123.43)
_TENTH = (7116.85, 9291.72, 11140.6, 11615.9, 12824.6, 14059.2, 16591.0, 19180.9)
_ONE = (63488.0, 80844.0, 99170.0, 108620.0, 118240.0, 137810.0, 157670.0)
_CO2_WATER = (0.58, 0.79, 0.95, 0.99, 1.1, 1.2, 1.4, 1.61)

# 25 °C: strength -> µS/cm. Molar: Standard Methods 2510:I. Molal: NIST, and for 0.001 mol/kg the molar value
# times the density of water, since no column is published.
_MOLAR = {0.0001: 14.9, 0.001: 146.9, 0.01: 1412.0, 0.02: 2765.0, 0.1: 12890.0, 0.2: 24800.0, 1.0: 111900.0}
_MOLAL = {0.0001: 14.9 * 0.997, 0.001: 146.9 * 0.997, 0.01: 1408.23, 0.1: 12824.6, 1.0: 108620.0}


def _ratio(temperature_c: float, ec25_us_cm: float) -> float:
    """k(T)/k(25) of a KCl solution, between the three NIST strengths by the logarithm of its conductivity."""
    columns = ((_T, _HUNDREDTH), (_T, _TENTH), (_T_ONE, _ONE))
    ratios = [cubic(temperature_c, t, k) / k[t.index(25.0)] for t, k in columns]
    strengths = np.log([1408.23, 12824.6, 108620.0])
    return float(np.interp(math.log(ec25_us_cm), strengths, ratios))


def kcl_standard_us_cm(
    strength: float, temperature_c: float = 25.0, scale: Literal["mol/kg", "mol/L"] = "mol/kg"
) -> float:
    """Conductivity of a KCl solution of known strength, the water's own conductivity not included.

    Equation: table; between strengths the equivalent conductivity against sqrt(strength), between
        temperatures a local cubic through the NIST columns
    Range: 0.0001 to 1 mol per kg of water or per L (at 25 °C), 0 to 50 °C
    Raises: OutOfRange when an input is outside
    Source: CRC Handbook p. 5-73 (NIST molality scale, 0.03 to 0.04 %); Standard Methods table 2510:I
        (molarity, 0.1 %)
    Assumes: the NIST molality scale unless "mol/L" is named; add co2_saturated_water_us_cm for a standard
        made with water that stood in air
    Not for: a bottle with a value printed on it: use labelled_standard_us_cm
    Example:
        >>> round(kcl_standard_us_cm(0.01, 25), 2), round(kcl_standard_us_cm(0.01, 25, "mol/L"), 1)
        (1408.23, 1412.0)
    """
    if scale not in ("mol/kg", "mol/L"):
        raise OutOfRange("scale", scale, "mol/kg or mol/L")
    amount = within("strength", strength, 0.0001, 1.0, scale)
    t = within("temperature_c", temperature_c, 0.0, 50.0, "°C")
    table = _MOLAL if scale == "mol/kg" else _MOLAR
    roots = [math.sqrt(at) for at in table]
    equivalent = [ec / at for at, ec in table.items()]
    ec25 = amount * cubic(math.sqrt(amount), roots, equivalent)
    return ec25 * _ratio(t, ec25)


def co2_saturated_water_us_cm(temperature_c: float) -> float:
    """Conductivity of water at rest with air, to be added to the NIST value of a standard made with it.

    Equation: table, local cubic
    Range: 0 to 50 °C
    Raises: OutOfRange outside 0 to 50 °C
    Source: CRC Handbook p. 5-73
    Not for: air richer in CO2 than outdoor air
    Example:
        >>> co2_saturated_water_us_cm(25)
        1.1
    """
    return cubic(within("temperature_c", temperature_c, 0.0, 50.0, "°C"), _T, _CO2_WATER)


def labelled_standard_us_cm(label_us_cm: float, temperature_c: float) -> float:
    """What a bottled KCl standard reads at its own temperature, from the value on its label at 25 °C.

    Equation: k(T) = label x kNIST(T)/kNIST(25), the ratio of 0.01, 0.1 and 1 mol/kg KCl, between them by
        log(k)
    Range: label 10 to 112000 uS/cm at 25 °C, 0 to 50 °C
    Raises: OutOfRange when an input is outside
    Source: CRC Handbook p. 5-73 (NIST). A bench manual prints 1667 for 1413 at 35 °C; this gives 1693 and the
        manual's other columns agree with it
    Assumes: the standard is KCl in water, labelled at 25 °C
    Not for: NaCl standards, or bottles labelled at 20 °C
    Example:
        >>> round(labelled_standard_us_cm(1413, 20))
        1277
    """
    label = within("label_us_cm", label_us_cm, 10.0, 112_000.0, "µS/cm")
    return label * _ratio(within("temperature_c", temperature_c, 0.0, 50.0, "°C"), label)


def labelled_standard_alpha_per_c(label_us_cm: float, temperature_c: float) -> float:
    """Linear coefficient between 25 °C and a temperature of a bottled KCl standard.

    Equation: a = (k(T)/k(25) - 1) / (T - 25), within 1 °C of 25 the slope there
    Range: label 10 to 112000 uS/cm at 25 °C, 0 to 50 °C
    Raises: OutOfRange when an input is outside
    Source: as labelled_standard_us_cm; a bench manual prints 0.0194 for 1413 at 15 to 30 °C
    Not for: tap water, whose coefficient is its own
    Example:
        >>> round(labelled_standard_alpha_per_c(1413, 15), 4)
        0.0189
    """
    t = within("temperature_c", temperature_c, 0.0, 50.0, "°C")
    if abs(t - 25.0) < 1.0:
        span = labelled_standard_us_cm(label_us_cm, 26.0) - labelled_standard_us_cm(label_us_cm, 24.0)
        return span / 2.0 / label_us_cm
    return (labelled_standard_us_cm(label_us_cm, t) / label_us_cm - 1.0) / (t - 25.0)
