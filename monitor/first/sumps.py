"""Questions about the machines' sumps: once for all of them, then only where one differs."""

from __future__ import annotations

import re

from monitor.first import written
from monitor.first.answers import Answers, is_unknown
from monitor.first.question import Question, Section, taken
from monitor.first.written import NotRight

MOST = 200
LITRES_TAKEN = "200 L"
_LITRES = "Litres of the sump, filled to its mark?"
_SIZE = "Length x width of the sump's tank?"


def count(answers: Answers) -> int:
    """How many sumps there are; 0 until that is answered."""
    return taken(answers, "sump.count", _count, 0)


def differing(answers: Answers) -> tuple[int, ...]:
    """Those that have litres or a size of their own, by number from 1."""
    none: tuple[int, ...] = ()
    return taken(answers, "sump.differ", lambda typed: _numbers(typed, count(answers)), none)


def _count(typed: str) -> int:
    if typed.strip().lower() in ("none", "no"):
        return 0
    value = written.number(typed, 0, MOST, ("sumps", "machines", "sump", "machine"))
    if value != int(value):
        raise NotRight("a whole number")
    return int(value)


def names(typed: str, many: int) -> tuple[str, ...]:
    """A name for each sump: as many as there are, or one that is numbered."""
    parts = [" ".join(part.split()) for part in re.split(r"[,;]", typed) if part.strip()]
    if any(len(part) > 40 or not part.isprintable() for part in parts):
        raise NotRight("names of at most 40 characters")
    if len(parts) == 1 and many > 1:
        return tuple(f"{parts[0]} {number}" for number in range(1, many + 1))
    if len(parts) != many:
        raise NotRight(
            f"{len(parts)} names for {many} sumps; write one for each, with commas, or one for all"
        )
    if len({part.lower() for part in parts}) != many:
        raise NotRight("each sump needs a name of its own; a number behind it will do")
    return tuple(parts)


def _numbers(typed: str, many: int) -> tuple[int, ...]:
    if typed.strip().lower() in ("none", "no", ""):
        return ()
    options = {str(number): "" for number in range(1, many + 1)}
    return tuple(int(name) for name in written.choices(typed, options))


def _litres(typed: str) -> str:
    return written.within(written.measure(typed, written.VOLUME, "300 L or 80 gal"), "L", 5, 20_000)


def _size(typed: str) -> float:
    area = written.rectangle_m2(typed)
    if not 0.02 <= area <= 100:
        raise NotRight(f"that is {area:.2g} m2; a sump has 0.02 to 100 m2. Like 1200 x 600 mm or 4 ft x 2 ft")
    return area


def _litres_a_millimetre(area_m2: float) -> str:
    return f"{area_m2:.2g} m2: a millimetre of level is {area_m2:.2g} L."


def sumps(answers: Answers) -> Section:
    asked = [
        Question(
            "sump.count",
            "How many machines have a sump to be watched?",
            _count,
            default="12",
            hint="0 where only the water is to be watched.",
        ),
    ]
    many = count(answers)
    if many:
        asked += _common(answers, many)
    for number in differing(answers):
        asked += _own(answers, number)
    intro = (
        "What is the same for all is asked once. Measure one sump with a tape; its plate tells the litres."
    )
    return Section("The sumps", intro, tuple(asked))


def _common(answers: Answers, many: int) -> list[Question]:
    all_of_them = "" if many == 1 else " (of most of them, where they differ)"
    asked = [
        Question(
            "sump.names",
            "What are they called?",
            lambda typed: names(typed, many),
            default="machine",
            hint='One for each, with commas, or one word for all: "machine" makes machine 1, machine 2.',
        ),
        Question(
            "sump.litres",
            f"{_LITRES}{all_of_them}",
            _litres,
            f"{LITRES_TAKEN} is taken; a fast fall of a sump is then judged by a wrong size.",
            hint="Like 300 L or 80 gal.",
        ),
        Question(
            "sump.size",
            f"{_SIZE}{all_of_them}",
            _size,
            "A millimetre of level is no litres then: losses of the sumps are not watched.",
            hint="Of the liquid's surface, like 1200 x 600 mm or 4 ft x 2 ft.",
            echo=_litres_a_millimetre,
        ),
    ]
    if many > 1:
        asked.append(
            Question(
                "sump.differ",
                "Which of them are of another size?",
                lambda t: _numbers(t, many),
                default="none",
                hint=f"Numbers from 1 to {many}, like 3 5 8-10; none where all are alike.",
            )
        )
    asked += [
        Question(
            "coolant.name",
            "What is the coolant called?",
            _coolant,
            "Messages call it the coolant.",
            hint="A name of your own, like mill coolant.",
        ),
        Question(
            "coolant.factor",
            "Its refractometer factor?",
            lambda t: written.number(t, 0.3, 10),
            "What the refractometer shows is then no concentration.",
            hint="On its sheet, like 1.3.",
        ),
        Question(
            "coolant.band",
            "The concentration it is to be kept at?",
            lambda t: written.band(t, 0.5, 30),
            "Nobody can say whether a sump is too thin or too rich.",
            hint="On its sheet, like 6 to 9 %.",
        ),
        Question(
            "coolant.minerals",
            "The hardness its sheet allows in the sump?",
            lambda t: written.within(
                written.measure(t, written.HARDNESS, "600 ppm or 35 °dH"), "mg/L", 20, 10_000
            ),
            "When a sump has to be changed for its minerals cannot be forecast.",
            hint="Its mineral limit, like 600 ppm, 35 °dH or 35 gpg.",
        ),
        Question(
            "sump.hours",
            "Hours the machines run in a usual week?",
            lambda t: written.number(t, 0, 168, ("h", "hours", "hrs")),
            "40 hours are taken where evaporation is reckoned.",
            hint="Of most machines, like 60.",
        ),
    ]
    return asked


def _coolant(typed: str) -> str:
    plain = " ".join(typed.split())
    if not plain or len(plain) > 60 or not plain.isprintable():
        raise NotRight("a name, at most 60 characters")
    return plain


def _previous(answers: Answers, number: int, what: str) -> str:
    """What the last one that differed has; what most have for the first."""
    before = [n for n in differing(answers) if n < number]
    typed = answers.get(f"sump.{before[-1]}.{what}" if before else f"sump.{what}")
    return "" if is_unknown(typed) else typed


def _own(answers: Answers, number: int) -> list[Question]:
    try:
        name = names(answers.get("sump.names") or "machine", count(answers))[number - 1]
    except NotRight:
        name = f"machine {number}"
    return [
        Question(
            f"sump.{number}.litres",
            f"{name}: {_LITRES}",
            _litres,
            "That of the others is taken.",
            default=_previous(answers, number, "litres"),
            hint="Like 300 L or 80 gal.",
        ),
        Question(
            f"sump.{number}.size",
            f"{name}: {_SIZE}",
            _size,
            "Losses of this sump are not watched.",
            default=_previous(answers, number, "size"),
            hint="Like 1200 x 600 mm or 4 ft x 2 ft.",
            echo=_litres_a_millimetre,
        ),
    ]
