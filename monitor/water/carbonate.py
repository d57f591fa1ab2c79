"""Carbon dioxide, bicarbonate and pH: one equilibrium, read from either side.

Nobody in a shop owns a CO2 probe. Alkalinity and pH give it, and it is the larger part of what a mixed bed
behind an RO has to take up, though conductivity hardly sees it.
"""

from __future__ import annotations

import math

from monitor.water.errors import OutOfRange, within
from monitor.water.ultrapure import log10_k1_carbonic, water_pkw

__all__ = [
    "activity_coefficient",
    "bicarbonate_mg_l",
    "co2_from_alkalinity_mg_l",
    "ionic_strength_from_ec_mol_l",
    "ionic_strength_from_tds_mol_l",
    "ph_from_alkalinity_co2",
    "pk1_carbonic",
    "pk2_carbonic",
]

CACO3_MG_EQ = 50.0435  # equivalent weight of CaCO3, mg per meq
CO2_MG_MOL = 44_009.5
HCO3_MG_MOL = 61_016.8


def activity_coefficient(ionic_strength_mol_l: float, temperature_c: float = 25.0) -> float:
    """Activity coefficient of an ion of one charge, by Davies.

    Equation: log10 g = -A (sqrt(I)/(1 + sqrt(I)) - 0.3 I), A = 1.82e6 (E T)^-1.5, E = 60954/(T + 116) -
        68.937, T in kelvin
    Range: 0 to 0.5 mol/L, 0 to 100 °C
    Raises: OutOfRange when an input is outside
    Source: Davies equation; E and A from memory, they give A 0.511 at 25 °C
    Not for: brines
    Example:
        >>> round(activity_coefficient(0.005), 3)
        0.927
    """
    strength = within("ionic_strength_mol_l", ionic_strength_mol_l, 0.0, 0.5, "mol/L")
    kelvin = within("temperature_c", temperature_c, 0.0, 100.0, "°C") + 273.15
    dielectric = 60954.0 / (kelvin + 116.0) - 68.937
    root = math.sqrt(strength)
    slope = 1.82e6 * math.pow(dielectric * kelvin, -1.5)
    return math.pow(10.0, -slope * (root / (1.0 + root) - 0.3 * strength))


def pk1_carbonic(temperature_c: float) -> float:
    """First dissociation constant of carbonic acid, as pK1.

    Equation: log10 K1 = -356.3094 - 0.06091964 T + 21834.37/T + 126.8339 log10 T - 1684915/T^2, T in kelvin
    Range: 0 to 90 °C
    Raises: OutOfRange outside 0 to 90 °C
    Source: Plummer and Busenberg 1982, as the difference of two reactions in phreeqc.dat
    Not for: salty water without activity coefficients
    Example:
        >>> round(pk1_carbonic(25), 2)
        6.35
    """
    return -log10_k1_carbonic(within("temperature_c", temperature_c, 0.0, 90.0, "°C"))


def pk2_carbonic(temperature_c: float) -> float:
    """Second dissociation constant of carbonic acid, as pK2.

    Equation: log10 K2 = -107.8871 - 0.03252849 T + 5151.79/T + 38.92561 log10 T - 563713.9/T^2, T in kelvin
    Range: 0 to 90 °C
    Raises: OutOfRange outside 0 to 90 °C
    Source: Plummer and Busenberg 1982, as in phreeqc.dat
    Not for: salty water without activity coefficients
    Example:
        >>> round(pk2_carbonic(25), 3)
        10.329
    """
    kelvin = within("temperature_c", temperature_c, 0.0, 90.0, "°C") + 273.15
    line = -107.8871 - 0.03252849 * kelvin + 5151.79 / kelvin + 38.92561 * math.log10(kelvin)
    return -(line - 563713.9 / kelvin**2)


def ionic_strength_from_tds_mol_l(tds_mg_l: float) -> float:
    """Ionic strength guessed from dissolved solids, when there is no analysis.

    Equation: I = TDS / 40000
    Range: 0 to 20000 mg/L
    Raises: OutOfRange when the input is outside
    Source: Standard Methods 2330 B (from memory)
    Not for: water whose analysis is known
    Example:
        >>> ionic_strength_from_tds_mol_l(400)
        0.01
    """
    return within("tds_mg_l", tds_mg_l, 0.0, 20_000.0, "mg/L") / 40_000.0


def ionic_strength_from_ec_mol_l(ec25_us_cm: float) -> float:
    """Ionic strength guessed from conductivity, when there is no analysis.

    Equation: I = 1.6e-5 EC25
    Range: 0 to 30000 uS/cm
    Raises: OutOfRange when the input is outside
    Source: trade rule (from memory, unverified)
    Not for: water whose analysis is known
    Example:
        >>> round(ionic_strength_from_ec_mol_l(500), 4)
        0.008
    """
    return 1.6e-5 * within("ec25_us_cm", ec25_us_cm, 0.0, 30_000.0, "µS/cm")


def _bicarbonate_mol_l(alkalinity_mg_l: float, h: float, t: float, g: float) -> float:
    """HCO3 from alkalinity at an H+ concentration, mol/L; negative when the pH does not fit."""
    k2 = math.pow(10.0, -pk2_carbonic(t)) / g**4
    kw = math.pow(10.0, -water_pkw(t)) / g**2
    return (alkalinity_mg_l / 1000.0 / CACO3_MG_EQ + h - kw / h) / (1.0 + 2.0 * k2 / h)


def bicarbonate_mg_l(
    alkalinity_mg_l: float, ph: float, temperature_c: float = 25.0, ionic_strength_mol_l: float = 0.0
) -> float:
    """Bicarbonate from alkalinity and pH.

    Equation: HCO3 = (alk + h - kw/h) / (1 + 2 k2/h), h = 10^-pH / g, k2 = K2/g^4, kw = Kw/g^2
    Range: alkalinity 0 to 5000 mg/L as CaCO3, pH 3 to 12, 0 to 50 °C, ionic strength 0 to 0.5 mol/L
    Raises: OutOfRange when an input is outside, or the pH needs more hydroxide than the alkalinity holds
    Source: carbonate equilibrium with the constants of phreeqc.dat
    Assumes: alkalinity is carbonate only; ionic strength 0 unless given
    Not for: water with phosphate, borate or amines in it (coolant)
    Example:
        >>> round(bicarbonate_mg_l(100, 7.5), 1)
        121.5
    """
    alkalinity, h, t, g = _checked(alkalinity_mg_l, ph, temperature_c, ionic_strength_mol_l)
    return _positive_bicarbonate(alkalinity, ph, h, t, g) * HCO3_MG_MOL


def co2_from_alkalinity_mg_l(
    alkalinity_mg_l: float, ph: float, temperature_c: float = 25.0, ionic_strength_mol_l: float = 0.0
) -> float:
    """Dissolved carbon dioxide from alkalinity and pH.

    Equation: CO2 = h HCO3 / k1, h = 10^-pH / g, k1 = K1/g^2, HCO3 as in bicarbonate_mg_l
    Range: alkalinity 0 to 5000 mg/L as CaCO3, pH 3 to 12, 0 to 50 °C, ionic strength 0 to 0.5 mol/L
    Raises: OutOfRange when an input is outside, or the pH needs more hydroxide than the alkalinity holds
    Source: carbonate equilibrium with the constants of phreeqc.dat; within 0.15 % of PHREEQC for sodium
        waters, 1.4 to 3.4 % high for hard ones (ion pairs)
    Assumes: alkalinity is carbonate only; ionic strength 0 unless given, which reads 6 to 13 % high in tap
        water
    Not for: a pH off by 0.1 (that is 26 % of CO2), a sample that stood open, or coolant
    Example:
        >>> round(co2_from_alkalinity_mg_l(100, 7.5, 25, 0.005), 2)
        5.77
    """
    alkalinity, h, t, g = _checked(alkalinity_mg_l, ph, temperature_c, ionic_strength_mol_l)
    k1 = math.pow(10.0, -pk1_carbonic(t)) / g**2
    return h * _positive_bicarbonate(alkalinity, ph, h, t, g) / k1 * CO2_MG_MOL


def ph_from_alkalinity_co2(
    alkalinity_mg_l: float,
    co2_mg_l: float,
    temperature_c: float = 25.0,
    ionic_strength_mol_l: float = 0.0,
) -> float:
    """The pH of a water of known carbon dioxide and alkalinity; inverse of co2_from_alkalinity_mg_l.

    Equation: the pH at which co2_from_alkalinity_mg_l equals the given CO2, by halving
    Range: alkalinity 0 to 5000 mg/L as CaCO3, CO2 above 0 to 2000 mg/L, 0 to 50 °C, ionic strength 0 to 0.5
        mol/L
    Raises: OutOfRange when an input is outside, or the pH would leave 3 to 12
    Source: carbonate equilibrium with the constants of phreeqc.dat
    Assumes: alkalinity is carbonate only; ionic strength 0 unless given
    Not for: water that loses CO2 to the air meanwhile
    Example:
        >>> round(ph_from_alkalinity_co2(5.2, 17.7), 2)
        5.77
    """
    wanted = within("co2_mg_l", co2_mg_l, 1e-9, 2000.0, "mg/L") / CO2_MG_MOL
    alkalinity, _, t, g = _checked(alkalinity_mg_l, 7.0, temperature_c, ionic_strength_mol_l)
    k1 = math.pow(10.0, -pk1_carbonic(t)) / g**2

    def carbon(ph: float) -> float:
        h = math.pow(10.0, -ph) / g
        return h * _bicarbonate_mol_l(alkalinity, h, t, g) / k1

    low, high = 3.0, 12.0
    if not carbon(low) >= wanted >= carbon(high):
        raise OutOfRange("co2_mg_l", co2_mg_l, "what pH 3 to 12 can hold at this alkalinity")
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if carbon(middle) > wanted else (low, middle)
    return 0.5 * (low + high)


def _checked(
    alkalinity_mg_l: float, ph: float, temperature_c: float, ionic_strength_mol_l: float
) -> tuple[float, float, float, float]:
    """Alkalinity, H+ concentration (mol/L), temperature and activity coefficient, all in range."""
    alkalinity = within("alkalinity_mg_l", alkalinity_mg_l, 0.0, 5000.0, "mg/L as CaCO3")
    t = within("temperature_c", temperature_c, 0.0, 50.0, "°C")
    g = activity_coefficient(ionic_strength_mol_l, t)
    return alkalinity, math.pow(10.0, -within("ph", ph, 3.0, 12.0)) / g, t, g


def _positive_bicarbonate(alkalinity: float, ph: float, h: float, t: float, g: float) -> float:
    bicarbonate = _bicarbonate_mol_l(alkalinity, h, t, g)
    if bicarbonate < 0:
        raise OutOfRange(
            "ph",
            ph,
            "a pH that this alkalinity can hold",
            f"{alkalinity:g} mg/L as CaCO3 is less than its OH-",
        )
    return bicarbonate
