"""The mirror's thread: what is new every half minute, then looks that are due; waits grow while it fails.

It shares the machine with the watch, which comes first: after each step it rests four times as long as it
computed, so that a backlog of years costs a fifth of one core and no more.
"""

from __future__ import annotations

import logging
import sqlite3
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.clock import Clock
from monitor.mirror.ledger import Ledger, path_of
from monitor.mirror.looking import Looking
from monitor.mirror.outgoing import Outgoing
from monitor.mirror.points import strands
from monitor.mirror.server import Server
from monitor.mirror.settings import Mirror
from monitor.mirror.source import Source
from monitor.mirror.trouble import Trouble, Unanswered
from monitor.plant.model import Plant
from monitor.store.files import StoreMissing, StoreMoved
from monitor.worker import Worker

log = logging.getLogger(__name__)

Tell = Callable[[str, str], bool]  # subject, text -> whether it reached anybody

_REST = 4.0
_LONGEST_REST_S = 60.0  # a clock that was set forward is noticed by then
_FIRST_WAIT_MS, _LONGEST_WAIT_MS = 2_000, 300_000
_AGAIN_S = 60.0


@dataclass(slots=True)
class _Outage:
    """Writing or asking that fails, as the ledger keeps it under its name."""

    name: str  # `write` or `read`
    since_ms: int = 0
    tried: int = 0
    until_ms: int = 0

    def over(self, now_ms: int) -> bool:
        # A wait longer than any we set means that the clock was set back.
        return now_ms >= self.until_ms or self.until_ms - now_ms > _LONGEST_WAIT_MS


class Mirroring:
    """Mirrors one store to one server until stopped; `start` gives it a thread of its own."""

    def __init__(
        self,
        settings: Mirror,
        plant: Plant,
        data: Path,
        server: Server,
        *,
        clock: Clock,
        random: Callable[[], float],
        tell: Tell,
    ) -> None:
        """`tell` puts a trouble into a message, in this thread; `random` gives numbers from 0 up to 1."""
        self._settings, self._plant, self._data = settings, plant, data
        self._server, self._clock, self._random, self._tell = server, clock, random, tell
        self._source = Source(data, plant)
        self._out: Outgoing | None = None
        self._looking: Looking
        self._writing, self._reading = _Outage("write"), _Outage("read")
        self._news_ms = 0
        self._worker = Worker(settings.label, self.run)

    def start(self) -> None:
        self._worker.start()

    def stop(self, timeout_s: float) -> bool:
        """Begin nothing new, and wait for the request under way; False when that takes longer."""
        return self._worker.stop(timeout_s)

    def run(self) -> None:
        """Rounds until stopped."""
        failing = False
        while not self._worker.stopping.is_set():
            try:
                pause_s = self.round()
                failing = False
            except Exception as error:
                # The store or the ledger cannot be read, or a mistake of ours: months of watching go on.
                self._forget()
                expected = isinstance(error, sqlite3.Error | StoreMissing | StoreMoved | OSError)
                if not failing and expected:
                    log.warning("%s waits: %s", self._settings.label, error)
                elif not failing:
                    log.exception("%s failed; it is tried again every %g s", self._settings.label, _AGAIN_S)
                failing, pause_s = True, _AGAIN_S if not expected else 5.0
            self._worker.stopping.wait(pause_s)
        self._forget()
        self._server.close()

    def _forget(self) -> None:
        self._source.close()
        if self._out is not None:
            self._out.ledger.close()
        self._out = None

    def round(self) -> float:
        """One batch of what is new, if it is time, or else one look; gives machine seconds to rest."""
        began_s = time.thread_time()
        now_ms = self._clock.now_ms()
        out = self._out or self._begin(now_ms)
        busy = False
        if self._writing.over(now_ms):
            if now_ms >= self._news_ms or self._news_ms - now_ms > self._settings.every:
                busy = self._guarded(out, lambda: self._send_new(out, now_ms), now_ms)
            # What a look finds missing is written: it waits while writing fails.
            if not busy and self._writing.over(now_ms) and self._reading.over(now_ms):
                busy = self._guarded(out, lambda: self._looking.one(now_ms), now_ms)
        out.unanswered = bool(self._reading.since_ms)
        self._tell_what_lasts(out, now_ms)
        if busy:
            return min(_LONGEST_REST_S, _REST * (time.thread_time() - began_s))
        return self._idle_s(out)

    def _begin(self, now_ms: int) -> Outgoing:
        settings = self._settings
        ledger = Ledger.mended(path_of(self._data, settings.id))
        out = Outgoing(
            settings,
            self._plant,
            strands(self._plant, settings.what),
            self._source,
            ledger,
            self._server,
            self._since_ms(),
        )
        try:
            out.begin(now_ms)
        except BaseException:
            ledger.close()
            raise
        for outage in (self._writing, self._reading):
            outage.since_ms = (ledger.note(outage.name) or {}).get("since_ms", 0)
        self._out, self._looking = out, Looking(out)
        return out

    def _since_ms(self) -> int:
        if self._settings.since is None:
            return 0
        zone = ZoneInfo(self._plant.site.timezone)
        return int(datetime.combine(self._settings.since, datetime.min.time(), zone).timestamp() * 1000)

    def _send_new(self, out: Outgoing, now_ms: int) -> bool:
        more = out.take_revisions(now_ms)
        more |= out.send_new(now_ms)
        if not more:
            self._news_ms = now_ms + self._settings.every
        return more

    def _guarded(self, out: Outgoing, work: Callable[[], bool], now_ms: int) -> bool:
        """Work against the server; trouble makes it wait, and is told when it begins and ends."""
        acknowledged, answers = out.acknowledged, self._looking.answers
        failed, more = None, False
        try:
            more = work()
        except Unanswered as trouble:
            failed = self._reading
            self._failed(out, failed, trouble, now_ms)
        except Trouble as trouble:
            failed = self._writing
            self._failed(out, failed, trouble, now_ms)
        if out.acknowledged > acknowledged and failed is not self._writing:
            self._works(out, self._writing)
        if self._looking.answers > answers and failed is not self._reading:
            self._works(out, self._reading)
        return more

    def _works(self, out: Outgoing, outage: _Outage) -> None:
        if not outage.since_ms:
            return
        log.info("%s: %s works again", self._settings.label, outage.name)
        with out.ledger.writing():
            out.ledger.set_note(outage.name, None)
            out.ledger.set_note(f"{outage.name}_told", None)
        outage.since_ms = outage.tried = outage.until_ms = 0

    def _failed(self, out: Outgoing, outage: _Outage, trouble: Trouble, now_ms: int) -> None:
        words = str(trouble)
        if not outage.since_ms:
            outage.since_ms = now_ms
            log.warning("%s: %s fails: %s", self._settings.label, outage.name, words)
        before = out.ledger.note(outage.name) or {}
        if before.get("words") != words:
            with out.ledger.writing():
                out.ledger.set_note(outage.name, {"since_ms": outage.since_ms, "words": words})
        wait_ms = min(_FIRST_WAIT_MS * 2 ** min(outage.tried, 20), _LONGEST_WAIT_MS)
        wait_ms = wait_ms * (0.5 + 0.5 * self._random())
        outage.tried += 1
        outage.until_ms = now_ms + int(min(max(wait_ms, trouble.wait_s * 1000), _LONGEST_WAIT_MS))

    def _tell_what_lasts(self, out: Outgoing, now_ms: int) -> None:
        for outage in (self._writing, self._reading):
            lasts = outage.since_ms and now_ms - outage.since_ms >= self._settings.tell_after
            if lasts and not out.ledger.note(f"{outage.name}_told"):
                words = str((out.ledger.note(outage.name) or {}).get("words", ""))
                if self._tell(*self._trouble_text(outage, words)):
                    with out.ledger.writing():
                        out.ledger.set_note(f"{outage.name}_told", True)
        unkept = out.ledger.note("unkept", 0)
        if unkept > out.ledger.note("unkept_told", 0) and self._tell(*self._unkept_text(out, unkept)):
            with out.ledger.writing():
                out.ledger.set_note("unkept_told", unkept)

    def _trouble_text(self, outage: _Outage, words: str) -> tuple[str, str]:
        since = datetime.fromtimestamp(outage.since_ms / 1000, ZoneInfo(self._plant.site.timezone))
        label, when = self._settings.label, since.strftime("%Y-%m-%d %H:%M %z")
        if outage.name == "write":
            return f"{label} gets nothing", (
                f"Nothing could be sent to {self._server.url} since {when}: {words}.\n"
                "The watch is not concerned: readings are stored here, judged and told of as always. "
                "Dashboards on that server show old values.\n"
                "Have the server looked at; all that is missing there is sent when it answers."
            )
        return f"{label} cannot be compared", (
            f"{self._server.url} could not be asked what it kept since {when}: {words}.\n"
            "Readings are sent there, but nobody knows whether they stay. The watch is not concerned.\n"
            "Have the right to read and the read_back of the site file looked at."
        )

    def _unkept_text(self, out: Outgoing, unkept: int) -> tuple[str, str]:
        return f"{self._settings.label} loses points", (
            f"{unkept} points were sent to {self._server.url} again and again, were acknowledged, and are "
            f"not there. One of them: {out.ledger.note('unkept_first', '')}\n"
            "Usual reasons: the server keeps only so many days, takes no times in the future, or refuses a "
            "field. Its log says more.\n"
            "The watch is not concerned: the store here has them."
        )

    def _idle_s(self, out: Outgoing) -> float:
        """Until there is something to do: news, a look, or the end of a wait."""
        now_ms = self._clock.now_ms()
        if not self._writing.over(now_ms):
            next_ms = self._writing.until_ms
        else:
            due_ms = out.ledger.next_due_ms()
            if due_ms is not None and not self._reading.over(now_ms):
                due_ms = max(due_ms, self._reading.until_ms)
            next_ms = min(self._news_ms, due_ms if due_ms is not None else self._news_ms)
        shop_s = max(0, next_ms - now_ms) / 1000
        return min(max(self._clock.machine_s(shop_s), 0.01), _LONGEST_REST_S)
