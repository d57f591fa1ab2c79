"""The flags of conditioning, held against those of ioos_qc, the common library of QARTOD's tests."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ioos_qc import qartod

from monitor.condition.noise import may_be_noisy, noise_limit
from monitor.condition.noise import on_value as on_noise
from monitor.config import SiteFile
from monitor.readings import Bound, Level, Reason
from tests.heart.shop import SITE, Heart, sample, site

MINUTE_S = 60.0
SUSPECT, FAIL = 3, 4


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> SiteFile:
    """The DI meter with a fixed jump and a short flat line, so that the library can be given the same."""
    keys = 'compensated = true\njump = "4 uS/cm"\nnoise = "2 uS/cm"\nflat_after = "10 min"'
    text = SITE.replace("compensated = true", keys)
    return site(tmp_path_factory.mktemp("plain"), text)


def reasons(shop: SiteFile, values: list[float]) -> list[Reason]:
    heart = Heart(shop)
    return [heart.reading(sample("di.ec", n, value)).reasons for n, value in enumerate(values)]


def at(flags: object, *wanted: int) -> set[int]:
    return {n for n, flag in enumerate(np.ma.filled(flags, 0).tolist()) if flag in wanted}


def having(found: list[Reason], reason: Reason) -> set[int]:
    return {n for n, one in enumerate(found) if one & reason}


tenths = st.integers(0, 400).map(lambda n: n / 10)


@settings(max_examples=60, deadline=None)
@given(values=st.lists(tenths, min_size=3, max_size=40))
def test_every_jump_is_one_of_the_librarys_rate_of_change_test(plain: SiteFile, values: list[float]) -> None:
    # Test 7 at 4 uS/cm a minute flags the step and the way back; a jump is the step alone.
    times = [MINUTE_S * n for n in range(len(values))]
    library = qartod.rate_of_change_test(values, times, threshold=(4.0 + 1e-6) / MINUTE_S)
    assert having(reasons(plain, values), Reason.JUMP) <= at(library, SUSPECT)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), height=st.sampled_from([-9.0, 7.0, 30.0]))
def test_lone_spikes_are_those_of_the_librarys_spike_test(plain: SiteFile, seed: int, height: float) -> None:
    chance = random.Random(seed)
    values = [round(20 + chance.uniform(-1, 1), 1) for _ in range(40)]
    for n in range(3 + chance.randrange(3), 37, 5):
        values[n] = round(values[n] + height, 1)
    library = qartod.spike_test(values, suspect_threshold=4.0, fail_threshold=1e9, method="differential")
    assert having(reasons(plain, values), Reason.JUMP) == at(library, SUSPECT)


@settings(max_examples=40, deadline=None)
@given(values=st.lists(st.floats(-60, 260, allow_nan=False), min_size=1, max_size=30))
def test_the_range_is_that_of_the_librarys_gross_range_test(plain: SiteFile, values: list[float]) -> None:
    beyond = Reason.OVER_RANGE | Reason.UNDER_RANGE | Reason.IMPLAUSIBLE
    found = reasons(plain, values)
    library = at(qartod.gross_range_test(values, (0.0, 200.0)), FAIL)
    at_stop = {n for n, value in enumerate(values) if value == 200.0}  # a meter at its end shows the end
    assert having(found, beyond) == library | at_stop


@settings(max_examples=40, deadline=None)
@given(runs=st.lists(st.integers(1, 25), min_size=1, max_size=6))
def test_a_flat_line_is_that_of_the_librarys_flat_line_test(plain: SiteFile, runs: list[int]) -> None:
    values = [5.0 + 0.1 * (n % 2) for n, length in enumerate(runs) for _ in range(length)]
    times = [MINUTE_S * n for n in range(len(values))]
    # Ours says: longer than ten minutes; theirs: so many steps of the median interval and one value more.
    library = qartod.flat_line_test(
        values, times, suspect_threshold=11 * MINUTE_S, fail_threshold=1e9, tolerance=0.01
    )
    assert having(reasons(plain, values), Reason.FLAT) == at(library, SUSPECT)


@pytest.mark.parametrize(("swing", "noisy"), [(1.5, False), (3.0, True), (40.0, True)])
def test_values_that_swing_by_more_than_the_noise_allowed_become_uncertain(
    plain: SiteFile, swing: float, noisy: bool
) -> None:
    values = [100 + swing * (n % 2) for n in range(60)]
    library = qartod.spike_test(values, suspect_threshold=2.0, fail_threshold=1e9, method="differential")
    assert (len(at(library, SUSPECT)) == 58) == noisy
    found = having(reasons(plain, values), Reason.NOISY)
    assert bool(found) == noisy
    if noisy:
        assert 10 < min(found) < 25 and found == set(range(min(found), 60))


def test_one_spike_or_one_step_is_no_noise(plain: SiteFile) -> None:
    values = [20.0 + 0.1 * (n % 3) for n in range(200)]
    values[50] = 90.0
    values[100:] = [value + 60 for value in values[100:]]
    assert having(reasons(plain, values), Reason.NOISY) == set()


def test_a_value_calms_down_as_soon_as_its_swings_are_half_of_what_is_allowed(plain: SiteFile) -> None:
    values = [20 + 6.0 * (n % 2) for n in range(60)] + [23 + 0.1 * (n % 2) for n in range(60)]
    found = having(reasons(plain, values), Reason.NOISY)
    assert 60 < max(found) < 100


@pytest.mark.parametrize("sigma", [0.1, 0.3, 1.0])
def test_an_instrument_within_its_accuracy_is_not_noisy(tmp_path: Path, sigma: float) -> None:
    heart, chance = Heart(site(tmp_path)), random.Random(1)  # 1 uS/cm of accuracy
    readings = [heart.reading(sample("di.ec", n / 6, round(chance.gauss(8, sigma), 1))) for n in range(4000)]
    assert not any(r.reasons & Reason.NOISY for r in readings)


def test_slow_instruments_and_those_that_move_by_nature_are_not_looked_at(plain: SiteFile) -> None:
    channels = plain.plant.channels
    assert not may_be_noisy(channels["ro.flow"], 10_000)
    assert may_be_noisy(channels["ro.t"], 60_000) and not may_be_noisy(channels["ro.t"], 61_000)
    far_apart = on_noise(channels["di.ec"], on_noise(channels["di.ec"], None, 1_000, 5.0), 100_000, 50.0)
    assert far_apart.swing == 0.0


def test_the_noise_allowed_comes_from_the_instrument_itself(tmp_path: Path) -> None:
    channel = site(tmp_path).plant.channels["di.ec"]
    assert noise_limit(channel, 2.0) == pytest.approx(2.0)  # twice the accuracy of 1 uS/cm
    assert noise_limit(channel, 100.0) == pytest.approx(5.0)  # a twentieth of the value


def test_a_noisy_value_beyond_its_range_stays_evidence(plain: SiteFile) -> None:
    heart = Heart(plain)
    heart.see(*(sample("di.ec", n, 190.0 + 9 * (n % 2)) for n in range(40)))
    reading = heart.reading(sample("di.ec", 40, 210.0))
    assert (reading.level, reading.bound) == (Level.BAD, Bound.AT_LEAST)
