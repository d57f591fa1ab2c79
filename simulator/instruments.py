"""What an instrument makes of the truth: range, resolution, accuracy, correlated noise, drift,
sticking, loss, clock.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.faults import Fault
from simulator.noise import Floats, correlated, stream
from simulator.points import Series, Truth
from simulator.shop import Instrument, ShopError

OK, OVER, UNDER, FAILED = 0, 1, 2, 3
STATUS = {OK: "ok", OVER: "over-range", UNDER: "under-range", FAILED: "sensor failed"}
MINUTE_MS = 60_000
WEEK_MIN = 10_080.0


@dataclass(frozen=True)
class Model:
    """A class of instrument. Signal units are the instrument's own (uS/cm, ppm, C, L/min, L, mm, bar, 0/1).

    `kind` says how the truth reaches it: ec25 (compensated by its own linear coefficient), ec (raw at
    temperature), ppm, plain, counter, ultrasonic, contact. `accuracy_fs` and `accuracy_rd` are
    one-sigma shares
    of full scale and reading fixed for the life of the instrument; `white` and `noise` (AR(1), `noise_min`)
    are in signal units; `wander` is a slow AR(1) over `wander_h` as a share of reading.
    """

    kind: str
    low: float
    high: float
    resolution: float
    accuracy_fs: float = 0.0
    accuracy_rd: float = 0.0
    white: float = 0.0
    noise: float = 0.0
    noise_min: float = 10.0
    wander: float = 0.0
    wander_h: float = 24.0
    drift_week: float = 0.0
    alpha_pct: float = 2.0
    factor: float = 1.0
    lag_min: float = 0.0
    deadband: float = 0.0
    stick_per_week: float = 0.0
    stick_h: float = 2.0
    lost: float = 0.0005
    gap_per_week: float = 0.1
    gap_min: float = 8.0
    clock_s: float = 0.0
    clock_ppm: float = 0.0
    own_clock: float = 0.0
    lid_mm: float = 700.0
    foam_mm: float = 0.0
    foam_per_week: float = 0.0
    wrap: float = 0.0
    cutoff: float = 0.0


MODELS: dict[str, Model] = {
    "tds_display": Model(
        "ppm",
        0,
        999,
        1,
        accuracy_rd=0.02,
        white=0.25,
        noise=0.35,
        noise_min=25,
        factor=0.5,
        drift_week=0.001,
        stick_per_week=0.05,
    ),
    "tds_controller": Model(
        "ec25", 0, 2000, 1, accuracy_fs=0.004, white=0.3, noise=0.6, noise_min=15, wander=0.004
    ),
    "ec_transmitter": Model(
        "ec25",
        0,
        200,
        0.01,
        accuracy_fs=0.001,
        accuracy_rd=0.008,
        white=0.01,
        noise=0.02,
        noise_min=6,
        wander=0.003,
        alpha_pct=2.1,
    ),
    "ec_transmitter_di": Model(
        "ec25",
        0,
        50,
        0.1,
        accuracy_fs=0.001,
        accuracy_rd=0.01,
        white=0.01,
        noise=0.02,
        noise_min=10,
        wander=0.004,
        alpha_pct=2.1,
    ),
    "ec_transmitter_tap": Model(
        "ec", 0, 2000, 1, accuracy_rd=0.008, white=0.25, noise=0.9, noise_min=30, wander=0.004
    ),
    "thermometer": Model("plain", -20, 120, 0.1, accuracy_fs=0.001, white=0.03, noise=0.05, lag_min=1.0),
    "flow_turbine": Model(
        "plain", 0, 20, 0.01, accuracy_rd=0.015, white=0.015, noise=0.02, noise_min=3, cutoff=0.3
    ),
    "flow_counter": Model("counter", 0, 1e9, 1.0, accuracy_rd=0.01, wrap=65536),
    "pressure": Model("plain", 0, 16, 0.01, accuracy_fs=0.003, white=0.02, noise=0.03, noise_min=5),
    "level_pressure": Model(
        "plain", 0, 1000, 1, accuracy_fs=0.002, white=0.35, noise=0.5, noise_min=8, wander=0.001
    ),
    "level_tank": Model("plain", 0, 2000, 1, accuracy_fs=0.002, white=0.5, noise=0.8, noise_min=8),
    "level_ultrasonic": Model(
        "ultrasonic",
        0,
        700,
        1,
        accuracy_fs=0.003,
        white=0.7,
        noise=0.9,
        noise_min=4,
        lag_min=45,
        foam_mm=14,
        foam_per_week=2.5,
        lost=0.004,
    ),
    "level_float": Model(
        "plain",
        0,
        600,
        10,
        accuracy_fs=0.004,
        white=0.4,
        noise=0.8,
        noise_min=15,
        deadband=4,
        stick_per_week=0.6,
        stick_h=5,
    ),
    "contact": Model("contact", 0, 1, 1, gap_per_week=0.05),
    "humidity": Model("plain", 0, 100, 0.1, accuracy_fs=0.02, white=0.1, noise=0.3, noise_min=20),
}


class Sample(NamedTuple):
    """One report: when it left the instrument, what time the instrument says it is, what it says, how
    it feels.
    """

    sent_ms: int
    instrument: str
    own_ms: int
    value: float
    status: int


@dataclass(frozen=True)
class Reported:
    """All reports of one instrument; lost ones are not in it. Values are NaN where the sensor has failed."""

    time_ms: NDArray[np.int64]
    own_ms: NDArray[np.int64]
    value: Floats
    status: NDArray[np.uint8]


def model_of(instrument: Instrument) -> Model:
    """The instrument's class with its own settings laid over; refuses unknown classes and settings by
    name.
    """
    if instrument.model not in MODELS:
        known = ", ".join(MODELS)
        raise ShopError(
            f"instrument {instrument.name}: unknown model {instrument.model!r}; allowed are {known}"
        )
    allowed = {item.name for item in fields(Model)} - {"kind"}
    for key in instrument.settings:
        if key not in allowed:
            known = ", ".join(sorted(allowed))
            raise ShopError(f"instrument {instrument.name}: unknown setting {key!r}; allowed are {known}")
    return replace(MODELS[instrument.model], **instrument.settings)


class _Dice:
    """The instrument's own random numbers, all drawn up front so that no fault and no truth can shift
    them.
    """

    def __init__(self, seed: int, name: str, model: Model, count: int, interval_min: float) -> None:
        rng = stream(seed, f"instrument {name}")
        self.fixed = rng.standard_normal(6)
        self.phase = float(rng.random())
        self.lost = rng.random(count)
        self.white = rng.standard_normal(count)
        self.noise = correlated(rng, (count,), 1.0, interval_min, model.noise_min)
        self.wander = correlated(rng, (count,), 1.0, interval_min, model.wander_h * 60.0)
        self.episodes = rng.random((count, 2)) if count else np.zeros((0, 2))
        self.gaps = rng.random((count, 2)) if count else np.zeros((0, 2))

    @staticmethod
    def spells(dice: Floats, per_week: float, length_min: float, interval_min: float) -> NDArray[np.bool_]:
        """Episodes that begin at a rate and last exponentially long."""
        inside = np.zeros(len(dice), dtype=bool)
        if per_week <= 0.0:
            return inside
        for begin in np.nonzero(dice[:, 0] < per_week * interval_min / WEEK_MIN)[0]:
            steps = 1 + int(-np.log(1.0 - dice[begin, 1]) * length_min / interval_min)
            inside[begin : begin + steps] = True
        return inside


def _signal(instrument: Instrument, model: Model, truth: Truth, minutes: Floats) -> Floats:
    """The quantity as it reaches the instrument's electronics, before its own errors."""
    series = truth[instrument.measures]
    where = instrument.measures.partition(":")[2]
    if model.kind in ("ec25", "ppm"):
        temp = truth[f"temp:{where}"].at(minutes)
        at_25 = series.at(minutes) / (1.0 + 0.01 * model.alpha_pct * (temp - 25.0))
        return at_25 * (model.factor if model.kind == "ppm" else 1.0)
    if model.kind == "ultrasonic":
        return _ultrasonic(series, model, truth, minutes)
    value = series.at(minutes)
    return np.where(value < model.cutoff, 0.0, value) if model.cutoff else value


def _ultrasonic(series: Series, model: Model, truth: Truth, minutes: Floats) -> Floats:
    """Distance from the lid by time of flight; the built-in thermometer follows the air late, the
    sound does not.
    """
    air = truth["temp:air"]
    actual, felt = air.at(minutes), air.at(minutes - model.lag_min)
    speed_true = 331.3 * np.sqrt(1.0 + actual / 273.15)
    speed_taken = 331.3 * np.sqrt(1.0 + (felt + 1.5) / 273.15)
    distance = model.lid_mm - series.at(minutes)
    return np.asarray(model.lid_mm - distance * speed_taken / speed_true)


def report(
    instrument: Instrument, truth: Truth, faults: tuple[Fault, ...], start_ms: int, minutes: int, seed: int
) -> Reported:
    """Everything the instrument reports in the run."""
    model = model_of(instrument)
    interval_ms = round(instrument.interval_s * 1000.0)
    count = minutes * MINUTE_MS // interval_ms
    dice = _Dice(seed, instrument.name, model, count, interval_ms / MINUTE_MS)
    offset = np.arange(count, dtype=np.int64) * interval_ms + int(dice.phase * 0.9 * interval_ms)
    times = start_ms + offset
    at = offset / MINUTE_MS
    mine = tuple(fault for fault in faults if fault.target == instrument.name)
    value = _signal(instrument, model, truth, at)
    value = _errors(value, model, dice, at, instrument, truth)
    value = _fault_values(value, mine, times, model, instrument, truth, at)
    value = _stick(value, model, dice, instrument.interval_s / 60.0)
    value, status = _quantise(value, model, mine, times)
    value = _frozen(value, mine, times)
    keep = (dice.lost >= model.lost) & ~dice.spells(
        dice.gaps, model.gap_per_week, model.gap_min, interval_ms / MINUTE_MS
    )
    for fault in mine:
        if fault.kind == "dropout":
            keep &= ~(fault.active(times) & (dice.lost < fault.size))
    own = _own_clock(times, offset, model, dice, mine)
    return Reported(times[keep], own[keep], value[keep], status[keep])


def _errors(
    value: Floats, model: Model, dice: _Dice, at: Floats, instrument: Instrument, truth: Truth
) -> Floats:
    span = model.high - model.low
    if model.kind == "contact":
        return value
    gain = 1.0 + model.accuracy_rd * dice.fixed[0] + model.drift_week * dice.fixed[2] * at / WEEK_MIN
    if model.kind == "counter":
        return value * gain
    moving = np.where(value == 0.0, 0.0, 1.0) if model.cutoff else 1.0
    own = model.white * dice.white + model.noise * dice.noise
    value = (
        value * (gain + model.wander * dice.wander)
        + model.accuracy_fs * span * dice.fixed[1] * moving
        + own * moving
    )
    if model.foam_mm:
        foam = dice.spells(dice.episodes, model.foam_per_week, 180.0, instrument.interval_s / 60.0)
        running = truth[f"run:{instrument.measures.partition(':')[2]}"].at(at) > 0.5
        value = value + np.where(foam & running, model.foam_mm * (1.0 + 0.5 * dice.noise), 0.0)
    return value


def _fault_values(
    value: Floats, mine: tuple[Fault, ...], times: NDArray[np.int64], model: Model,
    instrument: Instrument, truth: Truth, at: Floats,
) -> Floats:  # fmt: skip
    for fault in mine:
        if fault.kind == "probe_drift":
            value = value * (1.0 + 0.01 * fault.size * fault.weeks(times))
        elif fault.kind == "flow_dead" and model.kind == "counter":
            begin = value[np.nonzero(fault.active(times))[0][:1]]
            end = value[np.nonzero(fault.active(times))[0][-1:]]
            missed = np.where(fault.active(times), value - begin, 0.0) if len(begin) else 0.0
            after = times >= (fault.end_ms if fault.end_ms is not None else times[-1] + 1)
            value = value - missed - (np.where(after, end - begin, 0.0) if len(begin) else 0.0)
        elif fault.kind == "flow_dead":
            value = np.where(fault.active(times), 0.0, value)
        elif fault.kind == "foam":
            running = truth[f"run:{instrument.measures.partition(':')[2]}"].at(at) > 0.5
            value = value + np.where(fault.active(times) & running, fault.size, 0.0)
    return value


def _hold(value: Floats, held: NDArray[np.bool_]) -> Floats:
    """Repeat the last value before each held stretch."""
    place = np.where(held, 0, np.arange(len(value)))
    return np.asarray(value[np.maximum.accumulate(place)]) if len(value) else value


def _stick(value: Floats, model: Model, dice: _Dice, interval_min: float) -> Floats:
    """A mechanism that hangs: it holds in sticking spells, and never moves for less than its dead band."""
    if model.stick_per_week > 0.0:
        value = _hold(
            value, dice.spells(dice.episodes, model.stick_per_week, model.stick_h * 60.0, interval_min)
        )
    if model.deadband > 0.0:
        at, out = float(value[0]) if len(value) else 0.0, value.tolist()
        half = model.deadband
        for index, wanted in enumerate(out):
            if wanted > at + half:
                at = wanted - half
            elif wanted < at - half:
                at = wanted + half
            out[index] = at
        value = np.array(out)
    return value


def _quantise(
    value: Floats, model: Model, mine: tuple[Fault, ...], times: NDArray[np.int64]
) -> tuple[Floats, NDArray[np.uint8]]:
    status = np.zeros(len(value), dtype=np.uint8)
    if model.kind == "counter":
        whole = np.floor(value / model.resolution)
        return (np.mod(whole, model.wrap) if model.wrap else whole) * model.resolution, status
    for fault in mine:
        if fault.kind == "over_range":
            value = np.where(fault.active(times), model.high * 1.2 + 1.0, value)
    status[value > model.high] = OVER
    status[(value < model.low) & (model.low < 0.0)] = UNDER
    rounded = np.round(value / model.resolution) * model.resolution
    return np.round(np.clip(rounded, model.low, model.high), 6), status


def _frozen(value: Floats, mine: tuple[Fault, ...], times: NDArray[np.int64]) -> Floats:
    for fault in mine:
        if fault.kind == "probe_stuck":
            value = _hold(value, fault.active(times))
    return value


def _own_clock(
    times: NDArray[np.int64], offset: NDArray[np.int64], model: Model, dice: _Dice, mine: tuple[Fault, ...]
) -> NDArray[np.int64]:
    shift = 1000.0 * model.clock_s * dice.fixed[3] + 1e-6 * model.clock_ppm * dice.fixed[4] * offset
    for fault in mine:
        if fault.kind == "clock_wrong":
            shift = shift + np.where(fault.active(times), 1000.0 * fault.size, 0.0)
    return np.asarray(times + np.asarray(shift).astype(np.int64))
