"""A digest as files and as the parts of a mail: HTML, text, PNG, JSON, all of the same figures."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from monitor.reports import pictures
from monitor.reports.figures import Digest, as_json
from monitor.reports.paper import Paper, paper
from monitor.reports.png import png
from monitor.reports.rendered import rendered
from monitor.reports.svg import svg
from monitor.reports.text import as_text


@dataclass(frozen=True, slots=True)
class Picture:
    """A PNG of a mail, with what it shows in words."""

    name: str
    content_id: str  # what the HTML of the mail calls it
    width: int
    height: int
    words: str
    png: bytes


@dataclass(frozen=True, slots=True)
class Parts:
    """A digest as a mail needs it."""

    subject: str
    text: str
    html: str
    pictures: tuple[Picture, ...]


def parts(digest: Digest) -> Parts:
    """Text, HTML and its two pictures."""
    words = paper(digest)
    made = [
        Picture(
            name,
            f"{name}.{digest.week.lower()}.{digest.site_id.replace('.', '-')}@goodwater.example",
            round(drawing.width),
            round(drawing.height),
            drawing.words,
            png(drawing),
        )
        for name, drawing in (("strips", pictures.strips(digest)), ("courses", pictures.sheet(digest)))
        if drawing is not None
    ]
    html = _page(words, {one.name: one for one in made} | {"inline": False})
    return Parts(f"{words.title}: {words.first_line}", as_text(words), html, tuple(made))


def page(digest: Digest) -> str:
    """HTML with its pictures inside, as SVG: for the page, and as a file of its own."""
    shown_ = [
        {
            "name": pictures.called(instrument, channel),
            "ends": pictures.ends_of(channel),
            "picture": Markup(
                svg(pictures.plot_only(pictures.course(instrument, channel, digest.from_ms, digest.to_ms)))
            ),
        }
        for instrument, channel in pictures.courses(digest)
    ]
    return _page(paper(digest), {"courses": shown_, "inline": True})


def _page(words: Paper, found: dict[str, Any]) -> str:
    return rendered(
        "digest.html",
        paper=words,
        strip=lambda hours: Markup(svg(pictures.strip(hours), stretched=True)),
        **({"courses": None, "strips": None} | found),
    )


def write(digest: Digest, folder: Path) -> list[Path]:
    """All of it as files in a folder, which is made where it is not there; what they are called.

    Raises: OSError.
    """
    folder.mkdir(parents=True, exist_ok=True)
    made = parts(digest)
    files: dict[str, bytes] = {
        "digest.html": page(digest).encode(),
        "digest.txt": made.text.encode(),
        "digest.json": json.dumps(as_json(digest), ensure_ascii=False, allow_nan=False).encode(),
    }
    files |= {f"{picture.name}.png": picture.png for picture in made.pictures}
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return [folder / name for name in files]
