"""Shops as they answer: answers that a test changes in one thing, and a talk with somebody who types them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path

from monitor.config import SiteFile, load
from monitor.first.answers import UNKNOWN, Answers
from monitor.first.interview import Interview
from monitor.first.sections import questions
from monitor.first.site_text import site_text

TWELVE = {
    "shop.name": "Hall 1, Süd",
    "shop.timezone": "Europe/Vienna",
    "tap.hardness": "18 grains",
    "tap.alkalinity": "140 ppm",
    "tap.ph": "7,6",
    "tap.dissolved": "610 uS/cm",
    "tap.chlorine": "0.3 mg/l",
    "softener.resin": "1.5 ft3",
    "softener.salt": "8 lb/ft3",
    "softener.start": "timed",
    "softener.every": "3 days",
    "ro.rated": "1500 gpd",
    "ro.recovery": "60",
    "di.resin": "20 L",
    "di.service": "own",
    "di.since": "4 May 2026",
    "treated.limit": "20 uS/cm",
    "sump.count": "12",
    "sump.names": "lathe 1, mill 2, grinder 3, lathe 4, mill 5, grinder 6, lathe 7, mill 8, grinder 9, saw, "
    "drill, lathe 12",
    "sump.litres": "80 gal",
    "sump.size": "48 x 24 in",
    "sump.differ": "3 6",
    "sump.3.litres": "470 L",
    "sump.3.size": "1.5 x 1 m",
    "coolant.factor": "1.3",
    "coolant.band": "6 to 9 %",
    "coolant.minerals": "35 dH",
    "sump.hours": "60",
    "meters.which": "tap, permeate, di, hardness, flow, run, temperature, tank, level, pump, brix",
    "meter.tap.message": '{"t": 1790000000000, "v": 610}',
    "meter.tap.accuracy": "2 %",
    "meter.permeate.accuracy": "1 % FS",
    "meter.di.accuracy": "2 %",
    "meter.tank.low": "12 inch",
    "meter.level.accuracy": "5 mm",
    "meter.level.low": "80 mm",
    "person.mail": "lead@shop.internal",
    "person.second": "shift@shop.internal",
    "mail.host": "mail.shop.internal",
    "mail.user": "goodwater@shop.internal",
}
EYE = {"meters.which": "di", "meter.di.wire": "eye", "train.stages": "DI bed", "sump.count": "0"}


def filled(given: Mapping[str, str]) -> Answers:
    """Answers with what is usual, or "don't know", wherever nothing is given."""
    answers = Answers(given)
    while True:
        open_ = next((q for q in questions(answers) if not q.answered(answers)), None)
        if open_ is None:
            return answers
        assert open_.key not in given, (
            f'{open_.key} = "{given[open_.key]}": {open_.why_not(given[open_.key])}'
        )
        assert open_.default or not open_.needed, f"{open_.key} has to be given"
        answers.put(open_.key, open_.default or UNKNOWN)


@cache
def twelve() -> Answers:
    """A shop of twelve sumps, all answered; not to be changed."""
    return filled(TWELVE)


def site_of(folder: Path, answers: Answers) -> SiteFile:
    """The site file of these answers, read as `goodwater check` reads it."""
    path = folder / "site.toml"
    path.write_text(site_text(answers, "site"), encoding="utf-8")
    return load(path)


class Person:
    """Types what it is given, one line after the other; hears what is said."""

    def __init__(self, *lines: str) -> None:
        self.lines = list(lines)
        self.heard: list[str] = []

    def say(self, text: str) -> None:
        self.heard.append(text)

    def hear(self, prompt: str) -> str:
        self.heard.append(prompt)
        if not self.lines:
            raise EOFError
        return self.lines.pop(0)

    def talk(self, answers: Answers) -> None:
        Interview(answers, self.say, self.hear).run()

    @property
    def all_heard(self) -> str:
        return "\n".join(self.heard)


def without(given: Mapping[str, str], keys: Iterable[str]) -> dict[str, str]:
    return {key: text for key, text in given.items() if key not in set(keys)}
