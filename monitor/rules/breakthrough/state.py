"""What the rule `breakthrough` remembers of its bed, and how long the bed still lasts by it."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.rules.breakthrough.discharge import Discharge
from monitor.rules.breakthrough.flow import DAY_MS, Counter, Lows, use_l_d
from monitor.rules.breakthrough.front import Front
from monitor.rules.breakthrough.load import Forecast, Load


@dataclass(frozen=True, slots=True)
class Latest:
    """The last value of made water at one place; `least` when the true one is at least this."""

    value: float
    time_ms: int
    least: bool = False


@dataclass(frozen=True, slots=True)
class State:
    """What is remembered of the bed."""

    bed_ms: int = 0  # when this bed was put in, or first heard of
    counted_ms: int = 0  # since when its litres are counted
    dated: bool = False  # the day it was put in is known
    whole: bool = False  # its litres are known from the first one on
    counter: Counter = field(default_factory=Counter)
    loaded_l: float = 0.0  # litres already taken into the load
    lows_l: float = 0.0  # litres when the lows of a day were last looked at
    load: Load = field(default_factory=Load)
    front: Front = field(default_factory=Front)
    discharge: Discharge = field(default_factory=Discharge)
    lows: Lows = field(default_factory=Lows)
    outlet: Latest | None = None
    inlet: Latest | None = None
    tap: Latest | None = None
    due: bool = False  # the forecast holds
    due_since_ms: int = 0

    version = 1


@dataclass(frozen=True, slots=True)
class Left:
    """Litres and days a bed still lasts; `litres` and `days` are None where only a range can be told."""

    forecast: Forecast
    treated_l: float
    use_l_d: float | None

    @property
    def litres(self) -> float | None:
        return None if self.forecast.total_l is None else max(self.forecast.total_l - self.treated_l, 0.0)

    @property
    def low_l(self) -> float:
        return max(self.forecast.low_l - self.treated_l, 0.0)

    @property
    def high_l(self) -> float:
        return max(self.forecast.high_l - self.treated_l, 0.0)

    def days(self, litres: float | None) -> float | None:
        """Days until so many litres are used, at the shop's own weekly use."""
        return None if litres is None or not self.use_l_d else litres / self.use_l_d

    @property
    def days_to_warn_by(self) -> float | None:
        """The early end of the range; where no date can be told, the late end."""
        return self.days(self.high_l if self.forecast.total_l is None else self.low_l)


def treated_l(state: State) -> float | None:
    """Litres since the change; those before counting by the shop's own use where only the day is known."""
    if state.whole:
        return state.counter.litres
    use = use_l_d(state.counter)
    if not state.dated or use is None:
        return None
    return state.counter.litres + use * max(state.counted_ms - state.bed_ms, 0) / DAY_MS


def left(state: State, forecast: Forecast | None) -> Left | None:
    """How long the bed still lasts; None where its litres or its feed are not known."""
    treated = treated_l(state)
    if forecast is None or treated is None:
        return None
    return Left(forecast, treated, use_l_d(state.counter))
