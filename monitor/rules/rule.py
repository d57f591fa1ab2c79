"""What every rule is: settings that are its config syntax, a small state, a judgement, words.

A rule is pure. It is given its state and gives back the next one with its Findings; the heart keeps the
states, so an exception inside a rule cannot leave one half changed.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Generic, Protocol, TypeVar, runtime_checkable

from pydantic import Field

from monitor.plant.fields import DurationMs, Id, Table
from monitor.plant.model import Plant
from monitor.readings import Evidence, Finding, OperatorAction, Priority, Reading, Stamp, Tick

# A pause between two ticks longer than this means that the watch itself was away (stopped, machine off).
AWAY_MS = 60_000


class RuleSettings(Table):
    """The keys every `[[rule]]` has; each kind adds its own and a literal `kind`."""

    id: Annotated[Id, Field(description="what messages and commands call the rule and its alarm")]
    priority: Annotated[Priority, Field(description="how urgent its alarm is, and so who is told")] = "medium"
    on_delay: Annotated[DurationMs, Field(description="the condition must hold this long")] = 0
    off_delay: Annotated[DurationMs, Field(description="it must be gone this long")] = 0


State = TypeVar("State")


class Rule(Protocol, Generic[State]):
    """One configured rule. `State` is a frozen dataclass of plain values with a class variable `version`."""

    kind: ClassVar[str]
    settings: RuleSettings
    channels: frozenset[str]  # whose judged Readings it wants
    # So many days of the stored stream make its state anew when that cannot be read: those it learns from and
    # those it keeps. Never fewer than let it judge as before, for what is learned anew may hide a fault.
    remembers_days: int

    def start(self) -> State:
        """The state before anything was seen."""

    def on_reading(self, state: State, reading: Reading) -> tuple[State, tuple[Finding, ...]]:
        """Judge one Reading of one of its channels."""

    def on_tick(self, state: State, tick: Tick) -> tuple[State, tuple[Finding, ...]]:
        """Judge the passing of time."""


@runtime_checkable
class HearsStamps(Protocol):
    """A rule that is also told, now and then, of times that no reading in order carries."""

    def on_stamp(self, state: Any, stamp: Stamp) -> tuple[Any, tuple[Finding, ...]]:
        """Judge one: of the instrument's clock, never of the water."""


@runtime_checkable
class RestsOn(Protocol):
    """A rule that judges the water: a fault of an instrument it rests on suppresses its alarms.

    Those channels whose own values its opinion is made of, not those that only say when to judge. A Finding
    may name fewer. A rule about instruments has no such attribute.
    """

    rests_on: frozenset[str]


@runtime_checkable
class HearsEvents(Protocol):
    """A rule that is also told what people did to the plant: a resin change, a regeneration, a test."""

    def on_event(self, state: Any, action: OperatorAction) -> tuple[Any, tuple[Finding, ...]]:
        """Take one in; it may be told later than it was done (`action.time_ms`)."""


def plant_channel(plant: Plant, channel: str, key: str) -> str:
    """The channel's id, if the plant has it.

    Raises: ValueError naming the key, the channel and the channels there are.
    """
    if channel not in plant.channels:
        known = ", ".join(plant.channels)
        raise ValueError(f'{key} = "{channel}" is no channel of this site; there are: {known}')
    return channel


def stage_kind_at(plant: Plant, channel: str) -> str:
    """The kind of the stage whose outlet a channel measures; empty where it measures no outlet."""
    point = plant.point_of(channel)
    return next((s.kind for s in plant.stage if point is not None and s.id == point.after), "")


def number(evidence: Evidence, key: str) -> float:
    """A number of the evidence.

    Raises: KeyError, ValueError when it is not there or no number: evidence of another version.
    """
    value = evidence[key]
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"evidence {key!r} is {value!r}, not a number")
    return float(value)


def number_or_none(evidence: Evidence, key: str) -> float | None:
    """A number of the evidence, None where it is not known.

    Raises: ValueError when it is no number.
    """
    return None if evidence.get(key) is None else number(evidence, key)


def text(evidence: Evidence, key: str) -> str:
    """A word of the evidence; an empty one when it is not there."""
    return str(evidence.get(key) or "")


def span(ms: float) -> str:
    """A length of time in words, in the largest unit that fits."""
    minutes = ms / 60_000
    if minutes < 2:
        return f"{60 * minutes:.0f} s"
    if minutes < 120:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 72 * 60 else f"{minutes / 1440:.0f} days"
