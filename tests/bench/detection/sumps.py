"""Windows of the sumps: slow leaks of several sizes on several kinds of level sensor, and bursts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.bench.detection.noise import MACHINES, Healthy
from tests.bench.detection.record import MINUTE_MS, Record, Spec
from tests.bench.detection.watching import demo_site, site_with, window_rules
from tests.bench.detection.windows import DAYS, Asked, Window, at, monday, somewhen

SHARES = (0.25, 0.5, 1.0)
# One of each kind a window; the others are sound neighbours.
LEAKING = (("M01", "M06", "M02"), ("M05", "M09", "M04"), ("M07", "M11", "M07"), ("M03", "M10", "M08"))
CLASSES = {
    "level_pressure": "pressure, 1 mm",
    "level_ultrasonic": "ultrasonic",
    "level_float": "float, 10 mm",
}
WITHIN_H = {"level_pressure": 5 * 24.0, "level_ultrasonic": 10 * 24.0, "level_float": None}


def model_of(run: Record, machine: str) -> str:
    """The simulator's model of a sump's level sensor."""
    return next(i.model for i in run.shop.instruments if i.name == f"{machine}_level")


def instruments_of(machines: Sequence[str]) -> tuple[str, ...]:
    """Level, pump and top-off counter of each."""
    there = {c.id for i in demo_site().file.plant.instrument for c in i.channel}
    names = [f"{m}_{what}" for m in machines for what in ("level", "pump", "topoff")]
    return tuple(n for n in names if n.lower().replace("_", ".") in there)


def leaks(seed: int, number: int, usual: Healthy) -> Window:
    """Four of twelve sumps begin to leak at moments of their own, by a share of what each usually loses."""
    share = SHARES[number % len(SHARES)]
    chosen = [kinds[(number // len(SHARES)) % 3] for kinds in LEAKING]
    days = {m: somewhen(seed, f"leak {m}", 28, 50) for m in chosen}
    rates = {m: share * usual.sumps[m].lost_l_d / 24.0 for m in chosen}
    faults = tuple(
        {"kind": "sump_leak", "target": m, "size": rates[m], "start_day": days[m], "id": f"leak {m}"}
        for m in chosen
    )
    names = instruments_of(MACHINES)
    series = tuple(f"run:{m}" for m in chosen)
    spec = Spec(seed, monday(seed, "leaks"), DAYS, names, faults, series=series)

    def asked(run: Record) -> Sequence[Asked]:
        found = []
        for m in chosen:
            model, start = model_of(run, m), at(run, days[m])
            klass = CLASSES[model] + (", valve" if f"{m}_topoff" in names else "")
            within = WITHIN_H[model] if share >= 0.5 else None
            found.append(
                Asked(
                    f"leak, {100 * share:.0f} % of the usual loss", klass, frozenset({"loss"}), m, start,
                    start, run.end_ms, f"{m}_level", within, rates[m], best=(m, share),
                )
            )  # fmt: skip
        return found

    return Window(spec, site_with(window_rules(("loss",), names)), asked)


BURSTS = 8
BURST_MIN = 45.0


def bursts(seed: int, number: int) -> Window:
    """Two sumps lose a litre a minute for three quarters of an hour, eight times each, at any hour."""
    chosen = (("M01", "M05"), ("M06", "M09"), ("M03", "M04"))[number % 3]
    names = instruments_of(chosen)
    first = [somewhen(seed, f"burst {m} {k}", 21 + 8 * k, 28 + 8 * k) for m in chosen for k in range(BURSTS)]
    faults = tuple(
        {"kind": "sump_burst", "target": chosen[k // BURSTS], "size": 1.0, "start_day": day,
         "end_day": day + BURST_MIN / 1440, "id": f"burst {k}"}
        for k, day in enumerate(first)
    )  # fmt: skip
    # Pump contacts too: the rule waits for word of the pump that is younger than the fall.
    fast = tuple(f"{m}_{what}" for m in chosen for what in ("level", "pump"))
    spec = Spec(
        seed,
        monday(seed, "bursts"),
        DAYS,
        names,
        faults,
        fast=fast,
        series=tuple(f"run:{m}" for m in chosen),
    )

    def asked(run: Record) -> Sequence[Asked]:
        found = []
        for k, day in enumerate(first):
            m, start = chosen[k // BURSTS], at(run, day)
            steady = is_steady(run, m, start)
            found.append(
                Asked(
                    f"burst, 1 L/min, pump {'steady' if steady else 'just started or stopped'}",
                    CLASSES[model_of(run, m)], frozenset({"rule:burst"}), m, start, start,
                    start + round(4 * BURST_MIN * MINUTE_MS), f"{m}_level", 5 / 60 if steady else None, 60.0,
                    one_day=True,
                )
            )  # fmt: skip
        return found

    return Window(spec, site_with(window_rules(("burst",), names)), asked)


def is_steady(run: Record, machine: str, at_ms: int) -> bool:
    """Whether the pump was left alone for three quarters of an hour before, and a quarter after."""
    minute = (at_ms - run.start_ms) / MINUTE_MS
    around = np.arange(minute - 45, minute + 15)
    track = run.series[f"run:{machine}"].at(around)
    return bool((track == track[0]).all())
