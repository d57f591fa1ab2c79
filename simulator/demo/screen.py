"""What the show prints: a bar with the shop's date, messages as they arrive, the table at the end."""

from __future__ import annotations

import sys
import threading
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from monitor.plant.model import Plant
from simulator.demo.script import IN_WORDS, Month
from simulator.demo.told import Tellings, Told
from simulator.score import Judged, Score

_BAR = 30


class Screen:
    """A bar that stays below what is printed; without a terminal, a line now and then."""

    def __init__(self, zone: str) -> None:
        self._zone, self._lock = ZoneInfo(zone), threading.Lock()
        self._is_terminal, self._bar, self._said = sys.stdout.isatty(), "", ""

    def date(self, ms: float) -> str:
        """A moment as the shop's clock shows it."""
        return datetime.fromtimestamp(ms / 1000, UTC).astimezone(self._zone).strftime("%a %d %b %H:%M")

    def say(self, text: str = "") -> None:
        """Print above the bar."""
        with self._lock:
            self._wipe()
            print(text, flush=True)
            self._draw()

    def bar(self, what: str, share: float, mark: str = "") -> None:
        """Draw the bar; without a terminal, print when `mark` (the shop's day) has changed."""
        full = round(_BAR * min(max(share, 0.0), 1.0))
        with self._lock:
            if not self._is_terminal:
                if mark != self._said:
                    self._said = mark
                    print(f"  {what}", flush=True)
                return
            self._wipe()
            self._bar = f"[{'#' * full}{'.' * (_BAR - full)}] {what}"
            self._draw()

    def end_bar(self) -> None:
        with self._lock:
            self._wipe()
            self._bar, self._said = "", ""

    def _wipe(self) -> None:
        if self._bar:
            print("\r" + " " * len(self._bar) + "\r", end="")

    def _draw(self) -> None:
        if self._bar:
            print(self._bar, end="", flush=True)


def verdict(
    month: Month, result: Score, tellings: Tellings, plant: Plant, screen: Screen
) -> tuple[list[str], bool]:
    """The table at the end, and whether everything was as it should be."""
    rows = [("what was planted", "since", "told as", "at", "after", "by")]
    well = True
    for item in (*result.due, *(j for j in result.early if j.alarm is not None)):
        row, good = _row(item, tellings, screen)
        rows.append(row)
        well &= good
    lines = _columns(rows)
    for name in month.withheld:
        lines.append(f"withheld: {IN_WORDS[name]}")
    for alarm, line in result.allowed:
        lines.append(f"also told, since {_line_in_words(line.fault)}: {_first(alarm)}")
    for alarm in result.false:
        lines.append(f"UNEXPECTED at {screen.date(alarm.time_ms)}: {_first(alarm)}")
    for key in tellings.mailed_only:
        lines.append(f"UNEXPECTED: {key} reached the mailbox but not the chat")
    well &= not result.false and not tellings.mailed_only
    lines.append(_healthy(month, result, plant))
    return lines, well


def _row(item: Judged, tellings: Tellings, screen: Screen) -> tuple[tuple[str, ...], bool]:
    line = item.line
    what = f"{_line_in_words(line.fault)}: {line.family}"
    if not isinstance(item.alarm, Told):
        return (what, screen.date(line.start_ms), "NOT TOLD", "", "", ""), False
    ways = tellings.delivered_by(item.alarm.key)
    hours = item.since_start_h or 0.0
    after = f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.1f} days"
    by = " and ".join(ways) if len(ways) == 2 else f"ONLY {' '.join(ways)}"
    told = item.alarm.condition
    return (what, screen.date(line.start_ms), told, screen.date(item.alarm.time_ms), after, by), len(
        ways
    ) == 2


def _healthy(month: Month, result: Score, plant: Plant) -> str:
    """What nothing was planted in, and how it was."""
    touched = {line.subject for line in month.run.truth}
    sound = [sump for sump in plant.sump if sump.id.upper() not in touched]
    stuck = sum(f.kind == "probe_stuck" for f in month.run.faults)
    text = f"{len(sound)} of {len(plant.sump)} sumps and {len(plant.channels) - stuck} of "
    text += f"{len(plant.channels)} channels have nothing planted in them: "
    return text + ("quiet" if not result.false else f"{len(result.false)} alarms that nothing explains")


def _line_in_words(fault: str) -> str:
    return IN_WORDS.get(fault, "the bed nears its end by itself" if fault == "worn-bed" else fault)


def _first(alarm: object) -> str:
    return alarm.first_line if isinstance(alarm, Told) else str(alarm)


def _columns(rows: list[tuple[str, ...]]) -> list[str]:
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows]
    return [lines[0], "-" * len(lines[0]), *lines[1:]]
