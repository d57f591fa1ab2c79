"""What people see and do at the softener and the filters, after a run: salt, test kits, cartridges.

Worked out of a finished run with streams of its own, so that it changes nothing of the run: the water does
not know who looks at it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from simulator.faults import train_faults
from simulator.noise import Floats, correlated, stream
from simulator.points import Series
from simulator.schedule import DAY_MIN, MINUTE_MS
from simulator.year import Run

BAG_KG = 25.0


@dataclass(frozen=True)
class BrineTank:
    """The tank beside the softener: a round one of 45 cm, pellets, filled up when somebody sees it low."""

    area_m2: float = 0.16
    bulk_kg_l: float = 1.1
    begin_kg: float = 70.0
    low_kg: float = 35.0
    bags: int = 2

    def height_mm(self, salt_kg: Floats) -> Floats:
        """Height of the salt, one kg on one square metre and one kg/L being a millimetre."""
        return salt_kg / (self.area_m2 * self.bulk_kg_l)


@dataclass(frozen=True)
class Prefilter:
    """A 5 micron cartridge: Darcy's law through a cake that thickens with what the water carries."""

    clean_bar: float = 0.15
    at_l_min: float = 4.0
    cake_per_m3: float = 0.018
    change_m3: float = 110.0
    dirt_scatter: float = 0.35


@dataclass(frozen=True)
class Hands:
    """The people of one run."""

    run: Run
    brine: BrineTank = BrineTank()
    cartridge: Prefilter = Prefilter()

    @property
    def _working_minutes(self) -> NDArray[np.int64]:
        """Minute of the run at which each working day's first round is made, 08:00 local."""
        calendar = self.run.series.calendar
        local, day = calendar.local_minute % DAY_MIN, calendar.local_day
        at = np.nonzero(local == 480)[0]
        weekday = (calendar.first_date.weekday() + day[at]) % 7
        return np.asarray(at[(weekday < 5) & calendar.open_day[day[at]]])

    @cached_property
    def _salt(self) -> tuple[Series, tuple[tuple[int, float], ...]]:
        run, brine = self.run, self.brine
        dose = run.shop.softener.salt_kg
        drawn = [
            (moment - run.start_ms) // MINUTE_MS
            for moment, what, told in run.events
            if what == "regeneration" and told != "no brine"
        ]
        looks = stream(run.seed, "hands salt").random(run.days + 2)
        calendar = run.series.calendar
        steps = [(float(at), False) for at in drawn]
        steps += [(float(at), True) for at in self._working_minutes if looks[calendar.local_day[at]] < 0.5]
        kg, minutes, heights, fills = brine.begin_kg, [0.0], [brine.begin_kg], []
        for at, looked in sorted(steps):
            if looked and kg < brine.low_kg:
                kg += brine.bags * BAG_KG
                fills.append((run.start_ms + int(at) * MINUTE_MS, brine.bags * BAG_KG))
            elif looked:
                continue
            else:
                kg = max(0.0, kg - dose)
            minutes.append(at)
            heights.append(kg)
        series = Series(np.array(minutes), brine.height_mm(np.array(heights)), held=True)
        return series, tuple(fills)

    @property
    def salt_mm(self) -> Series:
        """True height of the salt. Salt that bridges, or is not drawn, stands where it stood."""
        return self._salt[0]

    @property
    def salt_fills(self) -> tuple[tuple[int, float], ...]:
        """What was filled in: time and kg."""
        return self._salt[1]

    def salt_readings(self, every_days: int = 1, off_mm: float = 5.0) -> tuple[tuple[int, float], ...]:
        """The height read off a stick on working days, to the centimetre."""
        noise = stream(self.run.seed, "hands stick").standard_normal(self.run.days + 2)
        found = []
        for at in self._working_minutes[::every_days]:
            day = self.run.series.calendar.local_day[at]
            true = float(self.salt_mm.at(np.array([float(at) + 30.0]))[0])
            read = max(0.0, 10.0 * round((true + off_mm * noise[day]) / 10.0))
            found.append((self.run.start_ms + (int(at) + 30) * MINUTE_MS, read))
        return tuple(found)

    def _weekly(self, name: str, weekday: int) -> list[int]:
        """The minute of each week's test: before noon, or when the osmosis runs first from then on."""
        calendar, running = self.run.series.calendar, self.run.series.train.running
        found = []
        for at in self._working_minutes:
            day = calendar.local_day[at]
            if (calendar.first_date.weekday() + day) % 7 != weekday:
                continue
            late = int(60 * stream(self.run.seed, f"hands {name} {day}").random())
            runs = np.nonzero(running[at + 180 + late : at + 720])[0]
            if len(runs):
                found.append(int(at + 180 + late + runs[0]))
        return found

    def hardness_tests(self, weekday: int = 0, drop_mg_l: float = 17.1) -> tuple[tuple[int, float], ...]:
        """The weekly drop test at the softener's outlet: drops till the colour turns, mg/L as CaCO3."""
        true = self.run.series["hardness:softened"]
        found = []
        for at in self._weekly("hardness", weekday):
            scatter = float(stream(self.run.seed, f"hands drops {at}").normal(0.0, 0.15))
            drops = int(max(0.0, float(true.at(np.array([float(at)]))[0]) / drop_mg_l * (1.0 + scatter)))
            found.append((self.run.start_ms + at * MINUTE_MS, drops * drop_mg_l))
        return tuple(found)

    @cached_property
    def chlorine_mg_l(self) -> Series:
        """Free chlorine behind the carbon, by the hour."""
        hours = self.run.days * 24
        leak = train_faults(self.run.faults, self.run.start_ms, hours).carbon_leak
        return Series(60.0 * np.arange(hours) + 30.0, leak * self.run.series.tap.chlorine_mg_l)

    def chlorine_tests(self, weekday: int = 2) -> tuple[tuple[int, float], ...]:
        """The weekly test behind the carbon with a colour disc: to 0.05 mg/L, sometimes a step off."""
        found = []
        for at in self._weekly("chlorine", weekday):
            scatter = float(stream(self.run.seed, f"hands disc {at}").normal(0.0, 0.015))
            true = float(self.chlorine_mg_l.at(np.array([float(at)]))[0])
            found.append(
                (self.run.start_ms + at * MINUTE_MS, max(0.0, 0.05 * round((true + scatter) / 0.05)))
            )
        return tuple(found)

    @cached_property
    def _prefilter(self) -> tuple[Series, tuple[int, ...]]:
        run, cartridge = self.run, self.cartridge
        flow = run.series["flow:feed"].values
        daily = np.exp(
            correlated(stream(run.seed, "hands dirt"), (run.days,), cartridge.dirt_scatter, 1.0, 4.0)
        )
        times = run.start_ms + MINUTE_MS * np.arange(len(flow), dtype=np.int64)
        dirt = np.repeat(daily, DAY_MIN)
        for fault in run.faults:
            if fault.kind == "prefilter_clogging":
                dirt = np.where(fault.active(times), dirt * fault.size, dirt)
        litres, cake = np.cumsum(flow), np.cumsum(flow * dirt) / 1000.0 * cartridge.cake_per_m3
        changes, begun_l, begun_cake = [], 0.0, np.zeros(len(flow))
        for at in self._working_minutes:
            if litres[at] - begun_l > 1000.0 * cartridge.change_m3:
                begun_l = litres[at]
                begun_cake[at:] = cake[at]
                changes.append(run.start_ms + int(at) * MINUTE_MS)
        drop = cartridge.clean_bar * flow / cartridge.at_l_min * (1.0 + cake - begun_cake)
        return Series(np.arange(len(flow), dtype=float), drop, held=True), tuple(changes)

    @property
    def prefilter_bar(self) -> Series:
        """Pressure lost in the cartridge, 0 while nothing runs."""
        return self._prefilter[0]

    @property
    def prefilter_changes(self) -> tuple[int, ...]:
        """When a new cartridge was put in."""
        return self._prefilter[1]
