"""The guard at work: what is heard goes into its vigils, what they turn to is told until it is told.

Three kinds of threads: those that hear (HTTP, brokers), the main one, which counts silence and keeps the
memory, and one that delivers. All share one lock, held for moments only: no wait for a mail server or a disk
keeps the guard from hearing.
"""

from __future__ import annotations

import logging
import random
import ssl
import threading
import time
from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import cast

from monitor.alive.settings import signing_key
from monitor.clock import Clock
from monitor.guard.ear import Ear
from monitor.guard.letters import message_of
from monitor.guard.memory import Memory, Owed, keep, remembered
from monitor.guard.receiver import Arrived, NotBelieved, Receiver, believed
from monitor.guard.settings import GuardFile, Watch
from monitor.guard.vigil import Turn, Vigil, Word, gone, heard, listened, troubled
from monitor.notify.failures import Permanent, Temporary
from monitor.notify.retry import Waiting
from monitor.notify.way import Surroundings, Way
from monitor.supervisor import tell_systemd

log = logging.getLogger(__name__)

_TURN_S = 0.25
_KEPT_EVERY_S = 10.0
_REFUSALS_LOGGED_S = 60.0


class Guarding:
    """Everything of one guard file, from start to stop."""

    def __init__(self, file: GuardFile, folder: Path, clock: Clock, environ: Mapping[str, str]) -> None:
        """`folder` is that of the guard's file. Raises: OSError when its data folder cannot be used."""
        self._file, self._folder, self._clock = file, folder, clock
        self._around = Surroundings({s.id: s for s in file.mail_server}, folder, environ)
        self._data = folder / file.guard.data
        self._watches = {watch.id: watch for watch in file.watch}
        now_ms = clock.now_ms()
        self._data.mkdir(parents=True, exist_ok=True)
        kept = remembered(self._data, now_ms)
        self._memory = Memory(
            {name: kept.vigils.get(name) or Vigil(began_ms=now_ms) for name in self._watches},
            [owed for owed in kept.owed if self._can_be_told(owed)],
            kept.number,
        )
        keep(self._data, self._memory)
        self._lock = threading.Lock()
        self._news, self._stopping = threading.Event(), threading.Event()
        self._unkept = False
        self._waiting: dict[int, Waiting] = {}
        self._refusal_logged_s = -_REFUSALS_LOGGED_S

    def run(self) -> None:
        """Guard until stopped. Raises: OSError when the port or a certificate cannot be had."""
        guard = self._file.guard
        with ExitStack() as stack:
            if any(watch.secret_file is not None for watch in self._file.watch):
                receiver = Receiver(guard.listen, guard.port, self._tls(), self._take)
                stack.callback(receiver.stop)
                receiver.start()
            for broker in self._file.broker:
                watches = [watch for watch in self._file.watch if watch.broker == broker.id]
                if watches:
                    ear = Ear(broker, watches, guard.id, self._folder, self._hear, self._trouble)
                    stack.callback(ear.stop)
                    ear.start()
            telling = threading.Thread(target=self._tell, name="guard delivery", daemon=True)
            telling.start()
            stack.callback(telling.join, 10.0)
            stack.callback(self.stop)
            names = ", ".join(watch.name for watch in self._file.watch)
            log.info("the guard %s listens for %s", guard.name, names)
            tell_systemd("READY=1\nSTATUS=listening")
            self._listen()
        self._keep(sure=True)

    def stop(self) -> None:
        """From any thread."""
        self._stopping.set()
        self._news.set()

    def _tls(self) -> ssl.SSLContext | None:
        guard = self._file.guard
        if guard.cert_file is None or guard.key_file is None:
            return None
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        try:
            context.load_cert_chain(self._folder / guard.cert_file, self._folder / guard.key_file)
        except OSError as error:
            raise OSError(f"cert_file {guard.cert_file}, key_file {guard.key_file}: {error}") from error
        return context

    # --- hearing

    def _take(self, name: str, came: Arrived) -> None:
        """A heartbeat came by HTTP. Raises: NotBelieved."""
        watch = self._watches.get(name)
        if watch is None or watch.secret_file is None:
            raise NotBelieved(404, "this guard expects no heartbeat at this address")
        now_ms = self._clock.now_ms()
        try:
            key = signing_key(watch.secret_file, self._folder, watch.name)
        except Temporary as missing:
            self._trouble(name, f"a heartbeat came, but this guard's key cannot be used: {missing}")
            raise NotBelieved(
                503, "the guard's own key for this site cannot be used; see its log"
            ) from missing
        with self._lock:
            vigil = self._memory.vigils[name]
            try:
                beat = believed(came, key, name, now_ms, vigil.sent_ms)
            except NotBelieved as refused:
                self._memory.vigils[name] = troubled(vigil, f"a heartbeat came and was refused: {refused}")
                self._log_refusal(name, refused)
                raise
            self._follow(name, *heard(vigil, beat.word, now_ms, beat.sent_ms))

    def _log_refusal(self, name: str, refused: NotBelieved) -> None:
        if time.monotonic() - self._refusal_logged_s >= _REFUSALS_LOGGED_S:
            self._refusal_logged_s = time.monotonic()
            log.warning("a heartbeat for %s was refused: %s", name, refused)

    def _hear(self, name: str, word: Word, live: bool) -> None:
        """A word came on a status topic."""
        with self._lock:
            vigil = self._memory.vigils[name]
            if word == "gone":
                self._memory.vigils[name] = gone(vigil)
            elif live:
                self._follow(name, *heard(vigil, word, self._clock.now_ms()))

    def _trouble(self, name: str, why: str) -> None:
        with self._lock:
            self._memory.vigils[name] = troubled(self._memory.vigils[name], why)

    def _follow(self, name: str, vigil: Vigil, turn: Turn | None) -> None:
        """Note what a vigil has come to, and owe everybody word of its turn. Under the lock."""
        memory = self._memory
        memory.vigils[name] = vigil
        if turn is None:
            return
        log.warning("%s: %s", name, turn.kind)
        for person in self._file.person:
            for way in range(len(person.way)):
                memory.number += 1
                memory.owed.append(Owed(memory.number, name, person.id, way, turn))
        self._unkept = True

    # --- counting silence

    def _listen(self) -> None:
        last_s = kept_s = time.monotonic()
        while not self._stopping.is_set():
            self._stopping.wait(_TURN_S)
            now_s = time.monotonic()
            span_ms, last_s = int((now_s - last_s) * 1000), now_s
            with self._lock:
                for name, watch in self._watches.items():
                    vigil = self._memory.vigils[name]
                    now_ms = self._clock.now_ms()
                    self._follow(name, *listened(vigil, span_ms, watch.patience, now_ms))
                due = self._unkept or now_s - kept_s >= _KEPT_EVERY_S
            if due:
                kept_s = now_s
                self._keep()
            tell_systemd("WATCHDOG=1")

    def _keep(self, *, sure: bool = False) -> None:
        """Write the memory; what is owed is told only once it is kept, so that a restart owes it no less."""
        with self._lock:
            news, self._unkept = self._unkept or sure, False
            memory = Memory(dict(self._memory.vigils), list(self._memory.owed), self._memory.number)
        try:
            keep(self._data, memory)
        except OSError as error:
            # A guard whose disk is full still guards: it tells, at the risk of telling twice.
            log.error("what the guard remembers cannot be kept: %s", error)
        if news:
            self._news.set()

    # --- telling

    def _tell(self) -> None:
        while not self._stopping.is_set():
            self._news.wait(1.0)
            self._news.clear()
            with self._lock:
                owed = [] if self._unkept else list(self._memory.owed)
            for one in owed:
                waiting = self._waiting.get(one.number)
                if self._stopping.is_set():
                    return
                if waiting is None or waiting.over(self._clock.now_ms(), self._file.delivery.longest_retry):
                    self._attempt(one)

    def _attempt(self, owed: Owed) -> None:
        person = next(p for p in self._file.person if p.id == owed.person)
        watch, way, now_ms = self._watches[owed.watch], cast(Way, person.way[owed.way]), self._clock.now_ms()
        try:
            message = message_of(owed.turn, watch, self._file.guard, person, owed.way, now_ms)
            log.info("%s: %s", way.label, way.send(message, self._around))
        except Permanent as failure:
            log.error("given up: word of %s to %s: %s", owed.watch, owed.person, failure)
        except Exception as failure:  # months of silence must not end with one mistake of ours
            waiting = self._waiting.setdefault(owed.number, Waiting())
            waiting.failed(now_ms, str(failure), self._file.delivery, random.random)
            if waiting.failures == 1:
                of_ours = not isinstance(failure, Temporary)
                log.warning("%s does not work: %s; it is tried again", way.label, failure, exc_info=of_ours)
            if now_ms - owed.turn.at_ms < self._file.delivery.give_up_after:
                return
            log.error("given up: word of %s to %s: %s", owed.watch, owed.person, failure)
        with self._lock:
            self._memory.owed.remove(owed)
        self._waiting.pop(owed.number, None)
        self._keep()

    def _can_be_told(self, owed: Owed) -> bool:
        """Whether the file still has the watch, the person and their way."""
        ways = {person.id: len(person.way) for person in self._file.person}
        return owed.watch in self._watches and owed.way < ways.get(owed.person, 0)


def missing_of(file: GuardFile, around: Surroundings) -> list[str]:
    """What can be told to be wrong without sending or hearing anything."""
    found = [
        f"{person.name} cannot be told by {cast(Way, way).label} yet: {wrong}"
        for person in file.person
        for way in person.way
        for wrong in cast(Way, way).mistakes(around)
    ]
    return found + [wrong for watch in file.watch for wrong in _missing_key(watch, around.folder)]


def _missing_key(watch: Watch, folder: Path) -> list[str]:
    if watch.secret_file is None:
        return []
    try:
        signing_key(watch.secret_file, folder, watch.name)
    except Temporary as wrong:
        return [f"{watch.name} cannot be heard yet: {wrong}"]
    return []
