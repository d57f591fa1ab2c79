"""What was answered is on disk at once and comes back as typed; a wrong file is told of in words."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.first.answers import UNKNOWN, Answers, AnswersUnreadable, is_unknown


def test_every_answer_is_on_disk_before_the_next_is_asked(tmp_path: Path) -> None:
    answers = Answers(path=tmp_path / "a.toml")
    answers.put("tap.hardness", "18 gpg")
    answers.put("sump.3.litres", "470 L")
    kept = Answers.load(tmp_path / "a.toml")
    assert {key: kept.get(key) for key in kept} == {"tap.hardness": "18 gpg", "sump.3.litres": "470 L"}
    assert [path.name for path in tmp_path.iterdir()] == ["a.toml"]


ANY = st.text(min_size=1, max_size=30).filter(lambda typed: bool(typed.strip()))


@given(st.dictionaries(st.sampled_from(["shop.name", "tap.ph", "sump.3.size", "meter.di.line"]), ANY))
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_was_typed_comes_back(tmp_path: Path, texts: dict[str, str]) -> None:
    path = tmp_path / "a.toml"
    path.write_text(Answers(texts).text(), encoding="utf-8")  # saved without waiting for the disk
    kept = Answers.load(path)
    assert {key: kept.get(key) for key in kept} == {key: text.strip() for key, text in texts.items()}


def test_numbers_and_yes_without_quotes_are_answers_too(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_text('[tap]\nph = 7.6\nhardness = ""\n[meter.di]\ncompensated = true\n', encoding="utf-8")
    kept = Answers.load(path)
    assert (kept.get("tap.ph"), kept.get("meter.di.compensated")) == ("7.6", "yes")
    assert "tap.hardness" not in kept  # an empty one is asked again


WRONG = [
    (b'[tap]\nph = "7.6', "should hold lines like"),
    (b'[tap]\nph = ["7.6"]\n', "tap.ph holds no answer"),
    (b'ph = "7.6"\n', "ph holds no answer"),
    (b"[tap]\nph = '\xff'\n", "should hold lines like"),
]


@pytest.mark.parametrize(("content", "words"), WRONG)
def test_a_file_that_holds_no_answers_is_refused_in_words(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "a.toml"
    path.write_bytes(content)
    with pytest.raises(AnswersUnreadable, match=words):
        Answers.load(path)


def test_no_file_yet_is_no_answer_yet(tmp_path: Path) -> None:
    assert list(Answers.load(tmp_path / "a.toml")) == []


@pytest.mark.parametrize("typed", ["don't know", "DK", " - ", "Dont know", "don’t know"])
def test_not_knowing_may_be_typed_in_several_ways(typed: str) -> None:
    assert is_unknown(typed) and is_unknown(UNKNOWN) and not is_unknown("no")
