"""A message's parts in their order, and the two ways to print them: plain text, complete by itself, and HTML.

Every text is made one harmless line before it is printed; HTML is escaped besides, and loads nothing.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from typing import Literal

from monitor.notify.words import one_line

Tone = Literal["high", "medium", "low", "quiet"]

_WIDTH = 76
_FOOT = (
    "Goodwater advises; it is no safety system. Before work on the plant follow the shop's own rules, "
    "local codes and the instructions of the makers."
)
_BY_LINK = "Inside the shop's network, open this page and press its button:"
# Colour only for what needs a person; the word beside it says the same.
_BAR = {"high": "#b3261e", "medium": "#b26a00", "low": "#5b6b7b", "quiet": "#9aa5b1"}


@dataclass(frozen=True, slots=True)
class Letter:
    """What a person reads, from the lock screen down."""

    first_line: str
    facts: tuple[tuple[str, str], ...]
    meaning: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    acknowledging: tuple[str, ...] = ()
    command: str = ""  # to be typed as it stands
    tone: Tone = "quiet"
    link: str = ""  # to the page that acknowledges

    def harmless(self) -> Letter:
        """The same with every text as one line of visible characters."""
        return Letter(
            first_line=one_line(self.first_line),
            facts=tuple((_capital(one_line(label)), one_line(value)) for label, value in self.facts),
            meaning=tuple(map(one_line, self.meaning)),
            steps=tuple(map(one_line, self.steps)),
            cautions=tuple(map(one_line, self.cautions)),
            acknowledging=tuple(map(one_line, self.acknowledging)),
            command=one_line(self.command),
            tone=self.tone,
            link=one_line(self.link),
        )


def _capital(label: str) -> str:
    return label[:1].upper() + label[1:]


def as_text(letter: Letter) -> str:
    """Plain text, wrapped for a narrow window; nothing is left to the HTML part."""
    letter = letter.harmless()
    blocks = [letter.first_line, _fact_lines(letter.facts)]
    if letter.meaning:
        blocks.append(block("What it means", (wrapped(line) for line in letter.meaning)))
    if letter.steps:
        numbered = (wrapped(step, f"{n}. ") for n, step in enumerate(letter.steps, start=1))
        blocks.append(block("What to do, in this order", numbered))
    if letter.cautions:
        blocks.append(block("Caution", (wrapped(line, "- ") for line in letter.cautions)))
    if letter.acknowledging:
        command = (f"    {letter.command}",) if letter.command else ()
        link = (wrapped(_BY_LINK), f"    {letter.link}") if letter.link else ()
        lines = [wrapped(line) for line in letter.acknowledging]
        blocks.append(block("To acknowledge", (*link, *lines[:1], *command, *lines[1:])))
    blocks.append(wrapped(_FOOT))
    return "\n\n".join(block for block in blocks if block) + "\n"


def _fact_lines(facts: tuple[tuple[str, str], ...]) -> str:
    width = max((len(label) for label, _ in facts), default=0)
    return "\n".join(wrapped(value, f"{label:<{width}}  ") for label, value in facts)


def block(title: str, lines: Iterable[str]) -> str:
    """A title with its lines beneath."""
    return "\n".join((title, *lines))


def wrapped(text: str, lead: str = "") -> str:
    """One paragraph as wide as plain mail, what follows its lead set in beneath it; no word is broken."""
    return textwrap.fill(
        text,
        _WIDTH,
        initial_indent=lead,
        subsequent_indent=" " * len(lead),
        break_long_words=False,
        break_on_hyphens=False,
    )


def as_html(letter: Letter) -> str:
    """A whole page with its style inside, for phone and desktop, light and dark."""
    letter = letter.harmless()
    body = [f'<h1 style="border-left:6px solid {_BAR[letter.tone]}">{escape(letter.first_line)}</h1>']
    if letter.facts:
        rows = "".join(
            f'<tr><th scope="row">{escape(label)}</th><td>{escape(value)}</td></tr>'
            for label, value in letter.facts
        )
        body.append(f"<table>{rows}</table>")
    if letter.meaning:
        body.append("<h2>What it means</h2>" + _paragraphs(letter.meaning))
    if letter.steps:
        body.append(f"<h2>What to do, in this order</h2><ol>{_items(letter.steps)}</ol>")
    if letter.cautions:
        body.append(f"<h2>Caution</h2><ul>{_items(letter.cautions)}</ul>")
    if letter.acknowledging:
        command = f"<pre>{escape(letter.command)}</pre>" if letter.command else ""
        first, *rest = letter.acknowledging
        body.append(
            "<h2>To acknowledge</h2>"
            + _link(letter.link)
            + _paragraphs((first,))
            + command
            + _paragraphs(rest)
        )
    body.append(f'<p class="foot">{escape(_FOOT)}</p>')
    return _PAGE.format(title=escape(letter.first_line), body="\n".join(body))


def _link(address: str) -> str:
    if not address:
        return ""
    return f'<p>{escape(_BY_LINK)}<br><a href="{escape(address)}">{escape(address)}</a></p>'


def _paragraphs(lines: Iterable[str]) -> str:
    return "".join(f"<p>{escape(line)}</p>" for line in lines)


def _items(lines: Iterable[str]) -> str:
    return "".join(f"<li>{escape(line)}</li>" for line in lines)


_PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<meta name="color-scheme" content="light dark">
<title>{title}</title>
<style>
body {{ font: 16px/1.45 sans-serif; max-width: 40em; margin: 0 auto; padding: 12px; }}
body {{ overflow-wrap: anywhere; }}
h1 {{ font-size: 1.25em; margin: 0 0 12px; padding: 2px 0 2px 10px; }}
h2 {{ font-size: 1em; margin: 18px 0 4px; }}
p {{ margin: 4px 0; }}
ol, ul {{ margin: 4px 0; padding-left: 1.6em; }}
table {{ border-collapse: collapse; }}
th, td {{ text-align: left; vertical-align: top; padding: 2px 16px 2px 0; }}
th {{ font-weight: normal; opacity: 0.75; white-space: nowrap; }}
pre {{ white-space: pre-wrap; padding: 8px; border: 1px solid #9aa5b1; }}
.foot {{ margin-top: 20px; font-size: 0.85em; opacity: 0.75; }}
</style>
</head>
<body>
{body}
</body>
</html>
"""
