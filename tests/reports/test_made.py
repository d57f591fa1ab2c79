"""What a person reads: text, HTML that is valid and harmless, pictures that tell without colour."""

from __future__ import annotations

import doctest
import html.parser
import io
import json
import re
from dataclasses import replace
from pathlib import Path

import html5lib
import pytest
from PIL import Image

from monitor.readings import Reason
from monitor.reports import paper as paper_module
from monitor.reports import pictures, verdict
from monitor.reports.figures import Digest, InstrumentWeek, from_json
from monitor.reports.made import page, parts, write
from monitor.reports.paper import MOST_CHANGES, MOST_NEEDING, hours_in_words, paper
from monitor.reports.png import png, written
from monitor.reports.svg import svg
from monitor.reports.text import as_text
from tests.reports.shop import DAY, HOUR, WEEK, shop

NASTY = '<script>alert(1)</script> "&amp;\u202e\n{{ 7 * 7 }} µ² Ж'


@pytest.fixture(scope="module")
def digest(tmp_path_factory: pytest.TempPathFactory) -> Digest:
    """A bad week after a good one."""
    with shop(tmp_path_factory.mktemp("digest")) as one:
        one.well(WEEK.earlier())
        one.ticks(WEEK.from_ms, WEEK.to_ms)
        one.said("ro.flow", WEEK, lambda n: 2.0)
        one.said("ro.total", WEEK, lambda n: 1e6 + n)
        one.said("di.ec", WEEK, lambda n: 2.0 + n / 100, but=[(20, 31)], reasons=_reasons)
        one.said("di2.ec", WEEK, but=[(120, 168)])
        one.by_hand("m01.brix", (WEEK.from_ms + DAY, 6.5))
        one.told(WEEK.from_ms + HOUR, "top-off", "m01", 20.0)
        one.alarm(WEEK.from_ms + DAY)
        return one.digest()


def _reasons(n: int) -> Reason:
    return Reason.OVER_RANGE if 200 < n < 260 else Reason.JUMP if n % 7 == 0 else Reason.NONE


def renamed(digest: Digest, name: str) -> Digest:
    """The same shop with this name wherever one may stand."""

    def of(one: InstrumentWeek) -> InstrumentWeek:
        channels = tuple(replace(channel, name=name) for channel in one.channels)
        return replace(one, name=name, place=name, why=name, channels=channels)

    return replace(
        digest,
        site=name,
        instruments=tuple(map(of, digest.instruments)),
        points=tuple(replace(point, name=name, litres_by=name) for point in digest.points),
        sumps=tuple(replace(sump, name=name) for sump in digest.sumps),
        changes=tuple(replace(change, text=name) for change in digest.changes),
        alarms=replace(
            digest.alarms,
            standing=tuple(replace(line, first_line=name) for line in digest.alarms.standing),
            chattering=((name, name, 3),),
        ),
    )


def valid(text: str) -> None:
    """Raises when a parser that forgives nothing finds a mistake."""
    html5lib.HTMLParser(strict=True).parse(text)


class Outside(html.parser.HTMLParser):
    """Everything a page would load or run."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [tag] if tag in ("script", "link", "iframe", "object", "embed", "form") else []
        for name, value in attrs:
            if name in ("src", "href", "srcset", "action") or name.startswith("on"):
                self.found.append(f"{name}={value}")


def test_the_examples_of_the_modules_are_so() -> None:
    assert doctest.testmod(paper_module).failed == 0
    assert doctest.testmod(verdict).failed == 0


def test_what_changed_stands_before_anything_else(digest: Digest) -> None:
    text = as_text(paper(digest))
    places = [text.index(words) for words in (
        "Changed since the week before", "Instruments that need a look", "The week in figures",
        "Alarms that stand", "INSTRUMENTS", "WATER", "SUMPS", "ALARMS",
    )]  # fmt: skip
    assert places == sorted(places)


def test_each_instrument_that_needs_a_look_has_its_word_why_and_what_to_do(digest: Digest) -> None:
    text = as_text(paper(digest))
    assert "1. DI display, DI outlet: SILENT. nothing in the last 48 h of the week." in text
    assert "2. DI meter, DI outlet: OFF-SCALE. 13% of its readings beyond its range." in text
    assert text.count("   Next: ") >= 4


def test_the_text_is_complete_and_narrow(digest: Digest) -> None:
    text = as_text(paper(digest))
    assert all(len(line) <= 76 for line in text.splitlines())
    for said in ("heard 71.4%", "uncertain", "make-up 20 L, logged", "6.5 °Brix", "1 done of 7 due",
                 "calibrated 2030-09-01, 169 days ago, due 2031-09-01"):  # fmt: skip
        assert said in text


def test_the_summary_stays_within_a_page_whatever_happened(digest: Digest) -> None:
    bad = digest.needing[0]
    many = replace(
        digest, instruments=tuple(replace(bad, id=f"i{n}") for n in range(60)), changes=digest.changes * 40
    )
    words = paper(many)
    assert (len(words.needing), words.needing_more) == (MOST_NEEDING, 60 - MOST_NEEDING)
    assert (len(words.changes), words.changes_more) == (MOST_CHANGES, len(many.changes) - MOST_CHANGES)
    summary = as_text(words).partition("MORE THAT CHANGED")[0]
    assert len(summary.splitlines()) <= 66  # lines of a page at six to the inch
    assert "break-before: page" in page(many)


def test_page_and_mail_are_valid_html_and_load_nothing(digest: Digest) -> None:
    made = parts(digest)
    for text in (page(digest), made.html):
        valid(text)
    assert Outside(page(digest)).found == []
    assert Outside(made.html).found == [
        f"src=cid:{picture.content_id}" for picture in reversed(made.pictures)
    ]
    assert not re.search(r"url\(|@import|https?://(?!www\.w3\.org/2000/svg)", page(digest) + made.html)


def test_names_of_any_characters_stay_text(digest: Digest) -> None:
    nasty = renamed(digest, NASTY)
    made = parts(nasty)
    for text in (page(nasty), made.html):
        valid(text)
        assert "<script" not in text
        assert "49" not in re.sub(r"<svg.*?</svg>", "", text, flags=re.DOTALL).partition("<h2>")[0]
        assert "&lt;script&gt;" in text
    assert [f"src=cid:{p.content_id}" for p in reversed(made.pictures)] == Outside(made.html).found
    assert "\n" not in made.subject
    assert "\u202e" not in made.text + made.html


def test_every_picture_says_in_words_what_it_shows(digest: Digest) -> None:
    made = parts(digest)
    strips = next(picture for picture in made.pictures if picture.name == "strips")
    assert "3. DI display: silent, good 120 h, nothing heard 48 h" in strips.words
    labels = re.findall(r'<svg[^>]*aria-label="([^"]*)"', page(digest))
    assert len(labels) == len(digest.instruments) + len(pictures.courses(digest))
    assert all(labels)
    assert 'alt="' in made.html
    assert 'alt=""' not in made.html


def test_a_strip_tells_good_from_bad_without_its_colour() -> None:
    """By height: a third, two thirds, all of it; and the dark is darker than the light."""
    image = Image.open(io.BytesIO(png(pictures.strip("g" * 6 + "u" * 6 + "b" * 6 + "." * 6, 96)))).convert(
        "L"
    )
    heights, darkest = [], []
    for hour in (3, 9, 15, 21):
        column = [image.getpixel((hour * 8, y)) for y in range(image.height)]
        dark = [value for value in column if isinstance(value, int) and value < 200]
        heights.append(len(dark) / image.height)
        darkest.append(min(dark, default=255))
    assert heights == [pytest.approx(0.3, abs=0.05), pytest.approx(0.6, abs=0.05), 1.0, 0.0]
    assert darkest == [*sorted(darkest[:3], reverse=True), 255]


def test_the_course_of_a_channel_breaks_where_it_was_silent(digest: Digest) -> None:
    (found,) = [c for one in digest.instruments for c in one.channels if c.id == "di.ec"]
    drawn = pictures.course("DI meter", found, digest.from_ms, digest.to_ms)
    lines = [shape for shape in drawn.shapes if isinstance(shape, pictures.Path) and not shape.filled]
    assert len(lines) == 2
    assert found.high is not None
    assert f"highest {found.high:.1f} µS/cm" in drawn.words


def test_svg_and_png_are_of_the_same_shapes_and_a_letter_unknown_to_the_font_is_written_plainly() -> None:
    drawn = pictures.strip("gub.", 40)
    assert svg(drawn).count("<rect") == 4
    assert written("µS/cm² Ж") == "uS/cm2 ?"
    assert hours_in_words("gub.") in svg(drawn)


def test_the_files_are_all_there_and_the_json_is_the_digest(digest: Digest, tmp_path: Path) -> None:
    files = write(digest, tmp_path / "new" / "folder")
    assert sorted(file.name for file in files) == [
        "courses.png", "digest.html", "digest.json", "digest.txt", "strips.png",
    ]  # fmt: skip
    assert from_json(json.loads((tmp_path / "new" / "folder" / "digest.json").read_bytes())) == digest
    with Image.open(tmp_path / "new" / "folder" / "strips.png") as image:
        assert image.width == 800


def test_a_shop_of_which_nothing_is_known_still_has_a_digest(tmp_path: Path) -> None:
    with shop(tmp_path) as one:
        digest = one.digest()
    made = parts(digest)
    valid(made.html)
    valid(page(digest))
    assert [picture.name for picture in made.pictures] == ["strips"]
    assert "no reading all week" in made.text
