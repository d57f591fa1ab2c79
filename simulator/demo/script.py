"""What is played: the shop's month, what goes wrong in it, and how the clock runs meanwhile."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from simulator.clock import ShopClock
from simulator.faults import DAY_MS
from simulator.schedule import MINUTE_MS
from simulator.year import Run, simulate

SHOP = "hall3"
START = "2026-09-07"
# Read from logger files, then played over the wires; one day more for a show that is left up.
HISTORY_DAYS, LIVE_DAYS, SPARE_DAYS = 21, 9, 1
# Shop seconds between two reports of one instrument, by its wire: in the files, and (but for Modbus, which is
# asked as the site file says) on the wires.
EVERY_S = {"modbus": 300, "mqtt": 600, "lines": 600, "csv": 600}

# What is planted, in days since the start; the names are those of --without.
FAULTS: dict[str, dict[str, Any]] = {
    "creep": {"kind": "membrane_creep", "start_day": 21.25, "size": 40.0},
    "resin": {"kind": "resin_exhaustion", "start_day": 21.3},
    "leak": {"kind": "sump_leak", "target": "M09", "start_day": 23.4, "size": 2.0},
    "stuck": {"kind": "probe_stuck", "target": "M05_level", "start_day": 24.35},
}
IN_WORDS = {
    "creep": "membrane lets ever more salt pass",
    "resin": "resin bed is spent and not changed",
    "leak": "sump of mill 9 leaks 2 L/h",
    "stuck": "level probe of lathe 5 is stuck",
}

# The broker is restarted at this moment of the show; the clock runs slowly while it is.
RESTART_DAY = 25.35
RESTART_S, RESTART_RATE = 14.0, 60.0
# Shop time between the end of the history and the beginning of the play, while the watch starts.
PAUSE_MS = 15 * MINUTE_MS


@dataclass(frozen=True)
class Month:
    """One simulated month with the moments of the show, shop milliseconds."""

    run: Run
    withheld: tuple[str, ...]

    @property
    def history_end_ms(self) -> int:
        return self.run.start_ms + HISTORY_DAYS * DAY_MS

    @property
    def end_ms(self) -> int:
        return self.history_end_ms + LIVE_DAYS * DAY_MS

    @property
    def restart_ms(self) -> int:
        return self.run.start_ms + round(RESTART_DAY * DAY_MS)

    def reading_clock(self, machine_ms: int) -> ShopClock:
        """The clock while the files are read: real time, from the end of the history on."""
        return ShopClock.at_rate(machine_ms, self.history_end_ms + MINUTE_MS, 1.0)

    def playing_clock(self, now_ms: int, begin_ms: int, seconds: float) -> ShopClock:
        """The clock of the play: slow until `begin_ms` (machine), then nine days in so many seconds.

        Around the broker's restart it is slow for `RESTART_S`; at the end of the month it goes on in real
        time.
        """
        slow_ms = RESTART_S * RESTART_RATE * 1000.0
        begin_shop = self.history_end_ms + PAUSE_MS
        rate = (self.end_ms - begin_shop - slow_ms) / (1000.0 * (seconds - RESTART_S))
        if rate <= RESTART_RATE:
            raise ValueError(f"nine days in {seconds:g} s is too slow a clock for this show")
        to_restart = round((self.restart_ms - begin_shop) / rate)
        anchors = [
            (now_ms, begin_shop - PAUSE_MS // 3),
            (begin_ms, begin_shop),
            (begin_ms + to_restart, self.restart_ms),
            (begin_ms + to_restart + round(1000 * RESTART_S), self.restart_ms + round(slow_ms)),
            (begin_ms + round(1000 * seconds), self.end_ms),
        ]
        return ShopClock((*anchors, (anchors[-1][0] + 60_000, self.end_ms + 60_000)))


def make_month(seed: int, without: tuple[str, ...] = ()) -> Month:
    """Simulate the month of this seed without the faults named."""
    script = [{"id": name, **fault} for name, fault in FAULTS.items() if name not in without]
    run = simulate(SHOP, script, seed, START, HISTORY_DAYS + LIVE_DAYS + SPARE_DAYS)
    run.reported  # noqa: B018  worked out before the clock is asked, so that nothing is late
    return Month(run, without)
