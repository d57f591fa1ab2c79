"""`goodwater init` as a person meets it: at a terminal, with mistakes, interruptions, an answers file."""

from __future__ import annotations

import io
import re
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.config import load
from monitor.first.answers import UNKNOWN, Answers
from monitor.first.page import PAGE
from monitor.first.sections import questions
from tests.first.keyboard import Keyboard
from tests.first.shops import EYE, TWELVE, filled, site_of, twelve

DOCS = Path(__file__).parents[2] / "docs"


@pytest.fixture
def keyboards(tmp_path: Path) -> Iterator[list[Keyboard]]:
    made: list[Keyboard] = []
    yield made
    for keyboard in made:
        keyboard.close()


def test_a_shop_is_described_at_a_terminal_with_mistakes_and_ctrl_c_halfway(
    tmp_path: Path, keyboards: list[Keyboard]
) -> None:
    first = Keyboard(tmp_path)
    keyboards.append(first)
    first.answer("What is the shop called", "Hall 1")
    first.answer("Its time zone?", "Mars/Base")
    first.expect('"Mars/Base" is no time zone')
    first.answer("", "Europe/Vienna")
    first.answer("Which of these does the water pass?", "RO, DI bed")
    first.answer("Total hardness", b"\xff\xfe\n")
    first.answer("as no readable text", "18")
    first.answer("18 of what?", "gpg")
    first.expect("Alkalinity")
    first.expect("> ")
    first.ctrl_c()
    code, said = first.ended()
    assert code == 130
    assert "4 answers are kept in site-answers.toml. goodwater init site.toml goes on from there." in said
    assert "Traceback" not in said and not (tmp_path / "site.toml").exists()

    rest = filled(EYE | {"train.stages": "RO, DI bed", "person.mail": "lead@shop.internal"})
    kept = Answers.load(tmp_path / "site-answers.toml")
    assert kept.get("tap.hardness") == "18 gpg"
    for key in rest:
        if key not in kept and key not in (
            "tap.ph",
            "mail.host",
            "mail.security",
            "mail.port",
            "mail.sender",
        ):
            kept.put(key, rest.get(key))

    second = Keyboard(tmp_path)
    keyboards.append(second)
    second.expect("answers are there already")
    second.answer("Its pH?", "7,6")
    second.answer("The mail server", "mail.shop.internal")
    second.answer("How is it reached?", "")
    second.answer("On which port?", "")
    second.answer("The name to log in with?", "goodwater")
    second.answer("The address messages come from?", "")
    second.answer("All right?", "")
    second.expect("Password of goodwater at the mail server mail.shop.internal (Enter: later): ")
    second.type("open sesame")
    code, said = second.ended()
    assert code == 0 and "site.toml is written" in said and "open sesame" not in said
    secret = tmp_path / "mail-password"
    assert secret.read_text() == "open sesame\n" and stat.S_IMODE(secret.stat().st_mode) == 0o600
    assert (
        "open sesame"
        not in (tmp_path / "site-answers.toml").read_text() + (tmp_path / "site.toml").read_text()
    )
    assert load(tmp_path / "site.toml").plant.site.name == "Hall 1"


Said = pytest.CaptureFixture[str]


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to stand in, with nobody at the keyboard."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin", io.StringIO())
    return tmp_path


def test_an_answers_file_is_enough_and_stays_as_it_was(here: Path, capsys: Said) -> None:
    given = here / "twelve.toml"
    given.write_text("# by hand\n" + Answers(TWELVE).text(), encoding="utf-8")
    before = given.read_text(encoding="utf-8")
    assert main(["init", "hall.toml", "--answers", "twelve.toml"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Hall 1, Süd (hall-1-sud): " in said and "The file is right." in said
    assert given.read_text(encoding="utf-8") == before
    assert main(["check", "hall.toml"]) == 0


def test_wrong_and_missing_answers_of_a_file_are_all_told_in_one_go(here: Path, capsys: Said) -> None:
    wrong = EYE | {"tap.ph": "76", "meters.which": "", "tap.hardness": "18", "nobody.asked": "x"}
    (here / "a.toml").write_text(Answers(wrong).text(), encoding="utf-8")
    assert main(["init", "--answers", "a.toml"]) == 2
    said = capsys.readouterr().err
    for words in ("tap.ph", "4 to 10", "18 of what?", "meters.which: needed."):
        assert words in said
    assert not (here / "site.toml").exists()


def test_a_site_file_that_is_there_is_never_lost(here: Path, capsys: Said) -> None:
    (here / "a.toml").write_text(Answers(EYE).text(), encoding="utf-8")
    (here / "site.toml").write_text("# worked on by hand\n", encoding="utf-8")
    assert main(["init", "--answers", "a.toml"]) == 2
    assert "site.toml is there already" in capsys.readouterr().err
    assert main(["init", "--answers", "a.toml", "--replace"]) == 0
    assert "The site file that was there is now site.old-1.toml." in capsys.readouterr().out
    assert (here / "site.old-1.toml").read_text(encoding="utf-8") == "# worked on by hand\n"


def test_a_site_file_made_anew_keeps_its_data_and_the_id_they_go_by(here: Path) -> None:
    (here / "a.toml").write_text(Answers(EYE).text(), encoding="utf-8")
    (here / "site.toml").write_text('[site]\nid = "one"\ndata = "kept"\n', encoding="utf-8")
    assert main(["init", "--answers", "a.toml", "--replace"]) == 0
    site = load(here / "site.toml").plant.site
    assert (site.id, site.data) == ("our-shop", "kept")
    (here / "kept").mkdir()
    (here / "kept" / "goodwater.db").touch()
    (here / "site.toml").write_text('[site]\nid = "one"\ndata = "kept"\n', encoding="utf-8")
    assert main(["init", "--answers", "a.toml", "--replace"]) == 0
    assert load(here / "site.toml").plant.site.id == "one"


def test_a_folder_that_is_not_there_is_told_before_anything_is_asked(here: Path, capsys: Said) -> None:
    assert main(["init", "nowhere/site.toml"]) == 2
    assert "is not there, or may not be written to" in capsys.readouterr().err


def test_typed_lines_that_end_too_soon_are_kept(
    here: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("Hall 1\nUTC\n"))
    assert main(["init"]) == 1
    assert "2 answers are kept in site-answers.toml" in capsys.readouterr().out
    assert Answers.load(here / "site-answers.toml").get("shop.name") == "Hall 1"


def test_an_answers_file_that_holds_none_is_refused_in_words(here: Path, capsys: Said) -> None:
    (here / "a.toml").write_text("hardness = 18", encoding="utf-8")
    assert main(["init", "--answers", "a.toml"]) == 2
    assert "hardness holds no answer" in capsys.readouterr().err


def test_the_page_to_print_fits_one_sheet_and_is_the_one_in_the_docs() -> None:
    lines = PAGE.splitlines()
    assert len(lines) <= 60 and max(map(len, lines)) <= 94  # A4 and letter, 9 point, narrow margins
    assert f"```text\n{PAGE}```" in (DOCS / "first-half-hour.md").read_text(encoding="utf-8")


def test_the_answers_the_readme_gives_make_its_first_watch(tmp_path: Path) -> None:
    """One table in the README says what to type; everything else is Enter."""
    readme = (DOCS.parent / "README.md").read_text(encoding="utf-8")
    told = dict(
        re.findall(r"^\| ([^|]+?) \| `([^`]+)` \|$", readme.partition("| asked | type |")[2], re.MULTILINE)
    )
    answers = Answers()
    while open_ := next((q for q in questions(answers) if not q.answered(answers)), None):
        typed = next((text for words, text in told.items() if open_.ask.startswith(words)), "")
        told = {words: text for words, text in told.items() if text != typed}
        answers.put(open_.key, open_.kept(typed or open_.default or UNKNOWN))
    assert told == {}
    site = site_of(tmp_path, answers)
    (instrument,) = site.plant.instrument
    assert (instrument.wire.topic, site.brokers[0].host, site.brokers[0].port) == (
        "water/di",
        "127.0.0.1",
        1883,
    )
    (mail,) = site.mail_servers
    assert (mail.where, mail.security) == ("127.0.0.1:1025", "none")
    rule = next(rule.settings for rule in site.rules if rule.settings.id == "di-high")
    assert getattr(rule, "on_delay", None) == 120_000


ON_THE_PAGE = {
    "tap.hardness": "hardness",
    "tap.alkalinity": "alkalinity",
    "tap.ph": "pH",
    "tap.dissolved": "TDS",
    "tap.chlorine": "chlorine",
    "softener.resin": "SOFTENER  resin",
    "softener.salt": "salt setting",
    "softener.start": "metered",
    "softener.every": "timed, every",
    "ro.rated": "rated flow",
    "ro.recovery": "recovery",
    "di.resin": "DI BED    resin",
    "di.service": "exchanged",
    "di.since": "fresh on",
    "treated.limit": "make-up water at most",
    "sump.litres": "litres, gallons",
    "sump.size": "length x width",
    "sump.count": "how many in all",
    "coolant.factor": "factor",
    "coolant.band": "band",
    "coolant.minerals": "mineral limit",
    "sump.hours": "hours a week",
    "meters.which": "INSTRUMENTS",
    "broker.host": "MQTT broker on",
    "person.mail": "mail",
    "mail.host": "mail server",
    "meter.level.low": "too low",
}


def test_what_init_asks_has_its_place_on_the_page() -> None:
    asked = twelve()
    assert [key for key, words in ON_THE_PAGE.items() if key not in asked or words not in PAGE] == []
