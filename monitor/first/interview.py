"""The talk: asks what is not answered yet, takes corrections at any time, keeps every answer at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from monitor.first.answers import UNKNOWN, Answers, is_unknown
from monitor.first.clashes import clashes
from monitor.first.question import Question
from monitor.first.sections import questions, section_of
from monitor.first.written import NotRight, NoUnit

WELCOME = """\
This asks what a shop can answer from one printed page (goodwater init --page prints it), and writes the site
file of it.
Enter takes what stands in [brackets]. Always possible: don't know, ? for help, back, list, change 5, stop.
Every answer is kept at once; after a stop the next start goes on where this one ended.
"""
_STOPS, _BACKS, _LISTS = ("stop", "quit", "exit"), ("back", "b"), ("list", "show")


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
            self._say(f'   "{kept}" stands in the answers: {question.why_not(kept)}')
            kept = ""
        default = kept or question.default or ("" if question.needed else UNKNOWN)
        number = ""  # a number that still lacks its unit
        while True:
            typed = self._hear("   unit > " if number else _prompt(default)).strip()
            if not _is_text(typed):
                self._say("   That came as no readable text; type it again.")
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
                self._say(f"   {error}")
                number = typed
            except NotRight as error:
                self._say(
                    f"   {_sentence(str(error))}" if typed else f"   An answer is needed. {question.hint}"
                )
            else:
                self._take(question, typed, value)
                return

    def _introduce(self, question: Question) -> None:
        section = section_of(self._answers, question.key)
        if section.title != self._section:
            self._section = section.title
            self._say(f"\n{section.title}\n{'-' * len(section.title)}")
            if section.intro:
                self._say(section.intro)
        asked = questions(self._answers)
        at = [q.key for q in asked].index(question.key) + 1
        self._say(f"\n{at}/{len(asked)}  {question.ask}")
        for position, (name, words) in enumerate(question.options.items(), 1):
            self._say(f"     {position}  {f'{name}: {words}' if words and words != name else name}")
        if question.hint:
            self._say(f"   {question.hint}")

    def _help(self, question: Question) -> None:
        self._say(f"   {question.hint or question.ask}")
        self._say(
            "   It has to be answered."
            if question.needed
            else f"   don't know is allowed. It costs: {question.unknown}"
        )

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
            self._say(f"   There are the numbers 1 to {len(keys)}.")
            self._jump = otherwise

    def _take(self, question: Question, typed: str, value: Any) -> None:
        try:
            self._answers.put(question.key, question.kept(typed))
        except OSError as error:
            self._say(f"   The answers could not be saved ({error}); it is tried again with the next one.")
        for key, reason in clashes(self._answers):
            self._say(f"   {_sentence(reason)}.")
            self._answers.forget(key)
            self._jump = key
            return
        if is_unknown(typed):
            self._say(f"   Noted. What it costs: {question.unknown}")
        elif question.echo is not None:
            self._say(f"   {question.echo(value)}")

    def _list(self) -> None:
        for position, question in enumerate(questions(self._answers), 1):
            answer = self._answers.get(question.key) if question.answered(self._answers) else "..."
            self._say(f"{position:4}  {question.ask}  {answer}")

    def _confirmed(self) -> bool:
        self._say("\nAll answers\n-----------")
        self._list()
        while True:
            typed = self._hear(
                "\n   All right? Enter writes the site file, a number changes that answer > "
            ).strip()
            words = typed.lower().split()
            if not words or words[0] in ("yes", "y", "ok"):
                return True
            if words[0] in _STOPS:
                raise Stopped
            number = words[-1]
            if number.isdigit() and words[:-1] in ([], ["change"]):
                self._change(int(number))
                if self._jump:
                    return False
            else:
                self._say("   Enter, a number, or stop.")


def _prompt(default: str) -> str:
    return f"   [{default}] > " if default else "   > "


def _is_text(typed: str) -> bool:
    """Bytes that the terminal sent and that are no text come as lone surrogates."""
    return typed.isprintable() or not any("\ud800" <= sign <= "\udfff" or ord(sign) < 32 for sign in typed)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
