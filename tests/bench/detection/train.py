"""Windows of the treatment train: membrane, resin bed, and the instruments of both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from simulator.points import Series
from tests.bench.detection.cache import REPOSITORY
from tests.bench.detection.record import MINUTE_MS, Record, Spec, record
from tests.bench.detection.watching import Site, site_of_text, site_with, window_rules
from tests.bench.detection.windows import DAYS, TRAIN_RULES, Asked, Window, at, monday, somewhen

WEEK_H = 7 * 24.0
CREEP_SIZES = (3.0, 6.0, 12.0)
MEMBRANE = (
    "softened_ec", "permeate_ec", "permeate_tds", "feed_temp", "feed_flow", "permeate_flow", "ro_run",
)  # fmt: skip
BED = ("tap_ec", "tap_temp", "permeate_ec", "di_ec", "permeate_flow", "feed_flow", "ro_run")
BED_RULES = ("di-bed", "di-discharge", "di-high", "stuck", "silent", "instruments", "not-judged")
SERIES = ("run:ro", "total:permeate")
# What a shop has whose RO came with a small meter of whole ppm: no temperature, no flows.
DISPLAY_CREEP = """
[[rule]]
kind = "creep"
id = "creep-display"
permeate = "permeate.tds"
feed = "softened.ec"
limit = "8 %"
"""


def creep(seed: int, number: int) -> Window:
    """A membrane that lets more salt through, week by week; judged by two classes of meter at once."""
    size, day = CREEP_SIZES[number % 3], somewhen(seed, "creep", 21, 28)
    spec = Spec(
        seed, monday(seed, "creep"), DAYS, MEMBRANE,
        ({"kind": "membrane_creep", "size": size, "start_day": day},), series=SERIES,
    )  # fmt: skip
    rules = window_rules(TRAIN_RULES, MEMBRANE, DISPLAY_CREEP)

    def asked(run: Record) -> Sequence[Asked]:
        found = []
        for klass, rule, meter, by_pct, weeks in (
            ("A: 0.1 µS/cm, temperature, feed", "ro-creep", "permeate_ec", 10.0, 3),
            ("B: 1 ppm, feed, no temperature", "creep-display", "permeate_tds", 30.0, 4),
        ):
            start, reached = at(run, day), at(run, day + 7 * by_pct / size)
            if reached + weeks * 7 * 86_400_000 > run.end_ms:
                continue
            found.append(
                Asked(
                    f"creep {size:g} %/week, from +{by_pct:g} %", klass, frozenset({f"rule:{rule}"}),
                    "permeate", start, reached, run.end_ms, meter, weeks * WEEK_H, "total:permeate",
                    best=(klass[0], size),
                )
            )  # fmt: skip
        return found

    return Window(spec, site_with(rules), asked, remember=("ro-creep",))


RESIN = ("plain", "flow meter dead", "outlet over range", "channelled")


def resin(seed: int, number: int) -> Window:
    """A bed run into its front and beyond, plain or with an instrument fault, or one with a channel."""
    kind, day = RESIN[number % 4], somewhen(seed, "resin", 21, 35)
    faults: list[dict[str, Any]] = [{"kind": "resin_exhaustion", "start_day": day}]
    if kind == "flow meter dead":
        faults.append({"kind": "flow_dead", "target": "permeate_flow", "start_day": day + 2})
    elif kind == "outlet over range":
        faults.append({"kind": "over_range", "target": "di_ec", "start_day": day + 4})
    elif kind == "channelled":
        faults = [{"kind": "channelled_bed", "size": 10.0, "start_day": day}]
    series = (*SERIES, "ec25:di", "ec25:permeate")
    spec = Spec(seed, monday(seed, "resin"), 60, BED, tuple(faults), series=series)
    name = "channelled_bed" if kind == "channelled" else "resin_exhaustion"

    def asked(run: Record, klass: str = "0.1 µS/cm, feed probe", one_meter: bool = False) -> Sequence[Asked]:
        start = at(run, day)
        front = run.line(name, "breakthrough")
        found = []
        if front is not None and front.visible_ms is not None:
            told = frozenset({"breakthrough", "discharge", "limit"} if one_meter else {"breakthrough"})
            found.append(
                Asked(f"front, {kind}", klass, told, "di", start, front.visible_ms, run.end_ms, "di_ec",
                      72.0, "total:permeate")
            )  # fmt: skip
        above = None if kind == "channelled" else above_both_errors(run, start)
        if above is not None:
            if kind == "outlet over range":
                above = at(run, day + 4)  # from there on it says "at least 50"
            told = frozenset({"limit", "discharge"} if one_meter else {"discharge", "over-range"})
            found.append(
                Asked(f"discharge, {kind}", klass, told, "di", start, above, run.end_ms, "di_ec", 24.0,
                      "total:permeate")
            )  # fmt: skip
        return found

    def asked_of_one(run: Record) -> Sequence[Asked]:
        return asked(run, "one meter, nothing else", one_meter=True)

    more = ((one_meter_site(), asked_of_one),) if kind in ("plain", "channelled") else ()
    return Window(spec, site_with(window_rules(BED_RULES, BED)), asked, more=more)


def above_both_errors(run: Record, start_ms: int) -> int | None:
    """When the true outlet first exceeds its true feed by more than both probes may be off, for 20 minutes of
    made water: 2 % of each, 0.3 uS/cm together (config/demo-shop.toml)."""
    out, feed, running = run.series["ec25:di"], run.series["ec25:permeate"], run.series["run:ro"]
    made = (running.at(out.minutes) > 0.5) & (run.start_ms + out.minutes * MINUTE_MS >= start_ms)
    over = Series(out.minutes[made], (out.values - 1.02 * feed.values - 0.02 * out.values)[made])
    held = np.convolve(over.values > 0.3, np.ones(20), mode="valid") >= 20
    if not held.any():
        return None
    return run.start_ms + round(float(over.minutes[int(np.argmax(held)) + 19]) * MINUTE_MS)


@cache
def one_meter_site() -> Site:
    """config/one-meter.toml, its meter speaking every five minutes: the commonest shop."""
    text = (REPOSITORY / "config" / "one-meter.toml").read_text(encoding="utf-8")
    text = text.replace('"di-out.ec"', '"di.ec"').replace('"1 min"', '"5 min"').replace('"20 L"', '"10 L"')
    return site_of_text(text.replace("range = [0.0, 200.0]", "range = [0.0, 50.0]"))


LIFE_DAYS = 160


def bed_life(seed: int, number: int) -> Window:
    """A new bed used to its end, changed three days after, and the next one to its end: is that announced, by
    load or by the first sign of the front?"""
    start = monday(seed, "bed life", 30)
    never = {"kind": "resin_exhaustion", "size": 0.0, "start_day": 0.0, "id": "first"}
    spec = Spec(seed, start, LIFE_DAYS, BED, (never,), shop="new-bed", series=SERIES)
    first = record(spec).line("first", "breakthrough")
    if first is not None and first.visible_ms is not None:
        begin = record(spec).start_ms
        # changed at local midnight, so that the day written down is the day it was done
        changed = int((first.visible_ms - begin) // 86_400_000) + 3 - 2 / 24
        second = {**never, "id": "second", "start_day": changed + 1 / 24}
        spec = replace(spec, faults=({**never, "end_day": changed}, second))
    dates = np.datetime64(start) + np.array([0, *([round(changed + 0.1)] if len(spec.faults) > 1 else [])])
    keys = f"installed = [{', '.join(str(d) for d in dates)}]\n"
    told = 'watch_for = ["forecast", "front"]\n'
    table = window_rules(("di-bed",), BED).replace(told, told + keys)

    def asked(run: Record) -> Sequence[Asked]:
        found = []
        for fault, cell in (("first", "first bed"), ("second", "bed after one seen to its end")):
            line = run.line(fault, "breakthrough")
            if line is not None and line.visible_ms is not None:
                found.append(
                    Asked(f"end of bed, {cell}", "feed, flow, alkalinity, pH",
                          frozenset({"rule:di-bed/forecast", "rule:di-bed/front"}), "di", line.start_ms,
                          line.visible_ms, line.visible_ms, "di_ec", early=True)
                )  # fmt: skip
        return found

    return Window(spec, site_with(table), asked, remember=("di-bed/forecast",))
