"""Reverse osmosis from flows, concentrations and pressures: balances, osmotic pressure, driving pressure.

Flows enter as ratios, so any flow unit serves as long as all are the same; the names say litres per minute.
Cautions: a membrane housing holds pressure after the pump has stopped: relieve it before opening anything.
Reject water may need a permit to be discharged or reused (local code).
"""

from __future__ import annotations

import math

from monitor.water.errors import OutOfRange, positive, within
from monitor.water.ultrapure import density_kg_l

__all__ = [
    "net_driving_pressure_bar",
    "osmotic_pressure_astm_bar",
    "osmotic_pressure_membrane_manual_bar",
    "osmotic_pressure_nacl_pitzer_bar",
    "osmotic_pressure_rule_of_thumb_bar",
    "osmotic_pressure_vant_hoff_bar",
    "osmotic_pressure_vant_hoff_molal_bar",
    "ro_concentrate_mg_l",
    "ro_concentration_factor",
    "ro_feed_side_mean_mg_l",
    "ro_flush_volume_l",
    "ro_recovery_pct",
    "ro_rejection_pct",
    "ro_salt_balance_error_pct",
    "ro_salt_passage_pct",
    "ro_water_balance_error_pct",
]

GAS_L_BAR_MOL_K = 0.08314462618  # CODATA 2018
NACL_G_MOL = 58.443
WATER_KG_MOL = 0.018015268
BAR_PER_PSI = 0.0689475729

MOST_SALT_MG_L = 100_000.0  # past it no membrane of this kind works
COLDEST_C, HOTTEST_C = 0.0, 60.0
HIGHEST_RECOVERY_PCT = 99.0


def ro_recovery_pct(feed_l_min: float, permeate_l_min: float) -> float:
    """Share of the feed that becomes permeate.

    Equation: Y = 100 Qp / Qf
    Range: feed above 0 L/min; permeate above 0 and below the feed
    Raises: OutOfRange
    Source: definition (ASTM D4516 terms)
    Assumes: both flows of the same moment; any flow unit, the same for both
    Not for: a unit that recirculates concentrate, where system and element recovery differ
    Example:
        >>> ro_recovery_pct(feed_l_min=8, permeate_l_min=4.8)
        60.0
    """
    feed = positive("feed_l_min", feed_l_min, unit="L/min")
    permeate = positive("permeate_l_min", permeate_l_min, unit="L/min")
    if permeate >= feed:
        raise OutOfRange(
            "permeate_l_min", permeate, f"below the feed, {feed:g} L/min", "a flow meter is wrong"
        )
    return 100.0 * permeate / feed


def ro_salt_passage_pct(feed_mg_l: float, permeate_mg_l: float) -> float:
    """Share of the feed's salt concentration found in the permeate.

    Equation: SP = 100 Cp / Cf
    Range: feed above 0 mg/L; permeate 0 up to the feed; conductivities at 25 °C serve as a proxy
    Raises: OutOfRange, also for a permeate above the feed: probes swapped, or a broken seal
    Source: definition
    Assumes: both at the same time, after the start-up flush
    Not for: comparing days of different temperature, flow or recovery (`normalised_salt_passage_pct`).
        With conductivities, dissolved CO2 makes the permeate read high, so passage looks worse than it is
    Example:
        >>> ro_salt_passage_pct(feed_mg_l=450, permeate_mg_l=9)
        2.0
    """
    feed = _salt("feed_mg_l", feed_mg_l)
    if feed == 0.0:
        raise OutOfRange("feed_mg_l", feed, "above 0 mg/L")
    return 100.0 * within("permeate_mg_l", permeate_mg_l, 0.0, feed, "mg/L", "no more than the feed") / feed


def ro_rejection_pct(feed_mg_l: float, permeate_mg_l: float) -> float:
    """Share of the feed's salt concentration held back.

    Equation: R = 100 (1 - Cp / Cf)
    Range: as `ro_salt_passage_pct`
    Raises: OutOfRange
    Source: definition
    Assumes: as `ro_salt_passage_pct`
    Not for: as `ro_salt_passage_pct`
    Example:
        >>> ro_rejection_pct(feed_mg_l=450, permeate_mg_l=9)
        98.0
    """
    return 100.0 - ro_salt_passage_pct(feed_mg_l, permeate_mg_l)


def ro_concentration_factor(recovery_pct: float) -> float:
    """How many times the feed's salts are concentrated if none passes.

    Equation: CF = 1 / (1 - Y)
    Range: recovery 0 to 99 %
    Raises: OutOfRange
    Source: salt balance with full rejection
    Assumes: no salt in the permeate
    Not for: CO2, which passes and is not concentrated
    Example:
        >>> ro_concentration_factor(60)
        2.5
    """
    return 1.0 / (1.0 - _recovery(recovery_pct))


def ro_concentrate_mg_l(feed_mg_l: float, permeate_mg_l: float, recovery_pct: float) -> float:
    """Concentration of the concentrate from a salt balance.

    Equation: Cc = (Cf - Y Cp) / (1 - Y)
    Range: permeate 0 up to the feed; feed to 100,000 mg/L; recovery 0 to 99 %
    Raises: OutOfRange
    Source: salt balance
    Assumes: steady flows; concentrations, not conductivities (whose ratio to mass falls in stronger water)
    Not for: predicting the conductivity of the concentrate better than some per cent
    Example:
        >>> round(ro_concentrate_mg_l(450, permeate_mg_l=9, recovery_pct=60), 1)
        1111.5
    """
    feed = _salt("feed_mg_l", feed_mg_l)
    permeate = within("permeate_mg_l", permeate_mg_l, 0.0, feed, "mg/L")
    share = _recovery(recovery_pct)
    return (feed - share * permeate) / (1.0 - share)


def ro_feed_side_mean_mg_l(feed_mg_l: float, recovery_pct: float) -> float:
    """Log-mean concentration along the feed side of the membrane.

    Equation: Cfb = Cf ln(1/(1-Y)) / Y
    Range: feed 0 to 100,000 mg/L; recovery 0 to 99 % (at 0 the feed itself)
    Raises: OutOfRange
    Source: log-mean rule of ASTM D4516 (read on secondary pages)
    Assumes: full rejection, plug flow
    Not for: a unit with concentrate recirculation
    Example:
        >>> round(ro_feed_side_mean_mg_l(450, recovery_pct=60), 1)
        687.2
    """
    return _salt("feed_mg_l", feed_mg_l) * log_mean_factor(recovery_pct)


def log_mean_factor(recovery_pct: float) -> float:
    """ln(1/(1-Y))/Y, and 1 at no recovery."""
    share = _recovery(recovery_pct)
    return 1.0 if share < 1e-9 else -math.log1p(-share) / share


def ro_water_balance_error_pct(feed_l_min: float, permeate_l_min: float, concentrate_l_min: float) -> float:
    """What the three flow meters leave unexplained.

    Equation: 100 (Qf - Qp - Qc) / Qf
    Range: feed above 0; the others at least 0 L/min
    Raises: OutOfRange
    Source: water balance
    Assumes: flows of the same moment
    Not for: saying which meter is wrong
    Example:
        >>> round(ro_water_balance_error_pct(8.0, permeate_l_min=4.1, concentrate_l_min=3.8), 2)
        1.25
    """
    feed = positive("feed_l_min", feed_l_min, unit="L/min")
    permeate = within("permeate_l_min", permeate_l_min, 0.0, unit="L/min")
    return (
        100.0 * (feed - permeate - within("concentrate_l_min", concentrate_l_min, 0.0, unit="L/min")) / feed
    )


def ro_salt_balance_error_pct(
    feed_l_min: float,
    permeate_l_min: float,
    concentrate_l_min: float,
    feed_mg_l: float,
    permeate_mg_l: float,
    concentrate_mg_l: float,
) -> float:
    """What flows and concentrations leave unexplained of the feed's salt.

    Equation: 100 (Qf Cf - Qp Cp - Qc Cc) / (Qf Cf)
    Range: feed flow and concentration above 0; the others at least 0; concentrations to 100,000 mg/L
    Raises: OutOfRange
    Source: salt balance
    Assumes: concentrations. On conductivities the balance closes several per cent positive with perfect
        probes, since conductivity per mass falls as water concentrates
    Not for: a verdict on probes when conductivities were used
    Example:
        >>> round(ro_salt_balance_error_pct(8.0, 4.1, 3.8, 850, permeate_mg_l=25, concentrate_mg_l=1650), 2)
        6.29
    """
    into = positive("feed_l_min", feed_l_min, unit="L/min") * positive(
        "feed_mg_l", feed_mg_l, MOST_SALT_MG_L, "mg/L"
    )
    permeate = within("permeate_l_min", permeate_l_min, 0.0, unit="L/min") * _salt(
        "permeate_mg_l", permeate_mg_l
    )
    concentrate = within("concentrate_l_min", concentrate_l_min, 0.0, unit="L/min")
    return 100.0 * (into - permeate - concentrate * _salt("concentrate_mg_l", concentrate_mg_l)) / into


def osmotic_pressure_astm_bar(dissolved_mg_l: float, temperature_c: float) -> float:
    """Osmotic pressure by the rule used with ASTM D4516.

    Equation: pi = 0.002654 C (T + 273.15) / (1000 - C/1000)
    Range: 0 to 100,000 mg/L; 0 to 60 °C
    Raises: OutOfRange
    Source: coefficient 0.0385 psi read in open code for D4516; the standard itself was not read
    Assumes: a salt like NaCl
    Not for: tap water to better than 60 % (it reads 55 to 63 % high there: 0.1 to 0.2 bar, of little
        weight in 8 to 10 bar, if the same rule is kept for reference and actual)
    Example:
        >>> round(osmotic_pressure_astm_bar(2000, temperature_c=25), 3)
        1.586
    """
    salt = _salt("dissolved_mg_l", dissolved_mg_l)
    return 0.002654 * salt * (_temperature(temperature_c) + 273.15) / (1000.0 - salt / 1000.0)


def osmotic_pressure_membrane_manual_bar(dissolved_mg_l: float, temperature_c: float) -> float:
    """Osmotic pressure by the rule printed in membrane manuals.

    Equation: below 20 g/L  pi = C (T + 320) / 491000;  above  pi = (0.0117 C - 34) / 14.23 x (T + 320) / 345
    Range: 0 to 100,000 mg/L; 0 to 60 °C
    Raises: OutOfRange
    Source: read in three open codes, of which one forgot the 14.23 and one put it on the 34 only
    Assumes: brackish water; the two branches meet within 2 %
    Not for: mixing with another rule within one normalisation
    Example:
        >>> round(osmotic_pressure_membrane_manual_bar(2000, temperature_c=25), 3)
        1.405
    """
    salt = _salt("dissolved_mg_l", dissolved_mg_l)
    shifted = _temperature(temperature_c) + 320.0
    if salt < 20_000.0:
        return salt * shifted / 491_000.0
    return (0.0117 * salt - 34.0) / 14.23 * shifted / 345.0


def osmotic_pressure_vant_hoff_bar(
    dissolved_mg_l: float, temperature_c: float, molar_mass_g_mol: float = NACL_G_MOL, particles: float = 2.0
) -> float:
    """Osmotic pressure of an ideal solution.

    Equation: pi = i C / M R T
    Range: 0 to 100,000 mg/L; 0 to 60 °C; molar mass above 0 g/mol; particles 1 to 5
    Raises: OutOfRange
    Source: van 't Hoff; R of CODATA 2018
    Assumes: sodium chloride unless said otherwise; no interaction of ions
    Not for: NaCl to better than 3 % at 500 mg/L, 7 % at 35 g/L (it reads high)
    Example:
        >>> round(osmotic_pressure_vant_hoff_bar(2000, temperature_c=25), 3)
        1.697
    """
    mol_l = (
        _salt("dissolved_mg_l", dissolved_mg_l)
        / 1000.0
        / positive("molar_mass_g_mol", molar_mass_g_mol, unit="g/mol")
    )
    kelvin = _temperature(temperature_c) + 273.15
    return within("particles", particles, 1.0, 5.0) * mol_l * GAS_L_BAR_MOL_K * kelvin


def osmotic_pressure_vant_hoff_molal_bar(
    molality_mol_kg: float, temperature_c: float, water_kg_l: float = 0.997, particles: float = 2.0
) -> float:
    """Osmotic pressure of an ideal solution of known molality.

    Equation: pi = i m rho R T
    Range: 0 to 2 mol/kg; 0 to 60 °C; water 0.98 to 1.0 kg/L; particles 1 to 5
    Raises: OutOfRange
    Source: van 't Hoff
    Assumes: two particles a formula unit unless said otherwise
    Not for: concentrated solutions
    Example:
        >>> round(osmotic_pressure_vant_hoff_molal_bar(0.1, temperature_c=25), 3)
        4.943
    """
    molality = within("molality_mol_kg", molality_mol_kg, 0.0, 2.0, "mol/kg")
    density = within("water_kg_l", water_kg_l, 0.98, 1.0, "kg/L")
    kelvin = _temperature(temperature_c) + 273.15
    return within("particles", particles, 1.0, 5.0) * molality * density * GAS_L_BAR_MOL_K * kelvin


def osmotic_pressure_rule_of_thumb_bar(dissolved_mg_l: float) -> float:
    """Osmotic pressure by the trade's "1 psi per 100 mg/L".

    Equation: pi = C / 100 psi
    Range: 0 to 100,000 mg/L
    Raises: OutOfRange
    Source: common rule, read on a trade page
    Assumes: nothing about the salt or the temperature
    Not for: normalisation: it is 14 to 16 % low for NaCl and high for tap water
    Example:
        >>> round(osmotic_pressure_rule_of_thumb_bar(2000), 3)
        1.379
    """
    return _salt("dissolved_mg_l", dissolved_mg_l) / 100.0 * BAR_PER_PSI


def osmotic_pressure_nacl_pitzer_bar(nacl_mg_l: float, temperature_c: float = 25.0) -> float:
    """Osmotic pressure of a sodium chloride solution from its osmotic coefficient.

    Equation: pi = 2 phi m M_w R T / V_w, phi of Pitzer: 1 - A sqrt(m)/(1 + 1.2 sqrt(m))
        + m (b0 + b1 exp(-2 sqrt(m))) + m^2 C
    Range: 0 to 100,000 mg NaCl per litre of solution; 5 to 45 °C
    Raises: OutOfRange
    Source: Pitzer and Mayorga 1973: b0 0.0765, b1 0.2664, C 0.00127 at 25 °C; their slopes with temperature
        Silvester and Pitzer 1977; apparent volume of NaCl 16.6 + 1.9 sqrt(c) mL/mol (all from memory)
    Assumes: nothing but NaCl
    Not for: tap water (`osmotic_pressure_astm_bar`, kept the same for reference and actual)
    Example:
        >>> round(osmotic_pressure_nacl_pitzer_bar(35_000), 2)
        27.71
    """
    warm = within("temperature_c", temperature_c, 5.0, 45.0, "°C")
    kelvin, off = warm + 273.15, warm - 25.0
    density = density_kg_l(warm)
    mol_l = _salt("nacl_mg_l", nacl_mg_l) / 1000.0 / NACL_G_MOL
    m = mol_l / (density * (1.0 - mol_l * (16.6 + 1.9 * math.sqrt(mol_l)) / 1000.0))
    root = math.sqrt(m)
    slope = 0.3915 + 0.00063 * off + 2.6e-6 * off * off
    b0, b1, c = 0.0765 + 7.159e-4 * off, 0.2664 + 7.005e-4 * off, 0.00127 - 1.0535e-4 * off
    phi = 1.0 - slope * root / (1.0 + 1.2 * root) + m * (b0 + b1 * math.exp(-2.0 * root)) + m * m * c
    return 2.0 * phi * m * density * GAS_L_BAR_MOL_K * kelvin


def net_driving_pressure_bar(
    feed_pressure_bar: float,
    pressure_drop_bar: float,
    permeate_pressure_bar: float,
    feed_osmotic_bar: float,
    permeate_osmotic_bar: float,
) -> float:
    """Pressure that truly drives water through the membrane.

    Equation: NDP = Pf - dP/2 - Pp - pi_fb + pi_p
    Range: gauge pressures 0 to 100 bar; drop 0 up to the feed pressure; the result must be above 0
    Raises: OutOfRange
    Source: ASTM D4516 form (read on secondary pages)
    Assumes: all gauges read gauge pressure; feed osmotic pressure at the log-mean concentration
    Not for: hybrids with a booster between stages; take each stage by itself
    Example:
        >>> round(net_driving_pressure_bar(10.0, 0.60, 0.5, 0.5442, permeate_osmotic_bar=0.0071), 3)
        8.663
    """
    feed = within("feed_pressure_bar", feed_pressure_bar, 0.0, 100.0, "bar")
    drop = within("pressure_drop_bar", pressure_drop_bar, 0.0, feed, "bar", "no more than the feed pressure")
    back = within("permeate_pressure_bar", permeate_pressure_bar, 0.0, 100.0, "bar")
    against = within("feed_osmotic_bar", feed_osmotic_bar, 0.0, 100.0, "bar")
    ndp = (
        feed
        - drop / 2.0
        - back
        - against
        + within("permeate_osmotic_bar", permeate_osmotic_bar, 0.0, 100.0, "bar")
    )
    return positive("net driving pressure", ndp, 100.0, "bar", "no water would pass: check the gauges")


def ro_flush_volume_l(
    start_us_cm: float, steady_us_cm: float, holdup_l: float, within_pct: float = 5.0
) -> float:
    """Permeate to run off after a standstill until its conductivity is near its steady value.

    Equation: V = Vh ln((EC0 - EC_ss) / (f EC_ss)); 0 when it is near already
    Range: conductivities above 0 uS/cm (start at least 0); hold-up above 0 L; nearness above 0 to 100 %
    Raises: OutOfRange
    Source: own model: one well-mixed hold-up between membrane and probe
    Assumes: salt that crept through the membrane while stopped is spread evenly over the hold-up
    Not for: a long pipe (plug flow): its volume comes on top
    Example:
        >>> round(ro_flush_volume_l(start_us_cm=250, steady_us_cm=10, holdup_l=4), 1)
        24.7
    """
    steady = positive("steady_us_cm", steady_us_cm, unit="uS/cm")
    above = within("start_us_cm", start_us_cm, 0.0, unit="uS/cm") - steady
    near = positive("within_pct", within_pct, 100.0, "%") / 100.0 * steady
    holdup = positive("holdup_l", holdup_l, unit="L")
    return holdup * math.log(above / near) if above > near else 0.0


def _recovery(recovery_pct: float) -> float:
    return within("recovery_pct", recovery_pct, 0.0, HIGHEST_RECOVERY_PCT, "%") / 100.0


def _salt(name: str, value: float) -> float:
    return within(name, value, 0.0, MOST_SALT_MG_L, "mg/L")


def _temperature(temperature_c: float) -> float:
    return within("temperature_c", temperature_c, COLDEST_C, HOTTEST_C, "°C")
