"""Links that lead nowhere are told before the first alarm carries one."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.check.links import of_links
from monitor.config import load
from tests.config.sites import SITE, written


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("", []),
        ('[page]\nurl = "http://192.168.1.5:8410"\nlisten = "0.0.0.0"', []),
        ('[page]\nurl = "http://192.168.1.5:8410"', ["listens at 127.0.0.1 only"]),
        ('[page]\nurl = "http://localhost:8410"', ["links in messages work on no phone"]),
    ],
)
def test_a_link_that_leads_nowhere_is_said(tmp_path: Path, table: str, words: list[str]) -> None:
    found = list(of_links(load(written(tmp_path, f"{SITE}\n{table}\n"))))
    assert [word in caution.text for word, caution in zip(words, found, strict=True)] == [True] * len(words)
    assert all(caution.line == SITE.count("\n") + 2 for caution in found)
