"""The treatment train through the run, a day at a time: tap, carbon, softener, osmosis, resin, tank."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simulator.faults import TrainFaults
from simulator.noise import Floats, correlated, stream
from simulator.osmosis import MembraneUnit
from simulator.resin import ResinBed
from simulator.schedule import DAY_MIN, MINUTE_MS, Calendar
from simulator.shop import Shop
from simulator.softener import REGENERATION_MIN, SoftenerUnit
from simulator.tank import TankUnit
from simulator.tap import TapWater
from simulator.water import SIZE

STAGES = ("tap", "softened", "permeate", "di", "tank")
PUMP_HEAT_C = 1.8


@dataclass
class TrainRun:
    """What the train did. `at` lists the minutes the osmosis ran; the stage arrays follow it (row, ion)."""

    at: NDArray[np.int64]
    water: dict[str, Floats]
    temp_c: Floats
    permeate_l_min: Floats
    concentrate_l_min: Floats
    feed_bar: Floats
    drop_bar: Floats
    running: NDArray[np.bool_]
    regenerating: NDArray[np.bool_]
    tank_l: Floats
    bypass_l: Floats
    tank_hour: Floats
    events: list[tuple[int, str, str]] = field(default_factory=list)


class Train:
    """Steps the train through a run; each day needs only the day's draws and the state the day before
    left.
    """

    def __init__(self, shop: Shop, calendar: Calendar, tap: TapWater, faults: TrainFaults, seed: int) -> None:
        self.shop, self.calendar, self.tap, self.faults = shop, calendar, tap, faults
        self.softener = SoftenerUnit(shop.softener)
        self.membrane = MembraneUnit(shop.membrane)
        self.bed = ResinBed(shop.resin)
        self.tank = TankUnit(shop.tank)
        hours = calendar.minutes // 60
        self.pump_bar = shop.membrane.pressure_bar + correlated(
            stream(seed, "pump"), (hours,), 0.12, 1.0, 6.0
        )
        self.last_running = -1
        self.events: list[tuple[int, str, str]] = []
        self.rows: list[dict[str, Floats]] = []
        self.minutes_run: list[NDArray[np.int64]] = []
        self.days: list[dict[str, Floats]] = []
        self.bed_started = False
        self.settled_permeate = 0.03 * tap.water[0]

    def run(self, drawn_l_min: Floats) -> TrainRun:
        """Run all days against the water drawn each minute."""
        for day in range(self.calendar.days):
            self._day(day, drawn_l_min[day * DAY_MIN : (day + 1) * DAY_MIN])
        rows = {key: np.concatenate([row[key] for row in self.rows]) for key in self.rows[0]}
        days = {key: np.concatenate([row[key] for row in self.days]) for key in self.days[0]}
        return TrainRun(
            at=np.concatenate(self.minutes_run), water={stage: rows[stage] for stage in STAGES},
            temp_c=rows["temp"],
            permeate_l_min=rows["permeate_flow"], concentrate_l_min=rows["concentrate_flow"],
            feed_bar=rows["feed_bar"], drop_bar=rows["drop_bar"],
            running=days["running"].astype(bool), regenerating=days["regenerating"].astype(bool),
            tank_l=days["tank_l"], bypass_l=days["bypass_l"], tank_hour=days["tank_hour"].reshape(-1, SIZE),
            events=self.events,
        )  # fmt: skip

    def _note(self, minute: int, what: str, text: str) -> None:
        self.events.append((self.calendar.start_ms + minute * MINUTE_MS, what, text))

    def _day(self, day: int, drawn: Floats) -> None:
        first, hours = day * DAY_MIN, slice(day * 24, day * 24 + 24)
        temp = self.tap.temp_c[hours] + PUMP_HEAT_C
        soft = self.tap.water[hours].copy()
        soft[:, 0] += soft[:, 2] + soft[:, 3]
        soft[:, 2:4] = 0.0
        works = self.membrane.operate(
            soft, temp, self.faults.salt_factor[hours], self.faults.seal[hours], self.pump_bar[hours],
            self.faults.unit.oxidised[hours],
        )  # fmt: skip
        hour_of = np.arange(DAY_MIN) / 60.0
        middle = np.arange(24) + 0.5
        made = np.interp(hour_of, middle, works.permeate_l_min)
        locked, regeneration = self._regeneration(day)
        stopped = np.repeat(self.faults.ro_stopped[hours], 60)
        running, litres, unmet = self.tank.day(
            made.tolist(), drawn.tolist(), (locked | stopped).tolist(),
            np.repeat(self.faults.unit.leak_l_min[hours], 60).tolist(),
            np.repeat(self.faults.unit.float_calling[hours], 60).tolist(),
            np.repeat(self.faults.unit.float_band_l[hours], 60).tolist(),
        )  # fmt: skip
        at = np.nonzero(running)[0]
        at_hour = at // 60
        row = {
            "temp": np.interp(at / 60.0, middle, temp),
            "permeate_flow": made[at],
            "concentrate_flow": works.concentrate_l_min[at_hour],
            "feed_bar": works.feed_bar[at_hour],
            "drop_bar": works.drop_bar[at_hour],
            "tap": self._tap_at(first, at),
        }
        row["softened"] = self._soften(
            row["tap"], row["permeate_flow"] + row["concentrate_flow"], at, regeneration, day
        )
        self._permeate(row, first, at, works.passage, middle)
        self._deionise(row, day, at)
        row["tank"] = self.tank.mix(row["di"], made[at], litres[at], (row.pop("idle") + 1.0) / 60.0)
        self._wear(day, row, at)
        self._keep(first, at, row, running, locked, litres, unmet)

    def _keep(
        self, first: int, at: NDArray[np.int64], row: dict[str, Floats], running: NDArray[np.bool_],
        locked: NDArray[np.bool_], litres: Floats, unmet: Floats,
    ) -> None:  # fmt: skip
        self.rows.append(row)
        self.minutes_run.append(first + at)
        hourly = np.tile(self.tank.water, (24, 1))
        if len(at):
            pick = np.clip(np.searchsorted(at, (np.arange(24) + 1) * 60) - 1, 0, None)
            hourly = row["tank"][pick]
        self.days.append({
            "running": running, "regenerating": locked, "tank_l": litres, "bypass_l": unmet,
            "tank_hour": hourly.ravel(),
        })  # fmt: skip

    def _tap_at(self, first: int, at: NDArray[np.int64]) -> Floats:
        position = np.clip((first + at) / 60.0 - 0.5, 0.0, len(self.tap.water) - 1.001)
        low = position.astype(int)
        part = (position - low)[:, None]
        return np.asarray((1.0 - part) * self.tap.water[low] + part * self.tap.water[low + 1])

    def _regeneration(self, day: int) -> tuple[NDArray[np.bool_], int | None]:
        """Minutes the train is locked out for tonight's regeneration, and the minute it is done."""
        locked = np.zeros(DAY_MIN, dtype=bool)
        if not self.softener.due():
            return locked, None
        local = self.calendar.local_minute[day * DAY_MIN : (day + 1) * DAY_MIN] % DAY_MIN
        clock_h = (self.shop.softener.clock_h - float(self.faults.clock_ahead_h[day * 24])) % 24.0
        begin = int(np.argmin(np.abs(local - int(60 * clock_h))))
        if self.faults.no_cycle[day * 24 + begin // 60]:
            return locked, None
        end = min(begin + REGENERATION_MIN, DAY_MIN)
        locked[begin:end] = True
        return locked, end

    def _soften(
        self, tap: Floats, flow: Floats, at: NDArray[np.int64], regeneration: int | None, day: int
    ) -> Floats:
        if regeneration is None:
            return self.softener.run(tap, flow)
        early = at < regeneration
        before = self.softener.run(tap[early], flow[early])
        no_salt = bool(self.faults.no_salt[day * 24 + min(regeneration, DAY_MIN - 1) // 60])
        self.softener.regenerate(with_salt=not no_salt)
        self._note(
            day * DAY_MIN + regeneration,
            "regeneration",
            "softener regenerated" if not no_salt else "no brine",
        )
        return np.concatenate([before, self.softener.run(tap[~early], flow[~early])])

    def _permeate(
        self, row: dict[str, Floats], first: int, at: NDArray[np.int64], passage: Floats, middle: Floats
    ) -> None:
        share = np.empty((len(at), SIZE))
        for ion in range(SIZE):
            share[:, ion] = np.interp(at / 60.0, middle, passage[:, ion])
        at_once = self.membrane.permeate(row["softened"], share)
        previous = np.concatenate([[self.last_running], first + at[:-1]]) if len(at) else np.zeros(0)
        idle = np.maximum(first + at - previous - 1.0, 0.0)
        row["idle"] = idle
        if len(at):
            self.settled_permeate = at_once[-1]
        factor = float(self.faults.salt_factor[first // 60])
        row["permeate"] = self.membrane.hold(at_once, row["permeate_flow"], row["softened"], idle, factor)
        if len(at):
            self.last_running = first + int(at[-1])

    def _deionise(self, row: dict[str, Floats], day: int, at: NDArray[np.int64]) -> None:
        """Pass the day's permeate through the bed, changing the bed where people or the fault script do."""
        feed, litres = row["permeate"], row["permeate_flow"]
        if not self.bed_started and len(at):
            self.bed.spend(self.settled_permeate, 1000.0 * self.shop.resin.used_at_start_m3)
            self.bed_started = True
        parts: list[Floats] = []
        done = 0
        for hour in range(24):
            index = day * 24 + hour
            spend, change = float(self.faults.spent[index]), bool(self.faults.change_now[index])
            used_up = self.bed.litres > 1000.0 * self.shop.resin.change_at_m3 and hour == 9
            change = change or (used_up and not bool(self.faults.no_change[index]))
            if not (spend or change):
                continue
            upto = int(np.searchsorted(at, hour * 60))
            parts.append(self.bed.run(feed[done:upto], litres[done:upto], self._bypass(day, at[done:upto])))
            done = upto
            self.bed.change()
            if spend:
                self.bed.load(self.settled_permeate, spend)
            else:
                self._note(index * 60, "resin", "resin bed changed")
        parts.append(self.bed.run(feed[done:], litres[done:], self._bypass(day, at[done:])))
        row["di"] = np.concatenate(parts)

    def _bypass(self, day: int, at: NDArray[np.int64]) -> float:
        return float(self.faults.bypass[day * 24 + at // 60].mean()) if len(at) else 0.0

    def _wear(self, day: int, row: dict[str, Floats], at: NDArray[np.int64]) -> None:
        hour = day * 24 + 12
        leak = float(self.faults.carbon_leak[hour])
        feed = row["softened"][-1] if len(at) else self.tap.water[hour]
        litres = float(row["permeate_flow"].sum())
        hours = len(at) / 60.0
        chlorine = leak * float(self.tap.chlorine_mg_l[hour])
        self.membrane.age(feed, float(self.tap.temp_c[hour]), litres, hours, chlorine)
        hours_of_day = slice(day * 24, day * 24 + 24)
        fouled, scaled = self.faults.unit.fouled[hours_of_day], self.faults.unit.scaled[hours_of_day]
        self.membrane.deposit(float(fouled.sum()), float(scaled.sum()))
        if (off := float(self.faults.unit.cleaned[hours_of_day].sum())) > 0.0:
            self.membrane.clean(1.0 - off)
            self._note((day + 1) * DAY_MIN - 1, "cleaning", "membrane cleaned")
        every = self.shop.membrane.clean_every_days
        if every > 0 and (day + 1) % int(every) == 0:
            self.membrane.clean()
            self._note((day + 1) * DAY_MIN - 1, "cleaning", "membrane cleaned")
