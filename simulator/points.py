"""What is true at each place where an instrument can sit, as series over the minutes of the run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.air import Air
from simulator.noise import Floats, first_order
from simulator.schedule import Calendar, Work
from simulator.shop import Shop, ShopError
from simulator.sump import STEP_MIN, Sumps
from simulator.tank import rest_carbon_mmol_l
from simulator.tap import TapWater
from simulator.train import STAGES, TrainRun
from simulator.water import CA, MG, NA, TIC, conductivity_us_cm, hardness_mg_l

PIPE_COOL_MIN = 40.0
LEACH_MEQ_L = 0.003
LEACH_MIN = 600.0


@dataclass(frozen=True)
class Series:
    """A true quantity: values at minutes of the run, straight between them (or held, for contacts and
    flows).
    """

    minutes: Floats
    values: Floats
    held: bool = False

    def at(self, minutes: Floats) -> Floats:
        if self.held:
            place = np.searchsorted(self.minutes, minutes, side="right") - 1
            return np.asarray(self.values[np.clip(place, 0, len(self.values) - 1)], dtype=float)
        return np.interp(minutes, self.minutes, self.values)


class Truth:
    """All true series of a run by name, worked out when first asked for and kept."""

    def __init__(
        self, shop: Shop, calendar: Calendar, work: Work, air: Air, tap: TapWater, train: TrainRun,
        sumps: Sumps,
        drawn_l_min: Floats,
    ) -> None:  # fmt: skip
        self.shop, self.calendar, self.work, self.air = shop, calendar, work, air
        self.tap, self.train, self.sumps = tap, train, sumps
        self.drawn_l_min = drawn_l_min
        self._made: dict[str, Series] = {}
        grid = np.arange(0, calendar.minutes, STEP_MIN)
        self._nodes = np.union1d(train.at, grid)
        self._water = {stage: self._with_standing(stage) for stage in STAGES}
        self._flowing_c = np.concatenate([[float(tap.temp_c[0])], train.temp_c])
        self._row = np.searchsorted(train.at, self._nodes, side="right")
        self._idle = (self._nodes - np.concatenate([[-1], train.at])[self._row]).astype(float)

    def _with_standing(self, stage: str) -> Floats:
        """Rows of a stage with, before the first, the water that stands there as the run begins."""
        rows = self.train.water[stage]
        if len(rows):
            return np.concatenate([rows[:1], rows])
        tap = self.tap.water[0]
        first = tap.copy()
        if stage != "tap":
            first[NA] += first[MG] + first[CA]
            first[MG] = first[CA] = 0.0
        if stage == "permeate":
            first[:TIC] *= 0.03
        elif stage in ("di", "tank"):
            first = self.train.tank_hour[0]
        return np.asarray(first[None, :])

    def names(self) -> tuple[str, ...]:
        """Every quantity an instrument can be given to measure."""
        water = [f"{what}:{stage}" for stage in STAGES for what in ("ec", "ec25", "temp", "hardness")]
        flows = [
            f"{what}:{where}"
            for where in ("feed", "permeate", "concentrate", "drawn")
            for what in ("flow", "total")
        ]
        machines = [m.name for m in self.shop.machines]
        per_machine = ("level", "run", "topoff", "concentrate", "minerals", "coolant")
        sumps = [f"{what}:{name}" for name in machines for what in per_machine]
        others = ("level:tank", "run:ro", "run:regeneration", "pressure:feed", "pressure:drop")
        return (*water, *flows, *sumps, *others, "float:low", "float:high", "temp:air", "humidity:air")

    def __getitem__(self, name: str) -> Series:
        if name not in self._made:
            what, _, where = name.partition(":")
            maker = getattr(self, f"_{what}", None)
            if name not in self.names() or maker is None:
                raise ShopError(
                    f"nothing in the shop is called {name!r}; allowed are {', '.join(self.names())}"
                )
            self._made[name] = maker(where)
        return self._made[name]

    def water_at_nodes(self, stage: str) -> Floats:
        """Composition at a stage (node, ion), with what standing does to it."""
        if stage == "tap":
            position = np.clip(self._nodes / 60.0 - 0.5, 0.0, len(self.tap.water) - 1.001)
            low = position.astype(int)
            part = (position - low)[:, None]
            return np.asarray((1.0 - part) * self.tap.water[low] + part * self.tap.water[low + 1])
        water = self._water[stage][self._row]
        if stage == "permeate":
            element = self.shop.membrane
            seep_min = 60.0 * element.holdup_l / (element.area_m2 * element.salt_lmh)
            share = 1.0 - np.exp(-self._idle / seep_min)
            water += (self._water["softened"][self._row] - water) * share[:, None]
        elif stage == "di":
            extra = LEACH_MEQ_L * (1.0 - np.exp(-self._idle / LEACH_MIN))
            water[:, NA] += extra
            water[:, TIC] += extra
        elif stage == "tank":
            share = 1.0 - np.exp(-self._idle / 60.0 / self.shop.tank.carbon_dioxide_h)
            water[:, TIC] += (rest_carbon_mmol_l(water) - water[:, TIC]) * share
        return water

    def _temp(self, stage: str) -> Series:
        minutes = self._nodes.astype(float)
        air = self.air.temp_c
        air_nodes = np.interp(minutes, np.arange(len(air)) * float(STEP_MIN), air)
        if stage == "air":
            return Series(np.arange(len(air)) * float(STEP_MIN), air)
        if stage == "tap":
            return Series(np.arange(len(self.tap.temp_c)) * 60.0 + 30.0, self.tap.temp_c)
        if stage == "tank":
            source = np.interp(np.arange(len(air)) / 12.0, np.arange(len(self.tap.temp_c)), self.tap.temp_c)
            return Series(
                np.arange(len(air)) * float(STEP_MIN), first_order(0.7 * air + 0.3 * source, 5.0, 1200.0)
            )
        flowing = self._flowing_c[self._row]
        return Series(minutes, air_nodes + (flowing - air_nodes) * np.exp(-self._idle / PIPE_COOL_MIN))

    def _ec(self, stage: str) -> Series:
        minutes = self._nodes.astype(float)
        return Series(
            minutes, conductivity_us_cm(self.water_at_nodes(stage), self[f"temp:{stage}"].at(minutes))
        )

    def _ec25(self, stage: str) -> Series:
        return Series(self._nodes.astype(float), conductivity_us_cm(self.water_at_nodes(stage), 25.0))

    def _hardness(self, stage: str) -> Series:
        return Series(self._nodes.astype(float), hardness_mg_l(self.water_at_nodes(stage)))

    def _flow(self, where: str) -> Series:
        every = np.arange(self.calendar.minutes, dtype=float)
        values = np.zeros(self.calendar.minutes)
        if where == "drawn":
            values[:] = self.drawn_l_min
        else:
            made, waste = self.train.permeate_l_min, self.train.concentrate_l_min
            values[self.train.at] = {"permeate": made, "concentrate": waste, "feed": made + waste}[where]
        return Series(every, values, held=True)

    def _total(self, where: str) -> Series:
        flow = self[f"flow:{where}"].values
        return Series(np.arange(len(flow) + 1, dtype=float), np.concatenate([[0.0], np.cumsum(flow)]))

    def _level(self, where: str) -> Series:
        every = np.arange(self.calendar.minutes, dtype=float)
        if where == "tank":
            tank = self.shop.tank
            return Series(every, self.train.tank_l * tank.height_mm / tank.volume_l)
        return Series(every, self.sumps.level_mm(self.shop.machine_index(where)))

    def _float(self, where: str) -> Series:
        """A float switch of the tank: 1 while the water is below the low one, or above the high one."""
        tank, litres = self.shop.tank, self.train.tank_l
        closed = litres < tank.low_l if where == "low" else litres > tank.high_l
        return Series(np.arange(len(litres), dtype=float), closed.astype(float), held=True)

    def _run(self, where: str) -> Series:
        tracks: dict[str, NDArray[np.bool_]] = {
            "ro": self.train.running,
            "regeneration": self.train.regenerating,
        }
        track = tracks[where] if where in tracks else self.work.pump_on[:, self.shop.machine_index(where)]
        return Series(np.arange(len(track), dtype=float), track.astype(float), held=True)

    def _steps(self, values: Floats, step_min: float) -> Series:
        return Series((np.arange(len(values)) + 1) * step_min, values)

    def _topoff(self, name: str) -> Series:
        filled = np.cumsum(self.sumps.filled_l[:, self.shop.machine_index(name)])
        return self._steps(filled, float(STEP_MIN))

    def _concentrate(self, name: str) -> Series:
        return self._steps(self.sumps.concentrate_pct[:, self.shop.machine_index(name)], 60.0)

    def _minerals(self, name: str) -> Series:
        return self._steps(self.sumps.hardness_mg_l[:, self.shop.machine_index(name)], 60.0)

    def _coolant(self, name: str) -> Series:
        return self._steps(self.sumps.coolant_c[:, self.shop.machine_index(name)], float(STEP_MIN))

    def _pressure(self, where: str) -> Series:
        every = np.arange(self.calendar.minutes, dtype=float)
        values = np.zeros(self.calendar.minutes)
        values[self.train.at] = {"feed": self.train.feed_bar, "drop": self.train.drop_bar}[where]
        return Series(every, values, held=True)

    def _humidity(self, _where: str) -> Series:
        return Series(np.arange(len(self.air.temp_c)) * float(STEP_MIN), self.air.humidity_pct)
