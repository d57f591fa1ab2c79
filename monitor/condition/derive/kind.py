"""What a kind of derived channel is: a value of its inputs, with or without a memory."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Protocol

from monitor.readings import Bound, OperatorAction, Reading, Reason

UP, DOWN, EITHER_WAY = 1, -1, 0


@dataclass(frozen=True, slots=True)
class Value:
    """What was computed, in the canonical unit, and what is doubtful beyond the inputs' own doubts."""

    value: float
    reasons: Reason = Reason.NONE
    bound: Bound = Bound.EXACT


class Kind(Protocol):
    """One configured derived channel. Pure: its memory, where it has one, is passed in and given back."""

    directions: Mapping[str, int]
    """Its input channels, and whether the value rises (UP) or falls (DOWN) with each: what an input that is
    over range says of the value."""

    remembers: ClassVar[bool]

    def start(self) -> Any:
        """The memory before anything was seen: a frozen dataclass with a class variable `version`."""

    def on_reading(self, memory: Any, reading: Reading) -> Any:
        """The memory after a reading of one of its inputs."""

    def on_event(self, memory: Any, event: OperatorAction) -> Any:
        """The memory after something was done to the plant."""

    def resumed(self, last: Reading, inputs: Mapping[str, Reading]) -> Any:
        """A memory that goes on from the last stored value of the channel, where the memory is lost; `inputs`
        are the readings of its inputs that were stored up to then."""

    def value(self, memory: Any, inputs: Mapping[str, Reading]) -> Value | None:
        """The value by the latest reading of each input channel; None while there is nothing to tell (water
        stands still).

        Raises: ValueError when it cannot be computed of these.
        """


class Formula:
    """A kind without a memory."""

    remembers: ClassVar[bool] = False

    def start(self) -> None:
        return None

    def on_reading(self, memory: None, reading: Reading) -> None:
        return None

    def on_event(self, memory: None, event: OperatorAction) -> None:
        return None

    def resumed(self, last: Reading, inputs: Mapping[str, Reading]) -> None:
        return None
