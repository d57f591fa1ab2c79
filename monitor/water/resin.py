"""A DI bed: what loads it and how long it lasts. What comes out once it is spent is `discharge`.

Conductivity sees only ions. Dissolved CO2 and silica are taken up by the anion resin all the same; behind a
reverse osmosis they are often most of the load, so a run length from conductivity alone is too long by
two or three times.

Cautions: when one side of a bed ends first the water is acid or caustic although it looks merely salty: do
not touch or use it before a pH test. Regenerants are strong acid and caustic: only trained people, with eye
protection. Spent resin and rinse water have disposal rules of their own (local code). Treated water is not
drinking water.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from monitor.water.carbonate import CACO3_MG_EQ, CO2_MG_MOL
from monitor.water.errors import OutOfRange, positive, within
from monitor.water.ions import molar_mass_g_mol

__all__ = [
    "LimitingSide",
    "anion_load_meq_l",
    "as_caco3_factor",
    "co2_share_of_load_pct",
    "di_capacity_from_run_eq_l",
    "di_limiting_side",
    "di_litres_by_rating_l",
    "di_litres_to_exhaustion_l",
    "di_time_left_d",
    "feed_conductivity_equivalent_us_cm",
    "load_from_conductivity_meq_l",
    "mixed_bed_litres_left_l",
    "total_exchangeable_anions_mg_l",
    "weak_acid_load_mg_l",
    "weak_acid_share_pct",
]

SIO2_MG_MOL = 60_084.3
MOST_MG_L = 50_000.0
MOST_CO2_MG_L = 2000.0
MOST_SILICA_MG_L = 200.0
REGENERATED_EQ_L = 0.412  # 9000 grains per cubic foot
PERMEATE_US_CM_PER_MG_L = 2.2  # sodium bicarbonate 1.9, sodium chloride 2.5; permeates lie between
US_CM_PER_MG_L = 2.5  # uS/cm of one mg/L as CaCO3; NaCl at endless dilution: 2.53

Species = Literal[
    "CO2", "SiO2", "HCO3", "Cl", "SO4", "NO3", "F", "CO3", "Na", "K", "Ca", "Mg", "NH4", "OH", "H"
]


def as_caco3_factor(species: Species, sites: int) -> float:
    """Milligrams as CaCO3 in one milligram of a species, by the sites it takes on the resin.

    Equation: f = 50.0435 n / M
    Range: the species of the ion table with CO2 and SiO2; 1 to 3 sites
    Raises: OutOfRange
    Source: equivalent weights
    Assumes: CO2 and SiO2 take one site each (CO2 1.137, SiO2 0.833)
    Not for: a feed rule that weighs CO2 more heavily (`total_exchangeable_anions_mg_l`)
    Example:
        >>> round(as_caco3_factor("CO2", 1), 3), round(as_caco3_factor("SO4", 2), 3)
        (1.137, 1.042)
    """
    if sites not in (1, 2, 3):
        raise OutOfRange("sites", sites, "1, 2 or 3")
    return CACO3_MG_EQ * sites / molar_mass_g_mol(species)


def weak_acid_load_mg_l(co2_mg_l: float, silica_mg_l: float = 0.0) -> float:
    """Load on anion resin that conductivity does not show, as CaCO3.

    Equation: 1.1371 CO2 + 0.8329 SiO2
    Range: CO2 0 to 2000 mg/L; silica 0 to 200 mg/L as SiO2
    Raises: OutOfRange
    Source: equivalent weights, one site each
    Assumes: strong-base anion resin; no silica unless given
    Not for: weak-base resin, which takes up neither
    Example:
        >>> round(weak_acid_load_mg_l(20), 1)
        22.7
    """
    return _weak_meq_l(co2_mg_l, silica_mg_l) * CACO3_MG_EQ


def anion_load_meq_l(
    chloride_mg_l: float = 0.0,
    sulfate_mg_l: float = 0.0,
    nitrate_mg_l: float = 0.0,
    alkalinity_mg_l: float = 0.0,
    co2_mg_l: float = 0.0,
    silica_mg_l: float = 0.0,
) -> float:
    """Everything an anion resin has to take up, from an analysis.

    Equation: Cl/35.453 + SO4/48.03 + NO3/62.005 + alk/50.0435 + CO2/44.01 + SiO2/60.08
    Range: ions and alkalinity (as CaCO3) 0 to 50,000 mg/L; CO2 to 2000; silica to 200
    Raises: OutOfRange
    Source: equivalent weights
    Assumes: alkalinity already counts HCO3 and CO3; CO2 is added once, as one site
    Not for: an analysis with other anions in quantity (fluoride, phosphate)
    Example:
        >>> round(anion_load_meq_l(60, 70, 10, 260, co2_mg_l=20, silica_mg_l=12), 3)
        9.161
    """
    chloride = within("chloride_mg_l", chloride_mg_l, 0.0, MOST_MG_L, "mg/L") / molar_mass_g_mol("Cl")
    sulfate = within("sulfate_mg_l", sulfate_mg_l, 0.0, MOST_MG_L, "mg/L") * 2.0 / molar_mass_g_mol("SO4")
    nitrate = within("nitrate_mg_l", nitrate_mg_l, 0.0, MOST_MG_L, "mg/L") / molar_mass_g_mol("NO3")
    alkalinity = within("alkalinity_mg_l", alkalinity_mg_l, 0.0, MOST_MG_L, "mg/L as CaCO3") / CACO3_MG_EQ
    return chloride + sulfate + nitrate + alkalinity + _weak_meq_l(co2_mg_l, silica_mg_l)


def weak_acid_share_pct(load_meq_l: float, co2_mg_l: float, silica_mg_l: float = 0.0) -> float:
    """Share of the anion load that conductivity does not show.

    Equation: 100 (CO2/44.01 + SiO2/60.08) / load
    Range: load above 0 meq/L and at least the weak acids in it
    Raises: OutOfRange
    Source: equivalent weights
    Assumes: the load counts them, as `anion_load_meq_l` does
    Not for: a load taken from conductivity
    Example:
        >>> round(weak_acid_share_pct(9.16073, co2_mg_l=20, silica_mg_l=12), 2)
        7.14
    """
    weak = _weak_meq_l(co2_mg_l, silica_mg_l)
    load = positive("load_meq_l", load_meq_l, unit="meq/L")
    if load < weak * (1.0 - 1e-9):
        raise OutOfRange("load_meq_l", load, f"at least the {weak:.4g} meq/L of CO2 and silica")
    return 100.0 * weak / load


def co2_share_of_load_pct(load_meq_l: float, co2_mg_l: float) -> float:
    """Share of the anion load that is carbon dioxide.

    Equation: 100 CO2/44.01 / load
    Range: load above 0 meq/L and at least the CO2 in it; CO2 0 to 2000 mg/L
    Raises: OutOfRange
    Source: equivalent weights
    Assumes: CO2 from alkalinity and pH is uncertain: a pH off by 0.1 is 26 % of it
    Not for: a load taken from conductivity
    Example:
        >>> round(co2_share_of_load_pct(0.5697, co2_mg_l=17.67), 1)
        70.5
    """
    return weak_acid_share_pct(load_meq_l, co2_mg_l)


def feed_conductivity_equivalent_us_cm(ec25_us_cm: float, co2_mg_l: float, silica_mg_l: float = 0.0) -> float:
    """FCE: the conductivity a salt feed of the same load would show.

    Equation: FCE = EC + 2.66 CO2 + 1.94 SiO2
    Range: EC 0 to 1000 uS/cm; CO2 0 to 2000 mg/L; silica 0 to 200 mg/L
    Raises: OutOfRange
    Source: published feed rule of electrodeionisation (EC 15, CO2 7.5, SiO2 0.5 -> 35.92)
    Assumes: permeate; no silica unless given
    Not for: raw water
    Example:
        >>> round(feed_conductivity_equivalent_us_cm(15, co2_mg_l=7.5, silica_mg_l=0.5), 2)
        35.92
    """
    return _feed_ec(ec25_us_cm) + 2.66 * _co2(co2_mg_l) + 1.94 * _silica(silica_mg_l)


def total_exchangeable_anions_mg_l(ec25_us_cm: float, co2_mg_l: float) -> float:
    """TEA by its feed rule, as CaCO3.

    Equation: TEA = 2 CO2 + EC x 2/3
    Range: EC 0 to 1000 uS/cm; CO2 0 to 2000 mg/L
    Raises: OutOfRange
    Source: published feed rule of electrodeionisation (EC 15, CO2 7.5 -> 25.0)
    Assumes: permeate. The rule weighs CO2 with 2, where one site each would be 1.137
    Not for: litres to exhaustion (`mixed_bed_litres_left_l`)
    Example:
        >>> total_exchangeable_anions_mg_l(15, co2_mg_l=7.5)
        25.0
    """
    return 2.0 * _co2(co2_mg_l) + _feed_ec(ec25_us_cm) * 2.0 / 3.0


def load_from_conductivity_meq_l(
    ec25_us_cm: float, co2_mg_l: float = 0.0, silica_mg_l: float = 0.0, us_cm_per_mg_l: float = US_CM_PER_MG_L
) -> float:
    """Load on a mixed bed from the feed's conductivity and what conductivity does not show.

    Equation: load = EC / r / 50.0435 + CO2/44.01 + SiO2/60.08
    Range: EC 0 to 1000 uS/cm; CO2 0 to 2000 mg/L; silica 0 to 200 mg/L; r 1 to 4 uS/cm per mg/L as CaCO3
    Raises: OutOfRange
    Source: r 2.5 trade rule (a trade form); it is sodium chloride's at low strength. Bicarbonate waters 1.9;
        another rule prints 1.5
    Assumes: no CO2 and no silica unless given, which makes the load too small, behind an RO by two or three
        times
    Not for: raw water, whose analysis serves better (`anion_load_meq_l`)
    Example:
        >>> round(load_from_conductivity_meq_l(28, co2_mg_l=15), 3)
        0.565
    """
    rule = within("us_cm_per_mg_l", us_cm_per_mg_l, 1.0, 4.0, "uS/cm per mg/L as CaCO3")
    return _feed_ec(ec25_us_cm) / rule / CACO3_MG_EQ + _weak_meq_l(co2_mg_l, silica_mg_l)


def di_litres_to_exhaustion_l(bed_l: float, capacity_eq_l: float, load_meq_l: float) -> float:
    """Water a fresh bed can treat.

    Equation: L = 1000 cap V / load
    Range: bed above 0 L; capacity above 0 and at most 2.5 eq/L; load above 0 meq/L
    Raises: OutOfRange
    Source: definition; capacity of a mixed bed 0.457 eq/L new, 0.412 regenerated (common practice)
    Assumes: capacity of the side that ends first, per litre of mixed bed
    Not for: the volume at which a limit is passed, which comes before (`breakthrough_volume_at_limit_l`)
    Example:
        >>> round(di_litres_to_exhaustion_l(30, capacity_eq_l=0.5, load_meq_l=0.713491))
        21023
    """
    held = positive("bed_l", bed_l, unit="L") * _capacity("capacity_eq_l", capacity_eq_l)
    return 1000.0 * held / positive("load_meq_l", load_meq_l, unit="meq/L")


def mixed_bed_litres_left_l(
    bed_l: float,
    ec25_us_cm: float,
    co2_mg_l: float = 0.0,
    silica_mg_l: float = 0.0,
    litres_since_change_l: float = 0.0,
    capacity_eq_l: float = REGENERATED_EQ_L,
    us_cm_per_mg_l: float = US_CM_PER_MG_L,
) -> float:
    """Litres a mixed bed still treats, from the feed's conductivity, CO2 and silica; 0 once used up.

    Equation: L = 1000 cap V / load - L_since, load as `load_from_conductivity_meq_l`
    Range: as `load_from_conductivity_meq_l` and `di_litres_to_exhaustion_l`; litres since change at least 0
    Raises: OutOfRange
    Source: capacity 0.412 eq/L (9000 grains per cubic foot, regenerated; 0.457 new), common practice
    Assumes: capacity of a regenerated bed unless given; no CO2 and no silica unless given, which makes the
        answer too long; the same feed since the change
    Not for: the end of a particular bed: its own readings tell (`fit_breakthrough`)
    Example:
        >>> round(mixed_bed_litres_left_l(20, ec25_us_cm=28, co2_mg_l=15))
        14593
    """
    load = load_from_conductivity_meq_l(ec25_us_cm, co2_mg_l, silica_mg_l, us_cm_per_mg_l)
    used = within("litres_since_change_l", litres_since_change_l, 0.0, unit="L")
    return max(0.0, di_litres_to_exhaustion_l(bed_l, capacity_eq_l, load) - used)


def di_litres_by_rating_l(rating_g: float, feed_mg_l: float) -> float:
    """Water a cartridge treats by the rating printed on it.

    Equation: L = 1000 rating / C (6000 ppm gal is 22.7 g)
    Range: rating above 0 g; feed above 0 and at most 1000 mg/L
    Raises: OutOfRange
    Source: published example, 6000 ppm gal / 6 ppm = 1000 gal, whose page says that it ignores CO2
    Assumes: the rating's salt and the feed's alike
    Not for: a feed with CO2: too long by two or three times
    Example:
        >>> round(di_litres_by_rating_l(22.7125, feed_mg_l=6))
        3785
    """
    return (
        1000.0 * positive("rating_g", rating_g, unit="g") / positive("feed_mg_l", feed_mg_l, 1000.0, "mg/L")
    )


def di_time_left_d(litres_left_l: float, use_l_d: float) -> float:
    """Days until a volume is used at the shop's own use.

    Equation: days = L / Q
    Range: litres at least 0; use above 0 L/d
    Raises: OutOfRange
    Source: definition
    Assumes: the same use every day: give the week's use over seven
    Not for: a shop without a flow meter
    Example:
        >>> round(di_time_left_d(14594, use_l_d=180), 1)
        81.1
    """
    return within("litres_left_l", litres_left_l, 0.0, unit="L") / positive("use_l_d", use_l_d, unit="L/d")


def di_capacity_from_run_eq_l(bed_l: float, litres_treated_l: float, load_meq_l: float) -> float:
    """Capacity a bed has shown in a finished run: learned at each logged change.

    Equation: cap = L load / (1000 V)
    Range: everything above 0; result at most 2.5 eq/L
    Raises: OutOfRange, also when the result is more than any resin holds (a wrong load, bed or count)
    Source: inverse of `di_litres_to_exhaustion_l`
    Assumes: the bed was changed because it was spent
    Not for: a bed changed early
    Example:
        >>> round(di_capacity_from_run_eq_l(20, litres_treated_l=14594, load_meq_l=0.5647), 3)
        0.412
    """
    treated = positive("litres_treated_l", litres_treated_l, unit="L") * positive(
        "load_meq_l", load_meq_l, unit="meq/L"
    )
    return _capacity("capacity of the run", treated / 1000.0 / positive("bed_l", bed_l, unit="L"))


class LimitingSide(NamedTuple):
    """Which resin of a bed ends the run, and after how much water."""

    side: str
    litres_l: float
    cation_litres_l: float
    anion_litres_l: float


def di_limiting_side(
    cation_resin_l: float,
    cation_capacity_eq_l: float,
    cation_load_meq_l: float,
    anion_resin_l: float,
    anion_capacity_eq_l: float,
    anion_load_meq_l: float,
) -> LimitingSide:
    """Which resin of a bed ends the run first.

    Equation: the smaller of 1000 V cap / load of the two sides
    Range: everything above 0; capacities at most 2.5 eq per litre of that resin
    Raises: OutOfRange
    Source: definition. Beds are built near one to one in equivalents, so with CO2 in the feed the anion side
        usually ends first (common practice, from memory)
    Assumes: capacities in working condition
    Not for: old anion resin, which loses strong-base capacity with the years
    Example:
        >>> di_limiting_side(8, 2.0, 0.17, 12, 1.1, 0.57).side
        'anion'
    """
    cation = di_litres_to_exhaustion_l(cation_resin_l, cation_capacity_eq_l, cation_load_meq_l)
    anion = di_litres_to_exhaustion_l(anion_resin_l, anion_capacity_eq_l, anion_load_meq_l)
    return LimitingSide("anion" if anion <= cation else "cation", min(cation, anion), cation, anion)


def _weak_meq_l(co2_mg_l: float, silica_mg_l: float) -> float:
    return 1000.0 * (_co2(co2_mg_l) / CO2_MG_MOL + _silica(silica_mg_l) / SIO2_MG_MOL)


def _co2(co2_mg_l: float) -> float:
    return within("co2_mg_l", co2_mg_l, 0.0, MOST_CO2_MG_L, "mg/L")


def _silica(silica_mg_l: float) -> float:
    return within("silica_mg_l", silica_mg_l, 0.0, MOST_SILICA_MG_L, "mg/L as SiO2")


def _feed_ec(ec25_us_cm: float) -> float:
    return within("ec25_us_cm", ec25_us_cm, 0.0, 1000.0, "uS/cm at 25 °C")


def _capacity(name: str, value: float) -> float:
    return positive(name, value, 2.5, "eq/L", "more than any resin holds")
