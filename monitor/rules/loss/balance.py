"""The books of one sump: from level readings to litres lost in a day, like compared with like.

Coolant in circulation (20 to 60 L) comes back when the pump stops. So a level counts only in a *settled*
state: the pump has run, or stood, for three quarters of an hour. Ten minutes of such readings make one mark;
between marks the litres in the sump are level times surface, plus what is in circulation while the pump runs
(learned from the sump's own starts and stops). Litres that come in between two marks are a refill; litres
that come and go as foam are neither. A day's account runs from one quiet mark to the next, before the
morning shift.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import fmean, median
from typing import NamedTuple

from monitor.frozen import replace
from monitor.readings import Reading

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
BLOCK_MS = 600_000
SETTLED_AFTER_MS = 45 * 60_000
_MARKS = 6  # the newest hour of marks is kept
_FIRST_MARKS = 4
_SWINGS = 24
_FEWEST_SWINGS = 4
_VALUES = 30  # most readings kept of one block
# A mark older than this before the account closes is not that day's.
_CLOSING_MARK_MS = 14 * HOUR_MS
# Between marks further apart, start and stop of the pump are not what made the difference.
_SWING_WITHIN_MS = 3 * HOUR_MS
# A fall as quick and at least as large as this, after a rise, is foam that went.
_FOAM_MM = 8.0
RECORDS = 42  # accounts kept: six weeks


@dataclass(frozen=True, slots=True)
class Geometry:
    """What the books need to know of a sump: litres a millimetre, and the sensor's step."""

    l_per_mm: float
    resolution_mm: float
    volume_l: float
    has_pump: bool
    pump_trusted_ms: int = 1_800_000

    @property
    def step_l(self) -> float:
        """Litres that one step of the sensor stands for."""
        return self.l_per_mm * self.resolution_mm


class Mark(NamedTuple):
    """A level in a settled state, with the running time and the counted litres up to then."""

    time_ms: int
    level_mm: float
    on: bool
    running_ms: int
    counted_l: float
    since_ms: int  # since when the pump ran, or stood


class Move(NamedTuple):
    """Litres that came (or went) between two marks, and the time between them."""

    time_ms: int
    litres: float
    ms: int
    running_ms: int


class Day(NamedTuple):
    """One account: litres lost between two quiet marks, and what they are judged by."""

    day: int
    end_ms: int
    hours: float
    on_h: float
    lost_l: float
    refilled_l: float
    idle_h: float  # of them, within quiet stretches
    idle_l: float
    odd: bool = False  # part of a rise that was, or may be, a leak: not learned from


@dataclass(frozen=True, slots=True)
class Books:
    """What is remembered of one sump."""

    pump_on: bool | None = None
    pump_since_ms: int = 0
    pump_seen_ms: int = 0
    pump_gap_ms: int = 0  # about the longest time between two of the contact's values, lately
    running_ms: int = 0
    counter: float | None = None
    counted_l: float = 0.0
    counter_moved_ms: int = 0
    block_ms: int = 0
    block: tuple[float, ...] = ()
    before_mm: float | None = None  # the last block, settled or not
    unrest_mm: float = 0.0
    same_raw: float | None = None
    same_since_ms: int = 0
    waiting: tuple[Mark, ...] = ()  # marks of a state that the contact has not confirmed yet
    last: Mark | None = None
    quiet: tuple[Mark, ...] = ()
    busy: tuple[Mark, ...] = ()
    opened: Mark | None = None
    rises: tuple[Move, ...] = ()
    falls: tuple[Move, ...] = ()
    quick_l: float = 0.0
    swings_l: tuple[float, ...] = ()
    followed: int = 0
    stretch: tuple[Mark, ...] = ()  # the first marks of the present quiet stretch
    idle_l: float = 0.0
    idle_ms: int = 0
    day: int = 0
    days: tuple[Day, ...] = ()
    not_judged: str = ""  # why the last account was not made
    not_judged_since_ms: int = 0

    @property
    def in_circulation_l(self) -> float | None:
        """Litres in circulation while the pump runs, once enough starts and stops are known."""
        return median(self.swings_l) if len(self.swings_l) >= _FEWEST_SWINGS else None


def on_pump(books: Books, reading: Reading, sump: Geometry) -> Books:
    """The books after a value of the pump's contact."""
    on, now_ms = reading.value > 0.5, reading.time_ms
    known = books.pump_on is not None and now_ms - books.pump_seen_ms <= sump.pump_trusted_ms
    if known and books.pump_on:
        books = replace(books, running_ms=books.running_ms + now_ms - books.pump_seen_ms)
    if not known or on != books.pump_on:
        # It may have changed at any time since it was seen last, and a logger adds as much again.
        sure = tuple(m for m in books.waiting if m.time_ms <= now_ms - 2 * books.pump_gap_ms)
        books = replace(books, pump_on=on, pump_since_ms=now_ms, waiting=sure)
    gap_ms = now_ms - books.pump_seen_ms if known else sump.pump_trusted_ms
    return replace(books, pump_seen_ms=now_ms, pump_gap_ms=max(gap_ms, round(0.9 * books.pump_gap_ms)))


def on_counter(books: Books, reading: Reading) -> Books:
    """The books after a value of the meter on the sump's own top-off line."""
    before, value = books.counter, reading.value
    if before is None:
        return replace(books, counter=value)
    # A counter that is behind was reset or has run over: what it shows is since then.
    added = value - before if value >= before else 0.0
    moved_ms = reading.time_ms if value != before else books.counter_moved_ms
    return replace(books, counter=value, counted_l=books.counted_l + added, counter_moved_ms=moved_ms)


def on_level(books: Books, reading: Reading, sump: Geometry, day: int) -> Books:
    """The books after a level reading; `day` is the account its block belongs to."""
    if reading.raw != books.same_raw:
        books = replace(books, same_raw=reading.raw, same_since_ms=reading.time_ms)
    block_ms = reading.time_ms // BLOCK_MS * BLOCK_MS
    if block_ms != books.block_ms:
        if books.block:
            books = _closed_block(books, sump)
        if books.day and day > books.day:
            books = _closed_day(books, sump, reading.time_ms)
        books = replace(books, block_ms=block_ms, block=(), day=max(day, books.day))
    if len(books.block) < _VALUES:
        books = replace(books, block=(*books.block, reading.value))
    return books


def rise_tolerance_l(books: Books, sump: Geometry) -> float:
    """Litres up between two marks below which it may be the sensor."""
    least_l = max(3.0, 6.0 * books.unrest_mm * sump.l_per_mm, 1.5 * sump.step_l)
    # What a metered valve fills is counted; beside it only a good pour by hand is believed.
    return least_l if books.counter is None else max(least_l, 0.06 * sump.volume_l)


def _closed_block(books: Books, sump: Geometry) -> Books:
    level_mm = float(median(books.block))
    if not sump.has_pump:
        books = _inferred(books, level_mm, sump)
    books = replace(books, before_mm=level_mm)
    if books.pump_on is None or books.pump_since_ms > books.block_ms - SETTLED_AFTER_MS:
        return books
    if sump.has_pump and books.block_ms - books.pump_seen_ms > sump.pump_trusted_ms:
        return books
    if books.counter_moved_ms > books.block_ms - BLOCK_MS // 2:
        return books  # being filled: level and counter are not of one moment
    mark = Mark(
        books.block_ms + BLOCK_MS // 2,
        level_mm,
        books.pump_on,
        books.running_ms,
        books.counted_l,
        books.pump_since_ms,
    )
    books = replace(books, waiting=(*books.waiting, mark))
    confirmed_ms = books.pump_seen_ms - 2 * books.pump_gap_ms if sump.has_pump else mark.time_ms
    ready = [m for m in books.waiting if m.time_ms <= confirmed_ms]
    books = replace(books, waiting=books.waiting[len(ready) :])
    for one in ready:
        books = _marked(books, one, sump)
    return books


def _marked(books: Books, mark: Mark, sump: Geometry) -> Books:
    """The books with one more level in a settled state."""
    if books.last is not None:
        books = _between(books, books.last, mark, sump)
    books = replace(books, last=mark, opened=books.opened or mark)
    if mark.on:
        return replace(books, busy=(*books.busy, mark)[-_MARKS:])
    if len(books.stretch) < _FIRST_MARKS:
        books = replace(books, stretch=(*books.stretch, mark))
    return replace(books, quiet=(*books.quiet, mark)[-_MARKS:])


def _ended_stretch(books: Books, sump: Geometry) -> Books:
    """Count what a quiet stretch lost: from the mean of its first marks to that of its last."""
    first = books.stretch
    last = tuple(m for m in books.quiet if first and m.time_ms > first[-1].time_ms)
    books = replace(books, stretch=())
    if len(first) < _FIRST_MARKS or len(last) < _FIRST_MARKS:
        return books
    ms = round(fmean(m.time_ms for m in last) - fmean(m.time_ms for m in first))
    gone_mm = fmean(m.level_mm for m in first) - fmean(m.level_mm for m in last)
    gone_l = sump.l_per_mm * gone_mm + last[0].counted_l - first[-1].counted_l
    if last[-1].counted_l != last[0].counted_l or first[0].counted_l != first[-1].counted_l:
        return books
    return replace(books, idle_l=books.idle_l + gone_l, idle_ms=books.idle_ms + ms)


def _between(books: Books, a: Mark, b: Mark, sump: Geometry) -> Books:
    """What two marks in a row say of unrest, circulation, refills and idle loss."""
    ms = b.time_ms - a.time_ms
    one_stretch = a.on == b.on and a.since_ms == b.since_ms
    if not one_stretch:
        books = _ended_stretch(books, sump)
    gone_l = sump.l_per_mm * (a.level_mm - b.level_mm) + b.counted_l - a.counted_l
    tolerance_l = rise_tolerance_l(books, sump)
    if one_stretch and ms <= 3 * BLOCK_MS:
        step_mm = min(abs(a.level_mm - b.level_mm), 3.0 * max(books.unrest_mm, sump.resolution_mm))
        books = replace(books, unrest_mm=books.unrest_mm + 0.02 * (step_mm - books.unrest_mm))
    if a.on != b.on:
        swing_l = gone_l if b.on else -gone_l
        circulation_l = books.in_circulation_l
        books = _swung(books, swing_l, ms)
        if circulation_l is None:
            return books
        gone_l += circulation_l * (int(a.on) - int(b.on))
        tolerance_l += 0.1 * circulation_l
    move = Move(b.time_ms, abs(gone_l), ms, b.running_ms - a.running_ms)
    if gone_l < -tolerance_l:
        books = _ended_stretch(books, sump)
        return replace(books, rises=(*books.rises, move)[-12:])
    if gone_l > max(tolerance_l, _FOAM_MM * sump.l_per_mm) and ms <= _SWING_WITHIN_MS:
        books = replace(books, falls=(*books.falls, move)[-12:])
    return books


def _swung(books: Books, swing_l: float, ms: int) -> Books:
    """A start or stop: learn what is in circulation, and see whether the sensor followed it."""
    if ms > _SWING_WITHIN_MS:
        return books
    known = books.in_circulation_l
    if known is not None and known > 5.0:
        books = replace(books, followed=books.followed + (1 if swing_l > 0.25 * known else -1))
    return replace(books, swings_l=(*books.swings_l, round(max(swing_l, 0.0), 1))[-_SWINGS:])


def _inferred(books: Books, level_mm: float, sump: Geometry) -> Books:
    """Without a contact: a quick fall is a pump that starts, a quick rise one that stops (or a refill)."""
    now_ms = books.block_ms
    if books.pump_on:
        books = replace(books, running_ms=books.running_ms + BLOCK_MS)
    if books.before_mm is None:
        return replace(books, pump_on=False, pump_since_ms=now_ms)
    quick_mm = max(4.0 / sump.l_per_mm, 6.0 * books.unrest_mm, 1.5 * sump.resolution_mm)
    up_mm = level_mm - books.before_mm
    if abs(up_mm) < quick_mm:
        return books
    books = replace(books, quick_l=books.quick_l + up_mm * sump.l_per_mm)
    return replace(books, pump_on=up_mm < 0, pump_since_ms=now_ms)


def _closed_day(books: Books, sump: Geometry, now_ms: int) -> Books:
    """Close the account at the last quiet marks; where there are none it runs on into the next day."""
    books = _ended_stretch(books, sump)
    mark, opened = _closing_mark(books, now_ms), books.opened
    if mark is None or opened is None or mark.time_ms - opened.time_ms < 12 * HOUR_MS:
        return replace(books, not_judged="no settled level since the account was opened")
    why = _untold(books, sump, opened, mark, now_ms)
    if why:
        since_ms = books.not_judged_since_ms or now_ms
        return replace(books, not_judged=why, not_judged_since_ms=since_ms, followed=0)
    record = _account(books, sump, opened, mark)
    books = replace(
        books,
        opened=mark,
        rises=tuple(m for m in books.rises if m.time_ms > mark.time_ms),
        falls=tuple(m for m in books.falls if m.time_ms > mark.time_ms),
        quick_l=0.0,
        followed=0,
        idle_l=0.0,
        idle_ms=0,
        not_judged="",
        not_judged_since_ms=0,
    )
    if record is None:
        return replace(books, not_judged="a refill of unknown size", not_judged_since_ms=now_ms)
    return replace(books, days=(*books.days, record)[-RECORDS:])


def _closing_mark(books: Books, now_ms: int) -> Mark | None:
    """The middle of the last hour of quiet marks, or of busy ones where the pump never rests."""
    for marks in (books.quiet, books.busy):
        fresh = [m for m in marks if now_ms - m.time_ms < _CLOSING_MARK_MS]
        if len(fresh) >= 2:
            return fresh[-1]._replace(level_mm=float(median(m.level_mm for m in fresh)))
    return None


def _untold(books: Books, sump: Geometry, opened: Mark, mark: Mark, now_ms: int) -> str:
    if books.followed < 0:
        return "the level does not follow the pump: stuck"
    lively = books.unrest_mm > 0.2 * sump.resolution_mm
    if lively and now_ms - books.same_since_ms > 20 * HOUR_MS:
        return "the level stands still: stuck"
    if opened.on != mark.on and books.in_circulation_l is None:
        return "not yet known what is in circulation"
    return ""


def _account(books: Books, sump: Geometry, opened: Mark, mark: Mark) -> Day | None:
    """Litres gone between two marks with what was filled in; None when that cannot be told."""
    gone_l = sump.l_per_mm * (opened.level_mm - mark.level_mm) + mark.counted_l - opened.counted_l
    gone_l += (books.in_circulation_l or 0.0) * (int(opened.on) - int(mark.on))
    ms, running_ms = mark.time_ms - opened.time_ms, mark.running_ms - opened.running_ms
    filled_l = 0.0
    if sump.has_pump:
        rises = [m for m in books.rises if m.time_ms <= mark.time_ms]
        falls = tuple(m for m in books.falls if m.time_ms <= mark.time_ms)
        filled_l, stayed = refilled_l(rises, falls)
        ms -= sum(rise.ms for rise in stayed)
        running_ms -= sum(rise.running_ms for rise in stayed)
    elif books.counter is None and books.quick_l > 0.03 * sump.volume_l:
        return None  # filled in, but how much of it was circulation that came back nobody can tell
    lost_l = gone_l + filled_l
    if lost_l < -rise_tolerance_l(books, sump) or ms < 6 * HOUR_MS:
        return None
    return Day(
        day=books.day,
        end_ms=mark.time_ms,
        hours=round(ms / HOUR_MS, 2),
        on_h=round(min(max(running_ms, 0), ms) / HOUR_MS, 2),
        lost_l=round(lost_l, 2),
        refilled_l=round(filled_l + mark.counted_l - opened.counted_l, 1),
        idle_h=round(books.idle_ms / HOUR_MS, 2),
        idle_l=round(books.idle_l, 2),
    )


def refilled_l(rises: list[Move], falls: tuple[Move, ...]) -> tuple[float, list[Move]]:
    """Litres filled in, and the rises they came in.

    A rise that fell back as quickly, by about as much, was foam (or a sensor that hung). Foam that came with
    a refill goes alone: one or two quick falls after a rise say how much of it was foam.
    """
    left = sorted(falls, key=lambda move: move.time_ms)
    stayed: list[Move] = []
    for rise in sorted(rises, key=lambda move: move.time_ms):
        alike = [f for f in left if abs(f.litres - rise.litres) < 0.35 * rise.litres]
        back = next((f for f in alike if f.time_ms > rise.time_ms), None)
        if back is None:
            stayed.append(rise)
        else:
            left.remove(back)
    litres = sum(rise.litres for rise in stayed)
    after = [f.litres for f in left if stayed and f.time_ms > stayed[0].time_ms]
    if 0 < len(after) <= 2 and sum(after) < litres:
        litres -= sum(after)
    return litres, stayed
