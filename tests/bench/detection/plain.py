"""Families that need no windows of their own: one fault a window, the rules that watch it, what is told.

An entry of a table is all that such a family takes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from tests.bench.detection.record import Record, Spec
from tests.bench.detection.watching import site_with
from tests.bench.detection.windows import DAYS, Asked, Window, at, monday, somewhen


@dataclass(frozen=True)
class Planted:
    """A fault, what tells it (`windows.Asked.told_by`), where, and what a naive rule would look at."""

    cell: str
    fault: dict[str, Any]
    told_by: frozenset[str]
    subject: str
    instrument: str
    within_h: float | None = None


@dataclass(frozen=True)
class Plain:
    """What is simulated and watched, as tables of a site file, and the faults that take turns."""

    klass: str
    instruments: tuple[str, ...]
    rules: str
    planted: tuple[Planted, ...]
    days: int = DAYS
    series: tuple[str, ...] = field(default=("run:ro",))


def windows_of(name: str, plain: Plain) -> Callable[[int, int], Window]:
    """The windows of such a family; the fault begins in the fourth week."""

    def window(seed: int, number: int) -> Window:
        one, day = plain.planted[number % len(plain.planted)], somewhen(seed, name, 21, 28)
        fault = {**one.fault, "start_day": day}
        spec = Spec(seed, monday(seed, name), plain.days, plain.instruments, (fault,), series=plain.series)

        def asked(run: Record) -> Sequence[Asked]:
            begun = at(run, day)
            return [
                Asked(
                    one.cell, plain.klass, one.told_by, one.subject, begun, begun, run.end_ms,
                    one.instrument, one.within_h,
                )
            ]  # fmt: skip

        return Window(spec, site_with(plain.rules), asked)

    return window


TANK = Plain(
    klass="level, 1 mm; contact of the RO",
    instruments=("tank_level", "ro_run"),
    rules="""
[[rule]]
kind = "tank"
id = "tank"
level = "tank.level"
low = "300 mm"
high = "1200 mm"
running = "ro.run"
priority = "high"
""",
    planted=tuple(
        Planted(words, fault, frozenset({*told.split(), "rule:tank"}), "tank", "tank_level", within_h)
        for words, fault, told, within_h in (
            ("tank leaks, 5 L/h", {"kind": "tank_leak", "size": 5.0}, "tank-leak", 72.0),
            ("float calls for ever", {"kind": "float_calling"}, "high-level long-run", 24.0),
            ("float chatters", {"kind": "float_chatter"}, "short-cycling", 72.0),
            ("RO does not start", {"kind": "ro_stopped"}, "not-made low-level", 24.0),
        )
    ),
    days=45,
)

# Start-up readings as a shop would have written them down: those of the element's sheet at 25 °C.
_FLOW = 'temperature = "25 degC", permeate_flow = "3.8 L/min"'
_SALT = 'feed_flow = "6.3 L/min", feed = "450 uS/cm", permeate = "15 uS/cm"'
WEAR = Plain(
    klass="flow, passage and pressure drop",
    instruments=(
        "softened_ec",
        "permeate_ec",
        "feed_temp",
        "feed_flow",
        "permeate_flow",
        "drop_pressure",
        "ro_run",
    ),
    rules=f"""
[[derived]]
kind = "normalised-flow"
id = "ro.normal-flow"
permeate_flow = "permeate.flow"
temperature = "feed.temp"
reference = {{ {_FLOW} }}

[[derived]]
kind = "normalised-salt-passage"
id = "ro.normal-passage"
permeate = "permeate.ec"
feed = "softened.ec"
permeate_flow = "permeate.flow"
feed_flow = "feed.flow"
temperature = "feed.temp"
reference = {{ {_FLOW}, {_SALT} }}

[[rule]]
kind = "membrane"
id = "ro-membrane"
flow = "ro.normal-flow"
passage = "ro.normal-passage"
drop = "drop.pressure"
running = "ro.run"
stage = "ro"
""",
    planted=tuple(
        Planted(words, fault, frozenset({"rule:ro-membrane"}), "", "permeate_flow")
        for words, fault in (
            ("dirt in the channel, 4 %/week", {"kind": "membrane_fouling", "size": 4.0}),
            ("scale, 4 %/week", {"kind": "membrane_scaling", "size": 4.0}),
            ("oxidised, 9 %/week", {"kind": "membrane_oxidised", "size": 9.0}),
        )
    ),
)
