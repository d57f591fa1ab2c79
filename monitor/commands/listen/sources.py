"""What was heard of one topic or one kind of line, gathered for the tables at the end. Bounded."""

from __future__ import annotations

import statistics
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from monitor.commands.listen.guess import Guess, Part
from monitor.commands.listen.quantities import Likely, likely, range_for, resolution_of

MOST_SOURCES = 200
_TEXTS = 50  # of one value, to see how finely it is written
_GAPS = 50
_INTERVALS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 21_600, 43_200, 86_400)


@dataclass(slots=True)
class Seen:
    """One value of a source, over all its messages."""

    part: Part
    texts: list[str] = field(default_factory=list)
    highest: float = 0.0
    lowest: float = 0.0

    def again(self, part: Part) -> None:
        """It came once more."""
        self.part = part
        if len(self.texts) < _TEXTS:
            self.texts.append(part.text)
        self.highest = max(self.highest, part.value)
        self.lowest = min(self.lowest, part.value)

    @property
    def likely(self) -> Likely:
        return likely(self.part.name, self.part.unit, contact=self.part.contact)

    @property
    def range(self) -> tuple[float, float]:
        extreme = self.lowest if -self.lowest > self.highest else self.highest
        return range_for(self.likely.unit, extreme)

    @property
    def resolution(self) -> float:
        return resolution_of(self.texts)


@dataclass(slots=True)
class Source:
    """A topic, or the lines of one shape."""

    name: str
    guess: Guess
    count: int = 0
    retained: bool = False  # at least one value was an old one that the broker keeps
    seen: dict[str, Seen] = field(default_factory=dict)
    gaps_s: list[float] = field(default_factory=list)
    _last_s: float | None = None

    def again(self, guess: Guess, now_s: float, *, retained: bool = False) -> None:
        """It spoke, and so it may be read. `now_s` is of a clock that only runs forward."""
        self.count += 1
        self.retained |= retained
        if self._last_s is not None and not retained and len(self.gaps_s) < _GAPS:
            self.gaps_s.append(now_s - self._last_s)
        if not retained:
            self._last_s = now_s
        if guess.parts and (guess.kind == self.guess.kind or not self.guess.parts):
            self.guess = guess if not self.guess.parts else self.guess
            self._gather(guess.parts)

    def _gather(self, parts: Iterable[Part]) -> None:
        for bare in parts:  # a number alone is called by the end of its topic
            part = bare if bare.name else replace(bare, name=self.name.rpartition("/")[2])
            if part.where in self.seen or len(self.seen) < _TEXTS:
                self.seen.setdefault(part.where, Seen(part, [], part.value, part.value)).again(part)

    @property
    def interval_s(self) -> int | None:
        """How often it speaks, rounded up to a usual interval; None when it spoke but once."""
        if not self.gaps_s:
            return None
        usual = statistics.median(self.gaps_s)
        return next((s for s in _INTERVALS_S if usual <= s * 1.1), _INTERVALS_S[-1])


class Sources:
    """All that was heard, by name, in the order it came; past a number of them the rest is counted."""

    def __init__(self) -> None:
        self.known: dict[str, Source] = {}
        self.others = 0  # messages of sources beyond the number kept

    def heard(self, name: str, guess: Guess, now_s: float, *, retained: bool = False) -> Source | None:
        """The source of a message that came, or None where there are too many."""
        source = self.known.get(name)
        if source is None:
            if len(self.known) >= MOST_SOURCES:
                self.others += 1
                return None
            source = self.known[name] = Source(name, guess)
        source.again(guess, now_s, retained=retained)
        return source
