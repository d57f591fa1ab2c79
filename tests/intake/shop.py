"""An invented meter and a clock that stands still, for the tests of intake."""

from __future__ import annotations

import itertools
from typing import Any

from monitor.plant.model import Channel, Instrument

NOW_MS = 1_760_000_000_000


class StillClock:
    """It is always the same moment; waiting takes as long as it takes."""

    def now_ms(self) -> int:
        return NOW_MS

    def machine_s(self, shop_s: float) -> float:
        return shop_s


def soon() -> itertools.repeat[float]:
    """Reconnect almost at once."""
    return itertools.repeat(0.02)


def channel(id: str, quantity: str = "conductivity", unit: str = "uS/cm", high: float = 2000.0) -> Channel:
    """A channel from 0 to `high` in its unit."""
    known: dict[str, Any] = {"id": id, "quantity": quantity, "unit": unit, "range": (0.0, high)}
    return Channel.model_validate(known | {"resolution": 0.1})


def meter(wire: Any, *channels: str, id: str = "di-out") -> Instrument:
    """A conductivity meter with these channels (one named `di-out.ec` when none is given)."""
    return Instrument.model_validate(
        {
            "id": id,
            "wire": wire,
            "expected_interval": "1 min",
            "channel": [
                {
                    "id": channel,
                    "quantity": "conductivity",
                    "unit": "uS/cm",
                    "range": (0, 2000),
                    "resolution": 0.1,
                }
                for channel in channels or ("di-out.ec",)
            ],
        }
    )
