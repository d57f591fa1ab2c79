"""Windows of instrument faults: one after the other on different instruments, and probes that drift."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from simulator.noise import stream
from tests.bench.detection.record import Record, Spec
from tests.bench.detection.train import MEMBRANE
from tests.bench.detection.watching import demo_rules, site_with, window_rules
from tests.bench.detection.windows import DAYS, TRAIN_RULES, Asked, Window, at, monday, somewhen

EACH_DAYS = 5.0
FIRST_DAY = 24.0
APART_DAYS = 6.5


@dataclass(frozen=True)
class Planted:
    """A fault of one instrument: its kind, its size, what tells it, and the class it is counted under."""

    cell: str
    target: str
    kind: str
    klass: str
    told_by: tuple[str, ...]
    size: float | None = None
    within_h: float | None = None


EPISODES = (
    Planted("stuck", "permeate_ec", "probe_stuck", "probe, 0.01 µS/cm", ("stuck",)),
    Planted("stuck", "tap_ec", "probe_stuck", "probe, 1 µS/cm", ("stuck",)),
    Planted("stuck", "di_ec", "probe_stuck", "probe, 0.1 µS/cm behind a sound bed", ("stuck",)),
    Planted("stuck", "M01_level", "probe_stuck", "level, 1 mm", ("stuck",)),
    Planted("flow meter dead", "permeate_flow", "flow_dead", "turbine", ("flow-meter",), None, 24.0),
    Planted("flow meter dead", "feed_flow", "flow_dead", "turbine", ("flow-meter",), None, 24.0),
    Planted("silent", "softened_ec", "dropout", "any", ("silent",), None, 1.0),
    Planted("over range", "tap_ec", "over_range", "any", ("over-range", "limit"), None, 24.0),
    Planted("clock an hour wrong", "M03_level", "clock_wrong", "own clock", ("clock",), 3600.0, 24.0),
)
INSTRUMENTS = (*MEMBRANE, "tap_ec", "tap_temp", "di_ec", "tank_level", "M01_level", "M03_level")
# A real shop watches clocks too, and asks after a quarter of an hour of silence; the demo's is too fast.
_REAL = """
[[rule]]
kind = "silent"
id = "silent"
priority = "medium"
"""
_RULES = ("permeate-high", "tap-high", "di-high", "di-bed", "di-discharge", "ro-creep", "stuck", "not-judged")


def episodes(seed: int, number: int) -> Window:
    """Each kind once, five days long, in an order and at hours drawn for the seed."""
    order = stream(seed, "detection episodes").permutation(len(EPISODES)).tolist()
    begin = {k: round(FIRST_DAY + APART_DAYS * place + somewhen(seed, f"episode {k}", 0, 1), 3)
             for place, k in enumerate(order)}  # fmt: skip
    faults: list[dict[str, Any]] = []
    for k, planted in enumerate(EPISODES):
        fault = {"kind": planted.kind, "target": planted.target, "start_day": begin[k],
                 "end_day": begin[k] + EACH_DAYS, "id": f"episode {k}"}  # fmt: skip
        faults.append(fault | ({} if planted.size is None else {"size": planted.size}))
    spec = Spec(seed, monday(seed, "episodes"), DAYS, INSTRUMENTS, tuple(faults), series=("run:ro",))
    instruments = demo_rules()["instruments"].split("watch_for")[0]
    rules = window_rules(_RULES, INSTRUMENTS, _narrowed(instruments) + _narrowed(_REAL))

    def asked(run: Record) -> Sequence[Asked]:
        return [
            Asked(
                planted.cell, planted.klass, frozenset(planted.told_by), planted.target, at(run, begin[k]),
                at(run, begin[k]), at(run, begin[k] + EACH_DAYS + 1), planted.target, planted.within_h,
            )
            for k, planted in enumerate(EPISODES)
        ]  # fmt: skip

    return Window(spec, site_with(rules), asked)


def _narrowed(table: str) -> str:
    """A rule about instruments, narrowed to those of these windows."""
    names = (
        "tap-meter",
        "softener-meter",
        "ro-meter",
        "ro-display",
        "di-meter",
        "tank-level",
        "m01-level",
        "m03-level",
    )
    told = ", ".join(f'"{name}"' for name in (*names, *(("flow-meters",) if "silent" not in table else ())))
    return f"{table.rstrip()}\ninstruments = [{told}]\n"


SPIKES = ("permeate_ec", "permeate_tds", "softened_ec")


def spikes(seed: int, number: int) -> Window:
    """One report in fifty is off by a third for weeks: a process alarm made of it is a false one."""
    target = SPIKES[number % len(SPIKES)]
    fault = {"kind": "spikes", "target": target, "size": 2.0, "start_day": 24.0}
    spec = Spec(seed, monday(seed, "spikes"), 60, MEMBRANE, (fault,), series=("run:ro",))
    return Window(spec, site_with(window_rules(TRAIN_RULES, MEMBRANE)), lambda run: ())


DRIFTS = (("permeate_ec", 5.0), ("softened_ec", -5.0), ("permeate_ec", -5.0), ("softened_ec", 5.0))


def drift(seed: int, number: int) -> Window:
    """A probe that drifts by 5 % a week."""
    target, size = DRIFTS[number % len(DRIFTS)]
    day = somewhen(seed, "drift", 21, 28)
    fault = {"kind": "probe_drift", "target": target, "size": size, "start_day": day}
    spec = Spec(seed, monday(seed, "drift"), DAYS, MEMBRANE, (fault,), series=("run:ro",))

    def asked(run: Record) -> Sequence[Asked]:
        start, tenth = at(run, day), at(run, day + 14)
        told = frozenset({"drift", "rule:ro-creep", "rule:ro-creep/check"})
        place = {"permeate_ec": "RO probe", "softened_ec": "feed probe"}[target]
        return [
            Asked(f"drift, {size:+g} %/week, from 10 %", place, told, "", start, tenth, run.end_ms, target)
        ]

    return Window(spec, site_with(window_rules(TRAIN_RULES, MEMBRANE)), asked)
