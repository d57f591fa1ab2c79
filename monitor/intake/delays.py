"""How long to wait before trying a lost wire again: random, and growing under a cap."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

Delays = Callable[[], Iterator[float]]  # begins a new series; the series does not end

FIRST_S = 0.5
CAP_S = 60.0


def growing_delays(first_s: float = FIRST_S, cap_s: float = CAP_S) -> Iterator[float]:
    """Seconds between tries: doubling from `first_s` to `cap_s`, each one drawn from its upper half.

    Random, so that a shop's gateways do not all knock in the same second when the broker is back.
    """
    span = first_s
    while True:
        yield random.uniform(span / 2, span)
        span = min(span * 2, cap_s)
