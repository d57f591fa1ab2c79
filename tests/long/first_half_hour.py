"""The first half hour in a shop of twelve sumps: from `goodwater init` to the first judged value, slowly.

A person is played at a real terminal: everything on the screen is read (150 words a minute, slow for an
adult), then there is a pause to look at the filled-in page, then it is typed with one finger. Mistakes are
made and put right, the telephone rings halfway, and each command that the page names is given in its turn.
A gateway publishes what it would. All pauses are waited for in real time.

What it does not show: how long the walk with the page takes, and what a real person does not understand.
"""

from __future__ import annotations

import contextlib
import json
import re
import subprocess
import sys
import threading
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import paho.mqtt.client as paho

from monitor.config import load
from monitor.readings import Standing
from monitor.store import reader
from monitor.store.files import open_reader
from simulator.mailbox import Mailbox
from tests.first.keyboard import Keyboard
from tests.long import result
from tests.mosquitto import Mosquitto

# Adults read 238 words a minute on average (silent, non-fiction; Brysbaert 2019, from memory).
WORDS_A_MINUTE = 150
PAUSE_S = 4.0
SIGNS_A_SECOND = 2.0
LATEST_MINUTES = 30

# What stands on the page, by how its question begins; anything else is Enter. Several are typed in turn.
PAGE: dict[str, list[str]] = {
    "What is the shop called": ["Hall 1"],
    "Its time zone": ["europe", "Europe/Vienna"],
    "Total hardness": ["18", "grains"],
    "Alkalinity": ["140 ppm"],
    "Its pH": ["76", "7.6"],
    "Its conductivity or TDS": ["300 ppm"],
    "Chlorine": ["don't know"],
    "Litres of resin in the softener": ["1.5 ft3"],
    "Its salt setting": ["8 lbs/ft3"],
    "What starts its regeneration": ["timed"],
    "How often does it regenerate": ["3 days"],
    "What permeate is it rated for": ["1500 gpd"],
    "What share of its feed": ["60"],
    "Litres of resin in the bed": ["20 L"],
    "Whose resin": ["2"],
    "On which day": ["5/4/2026", "4 May 2026"],
    "Conductivity or TDS the treated water": ["20 uS"],
    "What are they called": [
        "lathe 1, mill 2, grinder 3, lathe 4, mill 5, grinder 6, lathe 7, mill 8, grinder 9, saw, drill, "
        "lathe 12"
    ],
    "Litres of the sump": ["80 gal"],
    "Length x width": ["48 x 24", "inch"],
    "Which of them are of another size": ["3 6"],
    "grinder 3: Litres": ["470 L"],
    "grinder 3: Length": ["1500 x 1000 mm"],
    "Its refractometer factor": ["1.3"],
    "The concentration": ["6 to 9 %"],
    "The hardness its sheet allows": ["back", "6-9 %", "600 ppm"],
    "Hours the machines run": ["60"],
    "Which instruments are there": ["1 3 4 6 9 10 11"],
    "The MQTT broker": ["127.0.0.1:{broker}"],
    "One message as it comes": ['{"t": 1790000000000, "v": 610}'],
    "Its accuracy": ["2 %", "2 %", "2 %", "3 %", "5 mm"],
    "At which level is the tank": ["12 inch"],
    "At which level is a sump": ["80 mm"],
    "How often do the instruments at the sumps": ["1 min"],
    "Their mail address": ["lead@shop.example"],
    "Another address": ["shift@shop.example"],
    "The mail server": ["127.0.0.1"],
    "On which port": ["{mail}"],
}
TELEPHONE_BEFORE = "Its refractometer factor"


class Person:
    """Reads, looks at the page, types; keeps the time each took."""

    def __init__(self, folder: Path, page: dict[str, list[str]]) -> None:
        self.folder = folder
        self.spent = {"reading": 0.0, "looking": 0.0, "typing": 0.0}
        self.questions = self.refused = 0
        self._page = page

    def read(self, text: str, already_s: float = 0.0) -> None:
        words = [word for word in text.split() if any(map(str.isalnum, word))]
        self._take("reading", max(60.0 * len(words) / WORDS_A_MINUTE - already_s, 0.0))

    def look(self) -> None:
        self._take("looking", PAUSE_S)

    def type(self, text: str) -> None:
        self._take("typing", (len(text) + 1) / SIGNS_A_SECOND)

    def _take(self, what: str, seconds: float) -> None:
        self.spent[what] += seconds
        time.sleep(seconds)

    def fill_in(self, telephone: bool) -> bool:
        """One start of init; whether it was finished."""
        keyboard = Keyboard(self.folder)
        try:
            while True:
                seen = keyboard.expect("> ", 60)
                self.read(seen.partition("\n")[2] if self.questions else seen)  # not what was just typed
                asked = re.findall(r"^\d+/\d+  (.*)$", seen, re.MULTILINE)
                if asked and telephone and asked[-1].startswith(TELEPHONE_BEFORE):
                    keyboard.ctrl_c()
                    self.read(keyboard.ended()[1])
                    return False
                if "All right?" in seen:
                    keyboard.type("")
                    code, said = keyboard.ended()
                    assert code == 0, said
                    self.read(said)
                    return True
                self._answer(keyboard, asked[-1] if asked else self._last)
        finally:
            keyboard.close()

    def _answer(self, keyboard: Keyboard, question: str) -> None:
        again = question == getattr(self, "_last", "")
        self._last = question
        self.questions += not again
        self.refused += again
        self.look()
        known = next((key for key in self._page if question.startswith(key)), "")
        text = self._page[known].pop(0) if known and self._page[known] else ""
        self.type(text)
        keyboard.type(text)

    def command(self, *words: str, live: bool = False, timeout: float = 120) -> str:
        """Type a command, wait for it, read what it says; a live one is read while it speaks."""
        self.type(" ".join(["goodwater", *words]))
        began = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-m", "monitor.cli", *words],
            cwd=self.folder,
            capture_output=True,
            text=True,
            timeout=timeout,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        self.read(done.stdout, time.monotonic() - began if live else 0.0)
        return done.stdout


class Gateway(threading.Thread):
    """Publishes once a minute what the train and twelve sumps would."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._over = threading.Event()

    def run(self) -> None:
        while not self._over.is_set():
            t = time.time_ns() // 1_000_000
            values = {"tap": 612, "permeate": 14.2, "di": 0.8, "flow": 3.6, "tank": 1460}
            for name, value in values.items():
                self._client.publish(f"water/{name}", json.dumps({"t": t, "v": value + t % 7 / 10}), qos=1)
            for n in range(1, 13):
                level = {"t": t, "v": 260 + n + t % 3}
                self._client.publish(f"sump/m{n:02}/level", json.dumps(level), qos=1)
                self._client.publish(f"sump/m{n:02}/pump", json.dumps({"t": t, "v": 1}), qos=1)
            self._over.wait(60)

    def end(self) -> None:
        self._over.set()
        self.join()
        self._client.disconnect()
        self._client.loop_stop()


def measure(seed: int) -> dict[str, result.Figure]:
    """Minutes from the first key to the first judged value of a sump, and of the treated water."""
    with TemporaryDirectory(prefix="goodwater-half-hour-") as made, contextlib.ExitStack() as last:
        folder = Path(made)
        (folder / "broker").mkdir()
        broker = Mosquitto(folder / "broker")
        broker.start()
        last.callback(broker.kill)
        mailbox = last.enter_context(Mailbox())
        gateway = Gateway(broker.port)
        gateway.start()
        last.callback(gateway.end)
        ports = {"{broker}": str(broker.port), "{mail}": str(mailbox.port)}
        page = {key: [_filled(text, ports) for text in texts] for key, texts in PAGE.items()}
        return _half_hour(folder, Person(folder, page), mailbox, last)


def _filled(text: str, ports: dict[str, str]) -> str:
    for word, port in ports.items():
        text = text.replace(word, port)
    return text


def _half_hour(
    folder: Path, person: Person, mailbox: Mailbox, last: contextlib.ExitStack
) -> dict[str, result.Figure]:
    began = time.monotonic()

    def minutes() -> float:
        return round((time.monotonic() - began) / 60, 1)

    assert not person.fill_in(telephone=True)
    assert person.fill_in(telephone=False)
    written = minutes()
    left = {key: texts for key, texts in person._page.items() if texts}
    assert left == {}, f"never asked, or not all taken: {left}"
    site = load(folder / "site.toml")
    person.command("listen", "site.toml", "--for", "70 s", live=True)
    person.command("notify-test", "site.toml")
    mailbox.wait_for(2)
    tried = minutes()
    person.type("goodwater run site.toml")
    watch = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "run", "site.toml"],
        cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    last.callback(watch.wait, 30)
    last.callback(watch.terminate)
    first = {name: _judged(site.data_dir, name, began) for name in ("m01.level", "di.ec")}
    person.command("status", "site.toml")
    assert first["m01.level"] <= LATEST_MINUTES, first
    return {
        "sumps": len(site.plant.sump),
        "instruments": len(site.plant.instrument),
        "rules": len(site.rules),
        "questions": person.questions,
        "asked_again": person.refused,
        "words_a_minute": WORDS_A_MINUTE,
        "pause_s": PAUSE_S,
        "signs_a_second": SIGNS_A_SECOND,
        "reading_min": round(person.spent["reading"] / 60, 1),
        "looking_min": round(person.spent["looking"] / 60, 1),
        "typing_min": round(person.spent["typing"] / 60, 1),
        "site_file_written_min": written,
        "values_and_mail_seen_min": tried,
        "first_judged_sump_min": first["m01.level"],
        "first_judged_treated_water_min": first["di.ec"],
    }


def _judged(data: Path, channel: str, began: float) -> float:
    """Minutes until a channel has a reading that rules have seen."""
    while time.monotonic() - began < 60 * 60:
        with contextlib.suppress(Exception), contextlib.closing(open_reader(data)) as connection:
            if any(r.standing == Standing.JUDGED for r in reader.readings(connection, channel)):
                return round((time.monotonic() - began) / 60, 1)
        time.sleep(1)
    raise AssertionError(f"{channel} was not judged within an hour")


if __name__ == "__main__":
    raise SystemExit(result.main("first_half_hour", measure))
