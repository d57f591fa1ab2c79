"""All jobs of a measurement, two at a time, each read from the cache where it was done before."""

from __future__ import annotations

import multiprocessing
import os
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass, field
from typing import Any

from tests.bench.detection import cases, years
from tests.bench.detection.best import Delay
from tests.bench.detection.families import FAMILIES, family
from tests.bench.detection.noise import healthy
from tests.bench.detection.watching import OutOfTime
from tests.bench.detection.yardstick import trade_off, yardsticks

# Rounds of fault windows for each healthy shop-year: what fills about as much time as the year.
ROUNDS_A_YEAR = 1.0
WORKERS = 2
# Seeds 1 to 99 are for tuning; what is published is measured from 1001 on.
REPORTING_FROM = 1001


@dataclass(frozen=True)
class Job:
    """A healthy stretch (`family` empty, `number` its days) or one window."""

    family: str
    seed: int
    number: int


@dataclass
class Results:
    """All that was measured."""

    seed: int
    years: list[years.Year] = field(default_factory=list)
    windows: list[cases.Judged] = field(default_factory=list)
    best: dict[tuple[str, float], Delay] = field(default_factory=dict)
    curve: list[dict[str, Any]] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)  # jobs that ended in an exception
    left_out: int = 0  # jobs the time did not suffice for

    @property
    def cases(self) -> list[cases.Case]:
        return [case for window in self.windows for case in window.cases]


def jobs(seed: int, shop_years: float, names: Sequence[str] = ()) -> list[Job]:
    """What is to be done: healthy years first to be begun, windows between them, a round at a time,
    the first of each family before the second of any."""
    whole, part = divmod(round(shop_years * 365), 365)
    stretches = [365] * whole + ([part] if part >= 28 else [])
    healthy_jobs = [Job("", seed + k, days) for k, days in enumerate(stretches)]
    rounds = max(1, round(ROUNDS_A_YEAR * shop_years))
    found: list[Job] = []
    for turn in range(rounds):
        found += healthy_jobs[turn : turn + 1]
        for place in range(max(each.every for each in FAMILIES)):
            numbers = [(each.name, turn * each.every + place) for each in FAMILIES if place < each.every]
            found += [Job(name, seed + n, n) for name, n in numbers]
    found += healthy_jobs[rounds:]
    return [job for job in found if not names or (job.family or "healthy") in names]


def done(job: Job, base: int, until_s: float | None) -> years.Year | cases.Judged | None:
    """One job, in whichever process; None when the time was over first."""
    if not job.family:
        return years.judged(job.seed, job.number, until_s)
    try:
        window = family(job.family).window(job.seed, job.number, base)
        return cases.judged(job.family, job.seed, window, until_s)
    except OutOfTime:
        return None


def measured(
    seed: int, shop_years: float, names: Sequence[str] = (), minutes: float | None = None
) -> Results:
    """Do all jobs. With `minutes` nothing goes on after that; what is left out is counted."""
    results, began = Results(seed), time.monotonic()
    until_s = None if minutes is None else began + 60.0 * minutes
    healthy(seed)  # once, before two processes want it
    context = multiprocessing.get_context("spawn")
    waiting, running = jobs(seed, shop_years, names), dict[Future[Any], Job]()
    with ProcessPoolExecutor(WORKERS, mp_context=context) as pool:
        while waiting or running:
            if until_s is not None and time.monotonic() > until_s:
                results.left_out += len(waiting)
                waiting = []
            while waiting and len(running) < WORKERS:
                job = waiting.pop(0)
                running[pool.submit(done, job, seed, until_s)] = job
            for finished in wait(running, return_when=FIRST_COMPLETED).done:
                _take(results, running.pop(finished), finished, time.monotonic() - began)
    results.years.sort(key=lambda y: y.seed)
    results.windows.sort(key=lambda w: (w.family, w.seed))
    results.best = yardsticks(healthy(seed), wanted(results.cases), seed)
    if any(case.family == "leak" for case in results.cases):
        results.curve = trade_off(healthy(seed), seed)
    return results


def _take(
    results: Results, job: Job, finished: Future[years.Year | cases.Judged | None], took_s: float
) -> None:
    name = f"{job.family or 'healthy'} {job.number}, seed {job.seed}"
    error = finished.exception()
    if error is not None:
        results.failed.append(f"{name}: {type(error).__name__}: {error}")
        print(f"{took_s / 60:6.1f} min  {results.failed[-1]}", flush=True)
        return
    found = finished.result()
    print(f"{took_s / 60:6.1f} min  {name}", flush=True)
    if isinstance(found, years.Year):
        results.years += [found] if found.days else []
    elif found is not None:
        results.windows.append(found)
    else:
        results.left_out += 1


def wanted(found: Iterable[cases.Case]) -> list[tuple[str, float]]:
    """The yardsticks that these cases are held against."""
    return sorted({case.best for case in found if case.best is not None})


def processor_s() -> float:
    """Seconds of processor time that this process and its children took."""
    took = os.times()
    return took.user + took.system + took.children_user + took.children_system
