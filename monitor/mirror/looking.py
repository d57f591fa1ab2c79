"""Looking: what was acknowledged a while ago is asked back, and what is not there is sent again.

Each span that was sent is looked at once for each duration of `compare_after`; a span that changed behind
(late readings, values computed anew, a strand's past) is compared at once, and what is missing is sent.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.mirror.compare import compared
from monitor.mirror.ledger import REVISE, Span
from monitor.mirror.outgoing import Outgoing
from monitor.mirror.points import Point, Strand
from monitor.mirror.read_back import Ask, NoReadBack

log = logging.getLogger(__name__)

# Points compared in one go; three values each are asked back.
_AT_ONCE = 10_000
# A point that was sent so often and is never there is given up: the server does not keep it.
MOST_TRIES = 5


@dataclass(slots=True)
class Looking:
    """Used by the thread of its Outgoing; raises what that raises."""

    out: Outgoing
    answers: int = 0  # how often the server said what it kept

    def one(self, now_ms: int) -> bool:
        """Compare a piece of the span that is due; False when none is."""
        out = self.out
        span = out.ledger.due(now_ms)
        if span is None:
            return False
        strand = next((s for s in out.strands if s.name == span.strand), None)
        if strand is None:  # no longer in the site file
            with out.ledger.writing():
                out.ledger.shorten(span, span.until_ms + 1)
            return True
        until_ms = min(span.until_ms, out.source.last_ms(strand, now_ms))
        points, reached_ms = _piece(
            out.source.between(strand, span.from_ms, until_ms, _AT_ONCE), span.until_ms
        )
        ours = self._ours(points, strand, span, now_ms)
        if out.reads_back:
            self._compare(ours, strand, span, reached_ms, now_ms)
        else:
            self._send(ours, span, reached_ms, now_ms)
        return True

    def _ours(self, points: Sequence[Point], strand: Strand, span: Span, now_ms: int) -> list[Point]:
        """Without those that following sends yet, or has sent a moment ago and will look at by itself."""
        place = self.out.places[strand.name] if not strand.keys else 2**62
        fresh = self.out.ledger.fresh(strand.name, now_ms) if span.stage == REVISE else []
        return [
            p
            for p in points
            if not p.in_order
            or (p.time_ms <= place and not any(start <= p.time_ms <= end for start, end in fresh))
        ]

    def _send(self, points: list[Point], span: Span, reached_ms: int, now_ms: int) -> None:
        self.out.send_these(points, "sent", now_ms)
        with self.out.ledger.writing():
            self.out.ledger.shorten(span, reached_ms + 1)

    def _compare(self, points: list[Point], strand: Strand, span: Span, reached_ms: int, now_ms: int) -> None:
        out, settings = self.out, self.out.settings
        assert not isinstance(settings.read_back, NoReadBack)
        result = compared((), strand.fields, ())
        if points:
            ask = Ask(strand, points[0].time_ms, points[-1].time_ms, now_ms)
            result = compared(points, strand.fields, settings.read_back.found(ask, out.server))
            self.answers += 1
        last_look = span.stage == len(settings.compare_after) - 1
        missing, gives_up = result.missing, span.tries >= MOST_TRIES
        if missing and not gives_up:
            self._send_missing(missing, strand, span, now_ms)
        with out.ledger.writing():
            if missing and gives_up:
                log.error(
                    "%s: %d points of %s were sent %d times and are not there, the first: %s",
                    settings.label, len(missing), strand.name, MOST_TRIES, missing[0].line,
                )  # fmt: skip
                out.ledger.count("unkept", len(missing))
                out.ledger.set_note("unkept_first", missing[0].line)
            elif missing:
                tries = span.tries + 1 if span.stage != REVISE else 0
                lag_ms = out.first_lag_ms * 2**tries
                begin_ms = missing[0].time_ms if span.stage == REVISE else span.from_ms
                out.ledger.look(strand.name, begin_ms, reached_ms, 0, now_ms, lag_ms, tries=tries)
            elif span.stage != REVISE and not last_look:
                lag_ms = settings.compare_after[span.stage + 1] - settings.compare_after[span.stage]
                out.ledger.look(strand.name, span.from_ms, reached_ms, span.stage + 1, now_ms, lag_ms)
            elif last_look:
                out.ledger.count("twice", result.twice)
            out.ledger.shorten(span, reached_ms + 1)
            out.ledger.set_note("looked_ms", now_ms)

    def _send_missing(self, missing: list[Point], strand: Strand, span: Span, now_ms: int) -> None:
        if span.stage != REVISE:
            log.warning(
                "%s: %d points of %s that the server had acknowledged are not there; they are sent again",
                self.out.settings.label, len(missing), strand.name,
            )  # fmt: skip
        self.out.send_these(missing, "sent" if span.stage == REVISE else "again", now_ms)


def _piece(points: list[Point], until_ms: int) -> tuple[list[Point], int]:
    """The points compared now, and the time they reach to; points of one millisecond stay together."""
    if len(points) < _AT_ONCE:
        return points, until_ms
    last_ms = points[-1].time_ms
    whole = [point for point in points if point.time_ms < last_ms]
    return (whole, last_ms - 1) if whole else (points, last_ms)
