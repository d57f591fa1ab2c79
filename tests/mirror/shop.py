"""A shop with a store that is written to, and a mirror of it that is driven step by step."""

from __future__ import annotations

import random
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from monitor.config import SiteFile, load
from monitor.mirror.ledger import Ledger, path_of
from monitor.mirror.mirroring import Mirroring
from monitor.mirror.points import strands
from monitor.mirror.server import Server
from monitor.mirror.source import Source
from monitor.plant.message_ids import message_id
from monitor.readings import AlarmState, Bound, Reading, Reason, Standing, Transition
from monitor.store.files import StoreMoved
from monitor.store.writer import Batch, Writer
from tests.victoria_metrics import Sample

MINUTE, HOUR = 60_000, 3_600_000

SITE = """
[site]
id = "shop"
name = "Example Shop"
timezone = "Europe/Vienna"
data = "data"

[[broker]]
id = "hall"
host = "127.0.0.1"

[[mail_server]]
id = "office"
host = "127.0.0.1"
security = "none"
sender = "goodwater@shop.example"

[[stage]]
id = "di"
kind = "di"

[[point]]
id = "di-out"
after = "di"

[[person]]
id = "lead"
name = "Maintenance lead"
way = [{ kind = "email", to = "lead@shop.example", via = "office" }]

[[rule]]
kind = "silent"
id = "silent"
"""

METER = """
[[instrument]]
id = "meter-{n}"
point = "di-out"
expected_interval = "1 min"
[instrument.wire]
kind = "mqtt"
broker = "hall"
topic = "water/{n}"
payload = {{ kind = "json", time = "/t", values = {{ "m{n}.ec" = "/ec" }} }}
[[instrument.channel]]
id = "m{n}.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 2000.0]
resolution = 0.1
compensated = true
"""

MIRROR = """
[[mirror]]
id = "office"
url = "{url}"
bucket = "water"
every = "10 s"
compare_after = ["10 min", "1 d"]
read_back = {{ kind = "victoria-metrics" }}
"""


def write_site(folder: Path, mirror: str, meters: int = 2) -> SiteFile:
    """A shop of some meters with this mirror."""
    text = SITE + "".join(METER.format(n=n) for n in range(meters)) + mirror
    path = folder / "site.toml"
    path.write_text(text)
    return load(path)


@dataclass
class Hands:
    """A clock that is moved by hand."""

    at_ms: int

    def now_ms(self) -> int:
        return self.at_ms

    def machine_s(self, shop_s: float) -> float:
        return shop_s


@dataclass
class Shop:
    """Writes a store, and mirrors it."""

    site: SiteFile
    told: list[tuple[str, str]] = field(default_factory=list)
    _seq: int = 0

    def __post_init__(self) -> None:
        self.data = self.site.data_dir
        self.data.mkdir(parents=True, exist_ok=True)
        now_ms = time.time_ns() // 1_000_000
        self.writer = Writer(self.data, now_ms, partial(message_id, site_id="shop"))

    def store(
        self, readings: Iterable[Reading] = (), transitions: Iterable[Transition] = (), **more: Any
    ) -> None:
        """One batch."""
        numbered = []
        for reading in readings:
            self._seq += 1
            numbered.append((self._seq, reading))
        told = [(self._seq, transition) for transition in transitions]
        self.writer.commit(Batch(0, readings=numbered, transitions=told, **more))

    def mirroring(self, clock: Any) -> Mirroring:
        settings = self.site.mirrors[0]

        def tell(subject: str, text: str) -> bool:
            self.told.append((subject, text))
            return True

        return Mirroring(
            settings,
            self.site.plant,
            self.data,
            Server(settings, self.site.path.parent, {"TOKEN": "secret"}),
            clock=clock,
            random=random.Random(1).random,
            tell=tell,
        )

    @contextmanager
    def ledger(self) -> Iterator[Ledger]:
        found = Ledger(path_of(self.data, self.site.mirrors[0].id))
        yield found
        found.close()

    def note(self, key: str) -> Any:
        with self.ledger() as ledger:
            return ledger.note(key)

    def expected(self, now_ms: int) -> set[Sample]:
        """Every (series, ms) that should be on the server, with the names it gives them."""
        return expected(self.site, now_ms)

    def replace(self) -> None:
        """Begin a new store, as after a damaged file was set aside."""
        self.writer.close()
        for path in self.data.glob("goodwater.db*"):
            path.rename(self.data / f"aside-{path.name}")
        self._seq = 0
        self.__post_init__()

    def keep_a_copy(self) -> None:
        """A backup of the store as it is."""
        self.writer.connection.execute("vacuum into ?", (str(self.data / "copy"),))
        self._seq_then = self._seq

    def put_the_copy_back(self) -> None:
        """Put the backup in the store's place."""
        self.replace()
        self.writer.close()
        for path in self.data.glob("goodwater.db*"):
            path.unlink()
        (self.data / "copy").rename(self.data / "goodwater.db")
        self._seq = self._seq_then
        self.__post_init__()

    def close(self) -> None:
        self.writer.close()


@dataclass
class Driven:
    """A shop and the mirror's thread, stepped by hand."""

    shop: Shop
    clock: Hands

    def __post_init__(self) -> None:
        self.mirroring = self.shop.mirroring(self.clock)

    def restart(self) -> None:
        """What a kill leaves: the ledger and the store, and nothing of memory."""
        self.mirroring._forget()
        self.mirroring = self.shop.mirroring(self.clock)

    def on(self, ms: int = 0) -> None:
        """Let time pass, and do all there is to do now."""
        self.clock.at_ms += ms
        for _ in range(200):
            before = self._done()
            try:
                self.mirroring.round()
            except StoreMoved:
                self.mirroring._forget()
                continue
            if self._done() == before:
                return
        raise AssertionError("it does not come to rest")

    def _done(self) -> tuple[object, ...]:
        with self.shop.ledger() as ledger:
            return (
                ledger.places(),
                [
                    ledger.note(key)
                    for key in ("sent", "again", "unkept", "looked_ms", "revision", "write", "read")
                ],
                ledger._connection.execute("select * from span").fetchall(),
            )

    def close(self) -> None:
        self.mirroring._forget()
        self.mirroring._server.close()
        self.shop.close()


def expected(site: SiteFile, now_ms: int) -> set[Sample]:
    """Every (series, ms) of a store that should be on a server, with the names it gives them."""
    source, found = Source(site.data_dir, site.plant), set()
    for strand in strands(site.plant, site.mirrors[0].what):
        for point in source.between(strand, 0, source.last_ms(strand, now_ms), 10_000_000):
            head = point.line.partition(" ")[0].replace("\\", "")
            measurement, *tags = head.split(",")
            for name in strand.fields:
                labels = {tuple(tag.split("=", 1)) for tag in tags} | {("__name__", f"{measurement}_{name}")}
                found.add((tuple(sorted(labels)), point.time_ms))
    source.close()
    return found


def reading(channel: str, time_ms: int, value: float = 5.0, **more: Any) -> Reading:
    known: dict[str, Any] = {
        "arrival_ms": time_ms,
        "raw": value,
        "reasons": Reason.NONE,
        "bound": Bound.EXACT,
        "standing": Standing.JUDGED,
    }
    return Reading(channel=channel, time_ms=time_ms, value=value, **(known | more))


def transition(time_ms: int, occurrence: int = 1, cause: str = "raised") -> Transition:
    state = AlarmState.UNACKNOWLEDGED if cause == "raised" else AlarmState.RETURNED
    step = 1 if cause == "raised" else 2
    return Transition(
        "di-high",
        occurrence,
        step,
        cause,
        state,
        time_ms,
        time_ms,
        "high",
        "limit",
        "m0.ec",
        0.9,
        {"value": 31.5},
    )  # type: ignore[arg-type]
