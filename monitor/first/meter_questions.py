"""Questions about the instruments: which there are, how each comes, and what it shows."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.first import written
from monitor.first.answers import Answers
from monitor.first.meters import (
    SAME_WIRE,
    SCALES,
    SUMPS_EVERY,
    TRAIN_EVERY,
    WIRES,
    Meter,
    accuracy,
    chosen,
    first_wired,
    fits,
    own_wire_of,
    possible,
    read_wire,
    reads,
    scale_of,
    shared_wire_of,
    shows_resistivity,
    shows_tds,
    wire_of,
)
from monitor.first.question import Question, Section, taken
from monitor.first.sent import line_of, own_message_of
from monitor.first.wires import wire_questions
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
    asked += _every(answers)
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
    asked = []
    if not shared_wire_of(answers, meter) or own_wire_of(answers, meter):
        asked = [
            Question(
                f"meter.{meter.key}.wire",
                f"{meter.label}: how does its value reach this machine?",
                read_wire(meter),
                default="eye" if meter.by_eye else usual_wire,
                options=WIRES,
            )
        ]
    if own_wire_of(answers, meter) and meter == first_wired(answers):
        asked += _same_wire(answers, meter)
    asked += wire_questions(answers, meter)
    if wire_of(answers, meter):
        asked += _shows(answers, meter)
    return asked


def _same_wire(answers: Answers, first: Meter) -> list[Question]:
    others = [m for m in chosen(answers) if m != first and not m.by_eye and fits(wire_of(answers, first), m)]
    if not others:
        return []
    return [
        Question(
            SAME_WIRE,
            "Do the others come the same way?",
            written.yes,
            default="yes",
            hint="no asks it of each; strips and refractometers are asked for anyway.",
        )
    ]


def _every(answers: Answers) -> list[Question]:
    """How often they speak: once for the train, once for the sumps."""
    asked = []
    speaking = [meter for meter in chosen(answers) if wire_of(answers, meter) not in ("", "eye")]
    for key, words, of_sumps in ((TRAIN_EVERY, "of the train", False), (SUMPS_EVERY, "at the sumps", True)):
        spoken = [meter for meter in speaking if meter.of_sumps == of_sumps]
        if spoken:
            asked.append(
                Question(
                    key,
                    f"How often do the instruments {words} speak?",
                    lambda t: written.duration(t, "1 min"),
                    default=spoken[0].every,
                    hint="Most of them, like 1 min. Three times as long without a word is an alarm.",
                )
            )
    return asked


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
                f"{meter.label}: unit, highest value, last digit?",
                reads(meter),
                default=_usual(answers, meter),
                hint="From its sheet or plate, like uS/cm 200 0.1: unit, end of its range, its step.",
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
    return asked


def _unit_of_hardness(typed: str) -> str:
    return written.measure(typed, written.HARDNESS, "").split()[1]


def _usual(answers: Answers, meter: Meter) -> str:
    """What such a meter usually shows, with the last digit of the sample that was pasted."""
    unit, top, digit = meter.shows.split()
    if meter.key == "hardness":
        typed = taken(answers, "tap.hardness", _unit_of_hardness, "")
        unit, top, digit = {
            "ppm": ("ppm", "500", "10"),
            "mg/L": ("ppm", "500", "10"),
            "dH": ("dH", "30", "1"),
        }.get(typed, (unit, top, digit))
    message = own_message_of(answers, meter)
    values = message.values if message is not None else line_of(answers, meter)
    if len(values) == 1 and "." in values[0].written:
        digit = values[0].digit
    return f"{unit} {top} {digit}"
