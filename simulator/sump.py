"""Twelve coolant sumps: evaporation, carry-out, hold-up in circulation, top-offs, minerals and
concentrate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.air import Air, evaporation_kg_m2_s
from simulator.noise import Floats, correlated, first_order, stream
from simulator.schedule import Calendar, Work
from simulator.shop import Shop

STEP_MIN = 5
HAND_L_STEP = 45.0
SHARED_SIGMA = 0.12
OWN_SIGMA = 0.16


@dataclass(frozen=True)
class SumpFaults:
    """What faults do to the sumps, on the 5-minute grid: litres lost a step, and valves held open or shut."""

    leak_l: Floats
    valve_open: NDArray[np.bool_]


@dataclass
class Sumps:
    """Sumps over time on the 5-minute grid (step, machine); litres unless named otherwise."""

    total_l: Floats
    holdup_l: Floats
    evaporated_l: Floats
    known_evaporation_l: Floats
    mixture_lost_l: Floats
    filled_l: Floats
    coolant_c: Floats
    area_m2: Floats
    concentrate_pct: Floats
    hardness_mg_l: Floats
    salt_meq_l: Floats
    holdup_minute_l: Floats

    def level_mm(self, machine: int) -> Floats:
        """Level of one sump by the minute: what is in the machine less what is up in circulation, over
        the area.
        """
        steps = self.total_l.shape[0]
        minutes = np.arange(steps * STEP_MIN)
        total = np.interp(minutes, (np.arange(steps) + 1) * STEP_MIN, self.total_l[:, machine])
        return np.asarray((total - self.holdup_minute_l[:, machine]) / self.area_m2[machine])


def _per_machine(shop: Shop, name: str) -> Floats:
    return np.array([float(getattr(machine, name)) for machine in shop.machines])


def _day_factor(shop: Shop, calendar: Calendar, seed: int) -> Floats:
    """Lognormal day-to-day part of evaporation that no measured variable explains (local day, machine)."""
    rng = stream(seed, "evaporation")
    days, count = len(calendar.open_day), len(shop.machines)
    shared = correlated(rng, (days, 1), SHARED_SIGMA, 1.0, 1.0)
    own = correlated(rng, (days, count), OWN_SIGMA, 1.0, 1.2)
    sigma2 = SHARED_SIGMA**2 + OWN_SIGMA**2
    return np.asarray(np.exp(shared + own - 0.5 * sigma2))


def evaporation_l(
    shop: Shop, calendar: Calendar, work: Work, air: Air, seed: int
) -> tuple[Floats, Floats, Floats]:
    """Evaporation with and without the unexplained day factor, litres a step, and coolant temperature."""
    running = first_order(work.pump_on.astype(float), 1.0, 4.0)[::STEP_MIN]
    day = calendar.local_day[::STEP_MIN]
    load = work.load[day]
    warm = first_order(running * load * _per_machine(shop, "warm_k"), float(STEP_MIN), 150.0)
    coolant = air.temp_c[:, None] - 1.2 + 0.4 * running + warm
    idle, wetted = _per_machine(shop, "idle_area_m2"), _per_machine(shop, "wetted_area_m2")
    wet = idle + (wetted - idle) * running * np.clip(load, 0.4, 1.0)
    speed = 0.06 + _per_machine(shop, "air_m_s") * running
    flux = evaporation_kg_m2_s(coolant, air.temp_c[:, None], air.vapour_pa[:, None], speed)
    known = flux * wet * STEP_MIN * 60.0
    return known * _day_factor(shop, calendar, seed)[day], known, coolant


def _holdup_minutes(shop: Shop, work: Work) -> Floats:
    """Coolant up in circulation by the minute: quick to go up, slower to drain back."""
    on = work.pump_on.astype(float)
    fast = first_order(on, 1.0, 2.5, 0.0)
    slow = first_order(on, 1.0, 12.0, 0.0)
    return np.asarray(_per_machine(shop, "holdup_l") * (0.7 * fast + 0.3 * slow))


def run_sumps(shop: Shop, calendar: Calendar, work: Work, air: Air, faults: SumpFaults, seed: int) -> Sumps:
    """Fill and empty every sump through the run. Treated water is taken as available (see `train`)."""
    evaporated, known, coolant = evaporation_l(shop, calendar, work, air, seed)
    holdup_minute = _holdup_minutes(shop, work)
    holdup = holdup_minute[STEP_MIN - 1 :: STEP_MIN]
    running = work.pump_on.reshape(-1, STEP_MIN, len(shop.machines)).mean(axis=1)
    load = work.load[calendar.local_day[::STEP_MIN]]
    carried = running * load * _per_machine(shop, "carry_l_h") * STEP_MIN / 60.0
    steps, count = evaporated.shape
    mixture = carried + faults.leak_l
    state = _integrate(shop, work, evaporated, mixture, holdup, faults, steps)
    total, filled, mixture = state
    blank = np.zeros((0, count))
    return Sumps(
        total_l=total, holdup_l=holdup, evaporated_l=evaporated, known_evaporation_l=known,
        mixture_lost_l=mixture, filled_l=filled, coolant_c=coolant, area_m2=_per_machine(shop, "area_m2"),
        concentrate_pct=blank, hardness_mg_l=blank, salt_meq_l=blank, holdup_minute_l=holdup_minute,
    )  # fmt: skip


def _hand_checks(shop: Shop, work: Work) -> dict[int, list[tuple[int, float]]]:
    """Checks by people, step -> (machine, care 0 to 1); only machines topped off by hand."""
    found: dict[int, list[tuple[int, float]]] = {}
    for minute, machine, care in zip(work.check_minute, work.check_machine, work.check_care, strict=True):
        if shop.machines[machine].topoff == "hand":
            found.setdefault(int(minute) // STEP_MIN, []).append((int(machine), float(care)))
    return found


def _integrate(
    shop: Shop,
    work: Work,
    evaporated: Floats,
    mixture: Floats,
    holdup: Floats,
    faults: SumpFaults,
    steps: int,
) -> tuple[Floats, Floats, Floats]:
    full = _per_machine(shop, "volume_l")
    is_valve = np.array([machine.topoff == "valve" for machine in shop.machines])
    rate = np.where(is_valve, _per_machine(shop, "valve_l_min") * STEP_MIN, 0.0)
    rate_any = _per_machine(shop, "valve_l_min") * STEP_MIN
    low, high = 0.86 * full, 0.90 * full
    floor = 0.06 * full
    checks = _hand_checks(shop, work)
    total = 0.93 * full
    waiting = np.zeros_like(full)
    opened = np.zeros(len(full), dtype=bool)
    totals, fills, lost = np.empty_like(evaporated), np.zeros_like(evaporated), mixture.copy()
    any_waiting = False
    for step in range(steps):
        loss = evaporated[step] + mixture[step]
        ahead = total - loss
        if (ahead < floor).any():
            short = np.maximum(floor - ahead, 0.0)
            lost[step] = np.maximum(mixture[step] - short, 0.0)
            ahead = np.maximum(ahead, total - evaporated[step] - lost[step])
        total = ahead
        seen = total - holdup[step]
        opened = is_valve & ((opened & (seen < high)) | (seen < low)) & (seen > floor)
        fill = np.where(opened, rate, 0.0)
        forced = faults.valve_open[step]
        if forced.any():
            fill = np.where(forced & (seen < 1.06 * full), rate_any, fill)
        for machine, care in checks.get(step, ()):
            trigger = (0.80 + 0.10 * care) * full[machine]
            if seen[machine] < trigger:
                target = (0.90 + 0.06 * ((care * 7.3) % 1.0)) * full[machine]
                waiting[machine] = target - seen[machine]
                any_waiting = True
        if any_waiting:
            poured = np.minimum(waiting, HAND_L_STEP)
            waiting = waiting - poured
            fill = fill + poured
            any_waiting = bool(waiting.any())
        total = total + fill
        totals[step] = total
        fills[step] = fill
    return totals, fills, lost


def mix_sumps(shop: Shop, sumps: Sumps, tank: Floats, seed: int) -> None:
    """Follow concentrate, hardness and all cations in each sump by the hour, given the treated water
    (hour, ion).
    """
    rng = stream(seed, "concentrate")
    steps, count = sumps.total_l.shape
    hours = steps * STEP_MIN // 60
    dose = np.clip(1.0 + correlated(rng, (hours, count), 0.25, 1.0, 36.0), 0.2, 2.0)
    per_hour = (hours, 60 // STEP_MIN, count)
    fill = sumps.filled_l.reshape(per_hour).sum(axis=1)
    out = sumps.mixture_lost_l.reshape(per_hour).sum(axis=1)
    volume = sumps.total_l.reshape(per_hour)[:, -1]
    first = 0.93 * _per_machine(shop, "volume_l")
    begin = np.vstack([first, volume[:-1]])
    wanted, top = _per_machine(shop, "concentrate_pct"), _per_machine(shop, "topoff_pct")
    concentrate = first * wanted / 100.0
    hardness, salt = first * 40.0, first * 3.0
    results = np.empty((3, hours, count))
    for hour in range(hours):
        keep = np.clip(1.0 - out[hour] / np.maximum(begin[hour], 1.0), 0.0, 1.0)
        strong = top / 100.0 * dose[hour]
        weak = concentrate / np.maximum(begin[hour], 1.0) < 0.88 * wanted / 100.0
        strong = np.where(weak, 2.2 * strong, strong)
        concentrate = concentrate * keep + fill[hour] * strong
        water = fill[hour] * (1.0 - strong)
        cations = tank[hour]
        hardness = hardness * keep + water * (cations[2] + cations[3]) * 50.04
        salt = salt * keep + water * cations[:4].sum()
        results[:, hour] = concentrate, hardness, salt
    results /= np.maximum(volume, 1.0)
    sumps.concentrate_pct = 100.0 * results[0]
    sumps.hardness_mg_l, sumps.salt_meq_l = results[1], results[2]


def water_drawn_l_min(shop: Shop, sumps: Sumps) -> Floats:
    """Treated water drawn for top-offs, L in each minute (the concentrate's share left out)."""
    water = sumps.filled_l * (1.0 - _per_machine(shop, "topoff_pct") / 100.0)
    return np.asarray(np.repeat(water.sum(axis=1) / STEP_MIN, STEP_MIN))
