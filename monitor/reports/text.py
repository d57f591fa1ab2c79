"""A digest as plain text, complete by itself, for a narrow window."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.notify.letter import block, wrapped
from monitor.reports.paper import Item, Paper, Section

# Hours to a mark of the strip in text: the worst of them, as four marks a day.
_HOURS_A_MARK = 6
_WORST = ("b", ".", "u", "g")
_MARKS = {"g": "-", "u": "?", "b": "X", ".": " "}


def as_text(paper: Paper) -> str:
    """The whole paper, the summary first."""
    blocks = [f"{paper.title}\n{paper.span}", wrapped(paper.first_line)]
    if paper.changes:
        lines = [wrapped(text, "! " if need else "- ") for need, text in paper.changes]
        blocks.append(block("Changed since the week before", [*lines, *_more(paper.changes_more)]))
    if paper.needing:
        lines = [
            "\n".join(
                (
                    wrapped(f"{one.name}: {one.word.upper()}. {one.why}.", f"{n}. "),
                    wrapped(one.action, "   Next: "),
                )
            )
            for n, one in enumerate(paper.needing, start=1)
        ]
        blocks.append(block("Instruments that need a look", [*lines, *_more(paper.needing_more)]))
    blocks.append(block("The week in figures", _facts(paper.facts)))
    if paper.standing:
        lines = [wrapped(line, "- ") for line in paper.standing]
        blocks.append(block("Alarms that stand", [*lines, *_more(paper.standing_more)]))
    blocks += [_section(section) for section in paper.sections]
    blocks.append(wrapped(paper.foot))
    return "\n\n".join(blocks) + "\n"


def _more(n: int) -> Iterator[str]:
    if n:
        yield f"  and {n} more below"


def _facts(facts: tuple[tuple[str, str], ...]) -> Iterator[str]:
    width = max(len(label) for label, _ in facts)
    return (wrapped(value, f"{label:<{width}}  ") for label, value in facts)


def _section(section: Section) -> str:
    note = [wrapped(section.note)] if section.note else []
    marks = ["In text: four marks a day, - good, ? uncertain, X bad, blank nothing heard."]
    return block(
        section.title.upper(),
        [*note, *(marks if any(item.hours for item in section.items) else []), *map(_item, section.items)],
    )


def _item(item: Item) -> str:
    word = f": {item.word.upper() if item.hours and item.word != 'fine' else item.word}" if item.word else ""
    lines = [wrapped(f"{item.title}{word}")]
    if item.hours:
        lines.append(f"   |{_strip(item.hours)}|")
    return "\n".join([*lines, *(wrapped(line, "   ") for line in item.lines)])


def _strip(hours: str) -> str:
    days = (hours[n : n + _HOURS_A_MARK] for n in range(0, len(hours), _HOURS_A_MARK))
    return "".join(_MARKS[next(mark for mark in _WORST if mark in six)] for six in days)
