"""Which heartbeats a guard believes: signed by the right key, for this site, not repeated, of this time."""

from __future__ import annotations

import json
from typing import Any

import pytest

from monitor.alive.heartbeat import document
from monitor.guard.receiver import Arrived, NotBelieved, believed
from monitor.notify.webhook import signature
from monitor.plant.model import Site

KEY = b"0123456789abcdef"
NOW_MS = 1_920_000_000_000
SITE = Site.model_validate({"id": "shop", "name": "Example Shop", "timezone": "UTC", "data": "data"})


def arrived(sent_ms: int = NOW_MS, key: bytes = KEY, body: bytes | None = None) -> Arrived:
    body = document(SITE, "running", sent_ms, 60_000) if body is None else body
    stamp = str(sent_ms // 1000)
    return Arrived(stamp, signature(key, stamp, body), body)


def refusal(came: Arrived, watch: str = "shop", last_ms: int = 0) -> str:
    with pytest.raises(NotBelieved) as caught:
        believed(came, KEY, watch, NOW_MS, last_ms)
    assert 400 <= caught.value.status < 500
    return str(caught.value)


def test_the_watch_s_own_heartbeat_is_believed() -> None:
    assert believed(arrived(), KEY, "shop", NOW_MS, NOW_MS - 60_000).word == "running"


def test_another_key_another_stamp_or_a_changed_body_is_refused() -> None:
    wrong = "its signature is wrong: compare the key of both ends"
    assert refusal(arrived(key=b"another key of the shop")) == wrong
    good = arrived()
    assert refusal(Arrived("1", good.signed, good.body)) == wrong
    assert refusal(Arrived(good.stamp, good.signed, good.body + b" ")) == wrong
    assert refusal(Arrived(good.stamp, "", good.body)) == wrong
    assert refusal(Arrived(good.stamp, "sha256=\udcff", good.body)) == wrong


def test_a_heartbeat_for_another_site_is_refused_though_the_key_is_right() -> None:
    assert (
        refusal(arrived(), watch="hall") == 'it speaks for the site "shop", and came to the address of "hall"'
    )


def test_a_heartbeat_that_is_played_again_is_refused() -> None:
    assert refusal(arrived(), last_ms=NOW_MS) == "it is not later than one that came before"


@pytest.mark.parametrize(
    ("minutes", "words"), [(-11, "its clock is 11 min behind"), (11, "its clock is 11 min ahead of")]
)
def test_a_heartbeat_of_another_time_is_refused(minutes: int, words: str) -> None:
    assert words in refusal(arrived(NOW_MS + minutes * 60_000))


def test_a_guard_whose_own_clock_once_ran_ahead_believes_again() -> None:
    assert believed(arrived(), KEY, "shop", NOW_MS, NOW_MS + 3_600_000).sent_ms == NOW_MS


@pytest.mark.parametrize(
    "said",
    [
        b"",
        b"[]",
        b"\xff",
        {"format": "goodwater.notice/1"},
        {"state": "well"},
        {"time_ms": "now"},
        {"site": "shop"},
    ],
)
def test_what_is_signed_but_no_heartbeat_is_refused(said: bytes | dict[str, Any]) -> None:
    if isinstance(said, dict):
        said = json.dumps(json.loads(arrived().body) | said).encode()
    assert refusal(arrived(body=said)) == "it is no goodwater.heartbeat/1"
