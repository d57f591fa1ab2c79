"""The account of one episode of bad water: how long, how bad, how much was drawn, and which sumps got it.

A sump with a meter got what its meter counted. Where people log, the time they write may be that of writing:
what was logged within the episode is sure, what was logged some hours before or after it may be of it. What
was drawn beside all that may be in any sump that nobody wrote down.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.frozen import replace

# The time a top-off is logged with may be off by so much (our own choice).
SLACK_MS = 4 * 3_600_000


class Pour(NamedTuple):
    """A logged top-off."""

    time_ms: int
    sump: str
    litres: float


@dataclass(frozen=True, slots=True)
class Episode:
    """Bad water in one stretch, or in several that one account tells of; `end_ms` 0 while it lasts."""

    start_ms: int
    begun_ms: int  # the stretch that lasts
    stretches: tuple[tuple[int, int], ...] = ()  # those that are over
    end_ms: int = 0
    good_since_ms: int = 0
    last_ms: int = 0
    peak: float = 0.0
    at_least: bool = False  # over the meter's range
    usual: float | None = None
    weighed: float = 0.0  # sum of value times weight: litres drawn, or milliseconds without a meter
    weight: float = 0.0
    timed: float = 0.0  # sum of value times milliseconds
    timed_ms: float = 0.0
    drawn_l: float = 0.0
    metered: Mapping[str, float] = field(default_factory=dict)

    @property
    def bad_ms(self) -> int:
        """How long the water was bad in all, so far as that is over."""
        return sum(end_ms - start_ms for start_ms, end_ms in self.stretches)

    def holds(self, time_ms: int, slack_ms: int = 0) -> bool:
        """Whether a time lies in it, or so near."""
        return any(a - slack_ms <= time_ms <= b + slack_ms for a, b in self.stretches)

    @property
    def mean(self) -> float:
        """Mean of the water drawn; over time where no meter says how much that was."""
        if self.weight > 0.0:
            return self.weighed / self.weight
        return self.timed / self.timed_ms if self.timed_ms > 0.0 else self.peak


class Got(NamedTuple):
    """What one sump got: litres at least and at most (None: nobody knows), and how that is known."""

    sump: str
    how: str  # `metered`, `logged` or `unknown`
    least_l: float
    most_l: float | None


def over(episode: Episode, end_ms: int) -> Episode:
    """After the end of a stretch."""
    stretches = (*episode.stretches, (episode.begun_ms, end_ms))
    return replace(episode, stretches=stretches, end_ms=end_ms, last_ms=0)


def again(episode: Episode, time_ms: int) -> Episode:
    """Bad once more before the account was given."""
    return replace(episode, begun_ms=time_ms, end_ms=0, good_since_ms=0, last_ms=0)


def seen(episode: Episode, time_ms: int, value: float, *, at_least: bool) -> Episode:
    """After a value of the water within the episode."""
    passed = max(time_ms - episode.last_ms, 0) if episode.last_ms else 0
    return replace(
        episode,
        last_ms=time_ms,
        peak=max(episode.peak, value),
        at_least=episode.at_least or at_least,
        timed=episode.timed + value * passed,
        timed_ms=episode.timed_ms + passed,
    )


def drawn(episode: Episode, litres: float, value: float) -> Episode:
    """After the meter behind the tank counted on."""
    return replace(
        episode,
        drawn_l=episode.drawn_l + litres,
        weighed=episode.weighed + litres * value,
        weight=episode.weight + litres,
    )


def shared_out(
    episode: Episode, pours: Iterable[Pour], sumps: Mapping[str, bool], *, has_outflow: bool
) -> tuple[list[Got], float | None]:
    """What each sump got (`sumps`: by id, whether it has a meter), and the litres nobody wrote down."""
    sure: dict[str, float] = {}
    perhaps: dict[str, float] = {}
    for pour in pours:
        if episode.holds(pour.time_ms):
            sure[pour.sump] = sure.get(pour.sump, 0.0) + pour.litres
        if episode.holds(pour.time_ms, SLACK_MS):
            perhaps[pour.sump] = perhaps.get(pour.sump, 0.0) + pour.litres
    known_l = sum(episode.metered.values()) + sum(sure.values())
    rest_l = max(episode.drawn_l - known_l, 0.0) if has_outflow else None
    found = []
    for name, metered in sumps.items():
        least_l, most_l = sure.get(name, 0.0), perhaps.get(name, 0.0)
        if metered:
            counted_l = episode.metered.get(name, 0.0)
            found.append(Got(name, "metered", counted_l + least_l, counted_l + most_l))
        elif most_l > 0.0:
            if has_outflow:  # no more can have come than was drawn
                most_l = max(min(most_l, episode.drawn_l), least_l)
            found.append(Got(name, "logged", least_l, most_l))
        else:
            found.append(Got(name, "unknown", 0.0, rest_l))
    return found, rest_l
