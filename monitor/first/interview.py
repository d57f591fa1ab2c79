"""The talk: asks what is not answered yet, takes corrections at any time, keeps every answer at once."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from typing import Any

from monitor.first.answers import UNKNOWN, Answers, is_unknown
from monitor.first.clashes import clashes
from monitor.first.question import Question
from monitor.first.sections import questions, section_of
from monitor.first.written import NotRight, NoUnit

WELCOME = """\
This asks what a shop can answer from one printed page (goodwater init --page
prints it), and writes the site file of it. Enter takes what stands in [brackets].
Always possible: don't know, ? for help, back, list, change 5, stop. Every answer
is kept at once; after a stop the next start goes on where this one ended.
"""
WIDTH = 80
_STOPS, _BACKS, _LISTS = ("stop", "quit", "exit"), ("back",), ("list", "show")


class Stopped(Exception):
    """The person wants to go on another time."""


class Interview:
    """One talk. `say` prints a line; `hear` shows a prompt and gives back what was typed (or EOFError)."""

    def __init__(self, answers: Answers, say: Callable[[str], None], hear: Callable[[str], str]) -> None:
        self._answers = answers
        self._say = say
        self._hear = hear
        self._section = ""
        self._jump = ""
        self._explained: set[tuple[str, ...]] = set()  # options whose words were shown already
        self._hinted: set[str] = set()

    def run(self) -> None:
        """Until everything is answered and the person says that it is right.

        Raises: Stopped, EOFError, KeyboardInterrupt; what was answered until then is kept.
        """
        done = sum(1 for q in questions(self._answers) if q.answered(self._answers))
        self._say(WELCOME)
        if done:
            self._say(f"{done} answers are there already; going on from them.\n")
        while True:
            question = self._next()
            if question is not None:
                self._ask(question)
            elif self._confirmed():
                return

    def _next(self) -> Question | None:
        asked = questions(self._answers)
        jump, self._jump = self._jump, ""
        for question in asked:
            if question.key == jump:
                return question
        return next((q for q in asked if not q.answered(self._answers)), None)

    def _ask(self, question: Question) -> None:
        self._introduce(question)
        kept = self._answers.get(question.key)
        if kept and not question.answered(self._answers):
            self._tell(f'"{kept}" stands in the answers: {question.why_not(kept)}')
            kept = ""
        default = kept or question.default or ("" if question.needed else UNKNOWN)
        number = ""  # a number that still lacks its unit
        while True:
            typed = self._hear("   unit > " if number else _prompt(default)).strip()
            if not _is_text(typed):
                self._tell("That came as no readable text; type it again.")
                continue
            if self._is_command(question, typed):
                return
            if typed == "?":
                self._help(question)
                continue
            typed = f"{number} {typed}" if number and typed and not typed[0].isdigit() else typed or default
            number = ""
            try:
                value = question.value(typed)
            except NoUnit as error:
                self._tell(str(error))
                number = typed
            except NotRight as error:
                self._tell(_sentence(str(error)) if typed else f"An answer is needed. {question.hint}")
            else:
                self._take(question, typed, value)
                return

    def _introduce(self, question: Question) -> None:
        section = section_of(self._answers, question.key)
        if section.title != self._section:
            self._section = section.title
            self._say(f"\n{section.title}\n{'-' * len(section.title)}")
            if section.intro:
                self._tell(section.intro, indent=0)
        asked = questions(self._answers)
        at = [q.key for q in asked].index(question.key) + 1
        self._say("")
        self._tell(f"{at}/{len(asked)}  {question.ask}", indent=0)
        self._options(question)
        if question.hint and question.hint not in self._hinted:  # ? says it again
            self._hinted.add(question.hint)
            self._tell(question.hint)

    def _options(self, question: Question) -> None:
        """With their words the first time, then in one line."""
        names = tuple(question.options)
        if names in self._explained:
            self._tell(", ".join(f"{position} {name}" for position, name in enumerate(names, 1)), indent=5)
            return
        for position, (name, words) in enumerate(question.options.items(), 1):
            self._tell(f"{position}  {f'{name}: {words}' if words and words != name else name}", indent=5)
        if names:
            self._explained.add(names)

    def _tell(self, text: str, *, indent: int = 3) -> None:
        """One paragraph, as wide as a terminal."""
        margin = " " * indent
        self._say(
            textwrap.fill(
                text,
                WIDTH,
                initial_indent=margin,
                subsequent_indent=margin,
                break_long_words=False,
                break_on_hyphens=False,
            )
        )

    def _help(self, question: Question) -> None:
        self._tell(question.hint or question.ask)
        cost = f"don't know is allowed. It costs: {question.unknown}"
        self._tell("It has to be answered." if question.needed else cost)

    def _is_command(self, question: Question, typed: str) -> bool:
        words = typed.lower().split()
        if not words:
            return False
        keys = [q.key for q in questions(self._answers)]
        if words[0] in _STOPS and len(words) == 1:
            raise Stopped
        if words[0] in _BACKS and len(words) == 1:
            self._jump = keys[max(keys.index(question.key) - 1, 0)]
        elif words[0] in _LISTS and len(words) == 1:
            self._list()
            self._jump = question.key
        elif words[0] == "change" and len(words) == 2 and words[1].isdigit():
            self._change(int(words[1]), otherwise=question.key)
        else:
            return False
        return True

    def _change(self, number: int, otherwise: str = "") -> None:
        keys = [q.key for q in questions(self._answers)]
        if 1 <= number <= len(keys):
            self._jump = keys[number - 1]
        else:
            self._tell(f"There are the numbers 1 to {len(keys)}.")
            self._jump = otherwise

    def _take(self, question: Question, typed: str, value: Any) -> None:
        try:
            self._answers.put(question.key, question.kept(typed))
        except OSError as error:
            self._tell(f"The answers could not be saved ({error}); it is tried again with the next one.")
        for key, reason in clashes(self._answers):
            self._tell(f"{_sentence(reason)}.")
            self._answers.forget(key)
            self._jump = key
            return
        if is_unknown(typed):
            self._tell(f"Noted. What it costs: {question.unknown}")
        elif question.echo is not None:
            self._tell(question.echo(value))

    def _list(self) -> None:
        for position, question in enumerate(questions(self._answers), 1):
            answer = self._answers.get(question.key) if question.answered(self._answers) else "..."
            self._say(f"{position:4}  {question.ask}  {answer}")

    def _confirmed(self) -> bool:
        answers = [self._answers.get(q.key) for q in questions(self._answers)]
        open_ = sum(map(is_unknown, answers))
        self._say("")
        self._tell(
            f"That was all: {len(answers)} answers, {open_} of them don't know. list shows them with their "
            "numbers.",
            indent=0,
        )
        while True:
            typed = self._hear(
                "\n   All right? Enter writes the site file, a number changes that answer > "
            ).strip()
            words = typed.lower().split()
            if not words or words[0] in ("yes", "y", "ok"):
                return True
            if words[0] in _STOPS:
                raise Stopped
            if words[0] in _LISTS:
                self._list()
                continue
            number = words[-1]
            if number.isdigit() and words[:-1] in ([], ["change"]):
                self._change(int(number))
                if self._jump:
                    return False
            else:
                self._tell("Enter, a number, list, or stop.")


def _prompt(default: str) -> str:
    return f"   [{default}] > " if default else "   > "


def _is_text(typed: str) -> bool:
    """Bytes that the terminal sent and that are no text come as lone surrogates."""
    return typed.isprintable() or not any("\ud800" <= sign <= "\udfff" or ord(sign) < 32 for sign in typed)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
