"""What `goodwater check` prints of a site file that is right: what it watches, and what it cannot."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Iterable, Mapping

from monitor.check.blind import cannot_be_told, next_instruments
from monitor.check.cautions import cautions
from monitor.check.figures import figures
from monitor.check.watched import people, watched
from monitor.config import SiteFile

WIDTH = 80

_ALWAYS = (
    "Goodwater advises. It is no safety system, it switches nothing, and treated water is not drinking "
    "water. Work on the mains, on pressure, on electrics and with brine, regenerant, resin or biocide "
    "follows local codes, the labels and licensed people."
)


def report(site: SiteFile, environ: Mapping[str, str] = os.environ, *, short: bool = False) -> str:
    """The report: plain text, 80 columns. `environ` may hold passwords that the site file names.

    A short one leaves out all channels, who is told, and what further instruments would add.
    """
    plant = site.plant
    head = (
        f"{plant.site.name} ({plant.site.id}): {_count(len(plant.instrument), 'instrument')}, "
        f"{_count(len(plant.channels), 'channel')}, {_count(len(site.rules), 'rule')}, "
        f"{_count(len(plant.person), 'person')}. The file is right."
    )
    sections = [
        _wrapped(head),
        "" if short else _section("What is watched", watched(site)),
        "" if short else _section("Who is told", people(plant)),
        _listed("What cannot be told with what is there", cannot_be_told(plant)),
        _listed(
            "What the next instruments would add, the cheapest first",
            () if short else next_instruments(plant),
        ),
        _listed("What follows from what was entered", figures(site)),
        _listed("Cautions", map(str, cautions(site, environ))),
        _wrapped(_ALWAYS),
    ]
    return "\n\n".join(section for section in sections if section)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _section(title: str, lines: Iterable[str]) -> str:
    body = [_wrapped(line.lstrip(), indent=len(line) - len(line.lstrip())) for line in lines]
    return "\n".join([title, *body]) if body else ""


def _listed(title: str, sentences: Iterable[str]) -> str:
    items = [_wrapped(f"- {sentence}", indent=2, hanging=2) for sentence in sentences]
    return "\n".join([title, *items]) if items else ""


def _wrapped(text: str, *, indent: int = 0, hanging: int = 4) -> str:
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + (hanging if indent else 0)),
        break_long_words=False,
        break_on_hyphens=False,
    )
