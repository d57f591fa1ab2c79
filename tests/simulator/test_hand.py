"""What people write down at the simulated sumps: as well as people do, and touching nothing else."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from simulator.hand import DAY_MS, Episode, Habits, Note, notes, on_other_water, ph_of
from simulator.water import CA, MG
from simulator.year import Run


@pytest.fixture(scope="module")
def book(healthy: Run) -> list[Note]:
    return notes(healthy)


def test_the_same_seed_gives_the_same_book_in_order_of_time(healthy: Run, book: list[Note]) -> None:
    assert notes(healthy) == book
    assert [n.time_ms for n in book] == sorted(n.time_ms for n in book)


def test_top_offs_by_hand_are_told_in_fives_and_add_up_to_what_was_poured_but_for_what_was_forgotten(
    healthy: Run, book: list[Note]
) -> None:
    told = [n for n in book if n.what == "top-off"]
    by_hand = {m.name for m in healthy.shop.machines if m.topoff == "hand"}
    assert {n.machine for n in told} <= by_hand
    assert all(n.value % 5 == 0 for n in told)
    index = [healthy.shop.machine_index(name) for name in by_hand]
    poured = healthy.series.sumps.filled_l[:, index].sum()
    assert 0.7 < sum(n.value for n in told) / poured < 1.05


def test_every_sump_is_looked_at_every_week_but_for_a_few_times(healthy: Run, book: list[Note]) -> None:
    looked = Counter(n.machine for n in book if n.what == "ph")
    assert len(looked) == 12
    assert 0.8 * 12 * 6 <= sum(looked.values()) <= 12 * 6


def test_the_refractometer_shows_the_sumps_concentration_and_its_zero(healthy: Run, book: list[Note]) -> None:
    habits, off = Habits(), []
    for note in book:
        if note.what == "brix":
            hour = (note.time_ms - healthy.start_ms) // 3_600_000
            true = healthy.series.sumps.concentrate_pct[hour, healthy.shop.machine_index(note.machine)]
            off.append(note.value - habits.zero_brix - true / habits.factor_pct_brix)
    assert abs(np.mean(off)) < 0.06
    assert 0.08 < np.std(off) < 0.25


def test_biology_takes_the_ph_then_smells_and_is_gone_after_treatment(healthy: Run) -> None:
    start_ms = healthy.start_ms + 7 * DAY_MS
    episode = Episode("M04", start_ms, start_ms + 25 * DAY_MS, ph_lost=0.8)
    machine = healthy.shop.machine_index("M04")
    lost = ph_of(healthy, machine, ()) - ph_of(healthy, machine, [episode])
    assert lost[:7].max() == 0.0
    assert lost[16] == pytest.approx(0.4, abs=0.1)
    assert lost[29] > 0.75
    assert lost[-1] < 0.01
    visible_ms = episode.visible_ms()
    assert visible_ms is not None
    assert 7 < (visible_ms - start_ms) / DAY_MS < 10
    smelt = [
        n for n in notes(healthy, [episode]) if n.machine == "M04" and n.what == "smell" and n.value >= 2
    ]
    assert smelt
    assert min(n.time_ms for n in smelt) > visible_ms


def test_an_episode_changes_the_book_of_its_own_sump_only(healthy: Run, book: list[Note]) -> None:
    episode = Episode("M04", healthy.start_ms, healthy.end_ms)
    with_it = notes(healthy, [episode])
    assert [n for n in with_it if n.machine != "M04"] == [n for n in book if n.machine != "M04"]
    assert with_it != book


def test_sumps_on_another_water_gather_its_hardness_and_the_run_keeps_its_own(healthy: Run) -> None:
    before = healthy.series.sumps.hardness_mg_l.copy()
    tap = healthy.series.tap.water
    hard = on_other_water(healthy, tap)
    assert (healthy.series.sumps.hardness_mg_l == before).all()
    assert (hard.hardness_mg_l[-1] > before[-1] + 10.0).all()
    assert (hard.concentrate_pct == healthy.series.sumps.concentrate_pct).all()
    assert hard.hardness_mg_l[-1].max() < 50.04 * (tap[:, CA] + tap[:, MG]).max() * 3
