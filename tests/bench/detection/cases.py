"""What became of each fault that was asked for: told or not, how late, at what cost; the naive rules too."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from simulator.score import families_of, is_question, subjects_of
from tests.bench.detection.baselines import NAMES, compared, first_after
from tests.bench.detection.record import Record, record
from tests.bench.detection.watching import Alarm, Outcome, Site, failures, held_against, watched
from tests.bench.detection.windows import Asked, Window, litres_between
from tests.bench.detection.years import sort_of

HOUR_MS = 3_600_000.0
# Announced two days to a fortnight ahead is what helps: sooner nobody acts, later nothing is in stock.
EARLY_H = (48.0, 14 * 24.0)


@dataclass(frozen=True)
class Told:
    """One detector and one fault: hours since the effect had its size, and since the fault began."""

    delay_h: float | None = None
    since_start_h: float | None = None


@dataclass(frozen=True)
class Case:
    """One fault that was asked for."""

    family: str
    cell: str
    klass: str
    seed: int
    ours: Told
    naive: dict[str, Told]
    within_h: float | None = None
    lost_l: float | None = None
    early_h: float | None = None
    early: bool = False
    one_day: bool = False
    best: tuple[str, float] | None = None
    found: dict[str, float] = field(default_factory=dict)

    @property
    def caught(self) -> bool:
        return self.ours.delay_h is not None

    @property
    def as_wanted(self) -> bool | None:
        """Told in the time that is wanted; None where no time is."""
        if self.early:
            return self.early_h is not None and EARLY_H[0] <= self.early_h <= EARLY_H[1]
        if self.within_h is None:
            return None
        return self.ours.delay_h is not None and self.ours.delay_h <= self.within_h


@dataclass(frozen=True)
class Judged:
    """One window: its cases, and the alarms nothing explains."""

    family: str
    seed: int
    days: int
    cases: tuple[Case, ...]
    false: Counter[str]
    conditions: Counter[str]
    broken: tuple[str, ...] = ()


def tells(alarm: Alarm, asked: Asked, site: Site) -> bool:
    """Whether an alarm is an answer to what was asked."""
    at = asked.start_ms <= alarm.time_ms <= asked.until_ms
    if not at or (asked.subject and asked.subject not in subjects_of(alarm, site.file.plant)):
        return False
    rules = {word.removeprefix("rule:") for word in asked.told_by if word.startswith("rule:")}
    if alarm.condition in rules:
        return True
    if is_question(alarm):
        return False
    return alarm.condition.split("/")[0] in rules or bool(families_of(alarm) & asked.told_by)


def judged(family: str, seed: int, window: Window, until_s: float | None = None) -> Judged:
    """Simulate a window, watch it, and answer what is asked of it. Raises: OutOfTime."""
    run = record(window.spec)
    cases: list[Case] = []
    false: Counter[str] = Counter()
    conditions: Counter[str] = Counter()
    broken: list[str] = []
    for site, ask in ((window.site, window.asked), *window.more):
        outcome = watched(run, site, window.remember, until_s)
        broken += [str(dict(a.evidence)) for a in failures(outcome)]
        cases += [_case(family, seed, asked, run, outcome, site) for asked in ask(run)]
        if site is window.site:
            for alarm in held_against(run, outcome, site).false:
                assert isinstance(alarm, Alarm)
                false[sort_of(alarm.rule_kind, alarm.priority)] += 1
                conditions[alarm.condition] += 1
    return Judged(family, seed, run.days, tuple(cases), false, conditions, tuple(broken))


def _case(family: str, seed: int, asked: Asked, run: Record, outcome: Outcome, site: Site) -> Case:
    alarm_ms = next((a.time_ms for a in outcome.alarms if tells(a, asked, site)), None)
    naive = {
        name: _told(first_after(alarms, asked.start_ms, asked.until_ms), asked)
        for name, alarms in compared(run, asked.instrument).items()
    }
    ours = _told(alarm_ms, asked)
    return Case(
        family=family,
        cell=asked.cell,
        klass=asked.klass,
        seed=seed,
        ours=ours,
        naive={name: naive[name] for name in NAMES},
        within_h=asked.within_h,
        lost_l=_lost(asked, run, alarm_ms),
        early_h=None if alarm_ms is None else (asked.from_ms - alarm_ms) / HOUR_MS,
        early=asked.early,
        one_day=asked.one_day,
        best=asked.best,
        found=_forecasts(asked, run, outcome),
    )


def _told(alarm_ms: int | None, asked: Asked) -> Told:
    if alarm_ms is None:
        return Told()
    return Told((alarm_ms - asked.from_ms) / HOUR_MS, (alarm_ms - asked.start_ms) / HOUR_MS)


def _lost(asked: Asked, run: Record, alarm_ms: int | None) -> float | None:
    """Litres of bad water made, or of coolant lost, before it was told; nothing when told ahead."""
    if alarm_ms is None or asked.lost == "":
        return None
    if isinstance(asked.lost, float):
        return asked.lost * (alarm_ms - asked.start_ms) / HOUR_MS
    return litres_between(run, asked.lost, asked.from_ms, alarm_ms) if alarm_ms > asked.from_ms else 0.0


def _forecasts(asked: Asked, run: Record, outcome: Outcome) -> dict[str, float]:
    """How far off a forecast was when half the way was gone, as a share of the whole."""
    if asked.early:
        return _bed_forecast(asked, run, outcome)
    if asked.best is not None and asked.best[0] == "A":
        return _creep_forecast(asked, outcome, asked.best[1])
    return {}


def _bed_forecast(asked: Asked, run: Record, outcome: Outcome) -> dict[str, float]:
    whole = litres_between(run, "total:permeate", asked.start_ms, asked.from_ms)
    for said in outcome.said:
        if not asked.start_ms < said.time_ms < asked.from_ms:
            continue
        left, treated = (
            said.evidence.get("left_l"),
            litres_between(run, "total:permeate", asked.start_ms, said.time_ms),
        )
        if isinstance(left, int | float) and treated >= 0.5 * whole:
            return {"volume_off": (left + treated) / whole - 1.0}
    return {}


def _creep_forecast(asked: Asked, outcome: Outcome, size_pct: float) -> dict[str, float]:
    """The passage grows by a straight line, so what is true of the time left follows from the usual and the
    limit that the rule itself shows."""
    for said in outcome.said:
        usual, value, left = (said.evidence.get(key) for key in ("usual", "measured", "days_left"))
        limit = said.evidence.get("limit")
        numbers = [x for x in (usual, limit) if isinstance(x, int | float)]
        if said.condition != "ro-creep" or len(numbers) < 2 or not isinstance(left, Sequence):
            continue
        whole_d = 7.0 * (numbers[1] / numbers[0] - 1.0) / (0.01 * size_pct)
        gone_d = (said.time_ms - asked.start_ms) / (24 * HOUR_MS)
        if gone_d >= 0.5 * whole_d and left and isinstance(left[0], int | float) and value is not None:
            return {"time_off": float(left[0]) / (whole_d - gone_d) - 1.0}
    return {}
