"""What a message says: complete as plain text, harmless whatever the names hold, never kept back."""

from __future__ import annotations

import json
import math
import re
from datetime import UTC, datetime
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.notify.letter import Letter, as_html, as_text
from monitor.notify.message import compose, own_fault, trial
from monitor.notify.when import local_time
from monitor.readings import AlarmState
from tests.notify.shop import EVIDENCE, NOW_MS, SINCE_MS, WORDINGS, message, owed, plant, transition

RETURNED = {"cause": "returned", "step": 2}
NASTY = st.text(min_size=1, max_size=60)


class Checked(HTMLParser):
    """Refuses tags that do not close in order, and anything that is loaded or runs."""

    VOID = frozenset({"meta", "br"})

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.words: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for name, value in attrs:
            assert name not in ("src", "href", "background"), f"{tag} loads {value}"
            assert not name.startswith("on"), f"{tag} runs {value}"
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open.pop() == tag, f"</{tag}> closes something else"

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def checked(html: str) -> Checked:
    page = Checked()
    page.feed(html)
    page.close()
    assert page.open == []
    return page


def squeezed(text: str) -> str:
    return " ".join(text.split())


def test_the_first_line_says_how_bad_where_and_what() -> None:
    assert message().subject == "High: DI outlet: conductivity 24.1 µS/cm, above 20.0 µS/cm"


def test_the_plain_text_begins_with_the_subject() -> None:
    made = message()
    assert made.text.splitlines()[0] == made.subject


def test_the_plain_text_says_everything_in_the_order_of_need() -> None:
    text = message().text
    wanted = [
        "24.1 µS/cm",
        "above 20.0 µS/cm",
        "2.4 µS/cm",
        "Mon 2031-02-17 06:42 (UTC+01:00)",
        "97%, very likely",
        "high: act now",
        "DI outlet",
        "North hall",
        "What it means",
        "What to do, in this order",
        "1. ",
        "2. ",
        "Caution",
        "To acknowledge",
        "goodwater ack site.toml di-limit#3",
        "From outside the shop's network it cannot be acknowledged yet.",
        "it is no safety system",
    ]
    at = -1
    for words in wanted:
        found = text.find(words, at + 1)
        assert found > at, f"{words!r} is missing, or stands too early, in:\n{text}"
        at = found


def test_the_html_holds_every_word_of_the_plain_text() -> None:
    made = message()
    page = squeezed(" ".join(checked(made.html).words))
    for line in made.text.splitlines():
        for word in re.sub(r"^(\d+\.|-)\s", "", line.strip()).split():
            assert word in page


@pytest.mark.parametrize(
    ("changes", "subject", "holds", "lacks"),
    [
        (
            RETURNED | {"state": AlarmState.RETURNED},
            "Back to normal: conductivity at DI outlet (di-limit)",
            ["Nobody has acknowledged it yet", "goodwater ack site.toml di-limit#3", "Mon 2031-02-17 06:47"],
            ["What to do"],
        ),
        (
            RETURNED | {"state": AlarmState.NORMAL},
            "Back to normal: conductivity at DI outlet (di-limit)",
            ["had been acknowledged before"],
            ["What to do", "goodwater ack"],
        ),
        (
            {
                "cause": "acknowledged",
                "step": 2,
                "state": AlarmState.ACKNOWLEDGED,
                "by": "kim",
                "comment": "resin due",
            },
            "Acknowledged by kim: conductivity at DI outlet (di-limit)",
            ["resin due", "still holds"],
            ["goodwater ack"],
        ),
        (
            {"cause": "acknowledged", "step": 3, "state": AlarmState.NORMAL, "by": ""},
            "Acknowledged by somebody: conductivity at DI outlet (di-limit)",
            ["already returned to normal"],
            ["goodwater ack"],
        ),
    ],
)
def test_each_cause_has_its_own_message(
    changes: dict[str, object], subject: str, holds: list[str], lacks: list[str]
) -> None:
    made = message(transition(**changes))
    assert made.subject == subject
    for words in holds:
        assert words in squeezed(made.text)
    for words in lacks:
        assert words not in made.text


def test_evidence_of_a_rule_kind_that_is_gone_is_printed_as_it_stands() -> None:
    evidence = {
        "ec25_us_cm": 24.125,
        "gate_open": True,
        "series": list(range(50)),
        "near": {"tap": 480.0, "x": None},
    }
    made = message(transition(rule_kind="forgotten", evidence=evidence))
    assert made.subject == "High: alarm of kind forgotten at conductivity at DI outlet"
    for words in ("Ec25 us cm", "24.125", "Gate open", "yes", "50 values", "tap 480; x none"):
        assert words in made.text


@pytest.mark.parametrize("missing", ["value", "quantity", "limit"])
def test_evidence_that_its_words_no_longer_fit_still_gets_through(
    missing: str, caplog: pytest.LogCaptureFixture
) -> None:
    evidence = {name: value for name, value in EVIDENCE.items() if name != missing}
    made = message(transition(evidence=evidence))
    assert "alarm of kind limit at conductivity at DI outlet" in made.subject
    assert "do not fit the evidence of di-limit#3.1" in caplog.text


def test_a_subject_that_is_gone_from_the_site_is_named_by_its_id() -> None:
    made = message(transition(subject="old.ec", cause="returned", state=AlarmState.NORMAL))
    assert made.subject == "Back to normal: old.ec (di-limit)"


def test_the_two_half_past_twos_of_autumn_are_told_apart() -> None:
    # Clocks in Vienna went back on 26 October 2031 at 01:00 UTC (rule of Directive 2000/84/EC).
    hour_before = int(datetime(2031, 10, 26, 0, 30, tzinfo=UTC).timestamp() * 1000)
    assert local_time(hour_before, "Europe/Vienna") == "Sun 2031-10-26 02:30 (UTC+02:00)"
    assert local_time(hour_before + 3_600_000, "Europe/Vienna") == "Sun 2031-10-26 02:30 (UTC+01:00)"


def test_an_offset_of_part_of_an_hour_is_written_out() -> None:
    assert local_time(SINCE_MS, "Asia/Kathmandu").endswith("(UTC+05:45)")


@given(person=NASTY, point=NASTY, site=NASTY)
def test_names_can_hold_anything(person: str, point: str, site: str) -> None:
    at = plant(person=person, point=point, site=site)
    made = message(transition(cause="returned", state=AlarmState.RETURNED), at)
    assert len(made.subject.splitlines()) == 1
    assert made.subject.isprintable()
    checked(made.html)
    made.text.encode()
    json.dumps(made.data, allow_nan=False).encode()


@given(name=NASTY)
def test_no_name_becomes_markup(name: str) -> None:
    # Between tags a name is text: the page has the same tags as one with a plain name.
    named = f"x{name}"
    letter = Letter(named, ((named, named),), (named,), (named,), (named,), ("type:", named), named)
    plain = Letter("x", (("x", "x"),), ("x",), ("x",), ("x",), ("type:", "x"), "x")
    assert checked(as_html(letter)).tags == checked(as_html(plain)).tags


def test_a_script_in_a_name_is_shown_not_run() -> None:
    html = message(at=plant(site="<script>alert(1)</script>&\"'")).html
    assert "<script" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;&amp;&quot;&#x27;" in html


@pytest.mark.parametrize(
    "trick", ["\r\nBcc: all@shop.example", "\x1b[31mred", "\u202egnp.exe", "\u2028next", "\ud800"]
)
def test_what_steers_a_terminal_or_a_header_is_taken_out_of_names(trick: str) -> None:
    text = as_text(Letter(f"DI{trick}", ((f"DI{trick}", f"DI{trick}"),)))
    assert all(character.isprintable() for line in text.split("\n") for character in line)
    assert len(text.split("\n")) == len(as_text(Letter("DI x", (("DI x", "DI x"),))).split("\n"))


def test_a_very_long_name_is_cut_in_the_subject_and_whole_in_the_text() -> None:
    made = message(transition(cause="returned", state=AlarmState.NORMAL), plant(point="outlet " * 60))
    assert len(made.subject) <= 160 and made.subject.endswith("…")
    assert squeezed("outlet " * 60) in squeezed(made.text)


def test_the_command_is_quoted_for_a_shell_where_it_must_be() -> None:
    made = compose(owed(), plant(), WORDINGS, site_file="/srv/north hall.toml", now_ms=NOW_MS)
    assert "    goodwater ack '/srv/north hall.toml' di-limit#3\n" in made.text


def test_a_link_to_acknowledge_by_stands_before_the_command_and_only_while_somebody_is_waited_for() -> None:
    link = "http://192.168.1.5:8410/ack/" + "a" * 32
    made = compose(owed(), plant(), WORDINGS, site_file="site.toml", now_ms=NOW_MS, link=link)
    assert f"press its button:\n    {link}\nOn the computer" in made.text
    assert f'<a href="{link}">{link}</a>' in made.html
    assert "From outside the shop's network it cannot be acknowledged" in made.text
    over = owed(transition(cause="returned", step=2, state=AlarmState.NORMAL))
    told = compose(over, plant(), WORDINGS, site_file="site.toml", now_ms=NOW_MS, link=link)
    assert link not in told.text + told.html


def test_the_data_for_machines_holds_no_number_that_json_lacks() -> None:
    evidence = EVIDENCE | {"trend": math.nan, "series": [1.0, math.inf], "deep": {"x": -math.inf}}
    data = json.loads(json.dumps(message(transition(evidence=evidence)).data, allow_nan=False))
    assert data["alarm"]["evidence"]["trend"] is None
    assert data["alarm"]["evidence"]["series"] == [1.0, None]
    assert data["alarm"]["evidence"]["deep"] == {"x": None}


def test_follow_ups_name_the_first_message_of_the_same_alarm() -> None:
    first = message()
    later = message(transition(cause="returned", step=2, state=AlarmState.RETURNED))
    other = message(transition(occurrence=4))
    assert first.thread_id == first.message_id == later.thread_id
    assert later.message_id != first.message_id
    assert other.thread_id != first.thread_id


def test_a_test_message_says_that_nothing_is_wrong() -> None:
    at = plant()
    made = trial(at, at.person[0], 0, NOW_MS)
    assert made.subject == "Test from Goodwater at North hall: nothing is wrong"
    assert "goodwater ack" not in made.text


def test_word_of_a_fault_of_the_store_is_important() -> None:
    at = plant()
    made = own_fault(
        at, at.person[0], 0, "nothing can be stored", "The disk is full.\nFree some space.", NOW_MS
    )
    assert made.subject == "Goodwater at North hall: nothing can be stored"
    assert "Free some space." in made.text
    assert made.headers["Importance"] == "high"
