"""Water that carries next to nothing: its own ions, a trace of salt, carbon dioxide, silica.

Below about 1 µS/cm the water's own H+ and OH- are a good part of what the probe sees, and they grow with
temperature far faster than a salt does (5.2 %/°C at 25 °C against 2 %/°C). A linear factor is wrong there.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from monitor.water.errors import within
from monitor.water.interpolate import Floats, cubic, cubic_series

__all__ = [
    "carbonated_water",
    "open_air_water",
    "pure_water_mohm_cm",
    "pure_water_us_cm",
    "sodium_chloride_factor",
    "trace_nacl_mohm_cm",
    "trace_nacl_us_cm",
    "water_pkw",
]

PureWaterModel = Literal["ions", "iapws"]

LAMBDA_H, LAMBDA_OH, LAMBDA_HCO3 = 349.65, 198.0, 44.5  # S cm2/eq at 25 °C, CRC
LAMBDA_SILICATE = 30.0  # from memory; PHREEQC lets silicate carry nothing and reads 5 to 8 % lower
NACL_US_CM_PER_UG_L = 0.002163  # limiting conductivity of NaCl, 126.39 S cm2/eq / 58.44 g/mol
PK_SILICIC = 9.83

# k(T)/k(25) of a trace of NaCl: PHREEQC 3.8.6 at 5 to 40 °C (10 and 35 °C from its 10 mg/L NaCl rows);
# 50 °C by the ratio of NIST 0.01 mol/kg KCl, 0 and 100 °C by the limiting conductivities of Robinson and
# Stokes (from memory). At 100 °C a trace of salt is under 1 % of what the water itself conducts.
_SALT_T = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 50.0, 75.0, 100.0)
_SALT_RATIO = (
    0.5255, 1 / 1.6328, 0.70448, 1 / 1.25, 1 / 1.1128, 1.0, 1 / 0.90593, 1.20981, 1 / 0.75894,
    1.5278, 2.150, 2.790,
)  # fmt: skip


def density_kg_l(temperature_c: float) -> float:
    """Density of water at 1 bar, 0 to 100 °C (Kell 1975)."""
    t = temperature_c
    top = 999.83952 + t * (16.945176 + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * 105.56302e-9)))
    return (top - 280.54253e-12 * t**5) / (1.0 + 16.879850e-3 * t) / 1000.0


def water_pkw(temperature_c: float) -> float:
    """Ion product of water, -log10 Kw, on the molal scale at 1 bar.

    Equation: pKw = -12 [log10(1+Q) - Q/(Q+1) d (0.813876 - 51.4471/T - 0.46992 d)] + pKw(gas) + 2
        log10(M/1000); Q = d exp(-0.702132 + 8681.05/T - 24145.1 d^(2/3)/T^2), T in kelvin, d density in
        g/cm3, M 18.015268
    Range: 0 to 100 °C (the release goes to 800 °C; only the liquid at 1 bar is meant here)
    Raises: OutOfRange outside 0 to 100 °C
    Source: IAPWS R11, Release on the Ionization Constant of H2O (Bandura and Lvov); density Kell 1975
    Not for: salty water (activities) or water under high pressure
    Example:
        >>> round(water_pkw(25), 4)
        13.9944
    """
    t = within("temperature_c", temperature_c, 0.0, 100.0, "°C")
    kelvin, d = t + 273.15, density_kg_l(t)
    q = d * math.exp(-0.702132 + 8681.05 / kelvin - 24145.1 / kelvin**2 * d ** (2.0 / 3.0))
    gas = 0.61415 + 4.825133e4 / kelvin - 6.770793e4 / kelvin**2 + 1.01021e7 / kelvin**3
    ions = math.log10(1.0 + q) - q / (q + 1.0) * d * (0.813876 - 51.4471 / kelvin - 0.46992 * d)
    return -12.0 * ions + gas + 2.0 * math.log10(18.015268 / 1000.0)


def pure_water_us_cm(temperature_c: float, model: PureWaterModel = "ions") -> float:
    """Conductivity of pure water, free of carbon dioxide.

    Equation: k = 1000 d sqrt(Kw) (l_H + l_OH), k in uS/cm x 1e-6, d in kg/L, l in S cm2/eq. Model "ions":
        l_H + l_OH = 548.1 (1 + 0.01454080 x - 1.951642e-5 x^2 - 1.098722e-7 x^3), x = T - 25.
        Model "iapws": the IAPWS 1990 formula with its own ion product
    Range: 0 to 100 °C
    Raises: OutOfRange outside 0 to 100 °C
    Source: form as Light et al. 2005 (abstract); Kw IAPWS R11; 548.1 set by the published 18.18 Mohm cm at
        25 °C; its run with temperature fitted to PHREEQC 3.8.6 (residuals below 0.04 %). "iapws": IAPWS
        1990 release on electrolytic conductivity
    Assumes: no carbon dioxide, no salt
    Not for: an accuracy better than 5 % away from 25 °C: the two models differ by 3 to 4.5 % at 5 to 15 °C
        and 35 to 60 °C
    Example:
        >>> round(pure_water_us_cm(25), 4), round(pure_water_us_cm(25, "iapws"), 4)
        (0.055, 0.055)
    """
    t = within("temperature_c", temperature_c, 0.0, 100.0, "°C")
    if model == "iapws":
        return _iapws_us_cm(t)
    x = t - 25.0
    ions = 548.1 * (1.0 + x * (1.45407991e-2 + x * (-1.95164228e-5 - 1.09872177e-7 * x)))
    return 1000.0 * density_kg_l(t) * math.pow(10.0, -water_pkw(t) / 2.0) * ions


def _iapws_us_cm(t: float) -> float:
    """IAPWS 1990: equations 1 and 4 to 6, with the Marshall and Franck ion product it was made with."""
    kelvin, d = t + 273.15, density_kg_l(t)
    log_kw = -4.098 - 3245.2 / kelvin + 2.2362e5 / kelvin**2 - 3.984e7 / kelvin**3
    log_kw += (13.957 - 1262.3 / kelvin + 8.5641e5 / kelvin**2) * math.log10(d)
    limit = 1 / 1410.0 + t * (2.16417e-6 + t * (1.81609e-7 + t * (-1.75297e-9 + t * 7.20708e-12)))
    edge = 16.0 - 1.0 / (1 / 11.6 + t * (3.26e-4 + t * (-2.3e-6 + t * 1.1e-8)))
    molar = (edge - d) * (1850.0 - 1.0 / limit) / edge
    return 1e-3 * molar * math.sqrt(math.pow(10.0, log_kw)) * d * 1e6


def pure_water_mohm_cm(temperature_c: float, model: PureWaterModel = "ions") -> float:
    """Resistivity of pure water, free of carbon dioxide: the most a probe can honestly show.

    Equation: r = 1 / k, k as in pure_water_us_cm
    Range: 0 to 100 °C
    Raises: OutOfRange outside 0 to 100 °C
    Source: as pure_water_us_cm; 18.18 Mohm cm at 25 °C in Otten 1981 and Morash et al. 1994 (abstracts)
    Not for: an accuracy better than 5 % away from 25 °C
    Example:
        >>> round(pure_water_mohm_cm(25), 2)
        18.18
    """
    return 1.0 / pure_water_us_cm(temperature_c, model)


def salt_ratio(temperature_c: float) -> float:
    """k(T)/k(25) of a trace of NaCl for a temperature already known to lie in 0 to 100 °C."""
    return cubic(temperature_c, _SALT_T, _SALT_RATIO)


def salt_ratio_series(temperature_c: Floats) -> Floats:
    """The same for many temperatures."""
    return cubic_series(temperature_c, _SALT_T, _SALT_RATIO)


def sodium_chloride_factor(temperature_c: float) -> float:
    """Factor that brings the conductivity of a dilute NaCl solution to 25 °C.

    Equation: f(T) = k(25) / k(T) of a trace of NaCl, a table read by local cubics
    Range: 0 to 100 °C; above 40 °C an extension that matters only as the small salt part of ultrapure water
    Raises: OutOfRange outside 0 to 100 °C
    Source: PHREEQC 3.8.6 for 5 to 40 °C; NIST 0.01 mol/kg KCl ratio to 50 °C; beyond that from memory
    Not for: acids, bases or carbon dioxide in pure water, whose factor is smaller
    Example:
        >>> round(sodium_chloride_factor(15), 4)
        1.25
    """
    return 1.0 / salt_ratio(within("temperature_c", temperature_c, 0.0, 100.0, "°C"))


def trace_nacl_us_cm(nacl_ug_l: float, temperature_c: float = 25.0) -> float:
    """Conductivity of pure water with a trace of NaCl, at the temperature itself.

    Equation: k = kw(T) + 0.002163 c / f(T), c in ug/L, f the sodium_chloride_factor
    Range: 0 to 10000 ug/L, 0 to 100 °C
    Raises: OutOfRange when an input is outside
    Source: Kohlrausch's sum with CRC limiting conductivities; 1 ug/L lowers 18.18 to 17.5 Mohm cm at 25 °C
        (Morash et al. 1994, abstract)
    Assumes: no carbon dioxide: the water never touched air
    Not for: silica, which conducts next to nothing and is not seen at all
    Example:
        >>> round(trace_nacl_us_cm(10, 25), 4)
        0.0766
    """
    salt = within("nacl_ug_l", nacl_ug_l, 0.0, 10_000.0, "µg/L") * NACL_US_CM_PER_UG_L
    return pure_water_us_cm(temperature_c) + salt / sodium_chloride_factor(temperature_c)


def trace_nacl_mohm_cm(nacl_ug_l: float, temperature_c: float = 25.0) -> float:
    """Resistivity of pure water with a trace of NaCl, at the temperature itself.

    Equation: r = 1 / k, k as in trace_nacl_us_cm
    Range: 0 to 10000 ug/L, 0 to 100 °C
    Raises: OutOfRange when an input is outside
    Source: as trace_nacl_us_cm
    Assumes: no carbon dioxide: the water never touched air
    Not for: silica, which conducts next to nothing and is not seen at all
    Example:
        >>> round(trace_nacl_mohm_cm(1, 25), 1)
        17.5
    """
    return 1.0 / trace_nacl_us_cm(nacl_ug_l, temperature_c)


class WeakAcidWater(NamedTuple):
    """Pure water with carbon dioxide or silica in it: what a probe shows, and its pH."""

    ec_us_cm: float
    ph: float


def log10_k1_carbonic(temperature_c: float) -> float:
    """log10 of the first dissociation constant of CO2(aq) (Plummer and Busenberg 1982, as in phreeqc.dat)."""
    kelvin = temperature_c + 273.15
    return (
        -356.3094
        - 0.06091964 * kelvin
        + 21834.37 / kelvin
        + 126.8339 * math.log10(kelvin)
        - 1684915.0 / kelvin**2
    )


def log10_henry_co2(temperature_c: float) -> float:
    """log10 of CO2 solubility, mol/(L atm) (Plummer and Busenberg 1982; from memory, 0.034 at 25 °C)."""
    kelvin = temperature_c + 273.15
    return (
        108.3865
        + 0.01985076 * kelvin
        - 6919.53 / kelvin
        - 40.45154 * math.log10(kelvin)
        + 669365.0 / kelvin**2
    )


def carbonated_water(co2_mg_l: float, silica_mg_l: float = 0.0, temperature_c: float = 25.0) -> WeakAcidWater:
    """Conductivity and pH of pure water with a known amount of carbon dioxide and silica.

    Equation: h - Kw/h = C K1/(K1 + h) + S Ks/(Ks + h), solved for h (mol/L);
        k = 1000 (h l_H + (Kw/h) l_OH + HCO3 l_HCO3 + silicate l_Si); pKs 9.83, l_Si 30 (from memory)
    Range: 0 to 1000 mg/L CO2, 0 to 200 mg/L SiO2, 0 to 50 °C
    Raises: OutOfRange when an input is outside
    Source: K1 Plummer and Busenberg 1982 as in phreeqc.dat; pKs common reference value; l(25) CRC, l_H(T) =
        349.65 (1 + 0.0139 (T - 25)) from memory
    Assumes: nothing else is dissolved; activity taken as concentration
    Not for: reading silica or CO2 back from a probe in real permeate, where the salts dominate
    Example:
        >>> water = carbonated_water(co2_mg_l=20)
        >>> round(water.ec_us_cm, 1), round(water.ph, 2)
        (5.5, 4.85)
    """
    t = within("temperature_c", temperature_c, 0.0, 50.0, "°C")
    carbon = within("co2_mg_l", co2_mg_l, 0.0, 1000.0, "mg/L") / 44010.0
    silica = within("silica_mg_l", silica_mg_l, 0.0, 200.0, "mg/L") / 60084.0
    k1, ks, kw = (
        math.pow(10.0, log10_k1_carbonic(t)),
        math.pow(10.0, -PK_SILICIC),
        math.pow(10.0, -water_pkw(t)),
    )

    def excess(h: float) -> float:
        return h - kw / h - carbon * k1 / (k1 + h) - silica * ks / (ks + h)

    low, high = -14.0, 0.0  # excess rises with h, so halving always closes on the one root
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(math.pow(10.0, middle)) < 0 else (low, middle)
    h = math.pow(10.0, 0.5 * (low + high))
    return _weak_acid(h, kw, t, silica * ks / (ks + h))


def open_air_water(temperature_c: float = 25.0, co2_ppmv: float = 420.0) -> WeakAcidWater:
    """Conductivity and pH that DI water drifts to in an open tank: this is no spent resin.

    Equation: h = sqrt(K1 KH pCO2 + Kw); k = 1000 (h l_H + (Kw/h) l_OH + HCO3 l_HCO3)
    Range: 0 to 50 °C, 0 to 1000000 ppm CO2 by volume in the air
    Raises: OutOfRange when an input is outside
    Source: K1 and Henry's constant Plummer and Busenberg 1982 (the latter from memory); CRC p. 5-73 prints
        1.1 uS/cm at 25 °C, PHREEQC 0.99
    Assumes: the water has had time to come to rest with the air, at 1 atm
    Not for: a closed tank, or air of a welding shop without its own CO2 figure
    Example:
        >>> round(open_air_water(25).ec_us_cm, 2)
        1.0
    """
    t = within("temperature_c", temperature_c, 0.0, 50.0, "°C")
    pressure = within("co2_ppmv", co2_ppmv, 0.0, 1e6, "ppm by volume") * 1e-6
    kw = math.pow(10.0, -water_pkw(t))
    return _weak_acid(
        math.sqrt(math.pow(10.0, log10_k1_carbonic(t) + log10_henry_co2(t)) * pressure + kw), kw, t
    )


def hydrogen_lambda(temperature_c: float) -> float:
    """Equivalent conductivity of H+ against temperature, S cm2/eq (from memory)."""
    return LAMBDA_H * (1.0 + 0.0139 * (temperature_c - 25.0))


def _weak_acid(h: float, kw: float, t: float, silicate: float = 0.0) -> WeakAcidWater:
    """Conductivity of H+, OH- and the anions that balance them: bicarbonate but for the silicate."""
    grown = salt_ratio(t)
    anions = kw / h * LAMBDA_OH + (h - kw / h - silicate) * LAMBDA_HCO3 + silicate * LAMBDA_SILICATE
    carried = h * hydrogen_lambda(t) + anions * grown
    return WeakAcidWater(1000.0 * carried, -math.log10(h))
