"""Discharge: the outlet above its own feed, by more than both probes' errors.

Used by `breakthrough` alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.frozen import replace

# Readings above in a row, and litres (or minutes, where none are counted) since the first of them.
READINGS = 2
LITRES = 8.0
_MINUTES_MS = 300_000
BACK = 3
# How sure at most: by the gate, by the run contact, by the lowest readings of a day.
CEILING = {"gate": 0.99, "time": 0.9, "run": 0.8, "unknown": 0.7, "lows": 0.7}


@dataclass(frozen=True, slots=True)
class Discharge:
    """Whether the outlet is above its feed, since when, and how many readings in a row say so."""

    holds: bool = False
    since_ms: int = 0
    above: int = 0
    first_ms: int = 0
    first_l: float = 0.0
    below: int = 0
    confidence: float = 0.5
    how: str = "gate"


@dataclass(frozen=True, slots=True)
class Pair:
    """Outlet and inlet at one time, with what each may be off."""

    time_ms: int
    litres: float
    outlet: float
    inlet: float
    off: float  # both errors together
    least: bool  # the outlet is at least this
    how: str


def judged(state: Discharge, pair: Pair, *, at_once: bool = False) -> Discharge:
    """The state after a pair of readings; `at_once` for the lows of a whole day."""
    margin = pair.outlet - pair.inlet
    if margin > pair.off:
        return _above(state, pair, margin, at_once)
    if margin < -pair.off and not pair.least:
        below = state.below + 1
        over = state.holds and (below >= BACK or at_once)
        since = pair.time_ms if over else state.since_ms
        return replace(state, holds=state.holds and not over, since_ms=since, above=0, below=below)
    return replace(state, above=0 if not state.holds else state.above, below=0)


def _above(state: Discharge, pair: Pair, margin: float, at_once: bool) -> Discharge:
    first = state.above == 0
    state = replace(
        state,
        above=state.above + 1,
        below=0,
        first_ms=pair.time_ms if first else state.first_ms,
        first_l=pair.litres if first else state.first_l,
        how=pair.how,
    )
    long_enough = (
        pair.litres - state.first_l >= LITRES
        if pair.litres > state.first_l
        else pair.time_ms - state.first_ms >= _MINUTES_MS
    )
    sigma = max(pair.off / 2, 1e-6)  # an accuracy is read as two standard deviations
    sure = 0.5 * (1 + math.erf(margin / sigma / math.sqrt(2)))
    state = replace(state, confidence=round(min(sure, CEILING[pair.how]), 3))
    if not state.holds and (at_once or (state.above >= READINGS and long_enough)):
        state = replace(state, holds=True, since_ms=state.first_ms)
    return state
