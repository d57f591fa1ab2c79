"""Water leaving an open surface as vapour: a rate, a bound, a band.

No published formula does better than about 18 % mean deviation (abstract of a 2002 review of eleven of them),
and the surface of a running machine tool (splash, mist, wet chips, enclosure) is not known. So do not alarm
on an absolute predicted evaporation: learn each sump's own and use the formula to scale it.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.water.errors import OutOfRange, positive, within
from monitor.water.psychrometrics import (
    STANDARD_PRESSURE_PA,
    humidity_ratio_kg_kg,
    latent_heat_kj_kg,
    saturation_pressure_pa,
    vapour_pressure_pa,
)

__all__ = [
    "EvaporationBand",
    "evaporation_band",
    "evaporation_by_humidity_kg_h",
    "evaporation_energy_bound_kg",
    "evaporation_from_humidities_kg_h",
    "evaporation_heat_kwh",
    "evaporation_kg_h",
]

LARGEST_M2 = 100_000.0
FASTEST_M_S = 10.0
MEAN_DEVIATION = 0.18


def evaporation_kg_h(
    area_m2: float,
    liquid_temperature_c: float,
    air_temperature_c: float,
    relative_humidity: float,
    air_speed_m_s: float = 0.1,
    activity_factor: float = 1.0,
) -> float:
    """Evaporation from an open water surface by the Carrier equation that ASHRAE uses for pools.

    Equation: W = F A (p_w - p_a) (0.089 + 0.0782 v) / h; p in kPa at the surface and in the air, h in kJ/kg,
        W in kg/s, here times 3600
    Range: area above 0 m², liquid 0 to 60 °C, air -20 to 60 °C, humidity 0 to 1, air 0 to 10 m/s,
        activity factor 0 to 3. Below zero the air condenses on the liquid: legal, not clipped
    Raises: OutOfRange
    Source: Carrier 1918 as in ASHRAE Handbook, HVAC Applications; I-P form (95 + 0.425 v) read in the
        abstract of Smith et al., ASHRAE Transactions 104-1A (1998), who found 0.74 of it over quiet pools
    Assumes: the liquid evaporates as water does; a film of oil slows it, mist carries liquid away besides
    Not for: an alarm on the absolute figure
    Example:
        >>> round(evaporation_kg_h(area_m2=0.8, liquid_temperature_c=22, air_temperature_c=22,
        ...                        relative_humidity=0.5, air_speed_m_s=0.05), 4)
        0.1445
    """
    area = positive("area_m2", area_m2, LARGEST_M2, "m²")
    speed = within("air_speed_m_s", air_speed_m_s, 0.0, FASTEST_M_S, "m/s")
    factor = within("activity_factor", activity_factor, 0.0, 3.0)
    liquid = _liquid(liquid_temperature_c)
    pull_kpa = (saturation_pressure_pa(liquid) - _air_pa(air_temperature_c, relative_humidity)) / 1000.0
    return factor * area * pull_kpa * (0.089 + 0.0782 * speed) / latent_heat_kj_kg(liquid) * 3600.0


def evaporation_by_humidity_kg_h(
    area_m2: float,
    liquid_temperature_c: float,
    air_temperature_c: float,
    relative_humidity: float,
    air_speed_m_s: float = 0.1,
    pressure_pa: float = STANDARD_PRESSURE_PA,
) -> float:
    """Evaporation from an open water surface by the humidity-ratio formula, from temperatures.

    Equation: g = (25 + 19 v) A (x_s - x), x_s saturated at the liquid's temperature, x in the air, kg/kg
    Range: as `evaporation_kg_h`; pressure 60,000 to 110,000 Pa
    Raises: OutOfRange
    Source: engineering handbooks' pool formula (its worked example is reproduced in the tests)
    Assumes: as `evaporation_kg_h`. The two differ by 19 % on an ordinary case: that is the state of the art
    Not for: an alarm on the absolute figure
    Example:
        >>> round(evaporation_by_humidity_kg_h(area_m2=1.0, liquid_temperature_c=28, air_temperature_c=22,
        ...                                    relative_humidity=0.5, air_speed_m_s=0.3), 3)
        0.488
    """
    speed = within("air_speed_m_s", air_speed_m_s, 0.0, FASTEST_M_S, "m/s")
    _air_pa(air_temperature_c, relative_humidity)
    surface = humidity_ratio_kg_kg(_liquid(liquid_temperature_c), 1.0, pressure_pa)
    air = humidity_ratio_kg_kg(air_temperature_c, relative_humidity, pressure_pa)
    return evaporation_from_humidities_kg_h(area_m2, surface, air, 25.0 + 19.0 * speed)


def evaporation_from_humidities_kg_h(
    area_m2: float,
    surface_humidity_kg_kg: float,
    air_humidity_kg_kg: float,
    coefficient_kg_m2_h: float = 25.0,
) -> float:
    """Evaporation from two humidity ratios and a coefficient.

    Equation: g = Theta A (x_s - x); Theta = 25 + 19 v for an open surface
    Range: area above 0 m², humidity ratios 0 to 0.5 kg/kg, coefficient above 0 to 500 kg/(m² h)
    Raises: OutOfRange
    Source: engineering handbooks' pool formula
    Not for: an alarm on the absolute figure
    Example:
        >>> round(evaporation_from_humidities_kg_h(1.0, 0.025, 0.010, 25.0), 3)
        0.375
    """
    area = positive("area_m2", area_m2, LARGEST_M2, "m²")
    theta = positive("coefficient_kg_m2_h", coefficient_kg_m2_h, 500.0, "kg/(m² h)")
    surface = within("surface_humidity_kg_kg", surface_humidity_kg_kg, 0.0, 0.5, "kg/kg")
    return theta * area * (surface - within("air_humidity_kg_kg", air_humidity_kg_kg, 0.0, 0.5, "kg/kg"))


def evaporation_energy_bound_kg(
    power_kw: float, time_h: float, liquid_temperature_c: float, fraction_to_evaporation: float = 1.0
) -> float:
    """The most water that heat put into the coolant can evaporate, above what it evaporates idle.

    Equation: m = P f t / h
    Range: power 0 to 10,000 kW, time 0 to 10,000 h, liquid 0 to 60 °C, fraction 0 to 1
    Raises: OutOfRange
    Source: energy balance
    Assumes: the mean power that reaches the coolant, not the spindle's nameplate
    Not for: coolant colder than the room, which the room's air also heats: total <= idle + this
    Example:
        >>> round(evaporation_energy_bound_kg(power_kw=5.0, time_h=8.0, liquid_temperature_c=30,
        ...                                   fraction_to_evaporation=0.6), 1)
        35.6
    """
    heat_kj = within("power_kw", power_kw, 0.0, 10_000.0, "kW") * 3600.0
    heat_kj *= within("time_h", time_h, 0.0, 10_000.0, "h")
    heat_kj *= within("fraction_to_evaporation", fraction_to_evaporation, 0.0, 1.0)
    return heat_kj / latent_heat_kj_kg(_liquid(liquid_temperature_c))


def evaporation_heat_kwh(evaporated_kg: float, liquid_temperature_c: float) -> float:
    """Heat that evaporating this much water takes.

    Equation: Q = m h / 3600
    Range: mass from 0 kg, liquid 0 to 150 °C
    Raises: OutOfRange
    Source: energy balance
    Not for: the heat a machine gives off: most of it leaves by chips, parts and air
    Example:
        >>> round(evaporation_heat_kwh(10.0, 30.0), 2)
        6.75
    """
    mass = within("evaporated_kg", evaporated_kg, 0.0, unit="kg")
    return mass * latent_heat_kj_kg(liquid_temperature_c) / 3600.0


@dataclass(frozen=True)
class EvaporationBand:
    """What a sump may evaporate in a day, least and most, and how far heat bounds the most."""

    low_l_d: float
    high_l_d: float
    bounded_by_heat: bool
    """True when the energy put in, not the formula, sets the high end."""


def evaporation_band(
    area_m2: float,
    liquid_temperature_c: float,
    air_temperature_c: float = 21.0,
    time_h_d: float = 24.0,
    power_kw: float | None = None,
    relative_humidity_low: float = 0.35,
    relative_humidity_high: float = 0.6,
    air_speed_low_m_s: float = 0.05,
    air_speed_high_m_s: float = 0.3,
) -> EvaporationBand:
    """Band of a sump's daily evaporation over the humidity and air speed a shop may have.

    Equation: low: half the Carrier equation (still, undisturbed surface) in the more humid, slower air, times
        1 - 0.18; high: the larger of the Carrier and humidity-ratio formulas in the drier, faster air, times
        1 + 0.18; with a power P, high is at most the idle low end of the band's high air + P t / h
    Range: as `evaporation_kg_h`; hours a day 0 to 24; power 0 to 10,000 kW
    Raises: OutOfRange
    Source: the two formulas; 18 % is the mean deviation of the best of eleven (Shah 2002, abstract); the 0.5
        factor and the default humidities and speeds are common practice, no source
    Assumes: 1 kg is 1 L; the area is all that is wet (tank, enclosure, conveyor, chips)
    Not for: an alarm by itself: it is where a sump's own learned baseline should lie
    Example:
        >>> band = evaporation_band(area_m2=1.2, liquid_temperature_c=30)
        >>> round(band.low_l_d, 1), round(band.high_l_d, 1)
        (4.5, 22.8)
    """
    hours = within("time_h_d", time_h_d, 0.0, 24.0, "h/d")
    if relative_humidity_low > relative_humidity_high:
        raise OutOfRange("relative_humidity_low", relative_humidity_low, "at most the high humidity")
    if air_speed_low_m_s > air_speed_high_m_s:
        raise OutOfRange("air_speed_low_m_s", air_speed_low_m_s, "at most the high speed")
    still = (area_m2, liquid_temperature_c, air_temperature_c, relative_humidity_high, air_speed_low_m_s)
    brisk = (area_m2, liquid_temperature_c, air_temperature_c, relative_humidity_low, air_speed_high_m_s)
    low = evaporation_kg_h(*still, activity_factor=0.5) * hours
    high = max(evaporation_kg_h(*brisk), evaporation_by_humidity_kg_h(*brisk)) * hours
    low, high = low - MEAN_DEVIATION * abs(low), high + MEAN_DEVIATION * abs(high)
    if power_kw is None:
        return EvaporationBand(low, high, bounded_by_heat=False)
    # At room temperature the same surface takes its heat from the air: that is the idle part.
    idle = evaporation_kg_h(area_m2, air_temperature_c, *brisk[2:]) * hours * (1.0 + MEAN_DEVIATION)
    most = idle + evaporation_energy_bound_kg(power_kw, hours, liquid_temperature_c)
    return EvaporationBand(min(low, most), min(high, most), bounded_by_heat=most < high)


def _liquid(liquid_temperature_c: float) -> float:
    return within("liquid_temperature_c", liquid_temperature_c, 0.0, 60.0, "°C")


def _air_pa(air_temperature_c: float, relative_humidity: float) -> float:
    within("air_temperature_c", air_temperature_c, -20.0, 60.0, "°C")
    return vapour_pressure_pa(air_temperature_c, relative_humidity)
