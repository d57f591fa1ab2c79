"""Results folded into rows of figures: plain values, as docs/results/detection.json holds them."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from tests.bench.detection import cache, intervals
from tests.bench.detection.baselines import NAMES
from tests.bench.detection.cases import Case, Judged, Told
from tests.bench.detection.families import FAMILIES
from tests.bench.detection.run import Results
from tests.bench.detection.yardstick import RUN_LENGTH_D, hours
from tests.bench.detection.years import WORDS, YEAR_DAYS, Year

SORTS = (*WORDS.values(), "reminder")


def folded(results: Results) -> dict[str, Any]:
    """All figures of a run."""
    return {
        "seed": results.seed,
        "simulator": cache.version(cache.SIMULATOR),
        "healthy": of_years(results.years),
        "windows": of_windows(results.windows),
        "rows": of_cases(results.cases, results),
        "forecasts": of_forecasts(results.cases),
        "trade_off": results.curve,
        "run_length_days": dict(RUN_LENGTH_D),
        "left_out": results.left_out,
        "broken": sorted({b for part in (*results.years, *results.windows) for b in part.broken}),
        "failed": results.failed,
    }


def rate(count: int, exposure: float) -> dict[str, float]:
    """Events in so many years (or weeks), with the Poisson interval of their rate."""
    low, high = intervals.poisson(count, exposure)
    a_year = count / exposure if exposure else 0.0
    return {"count": count, "rate": _r(a_year), "low": _r(low), "high": _r(min(high, 1e9))}


def share(hits: int, of: int) -> dict[str, float]:
    """A share with its binomial interval."""
    low, high = intervals.binomial(hits, of)
    return {"hits": hits, "of": of, "share": _r(hits / of) if of else 0.0, "low": _r(low), "high": _r(high)}


def of_years(found: Sequence[Year]) -> dict[str, Any]:
    """False alarms of healthy years: ours by what they are to a person, the naive ones by cause."""
    exposure = sum(year.years for year in found)
    false: Counter[str] = sum((year.false for year in found), Counter())
    conditions: Counter[str] = sum((year.conditions for year in found), Counter())
    naive = {name: sum(year.naive.get(name, 0) for year in found) for name in NAMES}
    causes: dict[str, Counter[str]] = {name: Counter() for name in NAMES}
    for year in found:
        for name, by in year.naive_by.items():
            causes[name].update(by)
    return {
        "shop_years": _r(exposure),
        "seeds": [year.seed for year in found],
        "false": {sort: rate(false[sort], exposure) for sort in SORTS},
        "conditions": dict(conditions.most_common()),
        "explained": sum(year.explained for year in found),
        "naive": {name: rate(naive[name], exposure) for name in NAMES},
        "naive_by_cause": {name: dict(causes[name].most_common()) for name in NAMES},
    }


def of_windows(found: Sequence[Judged]) -> dict[str, Any]:
    """Alarms nothing explains while a fault stood, by family."""
    rows = {}
    for family in FAMILIES:
        mine = [w for w in found if w.family == family.name]
        years = sum(w.days for w in mine) / YEAR_DAYS
        false: Counter[str] = sum((w.false for w in mine), Counter())
        conditions: Counter[str] = sum((w.conditions for w in mine), Counter())
        if mine:
            rows[family.name] = {
                "windows": len(mine),
                "years": _r(years),
                "false": {sort: rate(false[sort], years) for sort in SORTS if false[sort]},
                "conditions": dict(conditions.most_common()),
            }
    return rows


def of_cases(cases: Iterable[Case], results: Results) -> list[dict[str, Any]]:
    """A row for each family, size and class of instrument."""
    groups: dict[tuple[str, str, str], list[Case]] = defaultdict(list)
    order = {family.name: place for place, family in enumerate(FAMILIES)}
    for case in cases:
        groups[case.family, case.cell, case.klass].append(case)
    keys = sorted(groups, key=lambda key: (order[key[0]], key[1], key[2]))
    return [_row(*key, groups[key], results) for key in keys]


def _row(family: str, cell: str, klass: str, cases: Sequence[Case], results: Results) -> dict[str, Any]:
    wanted = [case.as_wanted for case in cases if case.as_wanted is not None]
    row: dict[str, Any] = {
        "family": family,
        "cell": cell,
        "class": klass,
        "caught": share(sum(case.caught for case in cases), len(cases)),
        "in_minutes": any(case.one_day for case in cases),
        "delay_h": spread(case.ours.delay_h for case in cases),
        "since_start_h": spread(case.ours.since_start_h for case in cases),
    }
    if wanted:
        row["as_wanted"] = share(sum(wanted), len(wanted))
        row["within_h"] = next((case.within_h for case in cases if case.within_h is not None), None)
    if any(case.lost_l is not None for case in cases):
        row["lost_l"] = spread(case.lost_l for case in cases)
    if any(case.early for case in cases):
        row["early_d"] = spread(None if case.early_h is None else case.early_h / 24.0 for case in cases)
    row["naive"] = {name: _naive([case.naive[name] for case in cases]) for name in NAMES}
    bests = [hours(results.best[case.best].median) for case in cases if case.best in results.best]
    ours = row["since_start_h"]["median"]
    if bests:
        best = float(np.median(bests))
        row["best_h"] = _r(best)
        row["times_best"] = None if ours is None else _r(ours / best)
    return row


def _naive(told: Sequence[Told]) -> dict[str, Any]:
    return {
        "caught": share(sum(t.delay_h is not None for t in told), len(told)),
        "since_start_h": spread(t.since_start_h for t in told),
    }


def spread(values: Iterable[float | None]) -> dict[str, float | None]:
    """Median and 95th percentile; a miss is later than all, so either may be None."""
    known = sorted(np.inf if value is None else value for value in values)
    found: dict[str, float | None] = {}
    for name, part in (("median", 0.5), ("p95", 0.95)):
        place = max(int(np.ceil(part * len(known))) - 1, 0)
        found[name] = _r(float(known[place])) if known and np.isfinite(known[place]) else None
    return found


def of_forecasts(cases: Iterable[Case]) -> dict[str, Any]:
    """How far off forecasts were when half the way was gone, in per cent."""
    off: dict[str, list[float]] = defaultdict(list)
    for case in cases:
        for name, value in case.found.items():
            off[f"{name}: {case.cell}"].append(100.0 * value)
    return {
        name: {
            "of": len(values),
            "median_off_pct": _r(float(np.median(np.abs(values)))),
            "median_pct": _r(float(np.median(values))),
        }
        for name, values in sorted(off.items())
    }


def _r(value: float) -> float:
    """Three significant digits, or whole numbers where there are more."""
    return float(round(value)) if abs(value) >= 1000 else float(f"{value:.3g}")


def rows_of(figures: Mapping[str, Any], family: str) -> list[Mapping[str, Any]]:
    """The rows of one family."""
    return [row for row in figures["rows"] if row["family"] == family]
