"""Sums worked out from Readings one by one, as their definition says, to hold those of the store to."""

from __future__ import annotations

import math
from collections.abc import Iterable

from monitor.readings import Level, Reading, Reason, Standing
from monitor.store.sums import Flow, Sum

_NO_VALUE = Reason.IMPLAUSIBLE | Reason.CLOCK | Reason.DEVICE_FAULT | Reason.CONTRADICTED
_TIMED = (Standing.JUDGED, Standing.GATED, Standing.LATE, Standing.TIME_UNKNOWN)


def has_value(r: Reading) -> bool:
    return r.standing in (Standing.JUDGED, Standing.GATED, Standing.LATE) and not r.reasons & _NO_VALUE


def counts(r: Reading) -> bool:
    return has_value(r) and r.standing is not Standing.GATED


def summed_by_hand(readings: Iterable[Reading]) -> Sum | None:
    """The sum of readings of one channel, without what flowed; None when there is none."""
    timed = [r for r in readings if r.standing in _TIMED]
    if not timed:
        return None
    made = [r.value for r in timed if counts(r)]
    shown = [r.value for r in timed if has_value(r)]
    return Sum(
        len(timed),
        sum(r.level == Level.GOOD for r in timed),
        len(made),
        min(made, default=None),
        max(made, default=None),
        math.fsum(made) / len(made) if made else None,
        min(shown, default=None),
        max(shown, default=None),
        0.0,
        None,
    )


def flow_mean_by_hand(
    readings: Iterable[Reading], flows: Iterable[Reading], flow: Flow, from_ms: int, to_ms: int
) -> tuple[float, float | None]:
    """Litres (or minutes) in [from, to), and the mean of what counts weighted by them."""
    trusted = [r for r in flows if has_value(r) and r.level != Level.BAD]
    pairs, before = [], None
    for r in sorted((r for r in readings if has_value(r)), key=lambda r: r.time_ms):
        step_ms = 0 if before is None else min(r.time_ms - before, 600_000)
        before = r.time_ms
        last = max((f for f in trusted if f.time_ms <= r.time_ms), key=lambda f: f.time_ms, default=None)
        if last is None or r.time_ms - last.time_ms > flow.trust_ms or not from_ms <= r.time_ms < to_ms:
            continue
        running = float(last.value > 0.5) if flow.is_contact else max(0.0, last.value)
        if counts(r) and running > 0 and step_ms > 0:
            pairs.append((running * step_ms / 60_000, r.value))
    litres = math.fsum(w for w, _ in pairs)
    return litres, math.fsum(w * v for w, v in pairs) / litres if litres else None
