"""kill -9 at random moments under QoS 1 traffic, and the account afterwards.

What must hold: every published reading that carries its time is stored exactly once; every alarm that was
raised or returned has its message in the outbox; each Message-ID reaches the mailbox at least once, extra
copies are counted; a replay of the stored stream gives the stored alarms; what is polled meanwhile has no gap
longer than the restart, one poll and a batch.
"""

from __future__ import annotations

import contextlib
import random
import threading
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

from monitor.plant.message_ids import message_id
from monitor.replay.stream import steps
from monitor.store import reader
from monitor.store.files import open_reader
from monitor.watch import Watch
from simulator.mailbox import Mailbox
from tests.daemon.polled import PolledAccount, polled_account, watching_since_ms
from tests.daemon.watched import Publisher, Watched
from tests.waiting import eventually


@dataclass(frozen=True)
class Account:
    """What was found when all was over."""

    kills_of_daemon: int
    kills_of_all: int
    published: int
    stored: int
    missing: int
    stored_twice: int  # (time, value) pairs stored that were never published, or more than once
    redelivered: int  # duplicates that met themselves in the store
    alarms_raised: int
    raised_expected: int
    transitions: int
    messages_owed: int
    messages_without_row: int
    delivered_at_least_once: int
    extra_copies: int
    replay_same: bool
    polled: PolledAccount | None = None

    def as_dict(self) -> dict[str, object]:
        return asdict(self)


class _Traffic:
    """A reading every few milliseconds; now and then the water is bad for a while."""

    def __init__(self, port: int, seed: int) -> None:
        self.published: list[tuple[int, float]] = []
        self._publisher = Publisher(port)
        self._chance = random.Random(seed)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="traffic")

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        self._publisher.close()

    def _run(self) -> None:
        last_ms, bad, n = 0, False, 0
        while not self._stop.is_set():
            at = max(last_ms + 1, time.time_ns() // 1_000_000)
            last_ms = at
            if self._chance.random() < 0.01:
                bad = not bad
            n += 1
            value = (30.0 if bad else 5.0) + n % 97 / 100
            self._publisher.publish(at, value)
            self.published.append((at, value))
            self._stop.wait(0.004)


def kill_and_account(
    watch: Watched, mailbox: Mailbox, broker_port: int, kills: int, seed: int, polled: Sequence[str] = ()
) -> Account:
    """Kill `kills` times, every third time the supervisor too; then stop and account.

    `polled`: channels of the site that are polled all the while.
    """
    chance = random.Random(seed)
    kills_ms: list[int] = []
    traffic = _Traffic(broker_port, seed + 1)
    watch.start()
    watch.ready()
    for channel in polled:
        eventually(lambda c=channel: watch.readings(c), 30, what=f"{channel} is polled")
    traffic.start()
    daemons = everything = 0
    try:
        for n in range(kills):
            time.sleep(chance.uniform(0.05, 1.2))
            kills_ms.append(time.time_ns() // 1_000_000)
            if n % 3 == 0:
                before = watch.daemon
                watch.kill_daemon()
                eventually(lambda b=before: watch.daemon not in (None, b), 90, what="started again")
                daemons += 1
            else:
                watch.kill_all()
                watch.start()
                eventually(lambda: watch.daemon, 30, what="started")
                everything += 1
    finally:
        traffic.stop()
    eventually(lambda: watching_since_ms(watch)[-1] > kills_ms[-1], 90, what="watching again")
    for channel in polled:
        eventually(lambda c=channel: watch.readings(c)[-1].arrival_ms > watching_since_ms(watch)[-1], 30)
    wanted = len(traffic.published)
    _until_quiet(watch, wanted)
    eventually(lambda: watch.owed_and_delivered()[0] == 0, 120, what="everything delivered")
    watch.stop()
    account = _account(watch, mailbox, traffic.published, daemons, everything)
    return replace(account, polled=polled_account(watch, polled, kills_ms)) if polled else account


def _until_quiet(watch: Watched, wanted: int) -> None:
    """Until all are stored, or nothing has been for half a minute: the account then tells what is missing."""
    stored, since = -1, time.monotonic()
    while stored < wanted and time.monotonic() - since < 30:
        now = len(watch.readings())
        if now != stored:
            stored, since = now, time.monotonic()
        time.sleep(0.2)


def _account(
    watch: Watched, mailbox: Mailbox, published: list[tuple[int, float]], daemons: int, everything: int
) -> Account:
    stored = Counter((r.time_ms, r.raw) for r in watch.readings())
    with contextlib.closing(open_reader(watch.data)) as connection:
        kept = [t for _, t in reader.transitions(connection)]
        heart = Watch(watch.site.plant, watch.site.rules)
        done = [effects for _, effects in steps(heart, reader.stream(connection))]
    again = [t for effects in done for _, t in effects.transitions]
    told = [notice for effects in done for notice in effects.notices]
    expected_ids = {message_id(n, watch.site.plant.site.id) for n in told}
    rows = watch.message_ids()
    arrived = Counter(str(mail.parsed["Message-ID"]) for mail in mailbox.mails)
    limit = [t for t in kept if t.condition == "di-high" and t.cause in ("raised", "chattering")]
    return Account(
        kills_of_daemon=daemons,
        kills_of_all=everything,
        published=len(published),
        stored=sum(stored.values()),
        missing=len(set(published) - set(stored)),
        stored_twice=sum((stored - Counter(published)).values()),
        redelivered=watch.counts().get(("duplicate", "di.ec"), 0),
        alarms_raised=len(limit),
        raised_expected=_risings(published),
        transitions=len(kept),
        messages_owed=len(rows),
        messages_without_row=len(expected_ids ^ rows),
        delivered_at_least_once=len(rows & set(arrived)),
        extra_copies=sum(arrived.values()) - len(arrived),
        replay_same=again == kept,
    )


def _risings(published: list[tuple[int, float]]) -> int:
    """How often the published values went above the limit: the truth the watch is not asked for.

    Three times at most: what rises a third time within the hour chatters, and is an alarm from then on.
    """
    high = [value > 20.0 for _, value in published]
    return min(sum(now and not before for before, now in zip([False, *high], high, strict=False)), 3)
