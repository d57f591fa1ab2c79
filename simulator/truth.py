"""The ground truth of a run: which alarms a perfect watch would raise, from when, and which it may not."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path

import numpy as np

from simulator.faults import DAY_MS, Fault
from simulator.instruments import Reported
from simulator.points import Series, Truth
from simulator.shop import Shop

# Families of alarms, in the words of the trade; an evaluation maps its own rule names to these.
FAMILIES = (
    "creep", "breakthrough", "discharge", "loss", "gain", "limit", "silent", "stuck", "drift", "flow-meter",
    "over-range", "clock", "flow-decline", "low-level", "not-made", "regeneration", "chlorine", "filter-drop",
    "high-level", "tank-leak", "long-run", "short-cycling",
)  # fmt: skip
EXPECTED, SIDE_EFFECT, QUIET, UNSEEN = "expected", "side-effect", "quiet", "unseen"


@dataclass(frozen=True)
class Expected:
    """One line of ground truth.

    role: *expected* (must alarm), *side-effect* (may alarm, not a false one), *quiet* (nothing may alarm
    because of it), *unseen* (no instrument of the usual kind can tell). `subject` is a point (tap, permeate,
    di, tank), a machine or an instrument. `visible_ms` is when the effect itself first reaches the size that
    `note` states (None: not within the run); a watch cannot be asked to be earlier.
    """

    fault: str
    kind: str
    target: str
    start_ms: int
    end_ms: int | None
    role: str
    family: str
    subject: str
    visible_ms: int | None
    note: str


def _first(
    series: Series, over: Series | float, fault: Fault, start_ms: int, mask: Series | None = None
) -> int | None:
    """First moment in the fault at which `series` exceeds `over`, held for an hour of the minutes that
    count.
    """
    times = start_ms + (series.minutes * 60_000).astype(np.int64)
    limit = over if isinstance(over, float) else over.at(series.minutes)
    above = (series.values > limit) & fault.active(times)
    counts = mask.at(series.minutes) > 0.5 if mask is not None else np.ones(len(times), dtype=bool)
    places = np.nonzero(counts)[0]
    run = np.convolve(above[places], np.ones(20), mode="valid") >= 18 if len(places) >= 20 else np.zeros(0)
    hits = np.nonzero(run)[0]
    return int(times[places[hits[0] + 19]]) if len(hits) else None


Line = tuple[str, str, str, int | None, str]

# Lines that need only the fault itself: role, family, subject ("" is the fault's target), when visible, note.
START, TENTH = "start", "ten per cent"
TABLE: dict[str, tuple[tuple[str, str, str, str, str], ...]] = {
    "membrane_creep": (
        (EXPECTED, "creep", "permeate", TENTH, "salt permeability 10 % above its start"),
        (SIDE_EFFECT, "breakthrough", "di", START, "the bed is loaded sooner"),
        (SIDE_EFFECT, "limit", "permeate", START, ""),
    ),
    "membrane_seal": (
        (EXPECTED, "creep", "permeate", START, "raw feed in the permeate at once"),
        (SIDE_EFFECT, "breakthrough", "di", START, "the bed is loaded sooner"),
        (SIDE_EFFECT, "limit", "permeate", START, ""),
    ),
    "channelled_bed": (
        (EXPECTED, "breakthrough", "di", START, "part of the feed passes untreated"),
        (SIDE_EFFECT, "limit", "di", START, ""),
    ),
    "membrane_oxidised": (
        (EXPECTED, "creep", "permeate", TENTH, "salt permeability 10 % above its start; water's by a third"),
        (SIDE_EFFECT, "flow-decline", "permeate", START, "the pattern of the three is told by that rule"),
        (SIDE_EFFECT, "breakthrough", "di", START, "the bed is loaded sooner"),
        (SIDE_EFFECT, "limit", "permeate", START, ""),
    ),
    "membrane_cleaned": ((SIDE_EFFECT, "flow-decline", "permeate", START, "work done, no fault"),),
    "ro_stopped": (
        (EXPECTED, "not-made", "permeate", START, ""),
        (SIDE_EFFECT, "not-made", "tank", START, ""),
        (SIDE_EFFECT, "low-level", "tank", START, ""),
        (SIDE_EFFECT, "short-cycling", "tank", START, ""),
    ),
    "tank_leak": (
        (EXPECTED, "tank-leak", "tank", START, "seen once nobody draws"),
        (SIDE_EFFECT, "long-run", "tank", START, ""),
        (SIDE_EFFECT, "low-level", "tank", START, ""),
    ),
    "float_calling": (
        (EXPECTED, "high-level", "tank", START, "seen once the tank is full"),
        (SIDE_EFFECT, "long-run", "tank", START, ""),
    ),
    "float_chatter": ((EXPECTED, "short-cycling", "tank", START, "seen once water is drawn"),),
    "carbon_spent": (
        (UNSEEN, "limit", "softened", START, "chlorine"),
        (SIDE_EFFECT, "creep", "permeate", START, "oxidised membrane, after months"),
    ),
    "carbon_fading": (
        (EXPECTED, "chlorine", "carbon", START, "seen by a chlorine test alone"),
        (SIDE_EFFECT, "creep", "permeate", START, "oxidised membrane, after months"),
    ),
    "prefilter_clogging": ((EXPECTED, "filter-drop", "prefilter", START, "with a gauge on either side"),),
    "softener_clock": (
        (EXPECTED, "regeneration", "softened", START, "at the wrong hour, with a contact on the valve"),
    ),
    "supplier_switch": (
        (QUIET, "creep", "permeate", START, "feed and permeate move together"),
        (SIDE_EFFECT, "limit", "tap", START, "a feed that changed may be told"),
    ),
    "valve_stuck": ((EXPECTED, "gain", "", START, ""), (SIDE_EFFECT, "limit", "", START, "")),
    "probe_stuck": ((EXPECTED, "stuck", "", START, ""), (SIDE_EFFECT, "loss", "", START, "")),
    "probe_drift": (
        (EXPECTED, "drift", "", TENTH, "reading 10 % off"),
        (SIDE_EFFECT, "creep", "", START, ""),
    ),
    "dropout": ((EXPECTED, "silent", "", START, ""),),
    "flow_dead": ((EXPECTED, "flow-meter", "", START, "seen at the next run of the osmosis"),),
    "over_range": ((EXPECTED, "over-range", "", START, ""), (SIDE_EFFECT, "limit", "", START, "")),
    "clock_wrong": (
        (EXPECTED, "clock", "", START, ""),
        (SIDE_EFFECT, "silent", "", START, "a time that cannot be true is not judged"),
    ),
    "foam": ((QUIET, "loss", "", START, "foam is not coolant"),),
}


def _lines(fault: Fault, shop: Shop, series: Truth, start_ms: int) -> list[Line]:
    if fault.kind == "resin_exhaustion":
        return _resin(fault, series, start_ms)
    if fault.kind == "softener_stopped":
        return _softener(fault, series, start_ms)
    if fault.kind == "softener_timer":
        note = "no regeneration any more, with a contact on the valve, or salt and litres"
        told = (EXPECTED, "regeneration", "softened", fault.start_ms, note)
        return [told, *_softener(fault, series, start_ms)]
    if fault.kind in ("sump_leak", "sump_burst"):
        return _leak(fault, shop)
    tenth = fault.start_ms + round(7 * DAY_MS * 10.0 / abs(fault.size)) if fault.size else None
    if fault.kind in ("membrane_fouling", "membrane_scaling"):
        return _deposits(fault, tenth)
    when = {START: fault.start_ms, TENTH: tenth}
    return [
        (role, family, subject or fault.target, when[visible], note)
        for role, family, subject, visible, note in TABLE[fault.kind]
    ]


def _resin(fault: Fault, series: Truth, start_ms: int) -> list[Line]:
    running, di, feed = series["run:ro"], series["ec25:di"], series["ec25:permeate"]
    quarter = Series(feed.minutes, np.maximum(0.25 * feed.values, 1.0))
    more = Series(feed.minutes, 1.05 * feed.values)
    front, above = (_first(di, over, fault, start_ms, running) for over in (quarter, more))
    return [
        (EXPECTED, "breakthrough", "di", front, "outlet above a quarter of its feed and above 1 uS/cm"),
        (EXPECTED, "discharge", "di", above, "outlet 5 % above its feed"),
        (SIDE_EFFECT, "limit", "di", fault.start_ms, ""),
        (SIDE_EFFECT, "limit", "tank", fault.start_ms, ""),
    ]


def _softener(fault: Fault, series: Truth, start_ms: int) -> list[Line]:
    hard = _first(series["hardness:softened"], 20.0, fault, start_ms, series["run:ro"])
    note = "hardness above 20 mg/L as CaCO3; conductivity hardly moves"
    return [
        (UNSEEN, "limit", "softened", hard, note),
        (SIDE_EFFECT, "flow-decline", "permeate", fault.start_ms, "scale, after weeks"),
        (SIDE_EFFECT, "creep", "permeate", fault.start_ms, "scale, after weeks"),
        (SIDE_EFFECT, "breakthrough", "di", fault.start_ms, "the bed takes hardness"),
    ]


def _deposits(fault: Fault, tenth_ms: int | None) -> list[Line]:
    note = "resistance to water a tenth above its start"
    lines: list[Line] = [
        (EXPECTED, "flow-decline", "permeate", tenth_ms, note),
        (SIDE_EFFECT, "long-run", "tank", fault.start_ms, "less water made an hour"),
        (SIDE_EFFECT, "not-made", "tank", fault.start_ms, "less water made an hour"),
        (SIDE_EFFECT, "low-level", "tank", fault.start_ms, "less water made an hour"),
    ]
    if fault.kind == "membrane_scaling":
        lines.append((SIDE_EFFECT, "creep", "permeate", fault.start_ms, "scale lets more salt through"))
    return lines


def _leak(fault: Fault, shop: Shop) -> list[Line]:
    machine = shop.machines[shop.machine_index(fault.target)]
    per_hour = fault.size * (60.0 if fault.kind == "sump_burst" else 1.0)
    litres = 0.04 * machine.volume_l
    visible: int | None = fault.start_ms + round(3_600_000 * litres / per_hour)
    if visible is not None and fault.end_ms is not None and visible > fault.end_ms:
        visible = None
    return [
        (EXPECTED, "loss", fault.target, visible, f"{litres:.0f} L lost (4 % of the sump)"),
        (SIDE_EFFECT, "low-level", fault.target, fault.start_ms, ""),
        (SIDE_EFFECT, "limit", fault.target, fault.start_ms, ""),
    ]


def expected_alarms(
    shop: Shop, faults: Iterable[Fault], series: Truth, start_ms: int, end_ms: int
) -> tuple[Expected, ...]:
    """Ground truth of a run, in order of fault and then as listed; moments past the run's end become None."""
    lines: list[Expected] = []
    for fault in faults:
        for role, family, subject, visible, note in _lines(fault, shop, series, start_ms):
            seen = visible if visible is not None and visible < end_ms else None
            lines.append(
                Expected(
                    fault.id,
                    fault.kind,
                    fault.target,
                    fault.start_ms,
                    fault.end_ms,
                    role,
                    family,
                    subject,
                    seen,
                    note,
                )
            )
    return tuple(lines)


def natural_gaps(shop: Shop, reported: Mapping[str, Reported]) -> tuple[Expected, ...]:
    """Stretches of five intervals and more in which a sound instrument was not heard: an alarm is no
    false one.
    """
    lines = []
    for instrument in shop.instruments:
        times = reported[instrument.name].time_ms
        limit = 5_000.0 * instrument.interval_s
        for index in np.nonzero(np.diff(times) >= limit)[0]:
            begin, end = int(times[index]), int(times[index + 1])
            name = f"gap:{instrument.name}:{begin}"
            note = f"not heard for {(end - begin) / 60_000:.0f} min"
            lines.append(
                Expected(
                    name,
                    "gap",
                    instrument.name,
                    begin,
                    end,
                    SIDE_EFFECT,
                    "silent",
                    instrument.name,
                    begin,
                    note,
                )
            )
    return tuple(lines)


def write_truth(truth: Iterable[Expected], path: Path) -> None:
    """The ground truth as CSV."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, [item.name for item in fields(Expected)])
        writer.writeheader()
        writer.writerows(asdict(line) for line in truth)
