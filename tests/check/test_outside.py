"""Whether anybody outside would miss the watch after a power or internet cut is said before it happens."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.check.outside import of_outside
from monitor.config import load
from tests.config.sites import SITE, written


def cautions(folder: Path, more: str) -> list[tuple[int, str]]:
    return [(caution.line, caution.text) for caution in of_outside(load(written(folder, SITE + more)))]


def test_a_site_that_nobody_would_miss_is_told_so(tmp_path: Path) -> None:
    ((line, text),) = cautions(tmp_path, "")
    assert line == 0 and text.startswith("Nobody outside would be told of a power or internet cut")


def test_a_heartbeat_to_somewhere_else_is_well(tmp_path: Path) -> None:
    assert cautions(tmp_path, '\n[heartbeat]\nurl = "https://guard.elsewhere.example/heartbeat/shop"\n') == []


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (
            '[heartbeat]\nurl = "http://127.0.0.1:8411/heartbeat/shop"',
            "is this machine itself: a power cut ends",
        ),
        (
            '[heartbeat]\nurl = "http://192.168.1.20:8411/heartbeat/shop"',
            "only when it has power and internet",
        ),
        ('[heartbeat]\nurl = "https://a.example/x"\nsecret_file = "none"', "nothing is sent yet"),
        ('[all_well]\nat = "06:30"', "only by the line that does not come"),
        ('[status_topic]\nbroker = "hall"', "only where somebody outside watches this topic"),
    ],
)
def test_what_would_be_missed_only_in_part_is_said_with_its_line(
    tmp_path: Path, table: str, words: str
) -> None:
    ((line, text),) = cautions(tmp_path, f"\n{table}\n")
    assert line == SITE.count("\n") + 2 and words in text
