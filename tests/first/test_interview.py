"""A talk at the keyboard: what is typed wrong is put right on the spot, and no answer is ever lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.first.answers import UNKNOWN, Answers
from monitor.first.interview import Stopped
from monitor.first.sections import questions
from tests.first.shops import EYE, Person, filled, twelve, without


def talked(given: dict[str, str], *lines: str, path: Path | None = None) -> tuple[Person, Answers]:
    """What is typed where everything else is answered; the last line says that all is right."""
    answers, person = Answers(given, path), Person(*lines)
    person.talk(answers)
    assert person.lines == []
    return person, answers


def all_but(*keys: str, of: dict[str, str] = EYE) -> dict[str, str]:
    done = filled(of)
    return without({key: done.get(key) for key in done}, keys)


def test_enter_takes_what_stands_in_brackets() -> None:
    person, answers = talked(all_but("shop.name", "tap.ph"), "", "", "")
    assert (answers.get("shop.name"), answers.get("tap.ph")) == ("Our shop", UNKNOWN)
    assert "[Our shop] > " in person.all_heard


def test_not_knowing_is_told_with_what_it_costs() -> None:
    person, _ = talked(all_but("tap.chlorine"), "dk", "")
    assert "Noted. What it costs: Nobody can say whether it destroys the RO's membrane." in person.all_heard


def test_a_wrong_answer_is_asked_again_with_an_example() -> None:
    person, answers = talked(all_but("tap.ph"), "acid", "76", "7,6", "")
    assert answers.get("tap.ph") == "7,6"
    assert '"acid" does not begin with a number' in person.all_heard
    assert "76 is outside what is possible here: 4 to 10" in person.all_heard


def test_a_number_that_lacks_its_unit_needs_only_the_unit() -> None:
    person, answers = talked(all_but("tap.hardness"), "18", "grains", "")
    assert answers.get("tap.hardness") == "18 grains"
    assert "18 of what?" in person.all_heard and "unit > " in person.all_heard


def test_without_a_unit_the_whole_answer_may_be_typed_again() -> None:
    _, answers = talked(all_but("tap.hardness"), "18", "17 dH", "")
    assert answers.get("tap.hardness") == "17 dH"


def test_back_goes_to_the_question_before_and_enter_keeps_what_stood_there() -> None:
    keys = ("tap.alkalinity", "tap.ph")
    _, answers = talked(all_but(*keys), "140 ppm", "back", "150 ppm", "7.6", "")
    assert [answers.get(key) for key in keys] == ["150 ppm", "7.6"]
    _, answers = talked(all_but(*keys), "140 ppm", "back", "", "7.6", "")
    assert [answers.get(key) for key in keys] == ["140 ppm", "7.6"]


def test_any_answer_can_be_changed_by_its_number_also_at_the_end() -> None:
    person, answers = talked(all_but("tap.ph"), "change 1", "Hall 2", "7.6", "list", "1", "Hall 3", "")
    assert answers.get("shop.name") == "Hall 3"
    assert "   1  What is the shop called in messages?  Hall 2" in person.all_heard
    person, _ = talked(all_but("tap.ph"), "change 99", "7.6", "")
    assert "There are the numbers 1 to " in person.all_heard


def test_help_says_where_to_find_it_and_what_it_costs_not_to_know() -> None:
    person, _ = talked(all_but("di.resin"), "?", "20 L", "")
    assert "don't know is allowed. It costs: Rule breakthrough is left out" in person.all_heard


def test_what_has_to_be_known_is_not_let_go() -> None:
    person, answers = talked(all_but("meters.which"), "", "dk", "di", "")
    assert answers.get("meters.which") == "di"
    assert "An answer is needed." in person.all_heard
    assert "without this no site file can be made" in person.all_heard.lower()


def test_an_answer_in_the_file_that_cannot_be_taken_is_asked_again_with_the_reason() -> None:
    given = all_but() | {"tap.ph": "neutral"}
    person, answers = talked(given, "7", "")
    assert '"neutral" stands in the answers: "neutral" does not begin with a number' in person.all_heard
    assert answers.get("tap.ph") == "7"


def test_two_meters_on_one_topic_are_told_at_once() -> None:
    two = {"meters.which": "tap, di", "train.stages": "DI bed", "sump.count": "0"}
    given = all_but("meter.di.topic", of=two)
    person, answers = talked(given, "water/tap", "water/di", "")
    assert "That is where Tap comes from already." in person.all_heard
    assert answers.get("meter.di.topic") == "water/di"


def test_mail_that_could_be_read_on_its_way_is_refused_on_the_spot() -> None:
    mailed = EYE | {"person.mail": "lead@shop.internal", "mail.host": "mail.shop.internal"}
    person, answers = talked(all_but("mail.security", of=mailed), "none", "tls", "")
    assert "Without it alarms could be read on their way to mail.shop.internal" in person.all_heard
    assert answers.get("mail.security") == "tls"


def test_a_change_of_the_train_asks_what_now_belongs_to_it() -> None:
    place = [q.key for q in questions(Answers(all_but()))].index("train.stages") + 1
    person, answers = talked(all_but(), str(place), "softener, DI bed", "40 L", "dk", "metered", "")
    assert answers.get("softener.resin") == "40 L"
    assert "The softener\n------------" in person.all_heard


def test_numbers_of_options_are_kept_as_names() -> None:
    _, answers = talked(all_but("train.stages"), "5 6", "dk", "dk", "")
    assert answers.get("train.stages") == "RO, DI bed"


def test_what_was_typed_before_a_stop_is_on_disk(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    for ending in (["stop"], []):
        person, answers = Person("Hall 1", "Europe/Vienna", *ending), Answers(path=path)
        with pytest.raises((Stopped, EOFError)):
            person.talk(answers)
        assert Answers.load(path).get("shop.timezone") == "Europe/Vienna"
    person = Person("stop")
    with pytest.raises(Stopped):
        person.talk(Answers.load(path))
    assert "2 answers are there already" in person.all_heard


def test_a_file_that_cannot_be_written_stops_nobody(tmp_path: Path) -> None:
    folder = tmp_path / "gone"
    person, answers = Person("Hall 1", "UTC", "stop"), Answers(path=folder / "a.toml")
    with pytest.raises(Stopped):
        person.talk(answers)
    assert person.all_heard.count("The answers could not be saved") == 2
    folder.mkdir()
    answers.save()
    assert Answers.load(folder / "a.toml").get("shop.name") == "Hall 1"


def test_sump_sizes_are_asked_once_and_only_those_that_differ_again() -> None:
    asked = [q.key for q in questions(twelve()) if q.key.startswith("sump.")]
    assert asked.count("sump.litres") == 1
    assert [key for key in asked if key[5:6].isdigit()] == [
        "sump.3.litres",
        "sump.3.size",
        "sump.6.litres",
        "sump.6.size",
    ]
