"""What was answered, as values: what the parts of the site file are made from."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Any

from monitor.first.answers import Answers
from monitor.first.meters import Meter, chosen, shows_tds, wire_of
from monitor.first.question import Question
from monitor.first.sections import questions
from monitor.first.stages import stages
from monitor.first.sumps import LITRES_TAKEN, count
from monitor.first.tables import Assumed, Unset

# Channels that are called the same whatever they show.
_CHANNELS = {
    "flow": "treated.flow",
    "run": "treated.run",
    "temperature": "water.t",
    "tank": "tank.level",
    "hardness": "softened.hardness",
}


@dataclass(frozen=True)
class SumpFacts:
    """One sump as it goes into the file."""

    id: str
    name: str
    volume: Any
    surface: Any


class Shop:
    """The answers of one shop; every question has to be answered, or have a default or a "don't know"."""

    def __init__(self, answers: Answers) -> None:
        self.answers = answers
        self._questions: dict[str, Question] = {q.key: q for q in questions(answers)}
        self.stages = stages(answers)
        self.meters: dict[str, Meter] = {meter.key: meter for meter in chosen(answers)}

    def value(self, key: str) -> Any:
        """What was answered, else the question's default; None for "don't know" and for no such question."""
        question = self._questions.get(key)
        if question is None:
            return None
        typed = self.answers.get(key) or question.default
        return question.value(typed) if typed else None

    def or_unset(self, key: str) -> Any:
        """The value, or the words of what it costs not to know it."""
        question = self._questions.get(key)
        if question is None:
            return None
        found = self.value(key)
        return Unset(question.unknown) if found is None else found

    def words(self, key: str) -> str:
        """An answer as it was typed."""
        return self.answers.get(key)

    @property
    def id(self) -> str:
        """The shop's name as an id: `Hall 1, Süd` is `hall-1-sud`."""
        plain = unicodedata.normalize("NFKD", str(self.value("shop.name"))).encode("ascii", "ignore").decode()
        return re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:40] or "shop"

    @property
    def sumps(self) -> tuple[SumpFacts, ...]:
        many = count(self.answers)
        names = self.value("sump.names") or ()
        width = 2 if many < 100 else 3
        return tuple(SumpFacts(f"m{n:0{width}}", names[n - 1], *self._size(n)) for n in range(1, many + 1))

    def _size(self, number: int) -> tuple[Any, Any]:
        litres, area = self.value(f"sump.{number}.litres"), self.value(f"sump.{number}.size")
        litres = litres if litres is not None else self.value("sump.litres")
        own_area = f"sump.{number}.size" in self._questions
        area = area if own_area else self.value("sump.size")
        volume = (
            litres if litres is not None else Assumed(LITRES_TAKEN, "taken: measure it, and put it right")
        )
        cost = self._questions["sump.size"].unknown
        return volume, Unset(cost) if area is None else f"{area:.3g} m2"

    # ---------------------------------------------------------------- the train's channels

    def channel(self, key: str) -> str | None:
        """The channel a meter of the train has; None where there is no such meter."""
        meter = self.meters.get(key)
        if meter is None:
            return None
        if meter.ions:
            return f"{key}.{'tds' if shows_tds(self.answers, meter) else 'ec'}"
        return _CHANNELS[key]

    @property
    def running(self) -> str | None:
        """The channel that says when treated water is made: the flow, else the contact."""
        return self.channel("flow") or self.channel("run")

    def wired(self, key: str) -> bool:
        """Whether there is such a meter and its value comes by itself."""
        return key in self.meters and wire_of(self.answers, self.meters[key]) != "eye"

    def trend(self, key: str) -> bool:
        """Whether a meter's value stands at 25 °C, so that weeks can be compared."""
        meter = self.meters.get(key)
        if meter is None:
            return False
        if shows_tds(self.answers, meter):
            return True
        compensated = self.value(f"meter.{key}.compensated")
        return bool(compensated) or (compensated is False and "temperature" in self.meters)
