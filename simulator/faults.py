"""What goes wrong in a shop: a script of faults, each with its start, end, target and size."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.noise import Floats
from simulator.shop import Shop, ShopError
from simulator.sump import STEP_MIN, SumpFaults
from simulator.unit import UnitFaults, unit_faults

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
# What sound carbon lets through of the tap's chlorine.
SOUND_CARBON = 0.01


@dataclass(frozen=True)
class Kind:
    """A kind of fault: what its target is, what its size means, and the size and days it takes when
    not told.
    """

    target: str
    unit: str
    size: float
    days: float | None = None


KINDS: dict[str, Kind] = {
    "membrane_creep": Kind("", "% more salt permeability a week", 15.0),
    "membrane_seal": Kind("", "% of raw feed leaking past a seal", 1.0),
    "membrane_fouling": Kind("", "% more resistance to water a week, as deposits in the channel", 4.0),
    "membrane_scaling": Kind("", "% more resistance to water a week, as scale on the membrane", 4.0),
    "membrane_oxidised": Kind("", "% more salt permeability a week; a third of it of water's", 9.0),
    "membrane_cleaned": Kind("", "% of what fouled and scaled taken off; work done, no fault", 80.0, 0.1),
    "ro_stopped": Kind("", "", 1.0),
    "tank_leak": Kind("", "L/h", 5.0),
    "float_calling": Kind("", "the float calls for water also when the tank is full", 1.0),
    "float_chatter": Kind("", "litres between the float's start and its stop", 10.0),
    "resin_exhaustion": Kind(
        "",
        "% of the anion sites held by strong acids when it starts; the bed is not changed until its end",
        72.0,
    ),
    "channelled_bed": Kind("", "% of the flow running in a channel", 10.0),
    "softener_stopped": Kind("", "", 1.0),
    "softener_timer": Kind("", "", 1.0),
    "softener_clock": Kind("", "h the valve's clock is ahead: it regenerates so much earlier", 9.0),
    "carbon_spent": Kind("", "", 1.0),
    "carbon_fading": Kind("", "% of the chlorine that passes, more each week", 10.0),
    "prefilter_clogging": Kind("", "times the dirt in the tap water", 8.0),
    "supplier_switch": Kind("", "shift of the blend towards the second source, -1 to 1", 0.4),
    "sump_leak": Kind("machine", "L/h", 1.5),
    "sump_burst": Kind("machine", "L/min", 4.0, 0.03),
    "valve_stuck": Kind("machine", "", 1.0, 0.5),
    "probe_stuck": Kind("instrument", "", 1.0),
    "probe_drift": Kind("instrument", "% of reading a week", 5.0),
    "dropout": Kind("instrument", "share of readings lost", 1.0),
    "flow_dead": Kind("instrument", "", 1.0),
    "over_range": Kind("instrument", "", 1.0),
    "clock_wrong": Kind("instrument", "s the instrument's clock is ahead", 3600.0),
    "foam": Kind("instrument", "mm read too high while the pump runs", 30.0),
}


@dataclass(frozen=True)
class Fault:
    """One fault of a run; `end_ms` is when it is put right, None if never."""

    id: str
    kind: str
    start_ms: int
    end_ms: int | None
    target: str
    size: float

    def active(self, times_ms: NDArray[np.int64]) -> NDArray[np.bool_]:
        inside = times_ms >= self.start_ms
        if self.end_ms is not None:
            inside &= times_ms < self.end_ms
        return np.asarray(inside)

    def weeks(self, times_ms: NDArray[np.int64]) -> Floats:
        """Weeks since the start while the fault lasts, else zero."""
        return np.where(self.active(times_ms), (times_ms - self.start_ms) / (7.0 * DAY_MS), 0.0)


ALLOWED = ("id", "kind", "target", "size", "start", "end", "start_day", "end_day")


def _moment(entry: Mapping[str, Any], name: str, run_start_ms: int, where: str) -> int | None:
    if f"{name}_day" in entry:
        return run_start_ms + round(float(entry[f"{name}_day"]) * DAY_MS)
    value = entry.get(name)
    if value is None:
        return None
    if isinstance(value, str):
        try:
            value = datetime.fromisoformat(value)
        except ValueError as error:
            raise ShopError(f"{where}: {name} {value!r} is not an ISO 8601 time") from error
    if not isinstance(value, datetime):
        raise ShopError(f"{where}: {name} must be a time, found {value!r}")
    return round((value if value.tzinfo else value.replace(tzinfo=UTC)).timestamp() * 1000)


def _one(entry: Mapping[str, Any], number: int, shop: Shop, run_start_ms: int) -> Fault:
    where = f"fault {entry.get('id', number)}"
    for key in entry:
        if key not in ALLOWED:
            raise ShopError(f"{where}: unknown key {key!r}; allowed are {', '.join(ALLOWED)}")
    kind = str(entry.get("kind", ""))
    if kind not in KINDS:
        raise ShopError(f"{where}: unknown kind {kind!r}; allowed are {', '.join(KINDS)}")
    described, target = KINDS[kind], str(entry.get("target", ""))
    if described.target == "machine":
        shop.machine_index(target)
    elif described.target == "instrument" and target not in {item.name for item in shop.instruments}:
        raise ShopError(f"{where}: instrument {target!r} is not in the shop")
    elif not described.target and target:
        raise ShopError(f"{where}: {kind} takes no target, found {target!r}")
    start = _moment(entry, "start", run_start_ms, where)
    if start is None:
        raise ShopError(f"{where}: give start (a time) or start_day (days since the run's start)")
    end = _moment(entry, "end", run_start_ms, where)
    if end is None and described.days is not None:
        end = start + round(described.days * DAY_MS)
    if end is not None and end <= start:
        raise ShopError(f"{where}: it ends before it starts")
    name = str(entry.get("id") or (f"{kind}:{target}" if target else kind))
    return Fault(name, kind, start, end, target, float(entry.get("size", described.size)))


def make_faults(
    script: Iterable[Mapping[str, Any] | Fault], shop: Shop, run_start_ms: int
) -> tuple[Fault, ...]:
    """Faults from a list of tables (or ready faults); refuses unknown kinds, keys and targets by name."""
    made = [
        item if isinstance(item, Fault) else _one(item, number, shop, run_start_ms)
        for number, item in enumerate(script, 1)
    ]
    names = [fault.id for fault in made]
    for name in names:
        if names.count(name) > 1:
            raise ShopError(f"fault {name}: this id is used twice; give each fault its own id")
    return tuple(made)


def read_fault_file(path: str | Path) -> list[dict[str, Any]]:
    """The `[[fault]]` tables of a TOML file."""
    place = Path(path)
    try:
        table = tomllib.loads(place.read_text(encoding="utf-8"))
    except OSError as error:
        raise ShopError(f"fault file {place}: cannot be read: {error.strerror}") from error
    except tomllib.TOMLDecodeError as error:
        raise ShopError(f"fault file {place.name}: not valid TOML: {error}") from error
    entries = table.pop("fault", [])
    if table or not isinstance(entries, list):
        raise ShopError(
            f"fault file {place.name}: only [[fault]] tables are allowed, found {sorted(table) or entries!r}"
        )
    return entries


@dataclass(frozen=True)
class TrainFaults:
    """What faults do to the treatment train, by the hour."""

    salt_factor: Floats
    seal: Floats
    bypass: Floats
    blend_shift: Floats
    spent: Floats
    no_change: NDArray[np.bool_]
    change_now: NDArray[np.bool_]
    no_salt: NDArray[np.bool_]
    carbon_leak: Floats
    ro_stopped: NDArray[np.bool_]
    no_cycle: NDArray[np.bool_]
    clock_ahead_h: Floats
    unit: UnitFaults


def train_faults(faults: Iterable[Fault], start_ms: int, hours: int) -> TrainFaults:
    faults, times = tuple(faults), start_ms + HOUR_MS * np.arange(hours, dtype=np.int64)
    off = np.zeros(hours, dtype=bool)
    acting = TrainFaults(
        np.ones(hours), np.zeros(hours), np.zeros(hours), np.zeros(hours), np.zeros(hours),
        off.copy(), off.copy(), off.copy(), np.full(hours, SOUND_CARBON), off.copy(), off.copy(),
        np.zeros(hours),
        unit_faults(faults, times),
    )  # fmt: skip
    for fault in faults:
        active = fault.active(times)
        if fault.kind == "membrane_creep":
            acting.salt_factor[:] *= 1.0 + 0.01 * fault.size * fault.weeks(times)
        elif fault.kind == "membrane_seal":
            acting.seal[active] += 0.01 * fault.size
        elif fault.kind == "channelled_bed":
            acting.bypass[active] = np.maximum(acting.bypass[active], 0.01 * fault.size)
        elif fault.kind == "supplier_switch":
            acting.blend_shift[active] += fault.size
        elif fault.kind == "resin_exhaustion":
            acting.no_change[:] |= active
            acting.spent[np.nonzero(active)[0][:1]] = 0.01 * fault.size
            ended = np.nonzero(active)[0][-1:] + 1
            acting.change_now[ended[ended < hours]] = True
        elif fault.kind == "softener_stopped":
            acting.no_salt[:] |= active
        elif fault.kind == "softener_timer":
            acting.no_cycle[:] |= active
        elif fault.kind == "softener_clock":
            acting.clock_ahead_h[active] += fault.size
        elif fault.kind == "carbon_spent":
            acting.carbon_leak[active] = 1.0
        elif fault.kind == "carbon_fading":
            passing = SOUND_CARBON + 0.01 * fault.size * fault.weeks(times)
            acting.carbon_leak[:] = np.clip(passing, acting.carbon_leak, 1.0)
        elif fault.kind == "ro_stopped":
            acting.ro_stopped[:] |= active
    return acting


def sump_faults(faults: Iterable[Fault], shop: Shop, start_ms: int, minutes: int) -> SumpFaults:
    steps = minutes // STEP_MIN
    times = start_ms + 60_000 * STEP_MIN * np.arange(steps, dtype=np.int64)
    leak = np.zeros((steps, len(shop.machines)))
    opened = np.zeros(leak.shape, dtype=bool)
    per_hour = {"sump_leak": STEP_MIN / 60.0, "sump_burst": float(STEP_MIN)}
    for fault in faults:
        if fault.kind in per_hour:
            leak[fault.active(times), shop.machine_index(fault.target)] += fault.size * per_hour[fault.kind]
        elif fault.kind == "valve_stuck":
            opened[fault.active(times), shop.machine_index(fault.target)] = True
    return SumpFaults(leak, opened)
