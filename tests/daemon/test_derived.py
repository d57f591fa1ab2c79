"""A pulse meter on a real broker: litres since the resin was changed, through kill -9 and a new meter."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from monitor.cli import main
from tests.daemon.watched import Publisher, Watched
from tests.waiting import eventually

pytestmark = pytest.mark.serial

METER = """
[[instrument]]
id = "pulse-meter"
point = "di-out"
expected_interval = "1 min"
wire.kind = "mqtt"
wire.broker = "hall"
wire.topic = "water/pulses"
wire.payload = { kind = "json", time = "/t", values = { "di.pulses" = "/n" } }

[[instrument.channel]]
id = "di.pulses"
quantity = "volume"
unit = "pulse"
range = [0, 65535]
resolution = 1
counter = { pulse_volume = "1 L", rolls_over_at = "16 bit", largest_flow = "1000 L/min" }

[[derived]]
kind = "litres"
id = "di.litres"
counter = "di.pulses"
since = "resin-change"
stage = "di"

[[rule]]
kind = "limit"
id = "resin-old"
channel = "di.litres"
above = "150 L"
"""


def test_litres_since_the_resin_was_changed_go_through_kill_roll_over_and_a_new_meter(
    watched: Callable[..., Watched],
    publisher: Publisher,
    now_ms: int,
    capsys: pytest.CaptureFixture[str],
) -> None:
    watch = watched(more=METER)
    watch.start()
    watch.ready()
    begun_ms = now_ms - 600_000

    def read(*pulses: int) -> None:
        nonlocal begun_ms
        for n in pulses:
            begun_ms += 20_000
            publisher.send(json.dumps({"t": begun_ms, "n": n}).encode(), "water/pulses")

    def litres() -> list[float]:
        return [reading.value for reading in watch.readings("di.litres")]

    read(65_500, 65_530, 44)  # over the end of the register
    eventually(lambda: litres() == [0, 30, 80])
    watch.kill_daemon()
    read(144)
    eventually(lambda: litres() == [0, 30, 80, 180], timeout=30)
    assert [t.condition for t in watch.transitions()] == ["resin-old"]

    assert main(["log", str(watch.path), "di", "resin-change", "--by", "lead"]) == 0
    read(154, 9_000, 9_010)  # a meter that was used before takes the place of the old one
    eventually(lambda: len(litres()) == 7)
    assert litres()[-1] < 30
    assert watch.counts()["counter-jump", "di.pulses"] == 1
    eventually(lambda: [t.cause for t in watch.transitions()] == ["raised", "returned"])
    assert watch.stop() == 0
    capsys.readouterr()
    assert main(["replay", str(watch.path)]) == 0
    *_, derived, told = capsys.readouterr().out.splitlines()
    assert derived == "7 derived readings as they were stored, 0 of another value"
    assert told == "2 stored transitions, 2 replayed: the same"
