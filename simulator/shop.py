"""What a shop is: the description read from a TOML file. How it behaves lives in the other modules."""

from __future__ import annotations

import tomllib
import types
import typing
from dataclasses import MISSING, dataclass, field, fields, is_dataclass
from pathlib import Path
from typing import Any

SHOPS = Path(__file__).parent / "shops"


class ShopError(ValueError):
    """A description (shop or fault script) cannot be used; the text names the place and what would be
    right.
    """


@dataclass(frozen=True)
class Shift:
    """One shift of the week: days as 0 = Monday, local times of day in hours."""

    name: str
    days: tuple[int, ...]
    begin_h: float
    end_h: float
    break_min: float = 30.0


@dataclass(frozen=True)
class Climate:
    mean_c: float = 10.0
    season_c: float = 9.5
    day_c: float = 4.0
    dew_point_below_c: float = 3.5
    hall_c: float = 20.0


@dataclass(frozen=True)
class Source:
    """A raw water, analysis in mg/L (alkalinity as CaCO3)."""

    name: str
    ca: float
    mg: float
    na: float
    k: float
    so4: float
    no3: float
    sio2: float
    alk: float
    ph: float


@dataclass(frozen=True)
class Tap:
    sources: tuple[Source, ...]
    mean_c: float = 13.0
    season_c: float = 5.0
    share_mean: float = 0.35
    share_season: float = 0.2
    switches_a_year: float = 5.0
    switch_days: float = 4.0
    chlorine_mg_l: float = 0.25


@dataclass(frozen=True)
class Softener:
    resin_l: float = 28.0
    capacity_eq_l: float = 1.9
    salt_kg: float = 3.4
    reserve: float = 0.25
    design_hardness_mg_l: float = 290.0
    operating_eq_l: float = 1.0
    brine_hold_l: float = 9.0
    clock_h: float = 2.0


@dataclass(frozen=True)
class Membrane:
    """Spiral element: permeabilities at 25 C in L/(m2 h bar) for water and L/(m2 h) for sodium chloride."""

    area_m2: float = 7.0
    water_lmh_bar: float = 4.3
    salt_lmh: float = 0.55
    pressure_bar: float = 8.5
    recovery_25c: float = 0.6
    channel_m: float = 0.0007
    channel_width_m: float = 3.6
    crossflow_l_min: float = 14.0
    holdup_l: float = 4.0
    permeate_back_bar: float = 0.4
    fouling_per_m3: float = 0.0012
    salt_ageing_per_year: float = 0.12
    clean_every_days: float = 180.0


@dataclass(frozen=True)
class Resin:
    """Mixed bed; capacities in eq per litre of mixed bed."""

    volume_l: float = 10.0
    cation_eq_l: float = 0.75
    anion_eq_l: float = 0.43
    transfer_units: float = 60.0
    wall_leak: float = 0.008
    change_at_m3: float = 8.0
    used_at_start_m3: float = 2.0


@dataclass(frozen=True)
class Tank:
    volume_l: float = 1000.0
    height_mm: float = 1250.0
    start_l: float = 720.0
    stop_l: float = 880.0
    low_l: float = 300.0  # where a low float would stand
    high_l: float = 930.0  # and a high one
    carbon_dioxide_h: float = 30.0


@dataclass(frozen=True)
class Demand:
    """Treated water drawn other than by the sumps, L on a working day."""

    rinse_l_day: float = 300.0


@dataclass(frozen=True)
class Machine:
    name: str
    volume_l: float
    area_m2: float
    holdup_l: float
    shifts: tuple[str, ...]
    topoff: str = "hand"
    idle_area_m2: float = 0.7
    wetted_area_m2: float = 2.2
    air_m_s: float = 0.25
    warm_k: float = 6.0
    carry_l_h: float = 0.25
    utilisation: float = 0.85
    concentrate_pct: float = 6.5
    topoff_pct: float = 2.2
    valve_l_min: float = 2.0
    brix_factor: float = 1.1


@dataclass(frozen=True)
class Wire:
    """How an instrument is read: `kind` modbus, lines, mqtt or csv, and the place on that wire."""

    kind: str
    port: str = ""
    unit: int = 0
    register: int = 0
    encoding: str = "float32"
    scale: float = 1.0
    topic: str = ""
    payload: str = "json"
    label: str = ""
    column: str = ""


@dataclass(frozen=True)
class Instrument:
    name: str
    measures: str
    model: str
    interval_s: float = 60.0
    settings: dict[str, float] = field(default_factory=dict)
    wire: Wire | None = None


@dataclass(frozen=True)
class Shop:
    name: str
    machines: tuple[Machine, ...]
    shifts: tuple[Shift, ...]
    tap: Tap
    timezone: str = "UTC"
    holidays: tuple[str, ...] = ()
    climate: Climate = Climate()
    softener: Softener = Softener()
    membrane: Membrane = Membrane()
    resin: Resin = Resin()
    tank: Tank = Tank()
    demand: Demand = Demand()
    instruments: tuple[Instrument, ...] = ()

    def machine_index(self, name: str) -> int:
        for index, machine in enumerate(self.machines):
            if machine.name == name:
                return index
        raise ShopError(
            f"machine {name!r} is not in the shop; it has {', '.join(m.name for m in self.machines)}"
        )


def _convert(kind: Any, value: Any, where: str) -> Any:
    origin = typing.get_origin(kind)
    if origin is tuple:
        if not isinstance(value, list):
            raise ShopError(f"{where}: expected a list, found {value!r}")
        inner = typing.get_args(kind)[0]
        return tuple(_convert(inner, item, f"{where}[{i}]") for i, item in enumerate(value))
    if origin in (typing.Union, types.UnionType):
        return _convert(typing.get_args(kind)[0], value, where)
    if is_dataclass(kind):
        return build(kind, value, where)
    if origin is dict:
        if not isinstance(value, dict):
            raise ShopError(f"{where}: expected a table, found {value!r}")
        return {str(key): _convert(float, item, f"{where}.{key}") for key, item in value.items()}
    if kind is float and isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    if kind in (int, str) and isinstance(value, kind) and not isinstance(value, bool):
        return value
    raise ShopError(f"{where}: expected {getattr(kind, '__name__', kind)}, found {value!r}")


def build(kind: Any, table: Any, where: str) -> Any:
    """Make a dataclass from a TOML table; unknown and missing keys are refused by name."""
    if not isinstance(table, dict):
        raise ShopError(f"{where}: expected a table, found {table!r}")
    hints = typing.get_type_hints(kind)
    known = {item.name: item for item in fields(kind)}
    for key in table:
        if key not in known:
            raise ShopError(f"{where}: unknown key {key!r}; allowed are {', '.join(known)}")
    for name, item in known.items():
        if name not in table and item.default is MISSING and item.default_factory is MISSING:
            raise ShopError(f"{where}: the key {name!r} is missing")
    return kind(**{key: _convert(hints[key], value, f"{where}.{key}") for key, value in table.items()})


def _checked(shop: Shop, where: str) -> Shop:
    shifts = {shift.name for shift in shop.shifts}
    for machine in shop.machines:
        unknown = set(machine.shifts) - shifts
        if unknown:
            raise ShopError(f"{where}: machine {machine.name} works in unknown shift {sorted(unknown)[0]!r}")
        if machine.topoff not in ("hand", "valve"):
            raise ShopError(
                f"{where}: machine {machine.name}: topoff must be hand or valve, found {machine.topoff!r}"
            )
    names = [item.name for item in shop.instruments] + [machine.name for machine in shop.machines]
    for name in names:
        if names.count(name) > 1:
            raise ShopError(f"{where}: the name {name!r} is used twice")
    if len(shop.tap.sources) != 2:
        raise ShopError(f"{where}: tap.sources needs exactly two waters, found {len(shop.tap.sources)}")
    return shop


def load_shop(shop: str | Path) -> Shop:
    """Read a shop from a TOML file, or by the bare name of one kept with the simulator."""
    path = Path(shop)
    if not path.suffix and (SHOPS / f"{path.name}.toml").is_file():
        path = SHOPS / f"{path.name}.toml"
    if not path.is_file():
        kept = ", ".join(sorted(item.stem for item in SHOPS.glob("*.toml")))
        raise ShopError(f"no shop file {str(shop)!r}; give a path or one of: {kept}")
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise ShopError(f"{path.name}: not valid TOML: {error}") from error
    built: Shop = build(Shop, table, path.name)
    return _checked(built, path.name)
