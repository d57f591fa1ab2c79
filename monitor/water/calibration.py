"""Calibrating a conductivity cell: its constant, one point, two points.

Standards are read at their own temperature with compensation off. A two-point offset fitted at 84 and
1413 µS/cm says nothing at 0.1 µS/cm; a cell for DI water is calibrated by its constant alone.
"""

from __future__ import annotations

from typing import NamedTuple

from monitor.water.errors import OutOfRange, positive, within

__all__ = [
    "cell_constant_from_geometry_per_cm",
    "cell_constant_per_cm",
    "conductivity_from_conductance_us_cm",
    "conductivity_from_resistance_us_cm",
    "one_point_gain",
    "resistivity_from_resistance_mohm_cm",
    "two_point",
    "two_point_corrected_us_cm",
]

LOWEST_GAIN, HIGHEST_GAIN = 0.8, 1.2


class TwoPoint(NamedTuple):
    """A straight line through two standards: corrected = gain x reading + offset."""

    gain: float
    offset_us_cm: float


def two_point(
    raw_1_us_cm: float, raw_2_us_cm: float, standard_1_us_cm: float, standard_2_us_cm: float
) -> TwoPoint:
    """Gain and offset of a probe from its readings in two standards.

    Equation: gain = (s2 - s1)/(r2 - r1), offset = s1 - gain r1
    Range: all 0 to 1000000 uS/cm; the readings differ, and so do the standards; gain 0.8 to 1.2
    Raises: OutOfRange for equal readings or standards, or a gain outside 0.8 to 1.2 (a wrong bottle, a
        swapped pair, a fouled cell or a wrong cell constant, none of which a calibration should hide)
    Source: definition; the limits of gain are a suggestion of common practice, no source
    Assumes: the standards' values at their temperature at that moment, compensation off
    Not for: use far below the lower standard: an offset error of 0.1 uS/cm is 180 % of pure water
    Example:
        >>> line = two_point(80.5, 1390, 84, 1413)
        >>> round(line.gain, 5), round(line.offset_us_cm, 5)
        (1.01489, 2.30126)
    """
    r1 = within("raw_1_us_cm", raw_1_us_cm, 0.0, 1e6, "µS/cm")
    r2 = within("raw_2_us_cm", raw_2_us_cm, 0.0, 1e6, "µS/cm")
    s1 = within("standard_1_us_cm", standard_1_us_cm, 0.0, 1e6, "µS/cm")
    s2 = within("standard_2_us_cm", standard_2_us_cm, 0.0, 1e6, "µS/cm")
    if r1 == r2:
        raise OutOfRange(
            "raw_2_us_cm", r2, f"different from raw_1_us_cm = {r1:g}", "no line through one point"
        )
    gain = within(
        "gain", (s2 - s1) / (r2 - r1), LOWEST_GAIN, HIGHEST_GAIN, why="check bottles, cell, constant"
    )
    return TwoPoint(gain, s1 - gain * r1)


def two_point_corrected_us_cm(
    raw_us_cm: float,
    raw_1_us_cm: float,
    raw_2_us_cm: float,
    standard_1_us_cm: float,
    standard_2_us_cm: float,
) -> float:
    """A reading corrected by a two-point calibration.

    Equation: k = gain r + offset, gain and offset as in two_point
    Range: all 0 to 1000000 uS/cm; gain 0.8 to 1.2
    Raises: OutOfRange as two_point, and when the corrected value falls below 0
    Source: definition
    Assumes: the standards' values at their temperature at that moment, compensation off
    Not for: use far below the lower standard
    Example:
        >>> round(two_point_corrected_us_cm(500, 80.5, 1390, 84, 1413), 3)
        509.747
    """
    line = two_point(raw_1_us_cm, raw_2_us_cm, standard_1_us_cm, standard_2_us_cm)
    raw = within("raw_us_cm", raw_us_cm, 0.0, 1e6, "µS/cm")
    why = f"from a reading of {raw:g}, far below the standards"
    return within("corrected value", line.gain * raw + line.offset_us_cm, 0.0, unit="µS/cm", why=why)


def one_point_gain(
    raw_us_cm: float, standard_25_us_cm: float, temperature_c: float, alpha_per_c: float = 0.0194
) -> float:
    """Gain of a probe from one standard read with compensation off.

    Equation: gain = s25 (1 + a (T - 25)) / r
    Range: reading and standard above 0 to 1000000 uS/cm, 0 to 50 °C, a 0 to 0.1 per °C, gain 0.8 to 1.2
    Raises: OutOfRange when an input or the gain is outside
    Source: definition; a 0.0194 per °C for the 1413 standard at 15 to 30 °C (bench meter manual)
    Assumes: a = 0.0194 per °C unless given
    Not for: standards other than KCl without their own coefficient
    Example:
        >>> round(one_point_gain(1290, 1413, 21), 5)
        1.01035
    """
    raw = positive("raw_us_cm", raw_us_cm, 1e6, "µS/cm")
    standard = positive("standard_25_us_cm", standard_25_us_cm, 1e6, "µS/cm")
    t = within("temperature_c", temperature_c, 0.0, 50.0, "°C")
    grown = 1.0 + within("alpha_per_c", alpha_per_c, 0.0, 0.1, "1/°C") * (t - 25.0)
    return within(
        "gain", standard * grown / raw, LOWEST_GAIN, HIGHEST_GAIN, why="check bottle, cell, constant"
    )


def cell_constant_per_cm(standard_us_cm: float, resistance_ohm: float) -> float:
    """Cell constant from the resistance measured in a standard.

    Equation: K = k R, k the standard's conductivity at its temperature
    Range: standard above 0 to 1000000 uS/cm, resistance above 0 ohm
    Raises: OutOfRange when an input is outside
    Source: definition
    Not for: a standard's value at 25 °C while the bottle is at another temperature
    Example:
        >>> round(cell_constant_per_cm(1412, 707.2), 4)
        0.9986
    """
    standard = positive("standard_us_cm", standard_us_cm, 1e6, "µS/cm")
    return standard * 1e-6 * positive("resistance_ohm", resistance_ohm, 1e12, "ohm")


def cell_constant_from_geometry_per_cm(length_cm: float, area_cm2: float) -> float:
    """Cell constant of an ideal cell from its dimensions.

    Equation: K = L / A
    Range: length above 0 cm, area above 0 cm2
    Raises: OutOfRange when an input is outside
    Source: definition
    Not for: real cells, whose stray field makes K differ: calibrate
    Example:
        >>> cell_constant_from_geometry_per_cm(0.5, 5)
        0.1
    """
    return positive("length_cm", length_cm, 1e4, "cm") / positive("area_cm2", area_cm2, 1e6, "cm²")


def conductivity_from_resistance_us_cm(resistance_ohm: float, cell_constant_per_cm: float) -> float:
    """Conductivity from the resistance of a cell of known constant.

    Equation: k = K / R
    Range: resistance above 0 ohm, cell constant above 0 to 1000 per cm
    Raises: OutOfRange when an input is outside
    Source: definition
    Not for: a fouled or half-filled cell, whose constant is another
    Example:
        >>> conductivity_from_resistance_us_cm(10000, 1.0)
        100.0
    """
    constant = positive("cell_constant_per_cm", cell_constant_per_cm, 1e3, "1/cm")
    return 1e6 * constant / positive("resistance_ohm", resistance_ohm, 1e12, "ohm")


def resistivity_from_resistance_mohm_cm(resistance_ohm: float, cell_constant_per_cm: float) -> float:
    """Resistivity of the water from the resistance of a cell of known constant.

    Equation: r = R / K
    Range: resistance above 0 ohm, cell constant above 0 to 1000 per cm
    Raises: OutOfRange when an input is outside
    Source: definition
    Not for: a fouled or half-filled cell, whose constant is another
    Example:
        >>> resistivity_from_resistance_mohm_cm(18180, 0.001)
        18.18
    """
    constant = positive("cell_constant_per_cm", cell_constant_per_cm, 1e3, "1/cm")
    return positive("resistance_ohm", resistance_ohm, 1e12, "ohm") / constant / 1e6


def conductivity_from_conductance_us_cm(conductance_us: float, cell_constant_per_cm: float) -> float:
    """Conductivity from the conductance of a cell of known constant.

    Equation: k = K G
    Range: conductance 0 to 10000000 uS, cell constant above 0 to 1000 per cm
    Raises: OutOfRange when an input is outside
    Source: definition; 200 uS with K 0.1 per cm is 20 uS/cm (a teaching page on conductivity cells)
    Not for: a fouled or half-filled cell, whose constant is another
    Example:
        >>> conductivity_from_conductance_us_cm(200, 0.1)
        20.0
    """
    constant = positive("cell_constant_per_cm", cell_constant_per_cm, 1e3, "1/cm")
    return constant * within("conductance_us", conductance_us, 0.0, 1e7, "µS")
