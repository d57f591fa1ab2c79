"""What of a span is on the server, point by point and field by field."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.mirror.points import Point
from monitor.mirror.read_back import Found

# A server may keep fewer digits than a double has: 13 were seen.
_SAME = 1e-9


@dataclass(frozen=True, slots=True)
class Compared:
    """`missing` has a field that is not there, or there with another value only; `twice` counts values of one
    series and millisecond beyond the first."""

    missing: list[Point]
    twice: int


def compared(points: Sequence[Point], fields: tuple[str, ...], found: Iterable[Found]) -> Compared:
    """Hold points against what the server gave back for their span; what it has besides is not looked at."""
    wanted = {
        (point.key, name, point.time_ms): value
        for point in points
        for name, value in zip(fields, point.values, strict=True)
    }
    largest = [max(abs(point.values[i]) for point in points) if points else 0.0 for i in range(len(fields))]
    nearly = {name: _SAME * size for name, size in zip(fields, largest, strict=True)}
    seen: Counter[tuple[tuple[str, ...], str, int]] = Counter()
    right = set()
    for key, name, time_ms, value in found:
        at = (key, name, time_ms)
        if at in wanted:
            seen[at] += 1
            if math.isclose(value, wanted[at], rel_tol=_SAME, abs_tol=nearly[name]):
                right.add(at)
    missing = [p for p in points if any((p.key, name, p.time_ms) not in right for name in fields)]
    return Compared(missing, sum(seen.values()) - len(seen))
