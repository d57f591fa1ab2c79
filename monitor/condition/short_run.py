"""Runs too short to open the gate, judged by their last third once they are over.

What a probe shows in the last third of such a run has had most of the standing water washed past it, but
nobody knows all of it: the one reading in the middle of them is judged, and is uncertain.
"""

from __future__ import annotations

from monitor.condition.gate import GateState
from monitor.condition.kept import Kept, judged_afterwards, kept
from monitor.frozen import replace
from monitor.plant.gate import Gate
from monitor.readings import Reading, Reason

# A run that washed less than this part of what opens the gate says nothing at all (own choice): a meter that
# flickers at its threshold would have standing water judged.
_LEAST_PART = 0.25
# So many readings of a run are kept at most, of which the last third is what stays.
_KEPT_OF_A_RUN = 48


def on_reading(gate: Gate, state: GateState, reading: Reading) -> GateState:
    """The gate's state with one more gated reading of the run under way."""
    begun_ms = state.running_since_ms
    if begun_ms is None or state.judged or reading.time_ms < begun_ms:
        return state
    if state.kept and reading.time_ms - state.kept[-1].time_ms < gate.minutes / _KEPT_OF_A_RUN:
        return state
    found = kept(reading)
    if found is None:
        return state
    from_ms = _last_third_ms(begun_ms, reading.time_ms)
    return replace(state, kept=(*(one for one in state.kept if one.time_ms >= from_ms), found))


def over(channel: str, gate: Gate, state: GateState, end_ms: int) -> Reading | None:
    """The reading that a run which ends now is judged by; None when it was judged, or was hardly a run."""
    begun_ms = state.running_since_ms
    if begun_ms is None or state.judged or not state.kept or not _washed(gate, state, end_ms):
        return None
    from_ms = _last_third_ms(begun_ms, end_ms)
    last = [one for one in state.kept if from_ms <= one.time_ms <= end_ms]
    if not last:
        return None
    middle = sorted(_settled(last), key=lambda one: one.value)
    doubt = Reason.NONE if state.source == "signal" else Reason.BY_TIME
    return judged_afterwards(channel, middle[(len(middle) - 1) // 2], doubt)


def _settled(readings: list[Kept]) -> list[Kept]:
    """Those that the next value did not have to confirm; all where there are no others."""
    return [one for one in readings if not one.reasons & Reason.JUMP] or readings


def _last_third_ms(begun_ms: int, now_ms: int) -> int:
    return begun_ms + 2 * (now_ms - begun_ms) // 3


def _washed(gate: Gate, state: GateState, end_ms: int) -> bool:
    assert state.running_since_ms is not None
    if end_ms - state.running_since_ms >= _LEAST_PART * gate.minutes:
        return True
    if gate.litres is None or state.source != "signal":
        return False
    litres = state.litres + state.flow_l_min * (end_ms - state.seen_ms) / 60_000
    return litres >= _LEAST_PART * gate.litres.canonical("volume")
