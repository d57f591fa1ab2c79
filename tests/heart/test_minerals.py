"""Rule `minerals`: what top-offs leave behind, tests that put it right, and the day of the limit."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest

from monitor.config import ConfigMistakes, load
from monitor.readings import Event, Finding, Tick
from monitor.rules.minerals import State, wording
from monitor.rules.minerals.balance import (
    GUESSES,
    after_test,
    begun,
    charged,
    forecast,
    present,
    topped_off,
)
from monitor.water.sump import mineral_after_mg_l
from tests.heart.coolant_shop import DAY_MS, HOUR_MS, MONDAY_MS, done, read, small_shop, with_hours
from tests.heart.shop import Heart

RULE = """
[[rule]]
kind = "minerals"
id = "minerals"
water = "water.hardness"
"""
USUAL = (0.1, 0.7)


def fed(
    folder: Path, days: int, *, more: Iterable[Event] = (), rule: str = RULE, hardness: float = 270.0
) -> Heart:
    """A sump of 300 L that takes 30 L every five days from Monday on, of water of this hardness."""
    watch = Heart(small_shop(folder, rule))
    events: list[Event] = [read("water.hardness", MONDAY_MS + HOUR_MS, hardness)]
    events += [
        done("m01", MONDAY_MS + day * DAY_MS + 9 * HOUR_MS, "top-off", 30.0) for day in range(0, days, 5)
    ]
    watch.see(*with_hours([*events, *more], MONDAY_MS, MONDAY_MS + days * DAY_MS))
    return watch


def told(watch: Heart) -> list[tuple[str, int]]:
    """What happened to the sump's alarm: cause, and the day since Monday."""
    return [
        (t.cause, (t.time_ms - MONDAY_MS) // DAY_MS)
        for t in watch.transitions
        if t.condition == "minerals/m01"
    ]


def last(watch: Heart) -> Finding:
    """What the rule says of the sump on the next morning."""
    rule, state = watch.watch.rules["minerals"], watch.state.rules["minerals"]
    _, (found,) = rule.on_tick(state, Tick(watch.state.last_tick_ms + DAY_MS))
    assert isinstance(found, Finding)
    return found


# ------------------------------------------------------------------------------------------ the balance


def test_each_guess_follows_the_water_balance_of_its_own_share() -> None:
    balance = charged(begun(200.0, USUAL, 600.0), 200.0)
    for _ in range(8):
        balance = topped_off(balance, 40.0, 0.0, 200.0, 320.0)
    place = next(i for i, (share, _, (scale, _)) in enumerate(GUESSES) if share == 0.3 and scale == 1.0)
    # Eight weeks of 40 L, three tenths of them lost as mixture, in one go:
    assert balance.mg_l[place] == pytest.approx(mineral_after_mg_l(320.0, 28.0, 12.0, 200.0, 200.0, 8.0))


def test_a_new_charge_is_as_hard_as_its_water_and_what_top_offs_bring_is_a_range() -> None:
    balance = charged(begun(200.0, USUAL, 600.0), 200.0)
    for _ in range(16):
        balance = topped_off(balance, 40.0, 0.0, 200.0, 320.0)
    low, middle, high = present(balance)
    assert 200.0 < low < middle < high
    assert mineral_after_mg_l(320.0, 12.0, 28.0, 200.0, 200.0, 16.0) < middle
    assert middle < mineral_after_mg_l(320.0, 36.0, 4.0, 200.0, 200.0, 16.0)


def test_tests_of_the_sump_tell_how_its_loss_is_shared() -> None:
    balance = charged(begun(200.0, USUAL, 2000.0), 200.0)
    true = 200.0
    for week in range(1, 41):
        balance = topped_off(balance, 40.0, 0.0, 200.0, 320.0)
        true = mineral_after_mg_l(320.0, 36.0, 4.0, 200.0, true, 1.0)
        if week % 4 == 0:
            balance = after_test(balance, true, 0.1)
    share = sum(w * share for w, (share, _, _) in zip(balance.weights, GUESSES, strict=True))
    assert share < 0.25  # it is a tenth; before the tests two fifths
    assert present(balance)[1] == pytest.approx(true, rel=0.1)


def test_one_wild_test_moves_the_balance_by_a_part_and_makes_no_guess_impossible() -> None:
    balance = charged(begun(200.0, USUAL, 600.0), 200.0)
    wild = after_test(balance, 2000.0, 0.15)
    assert 200.0 < present(wild)[1] < 800.0
    assert min(wild.weights) > 0.0


def test_coolant_drawn_off_and_replaced_by_soft_water_takes_its_minerals_along() -> None:
    balance = charged(begun(500.0, USUAL, 600.0), 500.0)
    after = topped_off(balance, 150.0, 150.0, 0.0, 300.0)
    assert present(after)[1] == pytest.approx(500.0 * 2.718281828**-0.5)
    topped = topped_off(balance, 150.0, 0.0, 0.0, 300.0)
    assert present(topped)[1] > present(after)[1]


def test_water_that_can_never_bring_a_sump_to_its_limit_has_no_date() -> None:
    soft = charged(begun(5.0, USUAL, 600.0), 5.0)
    ahead = forecast(soft, 600.0, 300.0, 6.0, 5.0)
    assert ahead.soonest_d == float("inf")
    assert ahead.within(3650.0) == 0.0


# --------------------------------------------------------------------------------------------- the rule


def test_the_limit_is_told_ahead_of_its_day_and_the_alarm_goes_with_a_new_charge(tmp_path: Path) -> None:
    true, when = 270.0, 0.0
    while true < 600.0:
        true, when = mineral_after_mg_l(300.0, 24.0, 6.0, 270.0, true, 1.0), when + 5.0
    tests = [
        read("m01.hardness", MONDAY_MS + day * DAY_MS + 10 * HOUR_MS, round(min(270 + 330 * day / when, 800)))
        for day in range(3, 150, 14)
    ]
    watch = fed(tmp_path, 150, more=[done("m01", MONDAY_MS, "sump-change"), *tests])
    (cause, day), *_ = told(watch)
    assert cause == "raised"
    assert 0 < when - day <= 60
    watch.see(done("m01", watch.state.last_tick_ms + 1, "sump-change"))
    begin_ms = watch.state.last_tick_ms + HOUR_MS
    watch.see(*with_hours([], begin_ms, begin_ms + 2 * DAY_MS))
    assert told(watch)[-1][0] == "returned"


def test_soft_water_is_never_told_of(tmp_path: Path) -> None:
    watch = fed(tmp_path, 120, hardness=8.0)
    assert told(watch) == []
    assert last(watch).evidence["likely"] == ""


def test_without_a_charge_or_a_test_it_is_told_only_when_it_is_nearly_sure(tmp_path: Path) -> None:
    blind = last(fed(tmp_path, 60))
    assert blind.evidence["anchored"] is False
    assert not blind.holds
    assert "test it before anything else" in wording(blind.evidence).meaning


def test_nothing_is_said_of_a_sump_into_which_nobody_logs_anything(tmp_path: Path) -> None:
    watch = Heart(small_shop(tmp_path, RULE))
    watch.see(*with_hours([read("water.hardness", MONDAY_MS, 270.0)], MONDAY_MS, MONDAY_MS + 60 * DAY_MS))
    rule, state = watch.watch.rules["minerals"], watch.state.rules["minerals"]
    assert rule.on_tick(state, Tick(watch.state.last_tick_ms + DAY_MS))[1] == ()


def test_a_new_charge_told_late_counts_from_its_own_day(tmp_path: Path) -> None:
    at_once = fed(tmp_path, 60, more=[done("m01", MONDAY_MS + 41 * DAY_MS, "sump-change")])
    late = fed(tmp_path, 60)
    late.see(done("m01", MONDAY_MS + 41 * DAY_MS, "sump-change"))
    assert last(late).evidence["mg_l"] == pytest.approx(last(at_once).evidence["mg_l"], rel=0.01)


def test_better_water_is_said_to_buy_time(tmp_path: Path) -> None:
    watch = fed(tmp_path, 100, more=[read("m01.hardness", MONDAY_MS + 99 * DAY_MS, 580.0)])
    evidence = last(watch).evidence
    assert evidence["likely"] != ""
    assert evidence["better"] == ""  # with soft water the limit is never reached
    assert any("not reached within two years" in step for step in wording(evidence).steps)


def test_a_conductivity_behind_a_softener_says_at_most(tmp_path: Path) -> None:
    rule = RULE.replace("water.hardness", "water.ec")
    plain = Heart(small_shop(tmp_path, rule))
    plain.see(read("water.ec", MONDAY_MS, 620.0))
    assert _water(plain) == pytest.approx(270.0)  # by the tap's own hardness and conductivity
    path = tmp_path / "site.toml"
    softened = path.read_text(encoding="utf-8").replace(
        '[[stage]]\nid = "loop"', '[[stage]]\nid = "soft"\nkind = "softener"\n\n[[stage]]\nid = "loop"'
    )
    path.write_text(softened, encoding="utf-8")
    behind = Heart(load(path))
    behind.see(read("water.ec", MONDAY_MS, 620.0))
    assert _water(behind) == pytest.approx(310.0)  # all of it


def _water(watch: Heart) -> float | None:
    state = watch.state.rules["minerals"]
    assert isinstance(state, State)
    return state.water_mg_l


def test_the_first_line_tells_what_and_when(tmp_path: Path) -> None:
    watch = fed(tmp_path, 100, more=[read("m01.hardness", MONDAY_MS + 99 * DAY_MS, 560.0)])
    evidence = last(watch).evidence
    said = wording(evidence)
    now, when = f"{evidence['mg_l']:.0f} mg/L", evidence["likely"]
    assert said.first_line == f"machine m01: minerals about {now}, limit of 600 mg/L about {when}"
    assert any("never down a drain" in caution for caution in said.cautions)
    over: dict[str, Any] = {**evidence, "likely_d": 0.0, "mg_l": 640.0}
    assert "over the coolant's limit of 600 mg/L" in wording(over).first_line


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ('water = "mixer.brix"', "mixer.brix"),
        ('sumps = ["m09"]\nwater = "water.hardness"', "m09"),
        ('mixture_lost = ["70 %", "10 %"]\nwater = "water.hardness"', "the lower first"),
        ('test_error = "0 %"\nwater = "water.hardness"', "test_error"),
    ],
)
def test_what_does_not_fit_is_refused_in_words(tmp_path: Path, change: str, said: str) -> None:
    with pytest.raises(ConfigMistakes, match=said):
        small_shop(tmp_path, RULE.replace('water = "water.hardness"', change))
