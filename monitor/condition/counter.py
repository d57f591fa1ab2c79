"""A counter unwrapped: what it shows becomes litres that only grow, over roll-over and reset.

A value that does not follow from the last one (a counter behind where it was, or ahead of what the pipe can
pass) waits for the next: one stray value is forgotten, a place that is confirmed is counted on from, and the
litres in between are not known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from monitor.frozen import replace
from monitor.plant.model import Channel
from monitor.readings import Count, Reason

# A counter may stand so many steps behind itself and mean nothing by it: rounding, a register read in halves.
_STEPS_OF_UNREST = 2.0
# What two stamps may be off against each other, so that a prompt reading is not called too fast.
_STAMPS_OFF_MS = 10_000
# Without a largest flow a roll-over is believed when no more than this part of the whole register went by.
_BELIEVED_PART = 0.25

_MINUTE_MS = 60_000


@dataclass(frozen=True, slots=True)
class CounterState:
    """Where the counter stood, and the litres up to there."""

    shown: float | None = None  # the last value that was believed, in the channel's unit
    time_ms: int = 0
    litres: float = 0.0
    waiting: float | None = None  # a value that did not follow from it, until the next one
    waiting_ms: int = 0
    breaks: int = 0  # times its count was broken
    last_break: str = ""


@dataclass(frozen=True, slots=True)
class Counter:
    """What unwrapping needs to know of a channel."""

    step: float
    rolls_over_at: float | None
    most_l_min: float | None

    @classmethod
    def of(cls, channel: Channel) -> Counter | None:
        """The counter of a channel; None where it is no counter."""
        known = channel.counter
        if known is None:
            return None
        most = None if known.largest_flow is None else known.largest_flow.canonical("flow")
        return cls(channel.resolution, known.rolls_over(channel.resolution), most)

    def count(
        self, state: CounterState, time_ms: int, shown: float, litres_at: Callable[[float], float]
    ) -> tuple[CounterState, Reason]:
        """The count after a value in order; `state.litres` is what counts now.

        `litres_at` turns what the counter shows into litres, by its scale and calibration of that time.
        """
        if state.shown is None:
            return CounterState(shown, time_ms, litres_at(shown)), Reason.NONE
        added = self._added_l(state.shown, state.time_ms, shown, time_ms, litres_at)
        if added is not None:
            return _at(state, shown, time_ms, added), Reason.NONE
        if 0.0 < state.shown - shown <= _STEPS_OF_UNREST * self.step:
            return replace(state, waiting=None), Reason.NONE
        if state.waiting is None:
            return replace(state, waiting=shown, waiting_ms=time_ms), Reason.COUNT_BROKEN
        return self._again(state, state.waiting, time_ms, shown, litres_at), Reason.COUNT_BROKEN

    def litres_of(
        self, state: CounterState, shown: float, litres_at: Callable[[float], float]
    ) -> tuple[float, Reason]:
        """Litres of a value that is not in order (late, of unknown time), by where the counter stands now."""
        if state.shown is None:
            return litres_at(shown), Reason.NONE
        behind = state.shown - shown
        if behind < 0.0 and self.rolls_over_at is not None:
            behind += self.rolls_over_at
        if behind < 0.0:  # from before a reset
            return state.litres, Reason.COUNT_BROKEN
        return max(0.0, state.litres + litres_at(state.shown - behind) - litres_at(state.shown)), Reason.NONE

    def _again(
        self,
        state: CounterState,
        waiting: float,
        time_ms: int,
        shown: float,
        litres_at: Callable[[float], float],
    ) -> CounterState:
        """A second value that does not follow from the last one believed."""
        assert state.shown is not None
        added = self._added_l(waiting, state.waiting_ms, shown, time_ms, litres_at)
        if added is not None:
            what = "counter-reset" if waiting < state.shown else "counter-jump"
            added += self._since_reset_l(state, waiting, litres_at)
        elif self.most_l_min is not None and state.shown < waiting < shown:
            # Too fast again and again: no stray value. No more is counted than can have come.
            what, added = "counter-too-fast", self.most_l_min * (time_ms - state.time_ms) / _MINUTE_MS
        else:
            return replace(state, waiting=shown, waiting_ms=time_ms)
        detail = f"{what}: from {state.shown:g} to {waiting:g}, then {shown:g}"
        return replace(_at(state, shown, time_ms, added), breaks=state.breaks + 1, last_break=detail)

    def _since_reset_l(
        self, state: CounterState, waiting: float, litres_at: Callable[[float], float]
    ) -> float:
        """Litres a counter that was set back to 0 shows since then. A meter put in its place shows anything,
        so only what can have come is believed."""
        assert state.shown is not None
        if self.most_l_min is None or waiting >= state.shown:
            return 0.0
        since = litres_at(waiting) - litres_at(0.0)
        return since if since <= self._most_l(state.waiting_ms - state.time_ms) else 0.0

    def _added_l(
        self, before: float, before_ms: int, shown: float, time_ms: int, litres_at: Callable[[float], float]
    ) -> float | None:
        """Litres from one value to a later one; None when the later one does not follow from it."""
        steps = shown - before
        if steps < 0.0:
            if self.rolls_over_at is None:
                return None
            steps += self.rolls_over_at
            believed = _BELIEVED_PART * self.rolls_over_at
            if steps < 0.0 or (self.most_l_min is None and steps > believed):
                return None
        litres = litres_at(before + steps) - litres_at(before)
        # A stamp that is behind its forerunner was set back: nobody knows how long it took.
        if self.most_l_min is not None and time_ms > before_ms:
            slack = litres_at(_STEPS_OF_UNREST * self.step) - litres_at(0.0)
            if litres > self._most_l(time_ms - before_ms) + slack:
                return None
        return litres

    def _most_l(self, ms: int) -> float:
        assert self.most_l_min is not None
        return self.most_l_min * (ms + _STAMPS_OFF_MS) / _MINUTE_MS


def _at(state: CounterState, shown: float, time_ms: int, added_l: float) -> CounterState:
    return CounterState(
        shown,
        time_ms,
        state.litres + added_l,
        breaks=state.breaks,
        last_break=state.last_break,
    )


def broken(channel: str, before: CounterState, after: CounterState, arrival_ms: int) -> tuple[Count, ...]:
    """The record of a count that was broken just now; empty when it was not."""
    if after.breaks == before.breaks:
        return ()
    what, _, detail = after.last_break.partition(": ")
    return (Count(what, channel, arrival_ms, detail),)
