"""The guard's file: every key is described, the examples are right, mistakes are told in words."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from pydantic import BaseModel

from monitor.config import ConfigMistakes
from monitor.config.guard_file import load_guard
from monitor.guard.guarding import missing_of
from monitor.guard.settings import Guard, Told, Watch
from monitor.notify.way import Surroundings
from tests.config.test_documented import rows

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs/reference/guard-file.md"
EXAMPLE = ROOT / "deploy/guard.toml"


@pytest.mark.parametrize(
    ("title", "model"), [("`[guard]`", Guard), ("`[[watch]]`", Watch), ("`[[person]]`", Told)]
)
def test_every_key_is_described_and_no_other(title: str, model: type[BaseModel]) -> None:
    described = rows(PAGE, title)
    assert list(described) == list(model.model_fields)
    for key, (_, default, _) in described.items():
        assert (default == "**needed**") == model.model_fields[key].is_required(), key


def test_the_examples_are_right_files(tmp_path: Path) -> None:
    blocks = re.findall(r"```toml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    (tmp_path / "guard.toml").write_text("\n".join(blocks), encoding="utf-8")
    assert [watch.status_topic for watch in load_guard(tmp_path / "guard.toml").watch] == [
        "goodwater/example-shop/status",
        "goodwater/north-hall/status",
    ]
    assert load_guard(EXAMPLE).guard.port == 8411


@pytest.mark.parametrize(
    ("old", "new", "wrong"),
    [
        ('secret_file = "guard-secret"', "", "nothing is ever heard of it"),
        ('id = "example-shop"', 'id = "example-shop"\nbroker = "hall"', "which is no broker of this site"),
        ("port = 8411", "prt = 8411", '"port"?'),
        ("port = 8411", 'cert_file = "x"', "cert_file and key_file go together"),
        ('way = [{ kind = "email", to = "lead@shop.example" }]', "way = []", "at least one"),
    ],
)
def test_a_mistake_is_told_with_its_line_and_what_would_be_right(
    tmp_path: Path, old: str, new: str, wrong: str
) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    assert text.count(old) == 1
    (tmp_path / "guard.toml").write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(ConfigMistakes, match=re.escape(wrong)) as caught:
        load_guard(tmp_path / "guard.toml")
    assert "line " in str(caught.value)


def test_a_key_or_a_password_that_is_not_there_is_said_before_it_is_needed(tmp_path: Path) -> None:
    (tmp_path / "guard-secret").write_text("short")
    file = load_guard(EXAMPLE)
    around = Surroundings({server.id: server for server in file.mail_server}, tmp_path, {})
    wrong = missing_of(file, around)
    assert len(wrong) == 2
    assert "Maintenance lead cannot be told by mail to lead@shop.example yet" in wrong[0]
    assert "has 5 characters; it needs 16 or more" in wrong[1]
