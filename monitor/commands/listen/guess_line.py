"""How lines of text from a port might be read: their shape, the pattern, the checksum. Guesses, pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from monitor.commands.listen.guess import MOST_PARTS, Guess, Part
from monitor.commands.listen.quantities import likely
from monitor.intake.checksums import CHECKSUMS
from monitor.intake.decoded import CONTACT_WORDS

_ISO = r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?(?:Z|[+-]\d\d:?\d\d)?"
_STAMP = r"\d{1,4}[-./]\d{1,2}[-./]\d{2,4}|\d{1,2}:\d\d(?::\d\d)?"  # a date or a clock, but no time by itself
_DECIMALS = {False: r"\.", True: ","}
_NUMBER_GROUP = {False: "[-+<>]?[0-9.]+", True: "[-+<>]?[0-9,]+"}
_BEFORE = re.compile(r"([A-Za-z][A-Za-z0-9_]*)[^A-Za-z0-9]*$")
_BEHIND = re.compile(r"[ \t]?([a-zA-Zµμ°%Ω][\w/.·°²³µμ%Ω*]{0,11})")
_AT_ITS_ENDS = " \t\r\n\0\x02"
ENOUGH = 3  # lines before a checksum is believed


@dataclass(frozen=True, slots=True)
class Checksum:
    """What lines prove themselves by: its name, its digits, and whether it is taken between $ and *."""

    name: str
    digits: int
    framed: bool


@dataclass(frozen=True, slots=True)
class Form:
    """What all lines of a port have in common."""

    comma: bool = False  # decimals are written with one
    checksum: Checksum | None = None


def form_of(lines: Sequence[str]) -> Form:
    """The form of the lines that were heard on a port."""
    bare = [line.strip(_AT_ITS_ENDS) for line in lines]
    undated = (re.sub(f"{_ISO}|{_STAMP}", " ", line) for line in bare)
    runs = [run for line in undated for run in re.findall(r"[\d.,]*\d", line)]
    comma = any("," in run for run in runs) and all(run.count(",") <= 1 and "." not in run for run in runs)
    return Form(comma, _checksum_of(bare))


@dataclass(frozen=True, slots=True)
class _Piece:
    """A part of a line: literal text, a number, a time with its offset, a date or clock, a checksum."""

    kind: str
    text: str


def shape(line: str, form: Form) -> str:
    """Lines of one shape differ in their numbers only: `EC=# T=#`."""
    return "".join(
        re.sub(r" +", " ", piece.text) if piece.kind == "literal" else f"<{piece.kind}>"
        for piece in _pieces(line, form)
    )


def guess_line(line: str, form: Form) -> Guess:
    """The values of one line."""
    parts: list[Part] = []
    time = ""
    for piece, before, behind in _with_neighbours(line, form):
        if piece.kind == "time":
            time = time or piece.text
        elif piece.kind == "number" and len(parts) < MOST_PARTS:
            name = _name(before, behind, parts)
            parts.append(Part(name, name, _number(piece.text), piece.text, _unit(behind)))
    if parts:
        return Guess("line", tuple(parts), {"decimal": "comma"} if form.comma else {}, time)
    word = line.strip(_AT_ITS_ENDS).lower()
    if word in CONTACT_WORDS:
        return Guess("line", (Part("state", "state", CONTACT_WORDS[word], word, contact=True),))
    return Guess("text", remark=line)


def pattern_of(line: str, form: Form) -> tuple[str, dict[str, object]]:
    """A pattern for lines of the shape of this one, and further keys of the wire."""
    guessed = guess_line(line, form)
    keys: dict[str, object] = dict(guessed.keys)
    if any(part.contact for part in guessed.parts):
        return "(?P<state>[A-Za-z]+)", keys
    # A name for each number, and one for the first of the times: a group can be named once only.
    names = {"number": iter([part.name for part in guessed.parts]), "time": iter(["time"])}
    pattern = "".join(
        _as_pattern(piece, next(names.get(piece.kind, iter(())), ""), form) for piece in _pieces(line, form)
    )
    if form.checksum is not None:
        keys["checksum"] = form.checksum.name
        if form.checksum.framed:
            begin, star, end = r"\$", r"\*", rf"(?P<checksum>\w{{{form.checksum.digits}}})"
            inside = pattern.removeprefix(begin).removesuffix(star + end)
            pattern = f"{begin}(?P<checked>{inside}){star}{end}"
    if re.search(r"(Z|[+-]\d\d:?\d\d)$", guessed.time):
        keys |= {"time": "time", "time_unit": "iso"}
    return pattern, keys


def _as_pattern(piece: _Piece, name: str, form: Form) -> str:
    match piece.kind:
        case "number":
            return f"(?P<{name}>{_NUMBER_GROUP[form.comma]})" if name else _NUMBER_GROUP[form.comma]
        case "time":
            text = r"\S+ \S+" if " " in piece.text else r"\S+"
            return f"(?P<{name}>{text})" if name else text
        case "stamp":
            return "[-0-9:./]+"
        case "checksum":
            return rf"(?P<checksum>\w{{{len(piece.text)}}})"
        case _:
            # spaces may be more or fewer, as columns are filled up
            return re.sub(r"(?:\\? )+", " +", re.escape(piece.text))


def _pieces(line: str, form: Form) -> Iterator[_Piece]:
    line = line.strip(_AT_ITS_ENDS)
    end = len(line) if form.checksum is None else len(line) - form.checksum.digits
    at = 0
    for found in _tokens(form.comma).finditer(line, 0, end):
        if found.start() > at:
            yield _Piece("literal", line[at : found.start()])
        yield _Piece(str(found.lastgroup), found.group())
        at = found.end()
    if at < end:
        yield _Piece("literal", line[at:end])
    if end < len(line):
        yield _Piece("checksum", line[end:])


def _tokens(comma: bool) -> re.Pattern[str]:
    """Times, stamps and numbers. Digits right behind letters, as in `AI1`, are none without decimals."""
    point = _DECIMALS[comma]
    plain = rf"(?<![\w.])[<>]?[+-]?\d+(?:{point}\d+)?(?:[eE][+-]?\d+)?(?![\d:])"
    glued = rf"(?<=[A-Za-z])[+-]?\d+{point}\d+"
    return re.compile(rf"(?P<time>{_ISO})|(?P<stamp>{_STAMP})|(?P<number>{plain}|{glued})")


def _with_neighbours(line: str, form: Form) -> Iterator[tuple[_Piece, str, str]]:
    pieces = list(_pieces(line, form))
    for n, piece in enumerate(pieces):
        before = pieces[n - 1].text if n and pieces[n - 1].kind == "literal" else ""
        if n > 1:  # what stands before begins with the unit of the one before
            before = before[len(_unit(before)) + before.startswith(" ") :] if _unit(before) else before
        behind = pieces[n + 1].text if n + 1 < len(pieces) and pieces[n + 1].kind == "literal" else ""
        yield piece, before, behind


def _name(before: str, behind: str, others: Sequence[Part]) -> str:
    """A group's name: the word before a number, else by its unit, else counted."""
    word = _BEFORE.search(before)
    name = word[1].lower() if word else ""
    name = name or likely("", _unit(behind)).quantity or f"v{len(others) + 1}"
    taken = {part.name for part in others} | {"time", "checksum", "checked"}
    wanted, number = name, 2
    while name in taken:
        name, number = f"{wanted}{number}", number + 1
    return name


def _unit(behind: str) -> str:
    """The text behind a number, where it is a unit that somebody knows."""
    found = _BEHIND.match(behind)
    return found[1] if found and likely("", found[1]).quantity else ""


def _number(text: str) -> float:
    number = float(text.lstrip("<>").replace(",", "."))
    return number if abs(number) < 1e300 else 0.0


def _checksum_of(lines: Sequence[str]) -> Checksum | None:
    if len(lines) < ENOUGH or len(set(lines)) < 2:
        return None
    for framed in (True, False):
        for name, (_, size) in CHECKSUMS.items():
            checksum = Checksum(name, 2 * size, framed)
            if all(_proves(line, checksum) for line in lines):
                return checksum
    return None


def _proves(line: str, checksum: Checksum) -> bool:
    text, digits = line[: -checksum.digits], line[-checksum.digits :]
    if not text or not re.fullmatch("[0-9A-Fa-f]+", digits):
        return False
    if checksum.framed:
        if not (text.startswith("$") and text.endswith("*")):
            return False
        text = text[1:-1]
    return text.isascii() and CHECKSUMS[checksum.name][0](text.encode()) == int(digits, 16)
