"""Water and its vapour: saturation, latent heat, humidity.

Saturation comes from the auxiliary equations of the IAPWS (SR1-86, 1992 revision; sublimation R14-08, 2011),
their coefficients written from memory and held to CoolProp and iapws in the tests. Humidity treats air as an
ideal gas (ASHRAE Handbook, Fundamentals, chapter 1), which real air exceeds by about 0.45 % at 25 °C.
"""

from __future__ import annotations

import math

from monitor.water.errors import within
from monitor.water.roots import where_zero

__all__ = [
    "dew_point_c",
    "humidity_ratio_kg_kg",
    "latent_heat_kj_kg",
    "saturated_water_density_kg_m3",
    "saturation_pressure_pa",
    "wet_bulb_c",
]

CRITICAL_K, CRITICAL_PA, CRITICAL_KG_M3 = 647.096, 22.064e6, 322.0
TRIPLE_K, TRIPLE_PA = 273.16, 611.657
STANDARD_PRESSURE_PA = 101325.0
WATER_TO_AIR = 0.621945  # molar mass of water over that of dry air

_PRESSURE = ((-7.85951783, 1.0), (1.84408259, 1.5), (-11.7866497, 3.0),
             (22.6807411, 3.5), (-15.9618719, 4.0), (1.80122502, 7.5))  # fmt: skip
_LIQUID = ((1.99274064, 1 / 3), (1.09965342, 2 / 3), (-0.510839303, 5 / 3),
           (-1.75493479, 16 / 3), (-45.5170352, 43 / 3), (-6.74694450e5, 110 / 3))  # fmt: skip
_VAPOUR = ((-2.03150240, 2 / 6), (-2.68302940, 4 / 6), (-5.38626492, 8 / 6),
           (-17.2991605, 18 / 6), (-44.7586581, 37 / 6), (-63.9201063, 71 / 6))  # fmt: skip
_ICE = ((-21.2144006, 1 / 300), (27.3203819, 1.20666667), (-6.10598130, 1.70333333))

_Terms = tuple[tuple[float, float], ...]


def saturation_pressure_pa(temperature_c: float) -> float:
    """Pressure of water vapour that stands in balance with water (below 0.01 °C: with ice).

    Equation: ln(p/pc) = (Tc/T) sum a_i t^e_i, t = 1 - T/Tc; over ice ln(p/pt) = (Tt/T) sum a_i (T/Tt)^b_i
    Range: -40 to 150 °C
    Raises: OutOfRange
    Source: IAPWS SR1-86 (1992), Wagner and Pruss; IAPWS R14-08 (2011) over ice
    Not for: oil, or strong solutions; coolant of a few per cent differs by less than 1 %
    Example:
        >>> round(saturation_pressure_pa(25.0), 1)
        3169.8
    """
    kelvin = within("temperature_c", temperature_c, -40.0, 150.0, "°C") + 273.15
    if kelvin < TRIPLE_K:
        return TRIPLE_PA * math.exp(TRIPLE_K / kelvin * _series(_ICE, kelvin / TRIPLE_K))
    return CRITICAL_PA * math.exp(CRITICAL_K / kelvin * _series(_PRESSURE, 1.0 - kelvin / CRITICAL_K))


def saturated_water_density_kg_m3(temperature_c: float) -> float:
    """Density of water on the saturation line; at 1 atm it is within 0.005 % of this up to 100 °C.

    Equation: rho/rho_c = 1 + sum b_i t^e_i, t = 1 - T/Tc
    Range: 0 to 150 °C
    Raises: OutOfRange
    Source: IAPWS SR1-86 (1992)
    Not for: brines or coolant mixtures
    Example:
        >>> round(saturated_water_density_kg_m3(20.0), 2)
        998.16
    """
    kelvin = within("temperature_c", temperature_c, 0.0, 150.0, "°C") + 273.15
    return CRITICAL_KG_M3 * (1.0 + _series(_LIQUID, 1.0 - kelvin / CRITICAL_K))


def latent_heat_kj_kg(temperature_c: float) -> float:
    """Heat that evaporating a kilogram of water takes at this temperature.

    Equation: Clapeyron, h = T (dp/dT) (1/rho_vapour - 1/rho_liquid), all three on the saturation line
    Range: 0 to 150 °C
    Raises: OutOfRange
    Source: IAPWS SR1-86 (1992)
    Not for: the vapour over oil, or over strong solutions
    Example:
        >>> round(latent_heat_kj_kg(30.0), 1)
        2430.0
    """
    liquid_kg_m3 = saturated_water_density_kg_m3(temperature_c)
    kelvin = temperature_c + 273.15
    t = 1.0 - kelvin / CRITICAL_K
    vapour_kg_m3 = CRITICAL_KG_M3 * math.exp(_series(_VAPOUR, t))
    log_slope = -math.fsum(a * e * math.pow(t, e - 1.0) for a, e in _PRESSURE) / kelvin
    log_slope -= CRITICAL_K / kelvin**2 * _series(_PRESSURE, t)
    slope_pa_k = saturation_pressure_pa(temperature_c) * log_slope
    return kelvin * slope_pa_k * (1.0 / vapour_kg_m3 - 1.0 / liquid_kg_m3) / 1000.0


def humidity_ratio_kg_kg(
    air_temperature_c: float, relative_humidity: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Kilograms of vapour carried by each kilogram of dry air (humidity ratio).

    Equation: x = 0.621945 p_w / (p - p_w), p_w = RH p_s(T)
    Range: -40 to 80 °C, relative humidity 0 to 1, pressure 60,000 to 110,000 Pa
    Raises: OutOfRange
    Source: ASHRAE Handbook, Fundamentals, chapter 1
    Assumes: ideal gas, 0.45 % below real air at 25 °C and half saturation
    Not for: air that carries mist
    Example:
        >>> round(humidity_ratio_kg_kg(25.0, 0.5), 6)
        0.009883
    """
    vapour_pa = vapour_pressure_pa(air_temperature_c, relative_humidity)
    return WATER_TO_AIR * vapour_pa / (_pressure(pressure_pa) - vapour_pa)


def dew_point_c(air_temperature_c: float, relative_humidity: float) -> float:
    """Temperature at which this air begins to shed water (below 0 °C: frost).

    Equation: p_s(T_dew) = RH p_s(T), solved for T_dew
    Range: -20 to 80 °C, relative humidity up to 1 and enough for a dew point of -40 °C
    Raises: OutOfRange
    Source: ASHRAE Handbook, Fundamentals, chapter 1
    Not for: air close to the coolant, which is more humid than the room's
    Example:
        >>> round(dew_point_c(25.0, 0.5), 2)
        13.86
    """
    within("air_temperature_c", air_temperature_c, -20.0, 80.0, "°C")
    vapour_pa = vapour_pressure_pa(air_temperature_c, relative_humidity)
    driest = saturation_pressure_pa(-40.0) / saturation_pressure_pa(air_temperature_c)
    within("relative_humidity", relative_humidity, driest, 1.0, why="a dew point of -40 °C is the lowest")
    return where_zero(lambda t: saturation_pressure_pa(t) - vapour_pa, -40.0, air_temperature_c)


def wet_bulb_c(
    air_temperature_c: float, relative_humidity: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Temperature a wetted thermometer settles at in this air: as cold as evaporation can make water.

    Equation: x = [(2501 - 2.326 t*) x_s(t*) - 1.006 (t - t*)] / (2501 + 1.86 t - 4.186 t*), solved for t*;
        below 0 °C [(2830 - 0.24 t*) x_s - 1.006 (t - t*)] / (2830 + 1.86 t - 2.1 t*)
    Range: -20 to 80 °C, relative humidity 0 to 1, pressure 60,000 to 110,000 Pa
    Raises: OutOfRange
    Source: ASHRAE Handbook, Fundamentals, chapter 1
    Not for: how cold coolant gets: pumps and cutting heat it
    Example:
        >>> round(wet_bulb_c(25.0, 0.5), 2)
        17.89
    """
    air = within("air_temperature_c", air_temperature_c, -20.0, 80.0, "°C")
    carried = humidity_ratio_kg_kg(air, relative_humidity, pressure_pa)

    def excess(wet: float) -> float:
        full = humidity_ratio_kg_kg(wet, 1.0, pressure_pa)
        if wet >= 0.0:
            got = ((2501.0 - 2.326 * wet) * full - 1.006 * (air - wet)) / (2501.0 + 1.86 * air - 4.186 * wet)
        else:
            got = ((2830.0 - 0.24 * wet) * full - 1.006 * (air - wet)) / (2830.0 + 1.86 * air - 2.1 * wet)
        return got - carried

    return where_zero(excess, -40.0, air)


def vapour_pressure_pa(air_temperature_c: float, relative_humidity: float) -> float:
    """Partial pressure of the vapour in air of -40 to 80 °C and relative humidity 0 to 1."""
    within("air_temperature_c", air_temperature_c, -40.0, 80.0, "°C")
    humidity = within("relative_humidity", relative_humidity, 0.0, 1.0, why="a fraction, not per cent")
    return humidity * saturation_pressure_pa(air_temperature_c)


def _pressure(pressure_pa: float) -> float:
    return within("pressure_pa", pressure_pa, 60_000.0, 110_000.0, "Pa")


def _series(terms: _Terms, x: float) -> float:
    return math.fsum(a * math.pow(x, e) for a, e in terms)
