"""All questions, in their order. What is asked depends on what was answered before."""

from __future__ import annotations

from monitor.first.answers import Answers
from monitor.first.meter_questions import meters
from monitor.first.people import people
from monitor.first.question import Question, Section
from monitor.first.stages import shop, train, treatment, water
from monitor.first.sumps import sumps


def sections(answers: Answers) -> tuple[Section, ...]:
    return (
        shop(answers),
        train(answers),
        water(answers),
        *treatment(answers),
        sumps(answers),
        meters(answers),
        people(answers),
    )


def questions(answers: Answers) -> tuple[Question, ...]:
    return tuple(question for section in sections(answers) for question in section.questions)


def section_of(answers: Answers, key: str) -> Section:
    """Raises: KeyError when no question has that key."""
    for section in sections(answers):
        if any(question.key == key for question in section.questions):
            return section
    raise KeyError(key)
