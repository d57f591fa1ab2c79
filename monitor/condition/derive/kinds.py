"""The list: what computes each kind of derived channel."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from monitor.condition.derive.counted import CountedFlowKind, DiLoadKind, LitresKind, RunTimeKind
from monitor.condition.derive.daily import DailyRunTimeKind, StartsKind
from monitor.condition.derive.kind import Kind
from monitor.condition.derive.membrane import (
    NormalisedDrop,
    normalised_flow,
    normalised_salt_passage,
)
from monitor.condition.derive.ratios import difference, ratio, recovery, rejection, salt_passage
from monitor.condition.derive.volume import VolumeKind
from monitor.plant import derived
from monitor.plant.derived import Derived
from monitor.plant.model import Plant


def _run_time(settings: derived.RunTime, plant: Plant) -> Kind:
    return DailyRunTimeKind(settings, plant) if settings.of == "day" else RunTimeKind(settings, plant)


_BUILDERS: Mapping[type[Derived], Callable[[Any, Plant], Kind]] = {
    derived.Rejection: rejection,
    derived.SaltPassage: salt_passage,
    derived.Recovery: recovery,
    derived.NormalisedFlow: normalised_flow,
    derived.NormalisedSaltPassage: normalised_salt_passage,
    derived.NormalisedPressureDrop: NormalisedDrop,
    derived.Litres: LitresKind,
    derived.DiLoad: DiLoadKind,
    derived.CountedFlow: CountedFlowKind,
    derived.RunTime: _run_time,
    derived.StartsPerDay: StartsKind,
    derived.VolumeFromLevel: VolumeKind,
    derived.Difference: difference,
    derived.Ratio: ratio,
}


def build(settings: Derived, plant: Plant) -> Kind:
    """The derived channel for this plant.

    Raises: ValueError naming the key that does not fit the plant and what would.
    """
    return _BUILDERS[type(settings)](settings, plant)
