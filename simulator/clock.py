"""Shop time as a pure, rising, piecewise-linear function of the machine's clock; any process can be
given it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class ShopClock:
    """Anchors (machine ms, shop ms), both rising; outside them the nearest piece's slope goes on.

    As text: `machine:shop,machine:shop,...` in whole milliseconds, as `str(clock)` writes and `parse` reads.
    """

    anchors: tuple[tuple[int, int], ...]

    def __post_init__(self) -> None:
        pairs = list(zip(self.anchors, self.anchors[1:], strict=False))
        if len(self.anchors) < 2 or not all(a[0] < b[0] and a[1] < b[1] for a, b in pairs):
            raise ValueError("a shop clock needs at least two anchors that rise in machine and in shop time")

    @classmethod
    def parse(cls, text: str) -> ShopClock:
        """The clock that `str` wrote; ValueError names the anchor that cannot be read."""
        anchors = []
        for pair in text.split(","):
            machine, _, shop = pair.partition(":")
            try:
                anchors.append((int(machine), int(shop)))
            except ValueError as error:
                raise ValueError(f"shop clock: {pair!r} is not machine-ms:shop-ms") from error
        return cls(tuple(anchors))

    @classmethod
    def at_rate(cls, machine_ms: int, shop_ms: int, rate: float) -> ShopClock:
        """A clock at a constant `rate` (shop ms per machine ms) from one known moment; rate > 0."""
        if rate <= 0.0:
            raise ValueError(f"shop clock: the rate must be above 0, got {rate:g}")
        span = max(1_000, round(1_000_000 / rate))
        return cls(((machine_ms, shop_ms), (machine_ms + span, shop_ms + round(rate * span))))

    def __str__(self) -> str:
        return ",".join(f"{machine}:{shop}" for machine, shop in self.anchors)

    def shop_ms(self, machine_ms: float) -> float:
        """Shop time at a machine time."""
        return _through([a[0] for a in self.anchors], [a[1] for a in self.anchors], machine_ms)

    def machine_ms(self, shop_ms: float) -> float:
        """Machine time at which the shop's clock shows `shop_ms`."""
        return _through([a[1] for a in self.anchors], [a[0] for a in self.anchors], shop_ms)

    def slowed(self, from_ms: int, to_ms: int, rate: float) -> ShopClock:
        """The same clock, but at `rate` between two machine times; later pieces keep their rates, shifted."""
        shift = (to_ms - from_ms) * rate - (self.shop_ms(to_ms) - self.shop_ms(from_ms))
        before = [a for a in self.anchors if a[0] < from_ms]
        if not before:
            before = [(from_ms - 1000, round(self.shop_ms(from_ms - 1000)))]
        after = [(m, round(s + shift)) for m, s in self.anchors if m > to_ms]
        if not after:
            after = [(to_ms + 1000, round(self.shop_ms(to_ms + 1000) + shift))]
        edges = [(from_ms, round(self.shop_ms(from_ms))), (to_ms, round(self.shop_ms(to_ms) + shift))]
        return ShopClock((*before, *edges, *after))


def _through(known: Sequence[int], wanted: Sequence[int], at: float) -> float:
    piece = min(max(bisect_right(known, at) - 1, 0), len(known) - 2)
    slope = (wanted[piece + 1] - wanted[piece]) / (known[piece + 1] - known[piece])
    return wanted[piece] + (at - known[piece]) * slope
