"""Keep a weekly digest of the demonstration's shop as a person reads it: text, page, and pictures of both.

    python -m tests.bench.demo_digest docs/demo/digest

Two simulated weeks go through the watch into a store, the demonstration's faults in the second, with
what people log; `goodwater digest` and `goodwater supplier-report` are then asked about it. Pictures by a
headless Chromium (a Debian package of that name), at the width of a phone and of a desktop, light and dark.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

from PIL import Image

from monitor.cli import main as goodwater
from monitor.config import load
from monitor.readings import Event, OperatorAction
from monitor.replay.stream import with_ticks
from monitor.store.rollup import Rollups
from simulator.demo.script import FAULTS
from simulator.faults import DAY_MS
from simulator.year import Run, simulate
from tests.bench.judge import SITE, samples
from tests.heart.stored import StoredWatch

WEEK, START, DAYS, EVERY_MIN = "2026-W38", "2026-09-07", 14, 10.0
# The demonstration has them in its fourth week; and the rules whose alarms and accounts the digest shows.
_EARLIER_DAYS = 14
_RULES = ("limit", "loss", "silent", "stuck", "breakthrough")
SUMP = "m09"
_BATCH = 2_000
# Width and height of the pictures: a phone, a desktop. Height cuts: the whole is in the page itself.
_LOOKS = {"phone": (390, 2600), "desktop": (1000, 2600)}
# Invented: what people log at two sumps, by day of the run.
_LOGGED = [
    *((day + 0.35, "top-off", SUMP, 25.0) for day in range(1, DAYS, 3)),
    (2.4, "smell", SUMP, 1.0),
    (10.4, "smell", SUMP, 2.0),
    (9.3, "drawn-off", "m02", 15.0),
]


def store(folder: Path) -> Path:
    """A store of the simulated weeks under a folder; its site file."""
    path = folder / "site.toml"
    text = SITE.read_text(encoding="utf-8")
    path.write_text(text, encoding="utf-8")
    site = load(path)
    site = replace(site, rules=tuple(rule for rule in site.rules if rule.kind in _RULES))
    faults = [fault | {"start_day": fault["start_day"] - _EARLIER_DAYS} for fault in FAULTS.values()]
    run = simulate("hall3", seed=1, start=START, days=DAYS, faults=faults)
    watch = StoredWatch(site, site.data_dir)
    for batch in _batches(_events(run, set(site.plant.channels))):
        watch.commit(batch)
    rollups = Rollups(site.plant)
    rollups.begin(watch.writer.connection)
    while rollups.step(watch.writer.connection, run.end_ms + DAY_MS, 1.0):
        pass
    watch.writer.close()
    return path


def _events(run: Run, channels: set[str]) -> Iterator[Event]:
    said = ((sample.arrival_ms, sample) for sample in samples(run, channels, EVERY_MIN))
    events = with_ticks(said, run.start_ms, run.end_ms)
    logged = sorted(
        (
            OperatorAction(
                round(run.start_ms + day * DAY_MS), "event", target, "shift", event=event, value=amount
            )
            for day, event, target, amount in _LOGGED
        ),
        key=lambda action: action.time_ms,
    )
    for event in events:
        at_ms = getattr(event, "arrival_ms", None) or getattr(event, "time_ms", 0)
        while logged and logged[0].time_ms <= at_ms:
            yield logged.pop(0)
        yield event


def _batches(events: Iterable[Event]) -> Iterator[list[Event]]:
    rest = iter(events)
    while batch := list(itertools.islice(rest, _BATCH)):
        yield batch


def keep(out: Path) -> list[Path]:
    """Make the digest and the supplier's page, and pictures of them; what was there is replaced."""
    out.mkdir(parents=True, exist_ok=True)
    for old in out.iterdir():
        old.unlink()
    with tempfile.TemporaryDirectory() as name:
        site = store(Path(name))
        with contextlib.redirect_stdout(None):
            goodwater(["digest", str(site), "--week", WEEK, "--out", str(out)])
            page = str(out / "supplier.html")
            goodwater(["supplier-report", str(site), SUMP, "--week", WEEK, "--out", page])
    (out / "digest.json").unlink()  # large, and read by no person
    for look, size in _LOOKS.items():
        for dark in (False, True):
            picture(out / "digest.html", out / f"digest-{look}{'-dark' if dark else ''}.png", size, dark=dark)
    picture(out / "supplier.html", out / "supplier-desktop.png", (900, 1100))
    return sorted(out.iterdir())


def picture(page: Path, to: Path, size: tuple[int, int], *, dark: bool = False) -> None:
    """A page as it looks.

    Raises: LookupError where there is no Chromium.
    """
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        raise LookupError("no chromium on this machine; install the package chromium and run this again")
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run(
            [
                program, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
                "--disable-background-networking", "--disable-component-update", "--disable-sync",
                "--hide-scrollbars", f"--user-data-dir={profile}", "--timeout=4000",
                f"--window-size={size[0]},{size[1]}", f"--screenshot={to.resolve()}",
                *(["--blink-settings=preferredColorScheme=0"] if dark else []),
                page.resolve().as_uri(),
            ],
            check=True, capture_output=True, timeout=60,
        )  # fmt: skip
    smaller(to)


def smaller(path: Path) -> None:
    """The same picture in few colours: a page has no more."""
    with Image.open(path) as image:
        few = image.convert("RGB").quantize(48)
    few.save(path, optimize=True)


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.demo_digest", description=__doc__.split("\n")[0]
    )
    parser.add_argument("out", type=Path, help="where everything goes, as docs/demo/digest")
    for path in keep(parser.parse_args().out):
        print(path)
    return 0


if __name__ == "__main__":
    sys.exit(main())
