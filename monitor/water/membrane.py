"""Is the membrane still what it was? Permeate flow and salt passage, brought to the reference state.

ASTM D4516 form. Cold water, a throttled valve or saltier feed change flow and salt passage of a membrane
that is as good as new; normalising takes that out, as far as the instruments allow, and says how far.
The correction for temperature is the membrane's own: printed tables differ by 10 % at 14 °C, enough to
turn a verdict round, so the result names the rule or table used and how much doubt it leaves.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Literal

from monitor.water.errors import OutOfRange, positive, within
from monitor.water.membrane_temperature import TemperatureCorrection, TemperatureRule
from monitor.water.osmosis import (
    log_mean_factor,
    net_driving_pressure_bar,
    osmotic_pressure_astm_bar,
    osmotic_pressure_membrane_manual_bar,
    osmotic_pressure_vant_hoff_bar,
    ro_feed_side_mean_mg_l,
    ro_recovery_pct,
    ro_salt_passage_pct,
)

__all__ = [
    "NormalisedRo",
    "RoState",
    "normalise_ro",
    "normalised_permeate_flow_l_min",
    "normalised_pressure_drop_bar",
    "normalised_salt_passage_pct",
]

OsmoticRule = Literal["astm", "membrane manual", "van't Hoff"]
_OSMOTIC = {
    "astm": osmotic_pressure_astm_bar,
    "membrane manual": osmotic_pressure_membrane_manual_bar,
    "van't Hoff": osmotic_pressure_vant_hoff_bar,
}


@dataclass(frozen=True)
class RoState:
    """One set of readings of an RO unit, or its start-up reference. None where there is no instrument.

    A permeate line that runs open into a tank is no missing gauge: enter 0 bar.
    Concentrations in mg/L; from conductivity by one scale, the same for reference and actual.
    """

    temperature_c: float | None
    permeate_flow_l_min: float | None
    feed_flow_l_min: float | None = None
    feed_pressure_bar: float | None = None
    pressure_drop_bar: float | None = None
    permeate_pressure_bar: float | None = None
    feed_salt_mg_l: float | None = None
    permeate_salt_mg_l: float | None = None

    def missing(self, names: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(name for name in names if getattr(self, name) is None)


FOR_TEMPERATURE = ("temperature_c", "permeate_flow_l_min")
FOR_SALT = (*FOR_TEMPERATURE, "feed_flow_l_min", "feed_salt_mg_l", "permeate_salt_mg_l")
FOR_PRESSURE = tuple(field.name for field in fields(RoState))


@dataclass(frozen=True)
class NormalisedRo:
    """Permeate flow and salt passage at the reference state, and how they were brought there.

    `method`: "pressure and temperature" (the whole D4516 form) or "temperature only". `statement` says in one
    sentence what was and was not corrected; `missing` names what would have to be read for more.
    A change of flow within `temperature_doubt_pct` must raise nothing.
    """

    method: str
    statement: str
    missing: tuple[str, ...]
    temperature_source: str
    temperature_doubt_pct: float
    osmotic_rule: str | None
    permeate_flow_l_min: float
    flow_change_pct: float
    ndp_bar: float | None
    reference_ndp_bar: float | None
    salt_passage_pct: float | None
    salt_passage_measured_pct: float | None
    reference_salt_passage_pct: float | None
    salt_passage_change_pct: float | None


def normalised_permeate_flow_l_min(
    permeate_l_min: float,
    ndp_bar: float,
    temperature_factor: float,
    reference_ndp_bar: float,
    reference_temperature_factor: float = 1.0,
) -> float:
    """Permeate flow that this membrane would give in the reference state.

    Equation: Qps = Qpa (NDPs TCFs) / (NDPa TCFa)
    Range: everything above 0; temperature factors to 10
    Raises: OutOfRange
    Source: ASTM D4516 form (read on a guide and in open code; the paid standard was not read)
    Assumes: the same rule for osmotic pressure and temperature in both states
    Not for: units with leaks or low rejection; brine-staged units as a whole (take each stage)
    Example:
        >>> round(normalised_permeate_flow_l_min(3.6, 9.2605, 0.6780, reference_ndp_bar=8.6630), 3)
        4.967
    """
    flow = positive("permeate_l_min", permeate_l_min, unit="L/min")
    reference = _pressure("reference_ndp_bar", reference_ndp_bar) * _factor(
        "reference_temperature_factor", reference_temperature_factor
    )
    return (
        flow * reference / (_pressure("ndp_bar", ndp_bar) * _factor("temperature_factor", temperature_factor))
    )


def normalised_salt_passage_pct(
    salt_passage_pct: float,
    permeate_l_min: float,
    temperature_factor: float,
    recovery_pct: float,
    reference_permeate_l_min: float,
    reference_recovery_pct: float,
    reference_temperature_factor: float = 1.0,
) -> float:
    """Salt passage that this membrane would show in the reference state.

    Equation: SPs = SPa (Qpa/Qps) (TCFs/TCFa) (Cfb_s/Cf_s) / (Cfb_a/Cf_a), Cfb/Cf = ln(1/(1-Y))/Y
    Range: passage above 0 to 100 %; flows above 0; factors to 10; recoveries 0 to 99 %
    Raises: OutOfRange
    Source: ASTM D4516 form (open code); follows from Cp = B Cfb / J
    Assumes: salt transport grows with temperature as water transport does (the standard allows a factor of
        its own)
    Not for: units with leaks
    Example:
        >>> round(normalised_salt_passage_pct(1.8431, 3.6, 0.6780, recovery_pct=56.25,
        ...     reference_permeate_l_min=4.8, reference_recovery_pct=60), 3)
        2.119
    """
    passage = positive("salt_passage_pct", salt_passage_pct, 100.0, "%")
    flows = positive("permeate_l_min", permeate_l_min, unit="L/min") / positive(
        "reference_permeate_l_min", reference_permeate_l_min, unit="L/min"
    )
    warmth = _factor("reference_temperature_factor", reference_temperature_factor) / _factor(
        "temperature_factor", temperature_factor
    )
    return passage * flows * warmth * log_mean_factor(reference_recovery_pct) / log_mean_factor(recovery_pct)


def normalised_pressure_drop_bar(
    pressure_drop_bar: float,
    feed_l_min: float,
    permeate_l_min: float,
    reference_feed_l_min: float,
    reference_permeate_l_min: float,
    exponent: float = 1.5,
) -> float:
    """Pressure drop along the feed side, brought to the reference flow.

    Equation: dPs = dPa (Qm_s / Qm_a)^n, Qm = Qf - Qp/2, the mean of feed and concentrate
    Range: drop above 0 to 20 bar; permeate below feed; exponent 1 to 2
    Raises: OutOfRange
    Source: no single form: 1.5 and 2 are both printed; the exponent is a setting
    Assumes: the same spacer and viscosity
    Not for: comparing units
    Example:
        >>> round(normalised_pressure_drop_bar(0.75, 6.4, 3.6, 8.0, reference_permeate_l_min=4.8), 3)
        1.007
    """
    drop = positive("pressure_drop_bar", pressure_drop_bar, 20.0, "bar")
    ro_recovery_pct(feed_l_min, permeate_l_min)
    ro_recovery_pct(reference_feed_l_min, reference_permeate_l_min)
    mean = feed_l_min - permeate_l_min / 2.0
    reference = reference_feed_l_min - reference_permeate_l_min / 2.0
    return float(drop * (reference / mean) ** within("exponent", exponent, 1.0, 2.0))


def normalise_ro(
    reference: RoState,
    actual: RoState,
    correction: TemperatureCorrection | None = None,
    osmotic: OsmoticRule = "astm",
) -> NormalisedRo:
    """Bring the actual readings to the reference state, as far as both were measured.

    Equation: `net_driving_pressure_bar`, `normalised_permeate_flow_l_min`, `normalised_salt_passage_pct`
    Range: those of the functions named; temperature and permeate flow are the least that must be there
    Raises: OutOfRange, also when temperature or permeate flow is missing
    Source: ASTM D4516 form
    Assumes: readings of a settled run (after the start-up flush); a reference of the stabilised start-up
    Not for: a verdict on changes within `temperature_doubt_pct`
    Example:
        >>> start = RoState(25, 4.8, 8.0, 10.0, 0.60, 0.5, 450, 9.0)
        >>> now = RoState(14, 3.6, 6.4, 10.8, 0.75, 0.6, 510, 9.4)
        >>> full = normalise_ro(start, now)
        >>> round(full.permeate_flow_l_min, 3), round(full.salt_passage_pct, 3)
        (4.966, 2.118)
        >>> bucket = normalise_ro(RoState(25, 4.8), RoState(14, 3.6))
        >>> round(bucket.permeate_flow_l_min, 2), bucket.method
        (5.31, 'temperature only')
    """
    rule: TemperatureCorrection = correction if correction is not None else TemperatureRule()
    for state, which in ((reference, "reference"), (actual, "actual")):
        for name in state.missing(FOR_TEMPERATURE):
            raise OutOfRange(f"{which} {name}", "missing", "a reading: nothing can be normalised without it")
    missing = _missing(reference, actual, FOR_PRESSURE)
    pressures = None if _missing(reference, actual, FOR_PRESSURE) else _both_ndp(reference, actual, osmotic)
    salt = _salt_passages(reference, actual, rule) if not _missing(reference, actual, FOR_SALT) else None
    measured = _passage(actual)
    s, a = _needed(reference), _needed(actual)
    ndp_s, ndp_a = pressures if pressures else (1.0, 1.0)
    flow = normalised_permeate_flow_l_min(a[1], ndp_a, rule.factor(a[0]), ndp_s, rule.factor(s[0]))
    return NormalisedRo(
        method="pressure and temperature" if pressures else "temperature only",
        statement=_statement(rule.name, osmotic if pressures else None, salt is not None, missing),
        missing=missing,
        temperature_source=rule.name,
        temperature_doubt_pct=rule.doubt_pct_per_degree * abs(a[0] - s[0]),
        osmotic_rule=osmotic if pressures else None,
        permeate_flow_l_min=flow,
        flow_change_pct=100.0 * (flow / s[1] - 1.0),
        ndp_bar=ndp_a if pressures else None,
        reference_ndp_bar=ndp_s if pressures else None,
        salt_passage_pct=salt[0] if salt else None,
        salt_passage_measured_pct=measured,
        reference_salt_passage_pct=_passage(reference),
        salt_passage_change_pct=100.0 * (salt[0] / salt[1] - 1.0) if salt else None,
    )


def _missing(reference: RoState, actual: RoState, names: tuple[str, ...]) -> tuple[str, ...]:
    gone = set(reference.missing(names)) | set(actual.missing(names))
    return tuple(name for name in names if name in gone)


def _needed(state: RoState) -> tuple[float, float]:
    assert state.temperature_c is not None and state.permeate_flow_l_min is not None
    return state.temperature_c, state.permeate_flow_l_min


def _passage(state: RoState) -> float | None:
    if state.feed_salt_mg_l is None or state.permeate_salt_mg_l is None:
        return None
    return ro_salt_passage_pct(state.feed_salt_mg_l, state.permeate_salt_mg_l)


def _both_ndp(reference: RoState, actual: RoState, osmotic: OsmoticRule) -> tuple[float, float]:
    return ndp_of_state_bar(reference, osmotic), ndp_of_state_bar(actual, osmotic)


def ndp_of_state_bar(state: RoState, osmotic: OsmoticRule = "astm") -> float:
    """Net driving pressure of a complete set of readings."""
    for name in state.missing(FOR_PRESSURE):
        raise OutOfRange(name, "missing", "a reading: the driving pressure needs it")
    temperature, permeate, feed, high, drop, back, salt, passed = (
        float(getattr(state, name)) for name in FOR_PRESSURE
    )
    if osmotic not in _OSMOTIC:
        raise OutOfRange("osmotic", osmotic, "one of " + ", ".join(_OSMOTIC))
    pressure = _OSMOTIC[osmotic]
    mean = ro_feed_side_mean_mg_l(salt, ro_recovery_pct(feed, permeate))
    return net_driving_pressure_bar(
        high, drop, back, pressure(mean, temperature), pressure(passed, temperature)
    )


def _salt_passages(
    reference: RoState, actual: RoState, rule: TemperatureCorrection
) -> tuple[float, float] | None:
    """Salt passage normalised, and that of the reference; None when either is a flat zero."""
    passage, start = _passage(actual), _passage(reference)
    if not passage or not start:
        return None
    s, a = _needed(reference), _needed(actual)
    assert reference.feed_flow_l_min is not None and actual.feed_flow_l_min is not None
    normalised = normalised_salt_passage_pct(
        passage,
        a[1],
        rule.factor(a[0]),
        ro_recovery_pct(actual.feed_flow_l_min, a[1]),
        s[1],
        ro_recovery_pct(reference.feed_flow_l_min, s[1]),
        rule.factor(s[0]),
    )
    return normalised, start


def _statement(rule: str, osmotic: str | None, salt: bool, missing: tuple[str, ...]) -> str:
    if osmotic:
        how = f"driving pressure ({osmotic} osmotic pressure) and temperature ({rule})"
        flow = f"Permeate flow corrected for {how}."
    else:
        flow = (
            f"Permeate flow corrected for temperature only ({rule}), which is all these readings allow: "
            "a change of pressure or of feed salt still shows as a change of flow."
        )
    passage = "Salt passage normalised." if salt else "Salt passage not normalised."
    need = f" Not read in both states: {', '.join(missing)}." if missing else ""
    return f"{flow} {passage}{need}"


def _pressure(name: str, value: float) -> float:
    return positive(name, value, 100.0, "bar")


def _factor(name: str, value: float) -> float:
    return positive(name, value, 10.0)
