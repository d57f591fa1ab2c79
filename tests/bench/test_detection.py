"""The measure of detection: intervals, baselines, the best detector, the cache, causes; small and quick."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from monitor.stats.optimal import shiryaev_roberts_stationary_delay
from simulator.instruments import Reported
from tests.bench.detection import cache, intervals
from tests.bench.detection.baselines import Limit, by_limit, by_z_score, limit_of, starts
from tests.bench.detection.best import Part, memory, stationary_delay
from tests.bench.detection.cases import Case, Told
from tests.bench.detection.families import FAMILIES, family
from tests.bench.detection.run import Job, jobs
from tests.bench.detection.summary import share, spread
from tests.bench.detection.years import sort_of

MINUTE = 60_000
DAY = 86_400_000


def reports(values: np.ndarray, every_min: float = 5.0) -> Reported:
    times = 1_767_600_000_000 + (np.arange(len(values)) * every_min * MINUTE).astype(np.int64)
    return Reported(times, times, values.astype(float), np.zeros(len(values), dtype=np.uint8))


@pytest.mark.parametrize(("count", "low", "high"), [(0, 0.0, 3.689), (1, 0.0253, 5.572), (10, 4.795, 18.39)])
def test_a_poisson_interval_has_its_exact_ends(count: int, low: float, high: float) -> None:
    """Garwood's table, from memory."""
    assert intervals.poisson(count, 1.0) == pytest.approx((low, high), rel=2e-3, abs=1e-6)
    assert intervals.poisson(count, 4.0)[1] == pytest.approx(high / 4, rel=2e-3)


@pytest.mark.parametrize(
    ("hits", "of", "low", "high"), [(0, 10, 0.0, 0.3085), (9, 10, 0.555, 0.9975), (10, 10, 0.6915, 1.0)]
)
def test_a_binomial_interval_has_its_exact_ends(hits: int, of: int, low: float, high: float) -> None:
    """Clopper and Pearson, from memory."""
    assert intervals.binomial(hits, of) == pytest.approx((low, high), abs=1e-3)


def test_nothing_asked_says_nothing() -> None:
    assert intervals.binomial(0, 0) == (0.0, 1.0)
    assert share(0, 0)["of"] == 0


def test_the_best_detector_is_as_quick_as_theory_has_it() -> None:
    """A step of one sigma in independent noise, by simulation against the integral equation."""
    found = stationary_delay([Part(1.0, 0.0, (1.0,) * 60)], 300, seed=4, paths=900)
    assert found.mean == pytest.approx(shiryaev_roberts_stationary_delay(300, 1.0), rel=0.06)


def test_two_series_find_a_fault_sooner_than_one() -> None:
    one = Part(1.0, 0.0, (0.7,) * 60)
    alone, both = (stationary_delay(parts, 300, 4, 400).mean for parts in ([one], [one, one]))
    assert both < 0.75 * alone


def test_noise_that_remembers_hides_a_step_for_longer() -> None:
    white, red = (stationary_delay([Part(1.0, rho, (1.0,) * 60)], 300, 4, 400).mean for rho in (0.0, 0.5))
    assert red > 1.5 * white


def test_the_memory_of_a_series_is_fitted() -> None:
    rng, value, series = np.random.default_rng(3), 0.0, []
    for step in rng.standard_normal(20_000):
        value = 0.6 * value + 0.8 * step
        series.append(value)
    assert memory(np.array(series)) == pytest.approx((1.0, 0.6), abs=0.03)


def test_a_fixed_limit_speaks_once_after_its_delay_and_again_after_an_hour() -> None:
    values = np.full(200, 5.0)
    values[50:60] = values[62:70] = values[120] = values[150:160] = 30.0
    alarms = by_limit(reports(values), Limit(above=20.0))
    first = reports(values).time_ms
    # 50 to 70 is one alarm with a short pause in it; one report at 120 is no ten minutes
    assert alarms.tolist() == [first[52], first[152]]


def test_a_limit_of_twice_the_usual_is_learned_in_the_first_fortnight() -> None:
    values = np.concatenate([np.full(15 * 288, 4.0), np.full(100, 9.0)])
    assert len(by_limit(reports(values), Limit(times_usual=2.0))) == 1
    assert len(by_limit(reports(values), Limit(times_usual=2.5))) == 0


def test_a_z_score_speaks_of_a_step_and_not_of_a_digit() -> None:
    values = np.concatenate([np.tile([5.0, 5.1], 300), np.full(20, 9.0)])
    assert len(by_z_score(reports(values), 0.1)) == 1
    values[600:] = 5.3
    assert len(by_z_score(reports(values), 0.1)) == 0


def test_a_z_score_needs_half_a_day_first() -> None:
    assert len(by_z_score(reports(np.array([5.0] * 20 + [50.0])), 0.1)) == 0


def test_alarms_an_hour_apart_are_two() -> None:
    times = np.arange(0, 300, 5, dtype=np.int64) * MINUTE
    wrong = np.zeros(60, dtype=bool)
    wrong[[2, 10, 40]] = True
    assert (starts(times, wrong) / MINUTE).tolist() == [10, 200]


def test_each_sump_has_the_low_mark_of_the_site_file() -> None:
    site = (cache.REPOSITORY / "config" / "demo-shop.toml").read_text(encoding="utf-8")
    for n in range(1, 13):
        limit = limit_of(f"M{n:02d}_level")
        assert limit is not None
        assert f'channel = "m{n:02d}.level"\nbelow = "{limit.below:g} mm"' in site


def test_what_was_made_once_is_read_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GOODWATER_BENCH_CACHE", str(tmp_path))
    made: list[int] = []

    def make() -> dict[str, int]:
        made.append(1)
        return {"a": len(made)}

    assert [cache.kept("runs", "x.pickle", make) for _ in range(2)] == [{"a": 1}, {"a": 1}]
    (tmp_path / "runs" / "x.pickle").write_bytes(b"cut off in the mid")
    assert cache.kept("runs", "x.pickle", make) == {"a": 2}


def test_a_key_changes_with_parameters_and_with_code(tmp_path: Path) -> None:
    assert cache.key({"seed": 1}) == cache.key({"seed": 1}) != cache.key({"seed": 2})
    (tmp_path / "a.py").write_text("one")
    before = cache.version(("*.py",), tmp_path)
    cache.version.cache_clear()
    (tmp_path / "a.py").write_text("two")
    assert cache.version(("*.py",), tmp_path) != before


def test_a_miss_is_later_than_all_others() -> None:
    assert spread([3.0, 1.0, 2.0]) == {"median": 2.0, "p95": 3.0}
    assert spread([1.0, 2.0, None]) == {"median": 2.0, "p95": None}
    assert spread([1.0, None, None]) == {"median": None, "p95": None}
    assert spread([]) == {"median": None, "p95": None}


@pytest.mark.parametrize(
    ("early_h", "wanted"), [(47.0, False), (49.0, True), (335.0, True), (337.0, False), (None, False)]
)
def test_a_bed_is_announced_two_days_to_a_fortnight_ahead(early_h: float | None, wanted: bool) -> None:
    told = Told() if early_h is None else Told(-early_h, 100.0)
    case = Case("bed life", "first bed", "", 1, told, {}, early_h=early_h, early=True)
    assert case.as_wanted is wanted


def test_an_alarm_is_sorted_by_what_it_does_to_a_person() -> None:
    assert [sort_of("limit", p) for p in ("high", "medium", "low")] == ["wakes someone", "advisory", "remark"]
    assert sort_of("overdue", "low") == "reminder"


def test_each_size_and_kind_has_its_turn_in_every_round() -> None:
    planned = jobs(1001, 2.0)
    count = Counter(job.family for job in planned)
    assert count[""] == 2
    assert all(count[f.name] == 2 * f.every for f in FAMILIES)
    assert Job("", 1001, 365) in planned
    assert {job.family for job in jobs(1, 0.2, ("healthy",))} == {""}


def test_an_unknown_family_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"no family 'rust'; there are: creep, resin"):
        family("rust")
