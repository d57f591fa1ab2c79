"""Litres in a sump or tank, from its level (`monitor.water.tank`)."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from monitor.condition.derive.kind import UP, Formula, Value
from monitor.plant.derived import VolumeFromLevel
from monitor.plant.fields import Measure
from monitor.plant.model import Plant
from monitor.plant.units import UnitError
from monitor.readings import Reading
from monitor.water.tank import (
    horizontal_cylinder_volume_l,
    rectangular_volume_l,
    strapping_volume_l,
    vertical_cylinder_volume_l,
)


class VolumeKind(Formula):
    """A level turned into litres. A level a little below the floor is an empty tank."""

    def __init__(self, settings: VolumeFromLevel, plant: Plant) -> None:
        self._level = settings.level
        self._litres = _shape(settings, plant)
        self.directions: Mapping[str, int] = {settings.level: UP}

    def value(self, memory: None, inputs: Mapping[str, Reading]) -> Value | None:
        return Value(self._litres(inputs[self._level].value))


def _shape(settings: VolumeFromLevel, plant: Plant) -> Callable[[float], float]:
    """Litres of what the level shows, mm."""
    floor_mm = 0.0 if settings.floor is None else settings.floor.in_unit("mm")

    def above_floor_m(level_mm: float) -> float:
        return max(0.0, level_mm - floor_mm) / 1000.0

    length, width, diameter = _m(settings.length), _m(settings.width), _m(settings.diameter)
    match settings.shape:
        case "box":
            return lambda mm: rectangular_volume_l(length, width, above_floor_m(mm))
        case "standing":
            return lambda mm: vertical_cylinder_volume_l(diameter, above_floor_m(mm))
        case "lying":
            return lambda mm: horizontal_cylinder_volume_l(diameter, length, above_floor_m(mm))
        case "table":
            return _of_table(settings)
        case _:
            return _of_sump(settings, plant, floor_mm)


def _of_table(settings: VolumeFromLevel) -> Callable[[float], float]:
    try:
        levels = [level.canonical("level") for level, _ in settings.table]
        litres = [volume.canonical("volume") for _, volume in settings.table]
        strapping_volume_l(levels, litres, levels[0])
    except (UnitError, ValueError) as error:
        raise ValueError(f"table: {error}") from error
    return lambda mm: strapping_volume_l(levels, litres, mm)


def _of_sump(settings: VolumeFromLevel, plant: Plant, floor_mm: float) -> Callable[[float], float]:
    name = plant.instrument_of(settings.level).sump
    sump = next((sump for sump in plant.sump if sump.id == name), None)
    if sump is None:
        raise ValueError(
            f'level = "{settings.level}" is in no sump, so its shape is needed: length and width, diameter, '
            "or a table"
        )
    surface_m2 = sump.surface_m2
    if surface_m2 is None:
        raise ValueError(
            f'level = "{settings.level}" is in sump "{sump.id}", which has no surface; give it one, or a '
            "shape here"
        )
    # One millimetre on one square metre is one litre.
    if settings.full_at is None:
        return lambda mm: surface_m2 * max(0.0, mm - floor_mm)
    volume_l, full_mm = sump.volume_l, settings.full_at.in_unit("mm")
    return lambda mm: max(0.0, volume_l - surface_m2 * (full_mm - mm))


def _m(length: Measure | None) -> float:
    return 0.0 if length is None else length.in_unit("m")
