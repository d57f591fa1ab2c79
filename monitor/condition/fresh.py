"""How far in time a neighbour's value (temperature, flow) may lie from the value it is used for."""

from __future__ import annotations

# A stamp may run ahead of another clock by this much before it cannot be true.
FUTURE_TOLERANCE_MS = 300_000


def is_fresh(neighbour_ms: int, at_ms: int, trusted_for_ms: int) -> bool:
    """Whether a value of `neighbour_ms` speaks for what was at `at_ms`: neither too old nor much later.

    Later happens when a backlog arrives while the neighbour is live, and when a clock was set back.
    """
    return -FUTURE_TOLERANCE_MS <= at_ms - neighbour_ms <= trusted_for_ms
