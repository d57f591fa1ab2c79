"""A level that falls fast: a burst hose, an open drain.

In a settled pump state a fall needs no comparison: three litres in a quarter of an hour, gone in both halves
of it, are told within minutes. Otherwise the fall must exceed all that ever went into circulation here.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

from monitor.frozen import replace
from monitor.readings import Reading
from monitor.rules.loss.balance import SETTLED_AFTER_MS, Books, Geometry

_WINDOW_MS = 15 * 60_000
_APART_MS = 25_000  # readings closer together than this say nothing new
_MOST = 40
_READINGS = (6, 9, 15)  # looked at together, the newest
_FEW = 3  # where the sensor speaks seldom
_LONGEST_MS = 45 * 60_000
_LEAST_L = 3.0
_PEAKS = 8  # quarters of an hour in which the level may have stood higher
_FOAM_MS = 4 * 3_600_000  # foam seldom lasts longer
_FLICKERS = 10.0
_UNKNOWN_CIRCULATION = 0.35  # of the sump's volume, until its own is known
_HELD_MS = 30 * 60_000


@dataclass(frozen=True, slots=True)
class Fast:
    """The last readings of one sump, its levels of the last hours, and a fall that holds."""

    recent: tuple[tuple[int, float], ...] = ()
    flicker_mm: float = 1.0  # mean step between two readings
    peaks: tuple[tuple[int, float], ...] = ()
    since_ms: int = 0
    seen_ms: int = 0  # when the fall was last seen; 0 when none holds
    from_mm: float = 0.0
    settled: bool = False  # told in a settled state of the pump
    confirmed: int = 0

    @property
    def holds(self) -> bool:
        return self.seen_ms > 0


@dataclass(frozen=True, slots=True)
class _Fall:
    since_ms: int
    from_mm: float
    settled: bool
    half_ms: int = 0  # when half of it had gone


def on_level(fast: Fast, reading: Reading, books: Books, sump: Geometry) -> Fast:
    """The state after one more reading, and whether the level is falling fast."""
    now_ms, level_mm = reading.time_ms, reading.value
    if fast.recent and now_ms - fast.recent[-1][0] < _APART_MS:
        return fast
    if fast.recent:
        step_mm = min(abs(level_mm - fast.recent[-1][1]), 50.0)
        fast = replace(fast, flicker_mm=fast.flicker_mm + 0.04 * (step_mm - fast.flicker_mm))
    recent = _recent(fast.recent, now_ms, level_mm)
    fast = replace(fast, recent=recent)
    fall = _in_settled_state(fast, books, sump, now_ms) or _beyond_circulation(fast, books, sump, now_ms)
    fast = replace(fast, peaks=_peaks(fast.peaks, recent))
    if fall is None:
        if fast.holds and now_ms - fast.seen_ms > _HELD_MS:
            # Told and over: the level before it is no measure of what follows.
            return replace(fast, seen_ms=0, since_ms=0, confirmed=0, peaks=())
        return replace(fast, confirmed=0)
    if fast.confirmed < 1 and not fast.holds:
        return replace(fast, confirmed=1)
    if fast.holds:
        return replace(fast, seen_ms=now_ms, from_mm=max(fast.from_mm, fall.from_mm))
    return replace(fast, seen_ms=now_ms, since_ms=fall.since_ms, from_mm=fall.from_mm, settled=fall.settled)


def _recent(
    recent: tuple[tuple[int, float], ...], now_ms: int, level_mm: float
) -> tuple[tuple[int, float], ...]:
    """The readings of the last quarter of an hour; of a sensor that speaks seldom, the last three."""
    fresh = [r for r in recent if now_ms - r[0] <= _WINDOW_MS]
    if len(fresh) < _FEW - 1:
        fresh = [r for r in recent[-(_FEW - 1) :] if now_ms - r[0] <= _LONGEST_MS]
    return (*fresh, (now_ms, level_mm))[-_MOST:]


def _in_settled_state(fast: Fast, books: Books, sump: Geometry, now_ms: int) -> _Fall | None:
    seen = now_ms - books.pump_seen_ms <= sump.pump_trusted_ms
    if not sump.has_pump or not seen or now_ms - books.pump_since_ms < SETTLED_AFTER_MS:
        return None
    least_mm = max(_LEAST_L / sump.l_per_mm, _FLICKERS * fast.flicker_mm, 2.5 * sump.resolution_mm)
    few = len(fast.recent) < _READINGS[0] and now_ms - fast.recent[0][0] > _WINDOW_MS
    wanted = (_FEW,) if few else _READINGS
    fall = next((f for n in wanted if (f := _steady_fall(fast.recent[-n:], n, least_mm))), None)
    # A contact that speaks seldom, or is written down by a logger, may not have told of a start yet.
    if fall is not None and fall.half_ms > books.pump_seen_ms - 2 * books.pump_gap_ms:
        return None
    if fall is None or not books.pump_on or not fast.peaks:
        return fall
    # Foam stands on a running sump only, and leaves the level where it was: what is gone goes below it.
    lowest_mm = min(level for at_ms, level in fast.peaks if at_ms >= fast.peaks[-1][0] - _FOAM_MS)
    level_mm = median(level for _, level in fast.recent[-3:])
    return fall if level_mm < lowest_mm - 0.5 * least_mm else None


def _steady_fall(recent: tuple[tuple[int, float], ...], wanted: int, least_mm: float) -> _Fall | None:
    """A fall in both halves of so many readings: foam that collapses falls in one step."""
    third = wanted // 3
    if len(recent) < wanted:
        return None
    parts = (recent[:third], recent[third : 2 * third], recent[-third:])
    first, half, last = (median(level for _, level in part) for part in parts)
    both = min(first - half, half - last) > 0.25 * (first - last)
    if not both or first - last <= least_mm:
        return None
    return _Fall(recent[0][0], first, settled=True, half_ms=parts[1][-1][0])


def _beyond_circulation(fast: Fast, books: Books, sump: Geometry, now_ms: int) -> _Fall | None:
    if not fast.peaks or len(fast.recent) < _FEW:
        return None
    most_l = 1.3 * max(books.swings_l) + 5.0 if len(books.swings_l) >= 8 else None
    if most_l is None:
        most_l = _UNKNOWN_CIRCULATION * sump.volume_l
    level_mm = median(level for _, level in fast.recent[-3:])
    since_ms, peak_mm = max(fast.peaks[-_PEAKS:], key=lambda p: p[1])
    margin_mm = max(6.0 * fast.flicker_mm, 2.5 * sump.resolution_mm)
    if (peak_mm - level_mm) * sump.l_per_mm <= most_l + margin_mm * sump.l_per_mm:
        return None
    return _Fall(since_ms, peak_mm, settled=False)


def _peaks(
    peaks: tuple[tuple[int, float], ...], recent: tuple[tuple[int, float], ...]
) -> tuple[tuple[int, float], ...]:
    """The median of each quarter of an hour that is over, for four hours."""
    now_ms = recent[-1][0]
    if len(recent) < _FEW or (peaks and now_ms - peaks[-1][0] < _WINDOW_MS):
        return peaks
    fresh = tuple(p for p in peaks if now_ms - p[0] < _FOAM_MS)
    return (*fresh, (now_ms, float(median(level for _, level in recent))))
