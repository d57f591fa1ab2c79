"""Sending: what is new, strand by strand; what a revision names; what a look found missing."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from monitor.mirror.ledger import Ledger
from monitor.mirror.points import ALARM, HOUR_MS, READING, Point, Strand
from monitor.mirror.read_back import NoReadBack
from monitor.mirror.server import Server
from monitor.mirror.settings import Mirror
from monitor.mirror.source import Source
from monitor.mirror.trouble import Refused
from monitor.plant.model import Plant

log = logging.getLogger(__name__)

BATCH = 5_000  # points in one request: about 600 kB before it is packed
# Requests that may be refused in one batch before the rest of it is given up: each halves what it holds.
_MOST_REFUSALS = 40
_REVISIONS = 1_000
# A server shows what it has taken after some seconds: what came late waits a little before it is compared.
_SHOWS_AFTER_MS = 60_000


@dataclass(slots=True)
class Outgoing:
    """What is sent to one server, and the ledger of it. Used by one thread.

    Every method raises sqlite3.Error, StoreMissing or Trouble as they come; what was not committed to the
    ledger is done again.
    """

    settings: Mirror
    plant: Plant
    strands: Sequence[Strand]
    source: Source
    ledger: Ledger
    server: Server
    since_ms: int
    places: dict[str, int] = field(default_factory=dict)
    acknowledged: int = 0  # requests
    unanswered: bool = False  # the server does not say what it kept just now
    _turn: int = 0

    @property
    def first_lag_ms(self) -> int:
        return self.settings.compare_after[0]

    @property
    def revise_lag_ms(self) -> int:
        return min(_SHOWS_AFTER_MS, self.first_lag_ms)

    @property
    def reads_back(self) -> bool:
        return not isinstance(self.settings.read_back, NoReadBack)

    def begin(self, now_ms: int) -> None:
        """Take up the places; a strand without one begins now, and its past is compared from the start on."""
        self.places = self.ledger.places()
        with self.ledger.writing():
            if not self._is_the_same_store():
                log.warning("%s: another store, or an older one, has taken the place", self.settings.label)
                for strand in self.strands:
                    if strand.name in self.places:
                        self._move(
                            strand, min(self.places[strand.name], self.source.place_now(strand, now_ms))
                        )
                        self._compare_all(strand, now_ms)
                self._set_revision(self.source.last_revision())
            elif self.ledger.note("store") is None:
                self._set_revision(self.source.last_revision())
            self.ledger.set_note("store", self.source.born_ms())
            for strand in self.strands:
                if strand.name not in self.places:
                    self._move(strand, self.source.place_now(strand, now_ms))
                    self._compare_all(strand, now_ms)

    def _is_the_same_store(self) -> bool:
        """Whether what we remember of the store is in it: not so when a new one was begun, nor after a backup
        was put in its place, which gives numbers a second time."""
        if self.ledger.note("store") is None:
            return True
        return (
            self.ledger.note("store") == self.source.born_ms()
            and self.source.revision_mark(self.ledger.note("revision", 0))
            == self.ledger.note("revision_mark")
            and self._has_our_last_alarm()
            and all(self.source.has_reading_at(s, self.places.get(s.name, 0)) for s in self.strands)
        )

    def _has_our_last_alarm(self) -> bool:
        place = self.places.get("alarm", 0)
        found = self.source.alarm_mark(place)
        if found is None:  # let go by retention, or never there
            return self.source.has_come_to(place)
        return bool(found == self.ledger.note("alarm_mark"))

    def _compare_all(self, strand: Strand, now_ms: int) -> None:
        self.ledger.revise(strand.name, self.since_ms, self.source.last_ms(strand, now_ms), now_ms, 0)

    def _set_revision(self, number: int) -> None:
        self.ledger.set_note("revision", number)
        self.ledger.set_note("revision_mark", self.source.revision_mark(number))

    def _move(self, strand: Strand, at: int) -> None:
        self.ledger.set_place(strand.name, at)
        self.places[strand.name] = at
        if strand.measurement == ALARM:
            self.ledger.set_note("alarm_mark", self.source.alarm_mark(at))

    # --- what changed behind

    def take_revisions(self, now_ms: int) -> bool:
        """Note what changed behind our places; True when there may be more."""
        number = self.ledger.note("revision", 0)
        found, gap = self.source.revisions_since(number, _REVISIONS)
        of_channel = {strand.of: strand for strand in self.strands if strand.measurement == READING}
        if not found:
            return False
        with self.ledger.writing():
            if gap and number:
                log.warning("%s was away for long: all readings are compared anew", self.settings.label)
                for name in of_channel:
                    self._revise(name, of_channel, self.since_ms, now_ms, now_ms)
            for revision in found:
                strand = of_channel.get(revision.channel)
                if revision.open_ended and strand is not None:
                    self._move(strand, min(self.places[strand.name], revision.from_ms - 1))
                self._revise(revision.channel, of_channel, revision.from_ms, revision.until_ms, now_ms)
            self._set_revision(found[-1].number)
        return len(found) == _REVISIONS

    def _revise(
        self, channel: str, strands: Mapping[str, Strand], from_ms: int, until_ms: int, now_ms: int
    ) -> None:
        if channel in strands:
            until = min(until_ms, self.source.last_ms(strands[channel], now_ms))
            if until >= from_ms:
                self.ledger.revise(strands[channel].name, from_ms, until, now_ms, self.revise_lag_ms)
        self._revise_health(channel, from_ms, until_ms, now_ms)

    def _revise_health(self, channel: str, from_ms: int, until_ms: int, now_ms: int) -> None:
        """Hours of the channel's instrument that were counted before these readings came."""
        if channel not in self.plant.channels or channel in self.plant.computed:
            return
        name = f"health {self.plant.instrument_of(channel).id}"
        hour_ms = from_ms // HOUR_MS * HOUR_MS
        last_ms = min(until_ms, self.places.get(name, -1))
        if last_ms >= hour_ms:
            self.ledger.revise(name, hour_ms, last_ms, now_ms, self.revise_lag_ms)

    # --- what is new

    def send_new(self, now_ms: int) -> bool:
        """Send one batch of what no strand has sent yet; True when there may be more."""
        batch: list[Point] = []
        moves: list[tuple[Strand, list[Point], int]] = []
        for n in range(len(self.strands)):
            strand = self.strands[(self._turn + n) % len(self.strands)]
            room = BATCH - len(batch)
            if room <= 0:
                self._turn = (self._turn + n) % len(self.strands)  # whoever was not asked is asked first
                break
            points, place = self.source.after(strand, self.places[strand.name], room, now_ms)
            if place != self.places[strand.name]:
                batch += points
                moves.append((strand, points, place))
        if not moves:
            return False
        refused = self.deliver(batch)
        with self.ledger.writing():
            for strand, points, place in moves:
                self._sent_new(strand, points, place, now_ms)
            self._counted("sent", len(batch), refused)
            self.ledger.set_note("sent_ms", now_ms)
        return len(batch) >= BATCH

    def _sent_new(self, strand: Strand, points: list[Point], place: int, now_ms: int) -> None:
        before = self.places[strand.name]
        self._move(strand, place)
        if strand.measurement == READING and points:
            self._revise_health(strand.of, points[0].time_ms, points[-1].time_ms, now_ms)
        if not self.reads_back or not points:
            return
        # Of readings the whole span: also what comes late into it is then looked at.
        first_ms = before + 1 if strand.measurement == READING else min(p.time_ms for p in points)
        last_ms = max(p.time_ms for p in points)
        self.ledger.look(
            strand.name, first_ms, last_ms, 0, now_ms, self.first_lag_ms, unanswered=self.unanswered
        )

    def _counted(self, counter: str, n: int, refused: tuple[int, str]) -> None:
        self.ledger.count(counter, n)
        self.ledger.count("refused", refused[0])
        if refused[0]:
            self.ledger.set_note("refusal", refused[1])

    def send_these(self, points: Sequence[Point], counter: str, now_ms: int) -> None:
        """Send points that the server lacks, and count them by this name."""
        for start in range(0, len(points), BATCH):
            batch = points[start : start + BATCH]
            refused = self.deliver(batch)
            with self.ledger.writing():
                self._counted(counter, len(batch), refused)
                self.ledger.set_note("sent_ms", now_ms)

    # --- one batch

    def deliver(self, points: Sequence[Point]) -> tuple[int, str]:
        """Send points, at most BATCH. What the server refuses is cut in halves until single points are left
        out; how many those were, and the server's words.

        Raises: Trouble.
        """
        waiting, refusals, refused, why = [list(points)] if points else [], 0, 0, ""
        while waiting:
            part = waiting.pop()
            try:
                self.server.write([point.line for point in part])
                self.acknowledged += 1
            except Refused as refusal:
                refusals += 1
                if not why:
                    why = f"{refusal}; the first of {len(part)}: {part[0].line}"
                if len(part) == 1 or refusals > _MOST_REFUSALS:
                    refused += len(part)
                else:
                    half = len(part) // 2
                    waiting += [part[half:], part[:half]]
        if refused:
            log.warning("%s: %d points were not taken: %s", self.settings.label, refused, why)
        return refused, why
