"""The chat room of the show takes what is signed, and nothing else."""

from __future__ import annotations

import json
import time
import urllib.error
import urllib.request
from pathlib import Path

from monitor.notify.webhook import signature
from simulator.chat import Chat

KEY = b"0123456789abcdef0123456789abcdef"
BODY = json.dumps({"first_line": "High: DI outlet", "alarm": {}}).encode()


def post(room: Chat, stamp: str, signed: str, name: str = '"one"') -> int:
    headers = {"Goodwater-Timestamp": stamp, "Goodwater-Signature": signed, "Idempotency-Key": name}
    request = urllib.request.Request(f"http://127.0.0.1:{room.port}/goodwater", BODY, headers)
    try:
        with urllib.request.urlopen(request, timeout=10) as answer:
            status: int = answer.status
            return status
    except urllib.error.HTTPError as refused:
        with refused:
            return refused.code


def now() -> str:
    return str(int(time.time()))


def test_a_signed_message_is_kept_and_told(tmp_path: Path) -> None:
    told: list[str] = []
    with Chat(KEY, folder=tmp_path, tell=lambda message: told.append(message["first_line"])) as room:
        assert post(room, now(), signature(KEY, now(), BODY)) == 200
    assert told == ["High: DI outlet"]
    assert json.loads((tmp_path / "0001.json").read_text()) == json.loads(BODY)


def test_the_worked_example_of_the_webhook_page_is_genuine() -> None:
    from simulator.chat import is_genuine

    page = (Path(__file__).parents[2] / "docs" / "reference" / "webhook.md").read_text(encoding="utf-8")
    example = page.split("## A worked example")[1].split("```text\n")[1].split("\n```")[0]
    given = dict(line.split(": ", 1) for line in example.splitlines())
    body = given["body"].encode()
    assert is_genuine(given["stamp"], given["signature"], body, given["key"].encode())
    assert not is_genuine(given["stamp"], given["signature"], body + b" ", given["key"].encode())


def test_a_message_that_comes_twice_is_kept_once() -> None:
    with Chat(KEY) as room:
        stamp = now()
        for _ in range(2):
            assert post(room, stamp, signature(KEY, stamp, BODY)) == 200
        assert len(room.messages) == 1


def test_a_wrong_signature_and_an_old_stamp_are_refused() -> None:
    with Chat(KEY) as room:
        assert post(room, now(), signature(b"another key, also long", now(), BODY)) == 401
        old = str(int(time.time()) - 3600)
        assert post(room, old, signature(KEY, old, BODY)) == 401
        assert (room.messages, room.refused) == ([], 2)
