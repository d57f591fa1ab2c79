"""Questions about the instruments: which there are, how each comes, and what it shows."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.first import written
from monitor.first.answers import Answers, is_unknown
from monitor.first.meters import (
    SCALES,
    WIRES,
    Meter,
    accuracy,
    chosen,
    possible,
    read_wire,
    reads,
    scale_of,
    shows_resistivity,
    shows_tds,
    wire_of,
)
from monitor.first.question import Question, Section
from monitor.first.wires import line_of, message_of, wire_questions
from monitor.first.written import NotRight

_LOW = {
    "tank": ("At which level is the tank too low?", "Nobody is told before the tank is empty."),
    "level": ("At which level is a sump too low?", "Nobody is told before a coolant pump draws air."),
}


def meters(answers: Answers) -> Section:
    known = possible(answers)
    asked = [
        Question(
            "meters.which",
            "Which instruments are there?",
            lambda typed: _some(typed, known),
            hint="Numbers like 3 4 5 9, displays and strips that are read by eye too. Others can follow.",
            options={key: meter.words for key, meter in known.items()},
        ),
    ]
    last = "mqtt"
    for meter in chosen(answers):
        asked += _one(answers, meter, last)
        last = last if meter.by_eye else wire_of(answers, meter) or last
    intro = (
        "One by one, with Enter for what is usual. What is not known now is put right in the site file later."
    )
    return Section("The instruments", intro, tuple(asked))


def _some(typed: str, known: Mapping[str, Meter]) -> tuple[str, ...]:
    found = written.choices(typed, known)
    if not found:
        raise NotRight(
            "at least one: Goodwater judges what instruments tell. Begin with a display that is read by eye"
        )
    return found


def _one(answers: Answers, meter: Meter, usual_wire: str) -> list[Question]:
    at, where = f"meter.{meter.key}", _where(meter)
    asked = [
        Question(
            f"{at}.wire",
            f"{where}: how does its value reach this machine?",
            read_wire(meter),
            default="eye" if meter.by_eye else usual_wire,
            options=WIRES,
        )
    ]
    asked += wire_questions(answers, meter)
    if wire_of(answers, meter):
        asked += _shows(answers, meter)
    return asked


def _where(meter: Meter) -> str:
    return meter.words[0].upper() + meter.words[1:]


def _shows(answers: Answers, meter: Meter) -> list[Question]:
    at = f"meter.{meter.key}"
    asked = []
    if meter.contact:
        asked.append(
            Question(
                f"{at}.closed",
                "Is the contact closed while it is so?",
                written.yes,
                default="yes",
                hint="yes where it closes (gives 1) while water or the pump runs; no where it opens.",
            )
        )
    else:
        asked.append(
            Question(
                f"{at}.shows",
                "What does it show: unit, highest value, last digit?",
                reads(meter),
                default=_usual(answers, meter),
                hint=f"Like {meter.shows}: unit, end of its range, its step.",
            )
        )
        asked.append(
            Question(
                f"{at}.accuracy",
                "Its accuracy, from its sheet?",
                accuracy(meter),
                "How sure an alarm is rests on its last digit alone.",
                hint="Like 2 %, or 1 % FS where the sheet says full scale, or a fixed error like 5 mm.",
            )
        )
    if meter.ions and shows_tds(answers, meter):
        asked.append(
            Question(
                f"{at}.scale_of",
                "What does it assume to turn conductivity into ppm?",
                scale_of,
                "The salt scale is taken; beside another meter the figure may be a third off.",
                default="nacl",
                options=SCALES,
                hint="Its sheet says; or a factor, like 0.7.",
            )
        )
    elif meter.ions and not shows_resistivity(answers, meter):
        asked.append(
            Question(
                f"{at}.compensated",
                "Does it refer its value to 25 °C itself?",
                written.yes,
                "The membrane is not watched by trend: a cold week would look like good water.",
                default="yes",
                hint="ATC on its sheet; nearly all with a display do.",
            )
        )
    if meter.key in _LOW:
        asked.append(
            Question(
                f"{at}.low",
                _LOW[meter.key][0],
                lambda t: written.within(
                    written.measure(t, written.LENGTH, "80 mm or 3 inch"), "mm", 1, 100_000
                ),
                _LOW[meter.key][1],
                hint="As the sensor shows it, like 80 mm or 3 inch.",
            )
        )
    asked.append(
        Question(
            f"{at}.every",
            "How often is it read?" if wire_of(answers, meter) == "eye" else "How often does it speak?",
            lambda t: written.duration(t, "1 min"),
            default="4 days" if wire_of(answers, meter) == "eye" and not meter.by_eye else meter.every,
            hint="Like 1 min. Three times as long without a word is an alarm.",
        )
    )
    return asked


def _usual(answers: Answers, meter: Meter) -> str:
    """What such a meter usually shows, with the last digit of the sample that was pasted."""
    unit, top, digit = meter.shows.split()
    if meter.key == "hardness":
        tap = answers.get("tap.hardness")
        typed = "" if not tap or is_unknown(tap) else written.measure(tap, written.HARDNESS, "").split()[1]
        unit, top, digit = {
            "ppm": ("ppm", "500", "10"),
            "mg/L": ("ppm", "500", "10"),
            "dH": ("dH", "30", "1"),
        }.get(typed, (unit, top, digit))
    message = message_of(answers, meter)
    values = message.values if message is not None else line_of(answers, meter)
    if len(values) == 1 and "." in values[0].written:
        digit = values[0].digit
    return f"{unit} {top} {digit}"
