"""The show itself: set up, read the three weeks, play the nine days, take stock."""

from __future__ import annotations

import contextlib
import json
import secrets
import threading
import time
from pathlib import Path
from typing import Any

from monitor.config import load
from simulator.chat import Chat
from simulator.clock import ShopClock
from simulator.demo.processes import Broker, Child, ShowStopped, answer_of, free_port, goodwater, until
from simulator.demo.screen import Screen, verdict
from simulator.demo.script import EVERY_S, HISTORY_DAYS, LIVE_DAYS, RESTART_S, make_month
from simulator.demo.site import SECRET_FILE, Places, write_sites
from simulator.demo.told import Tellings
from simulator.mailbox import Mailbox
from simulator.score import score
from simulator.wires.logger import write_logger_csv
from simulator.wires.play import Player, machine_ms

PAGE_PORT = 8410
# From the start of the watch to the first reading over the wires.
_START_S = 15.0
# How long the last messages may take to arrive once the month is over.
_LAST_S = 30.0


class Show:
    """One show in one folder. Use as a context: leaving it ends every process and thread of it."""

    def __init__(self, folder: Path, seed: int, without: tuple[str, ...], *, rules: bool) -> None:
        self._folder, self._seed, self._without, self._rules = folder, seed, without, rules
        self._stack = contextlib.ExitStack()
        self._clock: ShopClock | None = None
        self.stopped = threading.Event()

    def __enter__(self) -> Show:
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def set_up(self) -> None:
        """Simulate, start broker, mailbox and chat, and have the watch read the three weeks."""
        began = time.monotonic()
        self._broker = Broker(self._folder)
        self._month = make_month(self._seed, self._without)
        self._screen = Screen(self._month.run.shop.timezone)
        self._tellings = Tellings(self._announce)
        say, run = self._screen.say, self._month.run
        say(f"{run.shop.name}: {len(run.shop.instruments)} instruments, seed {self._seed}")
        self._start_servers()
        history_ms = self._month.history_end_ms
        write_logger_csv(run, self._folder / "history", run.start_ms, history_ms, EVERY_S)
        self._read_history()
        say(f"set up in {time.monotonic() - began:.0f} s; what is kept of it lies in {self._folder}")

    def _start_servers(self) -> None:
        folder = self._folder
        for name in ("mail", "chat", "logger"):
            (folder / name).mkdir(exist_ok=True)
        self._broker.start()
        self._stack.callback(self._broker.stop)
        box = self._stack.enter_context(Mailbox(folder=folder / "mail", tell=self._tellings.on_mail))
        key = secrets.token_hex(32)
        (folder / SECRET_FILE).write_text(key, encoding="utf-8")
        room = self._stack.enter_context(
            Chat(key.encode(), folder=folder / "chat", tell=self._tellings.on_chat, seconds_ago=self._ago)
        )
        places = Places(self._broker.port, box.port, room.port, mqtt_5=self._broker.is_mosquitto)
        self._history, self._site = write_sites(folder, places, self._month.run.shop, rules=self._rules)
        if not self._broker.is_mosquitto:
            self._screen.say("no mosquitto here: the broker inside Python takes its place, for show only")

    def _ago(self, stamp_s: float) -> float:
        """How long ago by the machine's clock the shop's clock showed this."""
        now_ms = machine_ms()
        return 0.0 if self._clock is None else (now_ms - self._clock.machine_ms(1000.0 * stamp_s)) / 1000.0

    def _announce(self, text: str) -> None:
        at = "" if self._clock is None else self._screen.date(self._clock.shop_ms(machine_ms()))
        self._screen.say(f">>> {at}  {text}")

    def _watch(self, site: Path) -> Child:
        assert self._clock is not None
        watch = goodwater(self._folder, "watch", "run", site.name, "--clock", str(self._clock))
        self._stack.callback(watch.stop)
        return watch

    def _read_history(self) -> None:
        files = sorted((self._folder / "history").glob("*.csv"))
        size = sum(path.stat().st_size for path in files)
        self._clock = self._month.reading_clock(round(machine_ms()))
        watch = self._watch(self._history)
        read = 0
        while read < size and not self.stopped.wait(0.5):
            watch.check()
            read = _bytes_read(self._folder / "data" / "logger-history.json")
            what = f"reading {HISTORY_DAYS} days of logger files: {read / size:.0%}"
            self._screen.bar(what, read / size, str(round(4 * read / size)))
        self._screen.end_bar()
        watch.stop()

    def play(self, seconds: float) -> bool:
        """Play the nine days over the wires; whether all was told that had to be, and nothing else."""
        self._start_play(seconds)
        assert self._clock is not None
        restart_at = self._clock.machine_ms(self._month.restart_ms) + 1000.0 * RESTART_S / 7.0
        restarted = False
        while (now := machine_ms()) < self._clock.machine_ms(self._month.end_ms):
            if self.stopped.wait(0.2):
                return False
            self._watching.check()
            self._show_bar(now)
            if not restarted and now >= restart_at:
                self._restart_broker()
                restarted = True
        self._screen.end_bar()
        self._await_last_messages()
        return self._take_stock()

    def _start_play(self, seconds: float) -> None:
        now = round(machine_ms())
        month, begin = self._month, now + round(1000 * _START_S)
        clock = self._clock = month.playing_clock(now, begin, seconds)
        player = Player(
            month.run, clock, self._folder, ("127.0.0.1", self._broker.port), EVERY_S["mqtt"],
            logger_to=self._folder / "logger" / "hall-live.csv",
        )  # fmt: skip
        player.start()
        self._stack.callback(player.stop)
        self._watching = self._watch(self._site)
        port = free_port(PAGE_PORT)
        words = ("page", self._site.name, "--port", str(port), "--clock", str(clock))
        page = goodwater(self._folder, "page", *words)
        self._stack.callback(page.stop)
        self._screen.say(f"the live page: http://127.0.0.1:{port}/")
        until(lambda: machine_ms() >= begin or self.stopped.is_set(), "the play begins", self._watching.check)
        self._screen.say(f"playing {LIVE_DAYS} days in {seconds / 60:g} minutes")

    def _show_bar(self, now: float) -> None:
        assert self._clock is not None
        shop, month = self._clock.shop_ms(now), self._month
        share = (shop - month.history_end_ms) / (month.end_ms - month.history_end_ms)
        date = self._screen.date(shop)
        self._screen.bar(date, share, date[:10])

    def _restart_broker(self) -> None:
        self._screen.say("... the broker is restarted; the clock runs slowly meanwhile")
        self._broker.stop()
        self._broker.start()

    def _await_last_messages(self) -> None:
        """Until nothing is due any more and nothing has come for some seconds."""
        end = time.monotonic() + _LAST_S
        count = -1
        while time.monotonic() < end and not self.stopped.is_set():
            before, count = count, self._tellings.count
            status = answer_of(self._folder, "status", self._site.name)
            if count == before and " 0 due" in status:
                return
            self.stopped.wait(2.0)

    def _take_stock(self) -> bool:
        plant = load(self._site).plant
        raised = [told for told in self._tellings.raised if told.time_ms <= self._month.end_ms]
        lines, well = verdict(
            self._month, score(self._month.run, raised, plant), self._tellings, plant, self._screen
        )
        self._screen.say()
        for line in lines:
            self._screen.say(line)
        self._screen.say()
        self._screen.say("all of it as it should be" if well else "NOT as it should be")
        return well

    def stay(self) -> None:
        """Go on, in real time now, until interrupted."""
        self._screen.say(
            f"Still running: the page, mails in {self._folder / 'mail'}, chat in {self._folder / 'chat'}. "
            "Ctrl-C ends it."
        )
        while not self.stopped.wait(1.0):
            self._watching.check()


def _bytes_read(places: Path) -> int:
    """How far the files are read and stored, all together, as the logger's driver keeps it."""
    try:
        kept: Any = json.loads(places.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return 0
    return _offsets(kept)


def _offsets(kept: Any) -> int:
    if not isinstance(kept, dict):
        return 0
    return sum(value if key == "offset" else _offsets(value) for key, value in kept.items())


__all__ = ["Show", "ShowStopped"]
