"""What a reverse osmosis makes of a water: composition of permeate and concentrate, CO2 passing unchanged.

The membrane holds back ions and lets the gas through. Permeate has little alkalinity and all the CO2, so its
pH falls; concentrate has much alkalinity and the same CO2, so its pH rises, and scale with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.water.carbonate import (
    CACO3_MG_EQ,
    HCO3_MG_MOL,
    bicarbonate_mg_l,
    co2_from_alkalinity_mg_l,
    ph_from_alkalinity_co2,
)
from monitor.water.errors import OutOfRange, positive, within
from monitor.water.ions import (
    Analysis,
    Ion,
    ec_from_ions_us_cm,
    ionic_strength_mol_l,
    mol_per_l,
    tds_sum_mg_l,
)
from monitor.water.osmosis import ro_concentration_factor
from monitor.water.resin import anion_load_meq_l, co2_share_of_load_pct
from monitor.water.ultrapure import water_pkw

__all__ = ["WaterState", "concentrate_water", "feed_water", "permeate_water"]

CARBON: tuple[Ion, ...] = ("HCO3", "CO3", "CO2", "H", "OH")  # follow from alkalinity and pH, not given
CO3_MG_MOL = 60_008.9
SETTLED = 4  # rounds: ionic strength, CO2 and pH depend on each other a little


@dataclass(frozen=True)
class WaterState:
    """A water with its carbonate worked out. `analysis_mg_l` is whole: HCO3, CO3 and CO2 included."""

    analysis_mg_l: Mapping[Ion, float]
    alkalinity_mg_l: float
    ph: float
    co2_mg_l: float
    temperature_c: float
    ionic_strength_mol_l: float
    tds_mg_l: float
    ec25_us_cm: float
    anion_load_meq_l: float
    co2_share_of_load_pct: float


def feed_water(
    analysis_mg_l: Analysis, alkalinity_mg_l: float, ph: float, temperature_c: float = 25.0
) -> WaterState:
    """A raw or softened water with CO2, bicarbonate, conductivity and anion load worked out.

    Equation: CO2 and HCO3 from alkalinity and pH at the water's own ionic strength; conductivity by the
        per-ion law; load as `anion_load_meq_l`
    Range: ions as `ec_from_ions_us_cm` (without HCO3, CO3, CO2: they follow); alkalinity 0 to 5000 mg/L as
        CaCO3; pH 3 to 12; 0 to 50 °C
    Raises: OutOfRange, also when HCO3, CO3 or CO2 is given beside alkalinity and pH
    Source: `co2_from_alkalinity_mg_l`, `ec_from_ions_us_cm`
    Assumes: alkalinity is carbonate only; the pH is that at the temperature given; no ion pairs
    Not for: water with phosphate, borate or amines (coolant)
    Example:
        >>> tap = {"Ca": 100, "Mg": 30, "Na": 20, "K": 3, "SO4": 70, "NO3": 10, "Cl": 56.45}
        >>> feed = feed_water(tap, 260, 7.4)
        >>> round(feed.co2_mg_l, 1), round(feed.ec25_us_cm, -1)
        (18.2, 840.0)
    """
    for ion in CARBON:
        if ion in analysis_mg_l:
            raise OutOfRange("analysis_mg_l", ion, "ions without it: it follows from alkalinity and pH")
    strength = 0.0
    analysis: dict[Ion, float] = {}
    for _ in range(SETTLED):
        analysis = _with_carbon(analysis_mg_l, alkalinity_mg_l, ph, temperature_c, strength)
        strength = ionic_strength_mol_l(analysis)
    return _state(analysis, alkalinity_mg_l, ph, temperature_c, strength)


def permeate_water(
    analysis_mg_l: Analysis,
    alkalinity_mg_l: float,
    ph: float,
    salt_passage_pct: float,
    temperature_c: float = 25.0,
) -> WaterState:
    """Permeate of a feed: ions and silica times the passage, CO2 unchanged, the pH that follows.

    Equation: c_p = SP c_f for every ion and the alkalinity; CO2_p = CO2_f; pH from both
    Range: as `feed_water`; passage above 0 to 50 %
    Raises: OutOfRange
    Source: as `feed_water`. Against PHREEQC see the table of deviations
    Assumes: one passage for every ion (nitrate and sodium truly pass more, sulfate and calcium less)
    Not for: the passage of silica or boron, which is their own
    Example:
        >>> tap = {"Ca": 100, "Mg": 30, "Na": 20, "K": 3, "SO4": 70, "NO3": 10, "Cl": 56.45}
        >>> out = permeate_water(tap, 260, 7.4, salt_passage_pct=2)
        >>> round(out.ph, 2), round(out.co2_share_of_load_pct)
        (5.75, 71)
    """
    passage = positive("salt_passage_pct", salt_passage_pct, 50.0, "%") / 100.0
    return _scaled(feed_water(analysis_mg_l, alkalinity_mg_l, ph, temperature_c), passage)


def concentrate_water(
    analysis_mg_l: Analysis,
    alkalinity_mg_l: float,
    ph: float,
    recovery_pct: float,
    salt_passage_pct: float = 0.0,
    temperature_c: float = 25.0,
) -> WaterState:
    """Concentrate of a feed at a recovery: ions concentrated, CO2 unchanged, the pH that follows.

    Equation: c_c = c_f (1 - Y SP) / (1 - Y); CO2_c = CO2_f; pH from both
    Range: as `feed_water`; recovery 0 to 95 %; passage 0 to 50 %
    Raises: OutOfRange
    Source: as `feed_water`
    Assumes: no salt passes unless said; nothing precipitates on the way
    Not for: a feed dosed with acid or antiscalant, whose scaling limits are the chemical's own
    Example:
        >>> tap = {"Ca": 100, "Mg": 30, "Na": 20, "K": 3, "SO4": 70, "NO3": 10, "Cl": 56.45}
        >>> round(concentrate_water(tap, 260, 7.4, recovery_pct=60).ph, 2)
        7.77
    """
    recovery = within("recovery_pct", recovery_pct, 0.0, 95.0, "%")
    passage = within("salt_passage_pct", salt_passage_pct, 0.0, 50.0, "%") / 100.0
    times = ro_concentration_factor(recovery) * (1.0 - recovery / 100.0 * passage)
    return _scaled(feed_water(analysis_mg_l, alkalinity_mg_l, ph, temperature_c), times)


def _scaled(feed: WaterState, times: float) -> WaterState:
    """Every ion and the alkalinity times a factor, the CO2 as it was."""
    ions: dict[Ion, float] = {
        ion: times * value for ion, value in feed.analysis_mg_l.items() if ion not in CARBON
    }
    alkalinity = times * feed.alkalinity_mg_l
    strength = times * feed.ionic_strength_mol_l
    analysis: dict[Ion, float] = {}
    ph = feed.ph
    for _ in range(SETTLED):
        ph = ph_from_alkalinity_co2(alkalinity, feed.co2_mg_l, feed.temperature_c, strength)
        analysis = _with_carbon(ions, alkalinity, ph, feed.temperature_c, strength)
        strength = ionic_strength_mol_l(analysis)
    return _state(analysis, alkalinity, ph, feed.temperature_c, strength)


def _with_carbon(
    ions: Analysis, alkalinity: float, ph: float, temperature_c: float, strength: float
) -> dict[Ion, float]:
    """The ions with HCO3, CO3 and CO2 that alkalinity and pH make of them."""
    whole: dict[Ion, float] = {**ions}
    mol_per_l(whole)
    whole["HCO3"] = bicarbonate_mg_l(alkalinity, ph, temperature_c, strength)
    whole["CO2"] = co2_from_alkalinity_mg_l(alkalinity, ph, temperature_c, strength)
    h = 10.0**-ph
    rest = alkalinity / CACO3_MG_EQ / 1000.0 - whole["HCO3"] / HCO3_MG_MOL + h
    whole["CO3"] = max(0.0, rest - 10.0 ** -water_pkw(temperature_c) / h) / 2.0 * CO3_MG_MOL
    return whole


def _state(
    analysis: dict[Ion, float], alkalinity: float, ph: float, temperature_c: float, strength: float
) -> WaterState:
    co2 = analysis["CO2"]
    load = anion_load_meq_l(
        analysis.get("Cl", 0.0), analysis.get("SO4", 0.0), analysis.get("NO3", 0.0),
        alkalinity, co2, analysis.get("SiO2", 0.0),
    )  # fmt: skip
    return WaterState(
        analysis_mg_l=analysis,
        alkalinity_mg_l=alkalinity,
        ph=ph,
        co2_mg_l=co2,
        temperature_c=temperature_c,
        ionic_strength_mol_l=strength,
        tds_mg_l=tds_sum_mg_l(analysis),
        ec25_us_cm=ec_from_ions_us_cm(analysis, 25.0, ph),
        anion_load_meq_l=load,
        co2_share_of_load_pct=co2_share_of_load_pct(load, co2) if load > 0 else 0.0,
    )
