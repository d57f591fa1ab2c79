"""The pages about messages and delivery say what the code does."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path
from typing import Any

import pytest

from monitor.notify.failures import Temporary
from monitor.notify.message import PRIORITY_WORDS, SURE_WORDS
from monitor.notify.smtp import as_mail
from monitor.readings import AlarmState
from tests.notify.shop import around, message, transition

DOCS = Path(__file__).parents[2] / "docs"
MESSAGES = (DOCS / "reference/messages.md").read_text()


def test_the_example_is_the_beginning_of_a_real_message() -> None:
    example = re.search(r"^```text\n(.*?)^```", MESSAGES, re.DOTALL | re.MULTILINE)
    assert example is not None
    assert message().text.startswith(example[1])


def test_the_words_of_priority_and_certainty_are_those_that_are_written() -> None:
    for words in PRIORITY_WORDS.values():
        assert f"- {words}\n" in MESSAGES
    for least, words in SURE_WORDS:
        assert f"| {f'{least:.0%}'.replace('%', ' %') if least else 'less'} | {words} |" in MESSAGES


def test_every_header_of_our_own_is_described() -> None:
    told = transition(step=2, cause="raised", state=AlarmState.UNACKNOWLEDGED)
    raw = as_mail(message(told), "a@shop.example", "b@shop.example").decode()
    names = {line.split(":")[0] for line in raw.split("\r\n\r\n")[0].splitlines() if not line.startswith(" ")}
    usual = {"From", "To", "Subject", "Date", "MIME-Version", "Content-Type"}
    assert {name for name in names - usual if f"`{name}`" not in MESSAGES} == set()
    assert "References" in names


@pytest.fixture
def folder_way() -> Any:
    page = (DOCS / "how-to/add-a-way-of-delivery.md").read_text()
    code = re.search(r"^   ```python\n(.*?)^   ```", page, re.DOTALL | re.MULTILINE)
    assert code is not None
    names: dict[str, Any] = {"__name__": "example"}
    # The page's own code is what is tested, without this file's `from __future__`.
    exec(compile(textwrap.dedent(code[1]), "page", "exec", dont_inherit=True), names)
    return names["Way"](kind="folder", path="wall")


def test_the_way_that_the_page_adds_works(folder_way: Any, tmp_path: Path) -> None:
    post = around(folder=tmp_path)
    assert folder_way.mistakes(post) == ['path = "wall" is no folder']
    with pytest.raises(Temporary, match="folder wall cannot be written: No such file or directory"):
        folder_way.send(message(), post)
    (tmp_path / "wall").mkdir()
    assert folder_way.mistakes(post) == []
    for _ in range(2):
        assert folder_way.send(message(), post) == "written to folder wall"
    [file] = (tmp_path / "wall").iterdir()
    assert file.read_text() == message().text
