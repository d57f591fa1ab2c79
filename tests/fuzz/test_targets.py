"""Every parser of bytes from outside: no exception escapes, and memory is bounded."""

from __future__ import annotations

import json
import time
import tracemalloc

import pytest
from hypothesis import HealthCheck, given, settings

from monitor.intake.decoded import MAX_BYTES
from monitor.intake.payloads import AnyPayload, decode
from tests.fuzz.targets import CHANNELS, PAYLOADS, SENML, TARGETS, Target, sound_all
from tests.intake.shop import NOW_MS

EXAMPLES = {"site file": 25}
USUAL = 80


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_whatever_comes_nothing_escapes_and_what_goes_on_is_sound(target: Target) -> None:
    @settings(
        max_examples=EXAMPLES.get(target.name, USUAL), deadline=None, suppress_health_check=list(HealthCheck)
    )
    @given(target.examples)
    def ask(example: object) -> None:
        target.check(example)

    ask()


def filled(begin: str, again: str, end: str) -> bytes:
    """As many repetitions as the largest message that is read holds."""
    return (begin + again * ((MAX_BYTES - len(begin) - len(end)) // len(again)) + end).encode()


LARGEST = [
    filled("[", "1,", "1]"),
    filled("[", "[[],", "]" * 20),
    filled('{"log": [', '{"ec":1},', "{}]}"),
    filled('{"log": [', '{"ec":"x"},', "{}]}"),
    filled('{"values": [', '{"id":"ec","v":1},', "{}]}"),
    filled('{"values": [', '{"id":"ec"},', "{}]}"),
    filled('[{"bn":"di:"},', '{"n":"ec","v":1},', "{}]"),
    filled("[", '{"n":5},', "{}]"),
    filled('{"ec": "', "9", '"}'),
    filled('{"ec": ', "9", "}"),
    filled("", "9", ""),
    json.dumps({"a" * 9 + str(n): n for n in range(3500)}).encode()[:MAX_BYTES],
    b"x" * (100 * MAX_BYTES),
]


@pytest.mark.parametrize("payload", [*PAYLOADS, SENML], ids=lambda payload: payload.kind)
def test_the_largest_messages_cost_little_memory_and_time(payload: AnyPayload) -> None:
    channels = CHANNELS[:1] if payload.kind == "number" else CHANNELS
    for raw in LARGEST:
        tracemalloc.start()
        began = time.process_time()
        moments = decode(payload, raw, channels=channels, subject="shop/di", now_ms=NOW_MS)
        took = time.process_time() - began
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        sound_all(moments)
        assert peak < 40 * 2**20, f"{peak} bytes for {raw[:40]!r}..."
        assert took < 5, f"{took} s for {raw[:40]!r}..."  # ten times as slow as it is, being traced
        assert sum(len(one.problems) for one in moments) <= 40
