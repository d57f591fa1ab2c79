"""The daemon: wires the parts together, starts them in order, stops them in reverse.

Drivers hand Parcels to the keeper; the keeper judges, commits and acknowledges; delivery reads the outbox
and hands results back to the keeper. Nothing here judges anything.
"""

from __future__ import annotations

import argparse
import contextlib
import errno
import logging
import os
import random
import signal
import sqlite3
import sys
import threading
import time
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

from monitor import logs
from monitor.acknowledging.links import Links
from monitor.alarms import own
from monitor.alive.daily import Daily
from monitor.alive.heartbeat import Heart
from monitor.alive.signs import signs
from monitor.alive.status_topic import StatusWord
from monitor.clock import Clock, MachineClock, PlayedClock
from monitor.config import RULES, ConfigMistakes, SiteFile, load
from monitor.intake import (
    logger_settings,
    modbus_settings,
    modbus_tcp_settings,
    mqtt_settings,
    serial_settings,
)
from monitor.intake.driver import Driver, Sink
from monitor.intake.logger_file import LoggerFileDriver
from monitor.intake.modbus_rtu import ModbusRtuDriver
from monitor.intake.modbus_tcp import ModbusTcpDriver
from monitor.intake.mqtt import MqttDriver
from monitor.intake.serial_line import SerialLineDriver
from monitor.keeper import Keeper, Limits
from monitor.mirror.mirroring import Mirroring
from monitor.mirror.server import Server
from monitor.mirror.settings import Mirror
from monitor.notify.delivery import AnyOwed, Delivery
from monitor.notify.trial import Attempt, DirectMail
from monitor.notify.way import Surroundings
from monitor.plant.message_ids import message_id
from monitor.readings import Evidence, Wording
from monitor.recompute import Recompute
from monitor.reports.child import Words, figures
from monitor.reports.week import Week
from monitor.reports.weekly import Weekly
from monitor.store import reader
from monitor.store import weekly as store_weekly
from monitor.store.files import AlreadyRunning, hold, open_reader, release_reserve
from monitor.store.replaced import (
    damage_in,
    emptied,
    is_damage,
    note_damage,
    put_in_place,
    set_damaged_aside,
)
from monitor.store.schema import SchemaTooNew
from monitor.store.upkeep import Upkeep
from monitor.store.writer import Writer
from monitor.supervisor import END_NO_RESTART, Beat
from monitor.watch import Watch

log = logging.getLogger(__name__)

_DELIVERY_STOP_S = 10.0
_MIRROR_STOP_S = 5.0
_WEEKLY_STOP_S = 2.0
_OPEN_AGAIN_S = 30.0
# So often in a row SQLite calls the file damaged, though a look through it finds nothing.
_SURELY_DAMAGED = 3


def wordings() -> Mapping[str, Callable[[Evidence], Wording]]:
    """How each kind of alarm is put into words."""
    return dict(own.WORDINGS) | {kind: rule.wording for kind, rule in RULES.items()}


def drivers(site: SiteFile, sink: Sink, clock: Clock, known_links: set[str]) -> list[Driver]:
    """A driver for each connection that an instrument uses. Adding a driver is adding its lines here."""
    instruments = site.plant.instrument
    brokers = {i.wire.broker for i in instruments if isinstance(i.wire, mqtt_settings.Wire)}
    ports = {i.wire.port for i in instruments if isinstance(i.wire, serial_settings.Wire)}
    loggers = {i.wire.logger for i in instruments if isinstance(i.wire, logger_settings.Wire)}
    buses = {i.wire.port for i in instruments if isinstance(i.wire, modbus_settings.Wire)}
    servers = {i.wire.server for i in instruments if isinstance(i.wire, modbus_tcp_settings.Wire)}
    made: list[Driver] = [
        MqttDriver(
            broker,
            instruments,
            sink,
            clock,
            site=site.plant.site.id,
            folder=site.path.parent,
            seen_before=f"broker {broker.id}" in known_links,
        )
        for broker in site.brokers
        if broker.id in brokers
    ]
    made += [
        SerialLineDriver(port, instruments, sink, clock) for port in site.serial_ports if port.id in ports
    ]
    made += [
        ModbusRtuDriver(port, instruments, sink, clock) for port in site.serial_ports if port.id in buses
    ]
    made += [
        ModbusTcpDriver(server, instruments, sink, clock)
        for server in site.modbus_servers
        if server.id in servers
    ]
    made += [
        LoggerFileDriver(
            logger,
            instruments,
            sink,
            clock,
            folder=site.path.parent,
            data=site.data_dir,
            zone=site.plant.site.timezone,
        )
        for logger in site.loggers
        if logger.id in loggers
    ]
    return made


def surroundings(site: SiteFile) -> Surroundings:
    """What the ways of delivery need of the site."""
    return Surroundings({s.id: s for s in site.mail_servers}, site.path.parent, os.environ)


class Daemon:
    """The watch over one site, from start to stop."""

    def __init__(self, site: SiteFile, clock: Clock) -> None:
        self._site = site
        self._clock = clock
        self._beat = Beat()
        self._stopping = threading.Event()
        self._direct = DirectMail(site.plant, surroundings(site))
        self._delivery: Delivery | None = None
        self._telling: threading.Thread | None = None

    def run(self) -> int:
        """Watch until stopped; 0 after a clean stop, 1 when the watch ended by itself."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: self._stopping.set())
        data = self._site.data_dir
        with contextlib.ExitStack() as stack:
            keeper = self._opened(stack, data)
            if keeper is None:
                return 0
            delivery = self._delivery = self._make_delivery(data, keeper)
            with contextlib.closing(open_reader(data)) as connection:
                known_links = {row["name"] for row in reader.links(connection)}
            wires = drivers(self._site, keeper.hand_over, self._clock, known_links)
            keeper.start()
            delivery.start()
            stack.callback(delivery.stop, _DELIVERY_STOP_S)
            if any(person.digest for person in self._site.plant.person):
                weekly = self._make_weekly(data, keeper)
                weekly.start()
                stack.callback(weekly.stop, _WEEKLY_STOP_S)
            for mirror in self._make_mirrors(data):
                mirror.start()
                stack.callback(mirror.stop, _MIRROR_STOP_S)
            for driver in wires:
                driver.start()
                stack.callback(driver.stop)
            for sign in self._make_signs(data, keeper):
                sign.start()
                stack.callback(sign.stop)
            log.info("watching %s with %d rules", self._site.plant.site.name, len(self._site.rules))
            self._beat.ready()
            while not self._stopping.wait(0.2) and keeper.failure is None:
                pass
            self._stopping.set()  # also for the processes that were started, when the watch ended by itself
            log.info("stopping")
            keeper.ask_stop()
        return 0 if keeper.failure is None else 1

    def _opened(self, stack: contextlib.ExitStack, data: Path) -> Keeper | None:
        """Hold the data folder and open the store, however long it takes (a full or failing disk, a late
        mount); None when asked to stop meanwhile.

        Raises: AlreadyRunning; PermissionError, which no waiting mends.
        """
        attempt = 0
        while not self._stopping.is_set():
            try:
                with contextlib.ExitStack() as opening:
                    opening.enter_context(hold(data))
                    self._set_damaged_aside(data)
                    keeper = self._make_keeper(data)
                    opening.callback(keeper.stop)
                    stack.push(opening.pop_all())
                    return keeper
            except PermissionError:
                raise
            except (sqlite3.Error, OSError) as error:
                if self._is_damaged(data, error, surely=attempt >= _SURELY_DAMAGED):
                    continue
                if attempt == 0:
                    log.error("the store in %s cannot be opened (%s); it is tried again", data, error)
                self._tell_trouble(f"The store in {data} cannot be opened: {error}.")
                if "full" in str(error) or getattr(error, "errno", None) == errno.ENOSPC:
                    release_reserve(data)
            self._wait(min(_OPEN_AGAIN_S, 2.0**attempt))
            attempt += 1
        return None

    def _is_damaged(self, data: Path, error: Exception, *, surely: bool) -> bool:
        """Whether the file itself is the trouble; it is then set aside with the next try."""
        if not is_damage(error):
            return False
        finding = damage_in(data, self._beat_or_stop) or (str(error) if surely else None)
        if finding is not None:
            note_damage(data, finding, self._clock.now_ms())
        return finding is not None

    def _set_damaged_aside(self, data: Path) -> None:
        put_in_place(data)  # a backup, where a restore was cut short
        finding = emptied(data)
        if finding is not None:
            note_damage(data, finding, self._clock.now_ms())
        aside = set_damaged_aside(data)
        if aside is not None:
            log.error("the store in %s was damaged: set aside as %s, a new one is begun", data, aside)

    def _wait(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end and not self._stopping.wait(0.2):
            self._beat_or_stop()

    def _make_keeper(self, data: Path) -> Keeper:
        site_id = self._site.plant.site.id

        def open_writer() -> Writer:
            return Writer(data, self._clock.now_ms(), partial(message_id, site_id=site_id))

        return Keeper(
            Watch(self._site.plant, self._site.rules),
            data,
            open_writer,
            self._clock,
            tell_trouble=self._tell_trouble,
            wake_delivery=self._wake_delivery,
            beat=self._beat_or_stop,
            limits=Limits(seconds=self._site.batch.longest / 1000),
            upkeep=Upkeep(self._site.plant, self._site.retention),
            recompute=Recompute(self._site.plant),
        )

    def _wake_delivery(self) -> None:
        if self._delivery is not None:
            self._delivery.wake()

    def _make_delivery(self, data: Path, keeper: Keeper) -> Delivery:
        connections: list[sqlite3.Connection] = []

        def due(before_ms: int) -> list[AnyOwed]:
            if not connections:  # in delivery's own thread
                connections.append(open_reader(data))
            try:
                return reader.owed(connections[0], before_ms)
            except sqlite3.Error as error:
                keeper.suspect(error)
                raise

        return Delivery(
            self._site.plant,
            surroundings(self._site),
            wordings(),
            due=due,
            report=keeper.hand_over,
            clock=self._clock,
            random=random.random,
            site_file=str(self._site.path.resolve()),  # typed from any folder
            settings=self._site.delivery,
            report_words=Words(self._stopping).of,
            link=Links(self._site.page, self._site.plant.site.id, data).of,
        )

    def _make_weekly(self, data: Path, keeper: Keeper) -> Weekly:
        site = self._site

        def is_made(week: Week) -> bool:
            with contextlib.closing(open_reader(data)) as connection:
                return reader.has_report(connection, "digest", week.label)

        def was_watched(week: Week) -> bool:
            with contextlib.closing(open_reader(data)) as connection:
                return store_weekly.was_watched(connection, week.from_ms, week.to_ms)

        return Weekly(
            site.plant,
            clock=self._clock,
            is_made=is_made,
            was_watched=was_watched,
            figures=lambda week: figures(site.path.resolve(), week, self._stopping),
            hand_over=keeper.hand_over,
        )

    def _make_mirrors(self, data: Path) -> list[Mirroring]:
        return [self._make_mirror(settings, data) for settings in self._site.mirrors]

    def _make_mirror(self, settings: Mirror, data: Path) -> Mirroring:
        site = self._site
        return Mirroring(
            settings,
            site.plant,
            data,
            Server(settings, site.path.parent, os.environ),
            clock=self._clock,
            random=random.random,
            tell=self._low_voice(settings.label),
        )

    def _low_voice(self, of: str) -> Callable[[str, str], bool]:
        """Tells everybody of trouble that is no alarm, at most daily; answers whether somebody was told."""
        direct = DirectMail(self._site.plant, surroundings(self._site), "low")

        def tell(subject: str, text: str) -> bool:
            attempts = direct.tell(subject, text, self._clock.now_ms())
            _log_told(of, attempts)
            return any(attempt.ok for attempt in attempts)

        return tell

    def _make_signs(self, data: Path, keeper: Keeper) -> list[Heart | StatusWord | Daily]:
        """What tells others that the watch runs."""
        site, made = self._site, list[Heart | StatusWord | Daily]()
        tell = partial(self._low_voice("the heartbeat"), "nobody outside hears the watch")
        made += signs(
            site.heartbeat, site.status_topic, site.brokers, site.plant.site,
            sink=keeper.hand_over, clock=self._clock, folder=site.path.parent, tell=tell,
        )  # fmt: skip
        if site.all_well.at is not None:
            around = surroundings(site)
            connect = partial(open_reader, data)
            made.append(Daily(site.all_well, site.plant, around, data, self._clock, connect))
        return made

    def _beat_or_stop(self) -> None:
        if not self._beat.alive():
            self._stopping.set()  # the supervisor is gone

    def _tell_trouble(self, trouble: str) -> None:
        """Mail a fault of the store itself, from memory, in a thread of its own, one at a time."""
        if self._telling is not None and self._telling.is_alive():
            return
        text = (
            f"{trouble}\n\nNothing is judged until it can be written again; what the broker holds is not "
            "lost. Free some disk, or mount it writable; the watch goes on by itself."
        )

        def tell() -> None:
            _log_told("the store", self._direct.tell("Goodwater cannot store", text, self._clock.now_ms()))

        self._telling = threading.Thread(target=tell, name="direct mail", daemon=True)
        self._telling.start()


def _log_told(of: str, attempts: list[Attempt]) -> None:
    for attempt in attempts:
        log.log(
            logging.INFO if attempt.ok else logging.ERROR,
            "told %s by %s of trouble with %s: %s",
            attempt.person, attempt.way, of, attempt.detail,
        )  # fmt: skip


def main(arguments: list[str] | None = None) -> int:
    """Entry of the child process that `goodwater run` supervises."""
    parser = argparse.ArgumentParser(prog="python -m monitor.daemon", description=__doc__)
    parser.add_argument("site", type=Path)
    parser.add_argument("--clock", type=PlayedClock.parse, help="a played clock, for demonstrations")
    options = parser.parse_args(arguments)
    logs.start()
    try:
        return Daemon(load(options.site), options.clock or MachineClock()).run()
    except (ConfigMistakes, AlreadyRunning, SchemaTooNew) as error:
        log.error("%s", error)
        return END_NO_RESTART
    except PermissionError as error:
        log.error("%s: permission denied; run the watch as the user whose data it is", error.filename)
        return END_NO_RESTART


if __name__ == "__main__":
    sys.exit(main())
