"""Channels that are computed of others: `[[derived]]` of the site file, one settings model a kind.

How each is computed is in `condition/derive/`; a new kind is a model here, its computing there, and a line in
each of the two lists.
"""

from monitor.plant.derived.base import Derived
from monitor.plant.derived.counted import CountedFlow, DiLoad, Litres, RunTime, StartsPerDay
from monitor.plant.derived.membrane import (
    NormalisedFlow,
    NormalisedPressureDrop,
    NormalisedSaltPassage,
    Recovery,
    Rejection,
    SaltPassage,
)
from monitor.plant.derived.two import Difference, Ratio
from monitor.plant.derived.volume import VolumeFromLevel

KINDS: tuple[type[Derived], ...] = (
    Rejection,
    SaltPassage,
    Recovery,
    NormalisedFlow,
    NormalisedSaltPassage,
    NormalisedPressureDrop,
    Litres,
    DiLoad,
    CountedFlow,
    RunTime,
    StartsPerDay,
    VolumeFromLevel,
    Difference,
    Ratio,
)

__all__ = [
    "KINDS",
    "CountedFlow",
    "Derived",
    "DiLoad",
    "Difference",
    "Litres",
    "NormalisedFlow",
    "NormalisedPressureDrop",
    "NormalisedSaltPassage",
    "Ratio",
    "Recovery",
    "Rejection",
    "RunTime",
    "SaltPassage",
    "StartsPerDay",
    "VolumeFromLevel",
]
