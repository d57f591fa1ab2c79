"""The same seed gives the same year, and a fault changes nothing but what it touches."""

from __future__ import annotations

import itertools
import subprocess
import sys

import numpy as np
import pytest

from simulator.noise import correlated, first_order, lag_filter, stream
from simulator.shop import ShopError
from simulator.year import Run, simulate

DAYS = 8


def month(*faults: dict[str, object], seed: int = 7) -> Run:
    return simulate("hall3", faults, seed=seed, start="2025-03-03", days=DAYS)


@pytest.fixture(scope="module")
def sound() -> Run:
    return month()


def differing(one: Run, other: Run) -> set[str]:
    """Instruments whose reports differ in any time, value or status."""
    found = set()
    for name, said in one.reported.items():
        twin = other.reported[name]
        same = len(said.value) == len(twin.value) and all(
            np.array_equal(a, b)
            for a, b in ((said.time_ms, twin.time_ms), (said.value, twin.value), (said.status, twin.status))
        )
        if not same:
            found.add(name)
    return found


def test_the_same_seed_gives_the_same_reports(sound: Run) -> None:
    assert differing(sound, month()) == set()


def test_another_seed_gives_other_reports(sound: Run) -> None:
    assert {"permeate_ec", "M01_level", "tap_ec"} <= differing(sound, month(seed=8))


@pytest.mark.parametrize("kind", ["probe_stuck", "probe_drift", "dropout", "over_range", "clock_wrong"])
def test_an_instrument_fault_leaves_every_other_instrument_as_it_was(sound: Run, kind: str) -> None:
    faulty = month({"kind": kind, "target": "permeate_ec", "start_day": 4})
    changed = differing(sound, faulty)
    assert changed == (set() if kind == "clock_wrong" else {"permeate_ec"})
    if kind == "clock_wrong":
        assert (
            faulty.reported["permeate_ec"].own_ms - sound.reported["permeate_ec"].own_ms
        ).max() == 3_600_000


def test_a_leak_leaves_the_noise_of_the_other_sumps_as_it_was(sound: Run) -> None:
    """A leak is topped off with treated water, so the train runs more; the other sumps do not notice."""
    leaking = month({"kind": "sump_leak", "target": "M05", "start_day": 3, "size": 1.5})
    levels = {name for name in differing(sound, leaking) if name.endswith("_level") and name != "tank_level"}
    assert levels == {"M05_level"}


def test_a_train_fault_leaves_the_noise_of_its_probes_as_it_was(sound: Run) -> None:
    creeping = month({"kind": "membrane_creep", "start_day": 3, "size": 40.0})
    assert differing(sound, creeping) <= {"permeate_ec", "di_ec", "di_tds", "tank_ec"}
    assert "permeate_ec" in differing(sound, creeping)
    before = sound.reported["permeate_ec"].time_ms < sound.start_ms + 3 * 86_400_000
    assert np.array_equal(
        sound.reported["permeate_ec"].value[before], creeping.reported["permeate_ec"].value[before]
    )


def test_samples_come_in_order_of_sending_and_all_of_them_once(sound: Run) -> None:
    samples = list(sound.samples_between(sound.start_ms, sound.end_ms))
    times = [sample.sent_ms for sample in samples]
    assert times == sorted(times)
    assert len(samples) == sum(len(said.value) for said in sound.reported.values())


def test_windows_side_by_side_hold_what_one_window_holds(sound: Run) -> None:
    edges = [sound.start_ms + minute * 60_000 for minute in (0, 7, 60, 61, 180)]
    parts = [sample for low, high in itertools.pairwise(edges) for sample in sound.samples_between(low, high)]
    assert [tuple(map(str, sample)) for sample in parts] == [
        tuple(map(str, sample)) for sample in sound.samples_between(edges[0], edges[-1])
    ]


def test_a_lag_filter_is_the_recursion_it_stands_for() -> None:
    drive = np.random.default_rng(2).standard_normal((3000, 2))
    for keep in (0.0, 0.3, 0.97, 0.9999):
        state, wanted = np.array([2.0, -1.0]), []
        for value in drive:
            state = keep * state + value
            wanted.append(state)
        assert lag_filter(drive, keep, np.array([2.0, -1.0])) == pytest.approx(np.array(wanted), abs=1e-7)


def test_correlated_noise_has_the_spread_and_memory_it_was_asked_for() -> None:
    noise = correlated(stream(1, "test"), (200_000,), 2.0, 1.0, 10.0)
    assert noise.std() == pytest.approx(2.0, rel=0.03)
    assert np.corrcoef(noise[1:], noise[:-1])[0, 1] == pytest.approx(np.exp(-0.1), abs=0.005)
    assert first_order(np.ones(5), 1.0, 3.0) == pytest.approx(np.ones(5))


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ({"kind": "flood", "start_day": 1}, "unknown kind 'flood'; allowed are membrane_creep"),
        ({"kind": "sump_leak", "target": "M99", "start_day": 1}, "machine 'M99' is not in the shop"),
        ({"kind": "probe_stuck", "target": "x", "start_day": 1}, "instrument 'x' is not in the shop"),
        ({"kind": "membrane_creep", "target": "M01", "start_day": 1}, "takes no target"),
        ({"kind": "membrane_creep"}, "give start"),
        ({"kind": "membrane_creep", "start_day": 3, "end_day": 2}, "ends before it starts"),
        ({"kind": "membrane_creep", "start_day": 3, "sice": 2}, "unknown key 'sice'"),
    ],
)
def test_a_fault_that_cannot_be_is_refused_in_words(fault: dict[str, object], words: str) -> None:
    with pytest.raises(ShopError, match=words):
        month(fault)


def test_the_simulator_knows_nothing_of_the_watch() -> None:
    code = "import simulator.__main__, sys; print([m for m in sys.modules if m.split('.')[0] == 'monitor'])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
