"""What a row of the table of figures is: ours beside an anchor, taken in turns in one run."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from typing import Any

Row = dict[str, Any]
Pair = tuple[float, float]  # the anchor's figure and ours, of one round


def in_turns(rounds: int, anchor: Callable[[], float], ours: Callable[[], float]) -> list[Pair]:
    """Each round takes one after the other, in an order that turns, so that a busy moment meets both."""
    pairs = []
    for n in range(rounds):
        if n % 2:
            own = ours()
            pairs.append((anchor(), own))
        else:
            beside = anchor()
            pairs.append((beside, ours()))
    return pairs


def row(
    name: str,
    pairs: Sequence[Pair],
    *,
    what: str,
    anchor: str,
    unit: str,
    how: str,
    wanted: float | None = None,
) -> Row:
    """Medians of both, and the median and the spread of their ratios, ours to the anchor's.

    `wanted`: the least ratio of a rate that was promised.
    """
    ratios = sorted(ours / beside for beside, ours in pairs)
    return {
        "row": name,
        "what": what,
        "unit": unit,
        "ours": _figure(statistics.median(ours for _, ours in pairs)),
        "anchor": _figure(statistics.median(beside for beside, _ in pairs)),
        "anchor_is": anchor,
        "ratio": round(statistics.median(ratios), 3),
        "lowest": round(ratios[0], 3),
        "highest": round(ratios[-1], 3),
        "rounds": len(pairs),
        "wanted": wanted,
        "how": how,
    }


def _figure(value: float) -> float:
    return round(value, 2) if value < 100 else round(value)
