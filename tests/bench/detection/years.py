"""Healthy whole years of the shop: every alarm that nothing in the truth explains is a false one."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from functools import cache

from monitor.readings import Priority
from tests.bench.detection.baselines import DAY_MS, NAMES, compared, limit_of
from tests.bench.detection.causes import by_cause
from tests.bench.detection.noise import MACHINES
from tests.bench.detection.plain import TANK, WEAR
from tests.bench.detection.record import DISPLAY, Record, Spec, record, shop_of
from tests.bench.detection.watching import (
    OutOfTime,
    Site,
    demo_site,
    failures,
    held_against,
    site_of_text,
    watched,
)

YEAR_DAYS = 365.25
# Rules that the demo's site file does not hold, as tables of it; each line a rule more on every healthy year.
MORE = (TANK.rules, WEAR.rules)
START = "2026-01-05"
# Kinds whose alarms remind of something due; all others are sorted by priority.
REMINDERS = ("overdue",)
WORDS: dict[Priority, str] = {"high": "wakes someone", "medium": "advisory", "low": "remark"}


def sort_of(rule_kind: str, priority: Priority) -> str:
    """What an alarm is to the person who gets it."""
    return "reminder" if rule_kind in REMINDERS else WORDS[priority]


@dataclass(frozen=True)
class Year:
    """What a healthy stretch gave: false alarms of the rules and of the naive ones."""

    seed: int
    days: int
    false: Counter[str] = field(default_factory=Counter)  # by what they are to a person
    conditions: Counter[str] = field(default_factory=Counter)  # the same by condition
    explained: int = 0
    naive: dict[str, int] = field(default_factory=dict)  # by name of baseline
    naive_by: dict[str, dict[str, int]] = field(default_factory=dict)  # by name of baseline, and cause
    broken: tuple[str, ...] = ()

    @property
    def years(self) -> float:
        return self.days / YEAR_DAYS


def spec_of(seed: int, days: int) -> Spec:
    """Everything the shop reports: levels each minute, all else every five."""
    names = tuple(i.name for i in shop_of("hall3").instruments if i.name != DISPLAY.name)
    series = ["run:ro", "run:regeneration", "ec25:tap"]
    series += [f"{what}:{m}" for what in ("run", "topoff") for m in MACHINES]
    levels = tuple(name for name in names if name.endswith("_level"))
    return Spec(seed, START, days, names, fast=levels, series=tuple(series))


@cache
def site() -> Site:
    """The demo's site file, all rules of it, and what the same instruments allow besides."""
    return site_of_text("\n".join([demo_site().text, *MORE]))


def judged(seed: int, days: int, until_s: float | None = None) -> Year:
    """One healthy stretch, watched by all rules and by the naive ones; as much of it as
    there is time for."""
    run = record(spec_of(seed, days))
    try:
        outcome = watched(run, site(), until_s=until_s)
    except OutOfTime as part:
        outcome, days = part.outcome, (part.end_ms - run.start_ms) // DAY_MS
        run = run.between(run.start_ms, part.end_ms)
    score = held_against(run, outcome, site())
    naive, causes = naive_alarms(run)
    return Year(
        seed=seed,
        days=days,
        false=Counter(sort_of(a.rule_kind, a.priority) for a in score.false),  # type: ignore[attr-defined]  # Alarms
        conditions=Counter(a.condition for a in score.false),
        explained=len(score.allowed),
        naive=naive,
        naive_by=causes,
        broken=tuple(str(dict(a.evidence)) for a in failures(outcome)),
    )


def naive_alarms(run: Record) -> tuple[dict[str, int], dict[str, dict[str, int]]]:
    """How often each baseline spoke in a healthy stretch, and by cause. Only instruments a shop sets a limit
    on, so that limit and z-score watch the same ones."""
    counts = dict.fromkeys(NAMES, 0)
    causes: dict[str, Counter[str]] = {name: Counter() for name in NAMES}
    for instrument in run.reported:
        if limit_of(instrument) is None:
            continue
        for name, alarms in compared(run, instrument).items():
            counts[name] += len(alarms)
            causes[name] += by_cause(run, instrument, alarms)
    return counts, {name: dict(found) for name, found in causes.items()}
