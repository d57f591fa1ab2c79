"""A stream of events made of samples, and what a fresh watch makes of one."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import islice

from monitor.readings import CLOCK_TRUSTED_FROM_MS, Count, Event, Reading, Sample, Tick, Transition
from monitor.watch import Effects, Watch, WatchState

MINUTE_MS = 60_000
_AT_ONCE = 500


def with_ticks(timed: Iterable[tuple[int, Sample]], begin_ms: int, end_ms: int) -> Iterator[Event]:
    """Samples, each with when it is heard, and a tick at each whole minute between them.

    The first tick is a minute after `begin_ms`, the last at `end_ms` or before it.
    """
    next_ms = begin_ms + MINUTE_MS
    for at_ms, item in timed:
        while next_ms <= at_ms:
            yield Tick(next_ms)
            next_ms += MINUTE_MS
        yield item
    while next_ms <= end_ms:
        yield Tick(next_ms)
        next_ms += MINUTE_MS


def as_heard(sample: Sample, time_ms: int) -> Sample:
    """A sample of a file as if it had arrived at a time; one of before there was a clock as the clock begins,
    so that old files are judged like new ones."""
    return Sample(
        sample.channel, sample.value, max(time_ms, CLOCK_TRUSTED_FROM_MS), sample.time_ms, sample.status
    )


def steps(
    watch: Watch, events: Iterable[Event], effects: Callable[[], Effects] = Effects
) -> Iterator[tuple[WatchState, Effects]]:
    """The state of a fresh watch after some events at a time, and what those did."""
    state, left = WatchState(), iter(events)
    while some := list(islice(left, _AT_ONCE)):
        done = effects()
        state = watch.run(state, some, done)
        yield state, done


def replayed(
    watch: Watch,
    events: Iterable[Event],
    see: Callable[[Reading], None] | None = None,
    count: Callable[[Count], None] | None = None,
) -> list[Transition]:
    """The transitions a fresh watch makes of a stream; `see` is shown each reading, `count` each Count."""
    found: list[Transition] = []
    for _, done in steps(watch, events):
        found += [transition for _, transition in done.transitions]
        for _, reading in done.readings if see is not None else ():
            assert see is not None
            see(reading)
        for one in done.counts if count is not None else ():
            assert count is not None
            count(one)
    return found
