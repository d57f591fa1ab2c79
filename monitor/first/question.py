"""One question: what is asked, how an answer is read, and what it costs not to know."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from monitor.first.answers import UNKNOWN, Answers, is_unknown
from monitor.first.written import NotRight


@dataclass(frozen=True)
class Question:
    """`read` turns what was typed into a value or raises NotRight; without `unknown` it must be answered."""

    key: str
    ask: str
    read: Callable[[str], Any]
    unknown: str = ""  # what "don't know" costs
    default: str = ""  # what Enter takes
    hint: str = ""  # where to find it, how to write it
    options: Mapping[str, str] = field(default_factory=dict)  # shown with numbers
    echo: Callable[[Any], str] | None = None  # says how an answer was understood

    @property
    def needed(self) -> bool:
        return not self.unknown

    def value(self, text: str) -> Any:
        """What an answer says; None for "don't know".

        Raises: NotRight when it cannot be taken.
        """
        if is_unknown(text):
            if self.needed:
                raise NotRight(f"without this no site file can be made. {self.hint}".strip())
            return None
        return self.read(text)

    def why_not(self, typed: str) -> str:
        """Why an answer cannot be taken; empty where it can."""
        try:
            self.value(typed)
        except NotRight as error:
            return str(error)
        return ""

    def kept(self, typed: str) -> str:
        """An answer as it is kept: of numbered options their names, as numbers may change with a version.

        Raises: NotRight.
        """
        value = self.value(typed)
        if is_unknown(typed):
            return UNKNOWN
        if self.options and isinstance(value, str) and value in self.options:
            return value
        if self.options and isinstance(value, tuple) and set(value) <= set(self.options):
            return ", ".join(value) or "none"
        return typed

    def answered(self, answers: Answers) -> bool:
        """Whether there is an answer that can be taken."""
        return self.key in answers and not self.why_not(answers.get(self.key))


@dataclass(frozen=True)
class Section:
    """Questions that belong together, with what is said before the first of them."""

    title: str
    intro: str
    questions: tuple[Question, ...]


T = TypeVar("T")


def taken(answers: Answers, key: str, read: Callable[[str], T], otherwise: T) -> T:
    """What an answer says, where there is one that can be taken and it is not "don't know"."""
    if key not in answers or is_unknown(answers.get(key)):
        return otherwise
    try:
        return read(answers.get(key))
    except NotRight:
        return otherwise


def text(what: str, longest: int = 60) -> Callable[[str], str]:
    """Reads a text of one line that is not empty."""

    def read(typed: str) -> str:
        plain = " ".join(typed.split())
        if not plain or len(plain) > longest or not plain.isprintable():
            raise NotRight(f"{what}, at most {longest} characters")
        return plain

    return read
