"""What faults do to the membrane itself and to the treated-water tank, by the hour."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from simulator.noise import Floats

WEEK_H = 7.0 * 24.0


class Acting(Protocol):
    """A fault, as far as it concerns the membrane and the tank."""

    @property
    def kind(self) -> str: ...
    @property
    def size(self) -> float: ...
    def active(self, times_ms: NDArray[np.int64]) -> NDArray[np.bool_]: ...
    def weeks(self, times_ms: NDArray[np.int64]) -> Floats: ...


@dataclass(frozen=True)
class UnitFaults:
    """By the hour: deposits added and taken off, oxidation so far, the tank's leak and its float."""

    fouled: Floats  # share of the clean membrane's resistance to water, added in that hour
    scaled: Floats
    oxidised: Floats  # share by which salt permeability has grown
    cleaned: Floats  # share of all deposits taken off in that hour
    leak_l_min: Floats
    float_calling: NDArray[np.bool_]
    float_band_l: Floats  # from the float's start to its stop; 0 where it is as it was made


def unit_faults(faults: Iterable[Acting], times_ms: NDArray[np.int64]) -> UnitFaults:
    """What these faults do in the hours that begin at these times."""
    hours = len(times_ms)
    none = np.zeros(hours)
    acting = UnitFaults(
        none.copy(), none.copy(), none.copy(), none.copy(), none.copy(),
        np.zeros(hours, dtype=bool), none.copy(),
    )  # fmt: skip
    for fault in faults:
        active = fault.active(times_ms)
        if fault.kind == "membrane_fouling":
            acting.fouled[active] += 0.01 * fault.size / WEEK_H
        elif fault.kind == "membrane_scaling":
            acting.scaled[active] += 0.01 * fault.size / WEEK_H
        elif fault.kind == "membrane_oxidised":
            acting.oxidised[:] += 0.01 * fault.size * fault.weeks(times_ms)
        elif fault.kind == "membrane_cleaned":
            acting.cleaned[np.nonzero(active)[0][:1]] = 0.01 * fault.size
        elif fault.kind == "tank_leak":
            acting.leak_l_min[active] += fault.size / 60.0
        elif fault.kind == "float_calling":
            acting.float_calling[:] |= active
        elif fault.kind == "float_chatter":
            acting.float_band_l[active] = fault.size
    return acting
