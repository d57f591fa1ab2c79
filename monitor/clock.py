"""The one place that looks at the machine's clock."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol


class Clock(Protocol):
    """Shop time, and how long the machine must wait for a span of it."""

    def now_ms(self) -> int:
        """The shop's time, UTC milliseconds."""

    def machine_s(self, shop_s: float) -> float:
        """Machine seconds that a span of shop seconds beginning now will take."""


class MachineClock:
    """The shop's time is the machine's."""

    def now_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def machine_s(self, shop_s: float) -> float:
        return shop_s


@dataclass(frozen=True)
class PlayedClock:
    """Shop time as a pure piecewise-linear function of the machine's clock, for the demo and tests.

    Anchors are (machine ms, shop ms), both rising; before the first and after the last the nearest
    piece's slope goes on.
    """

    anchors: tuple[tuple[float, float], ...]

    @classmethod
    def parse(cls, text: str) -> PlayedClock:
        """From `machine:shop,machine:shop,...`, as `str(clock)` writes it."""
        pairs = [pair.split(":") for pair in text.split(",")]
        return cls(tuple((float(machine), float(shop)) for machine, shop in pairs))

    def __str__(self) -> str:
        return ",".join(f"{machine:.0f}:{shop:.0f}" for machine, shop in self.anchors)

    def __post_init__(self) -> None:
        rising = all(
            a[0] < b[0] and a[1] < b[1] for a, b in zip(self.anchors, self.anchors[1:], strict=False)
        )
        finite = all(math.isfinite(time_ms) for anchor in self.anchors for time_ms in anchor)
        if len(self.anchors) < 2 or not rising or not finite:
            raise ValueError("a played clock needs two anchors or more, rising in both times")

    def shop_ms(self, machine_ms: float) -> float:
        """Shop time at a machine time."""
        return _through(self.anchors, machine_ms)

    def machine_ms(self, shop_ms: float) -> float:
        """Machine time at a shop time."""
        return _through([(shop, machine) for machine, shop in self.anchors], shop_ms)

    def now_ms(self) -> int:
        return int(self.shop_ms(time.time_ns() / 1e6))

    def machine_s(self, shop_s: float) -> float:
        machine_now = time.time_ns() / 1e6
        return (self.machine_ms(self.shop_ms(machine_now) + shop_s * 1000) - machine_now) / 1000


def _through(anchors: Sequence[tuple[float, float]], at: float) -> float:
    piece = 0
    while piece < len(anchors) - 2 and at >= anchors[piece + 1][0]:
        piece += 1
    (x0, y0), (x1, y1) = anchors[piece], anchors[piece + 1]
    return y0 + (at - x0) * (y1 - y0) / (x1 - x0)
