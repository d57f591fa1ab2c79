"""The flow gate: a probe in standing water says nothing about the water being made."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

from monitor.condition.fresh import is_fresh
from monitor.plant.model import Gate
from monitor.readings import Level, Reading

# Between two flow values further apart than this, no litres are counted: the meter was away.
_LONGEST_STEP_MS = 600_000


class Flowing(Enum):
    """What the gate says of the water at one time."""

    OPEN = "open"
    CLOSED = "closed"
    UNKNOWN = "unknown"  # nothing trustworthy says whether water flows


@dataclass(frozen=True, slots=True)
class GateState:
    """Since when water has been running, and how much of it."""

    seen_ms: int = 0  # the last flow value that could be trusted
    running_since_ms: int | None = None
    flow_l_min: float = 0.0
    litres: float = 0.0


def on_flow(gate: Gate, state: GateState, flow: Reading, is_contact: bool) -> GateState:
    """The gate after a value of its flow channel (L/min, or a contact that is 1 while water runs).

    Between two values the flow is taken as the earlier one; a bad value leaves the gate as it is, so that
    it grows old and becomes unknown.
    """
    if flow.level == Level.BAD:
        return state
    threshold = 0.5 if is_contact else gate.above.canonical("flow")
    if flow.value <= threshold:
        return GateState(seen_ms=flow.time_ms)
    # A flow that is older than the last one: the clock was set back, so nobody knows since when it runs.
    if state.running_since_ms is None or flow.time_ms < state.seen_ms:
        return GateState(flow.time_ms, flow.time_ms, 0.0 if is_contact else flow.value, 0.0)
    step_ms = min(flow.time_ms - state.seen_ms, _LONGEST_STEP_MS)
    return replace(
        state,
        seen_ms=flow.time_ms,
        flow_l_min=0.0 if is_contact else flow.value,
        litres=state.litres + state.flow_l_min * step_ms / 60_000,
    )


def says(gate: Gate, state: GateState, at_ms: int, trusted_for_ms: int) -> Flowing:
    """Open after enough litres or minutes since flow began; unknown where flow is of another time."""
    if state.seen_ms == 0 or not is_fresh(state.seen_ms, at_ms, trusted_for_ms):
        return Flowing.UNKNOWN
    if state.running_since_ms is None:
        return Flowing.CLOSED
    if at_ms - state.running_since_ms >= gate.minutes:
        return Flowing.OPEN
    if gate.litres is None:
        return Flowing.CLOSED
    litres = state.litres + state.flow_l_min * max(0, at_ms - state.seen_ms) / 60_000
    return Flowing.OPEN if litres >= gate.litres.canonical("volume") else Flowing.CLOSED
