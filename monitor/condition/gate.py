"""The flow gate: a probe in standing water says nothing about the water being made."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Literal

from monitor.condition.course import CourseState
from monitor.condition.fresh import is_fresh
from monitor.condition.kept import Kept
from monitor.condition.lowest_tenth import DayState
from monitor.frozen import replace
from monitor.plant.gate import Gate
from monitor.readings import Level, Reading

# Between two flow values further apart than this, no litres are counted: the meter was away.
_LONGEST_STEP_MS = 600_000

# Who says when water runs: the gate's own signal, the contact in its place, or the course of a value.
Source = Literal["signal", "contact", "course"]


class Flowing(Enum):
    """What the gate says of the water at one time."""

    OPEN = "open"
    CLOSED = "closed"
    UNKNOWN = "unknown"  # nothing trustworthy says whether water flows


@dataclass(frozen=True, slots=True)
class Signal:
    """That water runs at a time, or does not; how much of it where a meter says so."""

    time_ms: int
    runs: bool
    flow_l_min: float = 0.0
    source: Source = "signal"


@dataclass(frozen=True, slots=True)
class GateState:
    """Since when water has been running, how much of it, and what was read of the run so far."""

    seen_ms: int = 0  # the last signal
    running_since_ms: int | None = None
    flow_l_min: float = 0.0
    litres: float = 0.0
    source: Source = "signal"
    judged: bool = False  # something of this run was judged through the open gate
    kept: tuple[Kept, ...] = ()  # of a run that has not opened the gate: its last third so far
    course: CourseState | None = None
    day: DayState | None = None


def signal_of(gate: Gate, flow: Reading, is_contact: bool) -> Signal | None:
    """What a value of the gate's channel says (L/min, or a contact that is 1 while water runs).

    None of a bad value, so that the signal grows old and becomes unknown.
    """
    if flow.level == Level.BAD:
        return None
    if is_contact:
        return Signal(flow.time_ms, flow.value > 0.5)
    return Signal(flow.time_ms, flow.value > gate.above.canonical("flow"), flow.value)


def on_signal(state: GateState, signal: Signal) -> GateState:
    """The gate after a signal. Between two values the flow is taken as the earlier one.

    A signal from another source than the last begins anew: two of them do not make one run.
    """
    source = signal.source
    if not signal.runs:
        return GateState(signal.time_ms, source=source, course=state.course, day=state.day)
    since_ms = state.running_since_ms
    # A flow that is older than the last one: the clock was set back, so nobody knows since when it runs.
    if since_ms is None or signal.time_ms < state.seen_ms or source != state.source:
        return GateState(
            signal.time_ms,
            signal.time_ms,
            signal.flow_l_min,
            source=source,
            course=state.course,
            day=state.day,
        )
    step_ms = min(signal.time_ms - state.seen_ms, _LONGEST_STEP_MS)
    return replace(
        state,
        seen_ms=signal.time_ms,
        flow_l_min=signal.flow_l_min,
        litres=state.litres + state.flow_l_min * step_ms / 60_000,
    )


def says(gate: Gate, state: GateState, at_ms: int, trusted_for_ms: int) -> Flowing:
    """Open after enough litres or minutes since flow began; unknown where the signal is of another time."""
    if state.seen_ms == 0 or not is_fresh(state.seen_ms, at_ms, trusted_for_ms):
        return Flowing.UNKNOWN
    if state.running_since_ms is None:
        return Flowing.CLOSED
    if at_ms - state.running_since_ms >= gate.minutes:
        return Flowing.OPEN
    if gate.litres is None or state.source != "signal":
        return Flowing.CLOSED
    litres = state.litres + state.flow_l_min * max(0, at_ms - state.seen_ms) / 60_000
    return Flowing.OPEN if litres >= gate.litres.canonical("volume") else Flowing.CLOSED
