"""Rule `sump-condition`: concentration against its band, and signs that together read as biology."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from monitor.config import ConfigMistakes, load
from monitor.readings import OperatorAction
from monitor.rules.sump_condition import wording
from monitor.rules.sump_condition.signs import Seen, looked
from tests.heart.coolant_shop import DAY_MS, HOUR_MS, MONDAY_MS, done, read, small_shop, with_hours
from tests.heart.shop import Heart

RULE = """
[[rule]]
kind = "sump-condition"
id = "condition"
zero = "water.brix"
"""


@pytest.fixture
def shop(tmp_path: Path) -> Heart:
    return Heart(small_shop(tmp_path, RULE))


def at(week: float) -> int:
    """Seven in the morning, so many weeks after Monday."""
    return MONDAY_MS + round(week * 7) * DAY_MS + 7 * HOUR_MS


def weekly(
    what: Callable[[int, float], OperatorAction], values: Sequence[float], first: int = 0
) -> list[OperatorAction]:
    """The same look every week."""
    return [what(at(first + week), value) for week, value in enumerate(values)]


def ph(time_ms: int, value: float) -> OperatorAction:
    return read("m01.ph", time_ms, value)


def brix(time_ms: int, value: float) -> OperatorAction:
    return read("m01.brix", time_ms + 60_000, value)


def smell(time_ms: int, value: float) -> OperatorAction:
    return done("m01", time_ms + 120_000, "smell", value)


def oil(time_ms: int, value: float) -> OperatorAction:
    return done("m01", time_ms + 180_000, "tramp-oil", value)


def told(watch: Heart) -> list[tuple[str, str, int]]:
    """What became an alarm or ceased to be one: part, cause, and weeks since Monday."""
    return [
        (t.condition.removeprefix("condition/m01"), t.cause, (t.time_ms - MONDAY_MS) // (7 * DAY_MS))
        for t in watch.transitions
    ]


def live(watch: Heart, *events: OperatorAction) -> list[tuple[str, str, int]]:
    first, last = min(e.time_ms for e in events), max(e.time_ms for e in events)
    watch.see(*with_hours(events, first - 7 * HOUR_MS, last + HOUR_MS))
    return told(watch)


USUAL = [9.2, 9.1, 9.2, 9.3, 9.2, 9.1]


def test_a_ph_three_tenths_down_and_a_smell_read_as_likely_biology(shop: Heart) -> None:
    assert live(shop, *weekly(ph, [*USUAL, 8.9]), smell(at(6), 1)) == [("", "raised", 6)]
    (alarm,) = shop.transitions
    said = wording(alarm.evidence)
    assert said.first_line == "machine m01: coolant likely going bad: pH down 0.3, smell"
    assert said.steps[0].startswith("Air first")
    assert "safety officer" in said.steps[0]


def test_no_message_tells_anybody_to_add_biocide(shop: Heart) -> None:
    live(shop, *weekly(ph, [*USUAL, 8.8]), smell(at(6), 2))
    said = wording(shop.transitions[-1].evidence)
    assert not any("biocide" in step for step in said.steps)
    assert any(caution.startswith("Never add biocide on your own account") for caution in said.cautions)


def test_one_ph_a_little_down_is_nothing_and_two_in_a_row_are_asked_about(shop: Heart) -> None:
    assert live(shop, *weekly(ph, [*USUAL, 8.9])) == []
    assert live(shop, ph(at(7), 8.8)) == [("/check", "raised", 7)]
    assert wording(shop.transitions[-1].evidence).first_line == "machine m01: pH down 0.4: look again"


def test_a_ph_back_at_its_usual_takes_the_sign_away(shop: Heart) -> None:
    live(shop, *weekly(ph, [*USUAL, 8.8]), smell(at(6), 1))
    assert live(shop, ph(at(7), 9.2)) == [("", "raised", 6), ("", "returned", 7)]


def test_a_slow_fall_does_not_become_what_is_usual(shop: Heart) -> None:
    slow = [9.2, 9.2, 9.2, 9.2, *(9.2 - 0.03 * week for week in range(1, 20))]
    assert ("/check", "raised") in [(part, cause) for part, cause, _ in live(shop, *weekly(ph, slow))]


def test_a_smell_nobody_else_finds_is_nothing_and_a_clear_one_is_asked_about(shop: Heart) -> None:
    assert live(shop, *weekly(smell, [0, 1, 0, 0])) == []
    assert live(shop, smell(at(5), 2)) == [("/check", "raised", 5)]


def test_floating_oil_and_lean_coolant_are_two_remarks_and_not_biology(shop: Heart) -> None:
    lean = live(shop, *weekly(brix, [5.6, 4.0, 4.0]), *weekly(oil, [2, 2, 2]))
    assert [(part, cause) for part, cause, _ in lean] == [("/concentration", "raised"), ("/check", "raised")]


def test_a_clear_smell_in_lean_coolant_reads_as_biology_and_a_faint_one_does_when_found_twice(
    shop: Heart,
) -> None:
    lean = weekly(brix, [5.6, 4.0, 4.0, 4.0])
    assert ("", "raised", 3) in live(shop, *lean, smell(at(2), 1), smell(at(3), 1))
    assert ("", "raised", 2) not in told(shop)


def test_signs_that_nobody_looks_at_again_do_not_stand_for_ever(shop: Heart) -> None:
    live(shop, *weekly(ph, [*USUAL, 8.8]), smell(at(6), 1))
    shop.see(*with_hours([], at(6) + DAY_MS, at(11)))
    assert told(shop)[-1][:2] == ("", "returned")


def test_a_new_charge_begins_everything_anew(shop: Heart) -> None:
    live(shop, *weekly(ph, [*USUAL, 8.8]), smell(at(6), 2))
    assert live(shop, done("m01", at(7), "sump-change"))[-1] == ("", "returned", 7)
    assert live(shop, *weekly(ph, [8.8, 8.8, 8.9, 8.8, 8.8], first=8))[-1] == ("", "returned", 7)


def test_a_concentration_is_read_from_the_zero_of_the_shops_own_water(shop: Heart) -> None:
    live(shop, read("water.brix", at(0), 0.6), brix(at(1), 5.0), brix(at(2), 5.0))
    alarm = shop.transitions[-1]
    assert alarm.condition == "condition/m01/concentration"
    assert alarm.evidence["pct"] == pytest.approx(1.3 * (5.0 - 0.6), abs=0.05)
    assert wording(alarm.evidence).first_line == (
        "machine m01: concentration 5.7 %, below its band of 6 to 9 %"
    )


@pytest.mark.parametrize(
    ("values", "raised"),
    [
        ([5.5, 4.5, 5.5, 4.5], []),  # 5.85 %, once: within what a reading may be off
        ([5.5, 4.5, 4.5, 5.5], [2]),
        ([5.5, 4.0], [1]),  # 5.2 %: further out than that
        ([5.5, 7.5], [1]),
        ([5.5, 4.0, 4.7, 4.0, 5.5, 4.5], [1]),  # 6.1 % is not yet inside
    ],
)
def test_a_concentration_is_told_when_it_is_surely_out_of_its_band(
    shop: Heart, values: list[float], raised: list[int]
) -> None:
    live(shop, *weekly(brix, values))
    assert [
        week for part, cause, week in told(shop) if cause == "raised" and part == "/concentration"
    ] == raised


def test_a_refractometer_below_its_zero_reads_as_nothing_in_the_sump(shop: Heart) -> None:
    live(shop, read("water.brix", at(0), 3.0), brix(at(1), 0.5))
    assert shop.transitions[-1].evidence["pct"] == 0.0


def test_a_look_told_late_changes_nothing_that_was_seen_since() -> None:
    seen = looked(looked(Seen(), "smell", 0.0, 2000), "smell", 3.0, 1000)
    assert seen.looked["smell"].value == 0.0


def test_a_strip_too_coarse_for_the_drop_is_held_to_its_own_step(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    small_shop(tmp_path, RULE)
    text = path.read_text(encoding="utf-8")
    head, ph_part = text.split('id = "m01.ph"')
    path.write_text(
        f'{head}id = "m01.ph"{ph_part.replace("resolution = 0.1", "resolution = 0.5", 1)}', "utf-8"
    )
    watch = Heart(load(path))
    assert live(watch, *weekly(ph, [9.0, 9.0, 9.0, 9.0, 8.6]), smell(at(4), 1)) == []
    assert live(watch, ph(at(5), 8.5)) == [("", "raised", 5)]


def test_a_refractometer_without_a_factor_is_refused(tmp_path: Path) -> None:
    small_shop(tmp_path, RULE)
    path = tmp_path / "site.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("factor = 1.3\n", ""), encoding="utf-8")
    with pytest.raises(ConfigMistakes, match="no coolant with factor and band"):
        load(path)
