"""Permeate flow, salt passage and pressure drop of a membrane, brought to its reference state
(`monitor.water.membrane`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields

from monitor.condition.derive.kind import DOWN, EITHER_WAY, UP, Formula, Value
from monitor.condition.derive.salt import ec25_of, salt_mg_l
from monitor.plant.derived import NormalisedFlow, NormalisedPressureDrop, NormalisedSaltPassage
from monitor.plant.derived.membrane import Reference
from monitor.plant.fields import Measure
from monitor.plant.model import Channel, Plant
from monitor.plant.units import UnitError
from monitor.readings import Reading
from monitor.water.membrane import NormalisedRo, RoState, normalise_ro, normalised_pressure_drop_bar
from monitor.water.membrane_temperature import TemperatureCorrection, TemperatureRule, TemperatureTable

# The keys of a site file and the readings of the science they are.
_READINGS = {
    "temperature": "temperature_c",
    "permeate_flow": "permeate_flow_l_min",
    "feed_flow": "feed_flow_l_min",
    "feed_pressure": "feed_pressure_bar",
    "pressure_drop": "pressure_drop_bar",
    "permeate_pressure": "permeate_pressure_bar",
    "feed": "feed_salt_mg_l",
    "permeate": "permeate_salt_mg_l",
}
_QUANTITY = {
    "temperature": "temperature",
    "permeate_flow": "flow",
    "feed_flow": "flow",
    "feed_pressure": "pressure",
    "pressure_drop": "pressure",
    "permeate_pressure": "pressure",
}
# More permeate, less passage: how each reading moves the two. What moves them both ways tells nothing.
_FLOW = {"permeate_flow": UP, "temperature": DOWN, "feed_pressure": DOWN, "pressure_drop": UP}
_DRIVING = ("feed_flow", "feed_pressure", "pressure_drop", "feed", "permeate")
_PASSAGE = {"permeate": UP, "feed": DOWN, "temperature": DOWN}


class Normalised(Formula):
    """One of the two normalised values of a membrane."""

    def __init__(
        self,
        settings: NormalisedFlow | NormalisedSaltPassage,
        plant: Plant,
        ways: Mapping[str, int],
        wanted: Callable[[NormalisedRo], float | None],
    ) -> None:
        self._inputs = settings.inputs
        self.directions: Mapping[str, int] = {
            name: ways.get(key, EITHER_WAY) for key, name in self._inputs.items()
        }
        self._wanted = wanted
        self._correction = _correction(settings.temperature_table)
        self._turn = {key: _turned(plant, key, name) for key, name in self._inputs.items()}
        _same_readings(settings.reference, self._inputs)
        self._reference = self._state(
            {key: _of_reference(plant, settings.reference, key, name) for key, name in self._inputs.items()}
        )
        # Said at once, not at the first reading: a table that is turned round, a reference without physics.
        self._normalised(self._reference)

    def value(self, memory: None, inputs: Mapping[str, Reading]) -> Value | None:
        said = {key: inputs[name].value for key, name in self._inputs.items()}
        if said["permeate_flow"] <= 0.0:
            return None  # the unit stands
        found = self._wanted(self._normalised(self._state(said)))
        return None if found is None else Value(found)

    def _normalised(self, actual: RoState) -> NormalisedRo:
        return normalise_ro(self._reference, actual, self._correction)

    def _state(self, values: Mapping[str, float]) -> RoState:
        known = {_READINGS[key]: self._turn[key](value) for key, value in values.items()}
        if "feed_pressure" in values:
            known.setdefault(_READINGS["permeate_pressure"], 0.0)
        empty = {field.name: None for field in fields(RoState)}
        return RoState(**{**empty, **known})


class NormalisedDrop(Formula):
    """The pressure drop along the feed side at the flows of the reference."""

    def __init__(self, settings: NormalisedPressureDrop, plant: Plant) -> None:
        self._drop, self._feed, self._permeate = (
            settings.pressure_drop,
            settings.feed_flow,
            settings.permeate_flow,
        )
        self._at = settings.at_feed_flow.canonical("flow"), settings.at_permeate_flow.canonical("flow")
        self._exponent = settings.exponent
        self.directions: Mapping[str, int] = {self._drop: UP, self._feed: DOWN, self._permeate: UP}

    def value(self, memory: None, inputs: Mapping[str, Reading]) -> Value | None:
        drop, feed, permeate = (inputs[name].value for name in (self._drop, self._feed, self._permeate))
        if permeate <= 0.0:
            return None  # the unit stands
        return Value(normalised_pressure_drop_bar(drop, feed, permeate, *self._at, self._exponent))


def normalised_flow(settings: NormalisedFlow, plant: Plant) -> Normalised:
    given = [key for key in ("permeate_pressure", *_DRIVING) if key in settings.inputs]
    missing = [key for key in _DRIVING if key not in settings.inputs]
    if given and missing:
        raise ValueError(
            f"{given[0]}: the driving pressure needs all of {', '.join(_DRIVING)}, and {', '.join(missing)} "
            "is not there; name it too, or leave all of them out: the flow is then corrected for temperature "
            "only"
        )
    return Normalised(settings, plant, _FLOW, lambda found: found.permeate_flow_l_min)


def normalised_salt_passage(settings: NormalisedSaltPassage, plant: Plant) -> Normalised:
    return Normalised(settings, plant, _PASSAGE, lambda found: found.salt_passage_pct)


def _turned(plant: Plant, key: str, name: str) -> Callable[[float], float]:
    if key in _QUANTITY:
        return lambda value: value
    ec25 = ec25_of(plant, name, key)
    return lambda value: salt_mg_l(ec25(value))


def _correction(table: tuple[tuple[float, float], ...]) -> TemperatureCorrection:
    if not table:
        return TemperatureRule()
    try:
        warm, factors = tuple(row[0] for row in table), tuple(row[1] for row in table)
        return TemperatureTable("of the site file", warm, factors)
    except ValueError as error:
        raise ValueError(f"temperature_table: {error}") from error


def _same_readings(reference: Reference, inputs: Mapping[str, str]) -> None:
    """What is read now must be known of the reference too, or nothing can be compared."""
    for key in _READINGS:
        known = getattr(reference, key) is not None
        if key in inputs and not known and key != "permeate_pressure":
            raise ValueError(f'reference: {key} is needed, since {key} = "{inputs[key]}" is read')
        if known and key not in inputs and key != "permeate_pressure":
            raise ValueError(
                f"reference: {key} serves nothing, since no {key} is read; leave it out, or read it"
            )


def _of_reference(plant: Plant, reference: Reference, key: str, name: str) -> float:
    """A value of the reference as its channel would give it."""
    found: Measure | None = getattr(reference, key)
    if found is None:
        return 0.0  # the permeate's pressure
    channel: Channel = plant.channels[name]
    try:
        return found.canonical(_QUANTITY.get(key, channel.quantity))
    except UnitError as error:
        raise ValueError(f"reference: {key}: {error}") from error
