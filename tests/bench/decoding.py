"""From the bytes of a message to a Sample, beside the library's own strict model of such a reading.

The anchor parses and validates one JSON object (`pydantic`: keys, finite numbers). Ours finds values by
pointer, takes units and times in several forms, says what was wrong, and makes the Sample.
"""

from __future__ import annotations

import json
import tempfile
import time
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, TypeAdapter

from monitor.config import load
from monitor.intake.payloads import decode
from monitor.readings import Status
from tests.bench.rows import Row, in_turns, row
from tests.daemon.watched import write_site

_NOW_MS = 1_795_000_000_000


class _Reading(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    t: Annotated[int, Field(ge=0)]
    ec: FiniteFloat


def measure(rounds: int = 7, n: int = 20_000) -> list[Row]:
    """One row, in microseconds a message: less is better."""
    messages = [json.dumps({"t": _NOW_MS + k, "ec": 5 + k % 97 / 100}).encode() for k in range(1_000)]
    adapter = TypeAdapter(_Reading)
    with tempfile.TemporaryDirectory() as name:
        site = load(write_site(Path(name), broker_port=1883, mail_port=25, ca_file=Path(name) / "ca.pem"))
    (instrument,) = site.plant.instrument
    payload, channels = instrument.wire.payload, instrument.channel

    def bare(raw: bytes) -> object:
        return adapter.validate_json(raw)

    def ours(raw: bytes) -> object:
        found = decode(payload, raw, channels=channels, subject="water/di", now_ms=_NOW_MS + 5_000)
        return [sample for one in found for sample in one.samples(_NOW_MS + 5_000, Status.OK)]

    assert len(ours(messages[0])) == 1  # type: ignore[arg-type]  # a list

    def each_us(call: object) -> float:
        began = time.perf_counter()
        for k in range(n):
            call(messages[k % 1_000])  # type: ignore[operator]  # one of the two above
        return (time.perf_counter() - began) / n * 1e6

    return [
        row(
            "decode",
            in_turns(rounds, lambda: each_us(bare), lambda: each_us(ours)),
            what="a message decoded and checked, to a Sample",
            anchor="pydantic, a strict model of the same object",
            unit="us",
            how=f"{n} messages a round, time and one value in JSON",
        )
    ]
