"""Rule `softener`: by the hardness test, its regenerations, the salt it uses; and what it cannot tell."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from monitor.config import ConfigMistakes
from monitor.readings import Event, OperatorAction, Tick, Transition
from monitor.rules.softener import wording
from monitor.rules.softener.state import State
from tests.heart.shop import START_MS, Heart
from tests.heart.soft_water import STAGES, done, heart, read, seen

HOUR = 3_600_000
DAY = 24 * HOUR
RULE = '[[rule]]\nkind = "softener"\nid = "soft"\nstage = "softener"\n'
TEST = 'hardness = "soft.hardness"\n'
LITRES = 'litres = "soft.litres"\n'
CONTACT = 'regenerating = "soft.regenerating"\n'
SENSOR = 'salt = "brine.mm"\nsalt_surface = "0.16 m2"\n'
STICK = 'salt = "brine.stick"\nsalt_surface = "0.16 m2"\n'
KG_MM = 1.0 / (0.16 * 1.1)


@dataclass
class Softener:
    """A metered softener by its outside: litres by day, a regeneration at two at night when they are due."""

    dice: random.Random = field(default_factory=lambda: random.Random(4))
    day: int = 0
    litres: float = 0.0
    since: float = 0.0
    salt_kg: float = 70.0
    regenerations: int = 0

    def days(
        self, count: int, *, turns: bool = True, brine: bool = True, hour: int = 2, sound_sensor: bool = True
    ) -> Iterator[Event]:
        for _ in range(count):
            yield from self._day(turns=turns, brine=brine, hour=hour, noise=2.0 if sound_sensor else 0.0)

    def _day(self, *, turns: bool, brine: bool, hour: int, noise: float) -> Iterator[Event]:
        midnight = START_MS - 8 * HOUR + self.day * DAY  # of the shop, two hours ahead of UTC in summer
        runs = self.since >= 3600.0 and turns
        use = self.dice.uniform(500.0, 700.0)
        if runs:
            self.regenerations += 1
            self.since = 0.0
        yield seen("soft.regenerating", midnight, 0.0)
        for k in range(0, 24, 4):
            at = midnight + k * HOUR
            if runs and k - 4 < hour <= k:
                self.salt_kg -= 3.4 if brine else 0.0
                yield seen("soft.regenerating", midnight + hour * HOUR - 60_000, 1.0)
            if 6 <= k < 18:
                self.litres += use / 3.0
                self.since += use / 3.0
            yield seen("soft.litres", at, round(self.litres))
            yield seen("brine.mm", at, max(0.0, round(self.salt_kg * KG_MM + self.dice.gauss(0.0, noise))))
            yield Tick(at + 60_000)
        yield seen("soft.regenerating", midnight + 23 * HOUR, 0.0)
        if self.salt_kg < 25.0:
            self.salt_kg += 50.0
            yield done("salt", "softener", midnight + DAY - HOUR, 50.0)
        self.day += 1

    @property
    def now_ms(self) -> int:
        return START_MS - 8 * HOUR + self.day * DAY

    def stick(self, off_mm: float = 5.0) -> OperatorAction:
        """The height as somebody reads it off now, to the centimetre."""
        read_mm = 10.0 * round((self.salt_kg * KG_MM + self.dice.gauss(0.0, off_mm)) / 10.0)
        return read("brine.stick", self.now_ms, max(0.0, read_mm))


def raised(watched: Heart, part: str) -> list[Transition]:
    for t in watched.transitions:
        if t.rule_kind in ("softener", "filter"):
            assert wording(t.evidence).first_line  # also when it is over
    return [t for t in watched.transitions if t.condition == f"soft/{part}" and t.cause == "raised"]


# ------------------------------------------------------------ hardness


def test_a_failed_hardness_test_is_told_at_once_with_what_it_means_for_the_membrane(tmp_path: Path) -> None:
    watched = heart(tmp_path, RULE + TEST)
    watched.see(read("soft.hardness", START_MS, 0.0), read("soft.hardness", START_MS + 7 * DAY, 205.0))
    (told,) = raised(watched, "hardness")
    said = wording(told.evidence)
    assert said.first_line == "Softener: not softening, hardness 205 mg/L, limit 20 mg/L"
    assert "89 % pass" in said.meaning and "RO behind it" in said.meaning
    assert "about 512 mg/L" in said.meaning  # 205 / (1 - 0.6)
    assert ("last test that passed", "7 days ago") in said.facts
    assert said.steps[0].startswith("Test the hardness")
    assert any("never reach into a pressure tank" in caution for caution in said.cautions)


def test_a_little_hardness_is_a_leak_and_not_a_dead_softener(tmp_path: Path) -> None:
    watched = heart(tmp_path, RULE + TEST)
    watched.see(read("soft.hardness", START_MS, 34.0))
    (told,) = raised(watched, "hardness")
    assert wording(told.evidence).first_line.startswith("Softener: lets hardness through, 34 mg/L")
    assert told.confidence == 0.8


def test_the_next_test_that_passes_ends_it_and_one_told_late_changes_nothing(tmp_path: Path) -> None:
    watched = heart(tmp_path, RULE + TEST)
    watched.see(read("soft.hardness", START_MS, 205.0), read("soft.hardness", START_MS + DAY, 0.0))
    watched.see(read("soft.hardness", START_MS + HOUR, 205.0, told_ms=START_MS + 2 * DAY))
    causes = [t.cause for t in watched.transitions if t.condition == "soft/hardness"]
    assert causes == ["raised", "returned"]


def test_the_share_that_passes_is_held_against_the_feed_of_the_same_kit(tmp_path: Path) -> None:
    watched = heart(tmp_path, RULE + TEST + 'feed_hardness = "raw.hardness"\n')
    watched.see(read("raw.hardness", START_MS, 410.0), read("soft.hardness", START_MS + HOUR, 205.0))
    (told,) = raised(watched, "hardness")
    assert "50 % pass" in wording(told.evidence).meaning


def test_no_conductivity_is_among_what_it_may_be_given(tmp_path: Path) -> None:
    with pytest.raises(ConfigMistakes, match="hardness"):
        heart(tmp_path, RULE + 'hardness = "di.ec"\n')


def test_an_overdue_test_is_a_remark_of_its_own_and_no_alarm_unless_asked_for(tmp_path: Path) -> None:
    ticks = [Tick(START_MS + k * 6 * HOUR) for k in range(60)]
    (tmp_path / "a").mkdir()
    plain = heart(tmp_path / "a", RULE + TEST)
    plain.see(read("soft.hardness", START_MS, 0.0), *ticks)
    assert plain.transitions == []
    asked = heart(tmp_path, RULE + TEST + 'watch_for = ["overdue"]\npriority = "low"\n')
    asked.see(read("soft.hardness", START_MS, 0.0), *ticks)
    (told,) = raised(asked, "overdue")
    assert (told.time_ms - START_MS) / DAY == pytest.approx(10.75, abs=0.3)
    assert "Nothing is known to be wrong" in wording(told.evidence).meaning


# ------------------------------------------------------------ regenerations


def test_a_sound_softener_is_never_told(tmp_path: Path) -> None:
    shop, watched = Softener(), heart(tmp_path, RULE + LITRES + CONTACT + SENSOR)
    watched.see(*shop.days(120))
    assert shop.regenerations > 15
    assert watched.transitions == []


def test_a_timer_lost_in_a_power_cut_is_told_when_its_own_longest_run_is_passed(tmp_path: Path) -> None:
    shop, watched = Softener(), heart(tmp_path, RULE + LITRES + CONTACT)
    watched.see(*shop.days(60))
    watched.see(*shop.days(20, turns=False))
    (told,) = raised(watched, "regeneration")
    assert (told.time_ms - told.since_ms) / DAY < 2 * 7.0
    said = wording(told.evidence)
    assert said.first_line.startswith("Softener: has not regenerated for ") and "usually 3" in said.first_line
    assert said.steps[0].startswith("Look at the valve's head")
    assert "lost its clock or program in a power cut" in said.meaning


def test_a_regeneration_after_all_ends_it(tmp_path: Path) -> None:
    shop, watched = Softener(), heart(tmp_path, RULE + LITRES + CONTACT)
    watched.see(*shop.days(60), *shop.days(16, turns=False), *shop.days(3))
    causes = [t.cause for t in watched.transitions if t.condition == "soft/regeneration"]
    assert causes == ["raised", "returned"]


def test_without_a_habit_the_resin_and_the_taps_hardness_say_how_long_it_can_last(tmp_path: Path) -> None:
    shop, watched = Softener(), heart(tmp_path, RULE + LITRES + CONTACT)
    watched.see(*shop.days(20, turns=False))
    (told,) = raised(watched, "regeneration")
    # 28 L at 121 g of salt a litre hold 1.49 kg as CaCO3: 6470 L at 230 mg/L, 28 % more at the very most.
    assert told.evidence["longest_l"] == pytest.approx(8300, rel=0.02)
    assert told.confidence == 0.8


def test_of_unknown_hardness_and_without_a_habit_nothing_is_made_up(tmp_path: Path) -> None:
    shop = Softener()
    watched = heart(
        tmp_path, RULE + LITRES + CONTACT + TEST, stages=STAGES.replace('hardness = "230 mg/L"\n', "")
    )
    watched.see(*shop.days(40, turns=False), read("soft.hardness", shop.now_ms, 120.0))
    assert raised(watched, "regeneration") == []
    (told,) = raised(watched, "hardness")
    facts = dict(wording(told.evidence).facts)
    assert facts["hardness of its feed"] == "not known"
    assert facts["its resin lasts"] == "not known: no hardness of the feed in the site file"


def test_a_silent_contact_says_nothing_of_regenerations(tmp_path: Path) -> None:
    shop, watched = Softener(), heart(tmp_path, RULE + LITRES + CONTACT)
    watched.see(*shop.days(60))
    rest = [e for e in shop.days(25, turns=False) if getattr(e, "channel", "") != "soft.regenerating"]
    watched.see(*rest)
    assert raised(watched, "regeneration") == []


def test_logged_regenerations_count_and_a_missing_one_may_only_be_a_missing_entry(tmp_path: Path) -> None:
    shop, watched = Softener(), heart(tmp_path, RULE + LITRES)
    watched.see(*shop.days(3), done("regeneration", "softener", shop.now_ms), *shop.days(20))
    (told,) = raised(watched, "regeneration")
    assert told.confidence == 0.5
    assert "may have been done and not been entered" in wording(told.evidence).meaning


def test_a_regeneration_logged_days_later_counts_from_when_it_was_done(tmp_path: Path) -> None:
    shop, watched = Softener(), heart(tmp_path, RULE + LITRES + TEST)
    watched.see(*shop.days(10), done("regeneration", "softener", shop.now_ms - 5 * DAY))
    watched.see(read("soft.hardness", shop.now_ms, 50.0))
    (told,) = raised(watched, "hardness")
    assert told.evidence["since_regeneration_l"] == pytest.approx(5 * 600, rel=0.1)


def test_permeate_is_turned_into_what_the_softener_passes(tmp_path: Path) -> None:
    counted = (
        '[[derived]]\nkind = "litres"\nid = "permeate.litres"\nflow = "ro.flow"\n'
        + RULE
        + 'litres = "permeate.litres"\n'
        + TEST
    )
    watched = heart(tmp_path, counted)
    day = [seen("ro.flow", START_MS + k * 60_000, 3.0) for k in range(600)]
    watched.see(day[0], done("regeneration", "softener", START_MS), *day[1:])
    watched.see(read("soft.hardness", START_MS + 10 * HOUR, 50.0))
    (told,) = raised(watched, "hardness")
    assert told.evidence["since_regeneration_l"] == pytest.approx(599 * 3.0 / 0.6, rel=0.01)


def test_a_clock_that_was_set_wrong_is_told_by_the_hour_of_the_second_regeneration(tmp_path: Path) -> None:
    shop, watched = Softener(), heart(tmp_path, RULE + LITRES + CONTACT)
    watched.see(*shop.days(60), *shop.days(20, hour=15))
    (told,) = raised(watched, "timer")
    assert wording(told.evidence).first_line == "Softener: regenerates at 14:59 instead of 01:59"


def test_a_clock_set_right_ends_it(tmp_path: Path) -> None:
    shop, watched = Softener(), heart(tmp_path, RULE + LITRES + CONTACT)
    watched.see(*shop.days(60), *shop.days(15, hour=15), *shop.days(20))
    assert raised(watched, "timer") != []
    assert [t.cause for t in watched.transitions if t.condition == "soft/timer"] == ["raised", "returned"]


def test_summer_time_is_no_wrong_clock(tmp_path: Path) -> None:
    shop, watched = Softener(), heart(tmp_path, RULE + LITRES + CONTACT)
    watched.see(*shop.days(60), *shop.days(40, hour=3))
    assert watched.transitions == []


def test_a_timed_softener_needs_no_litres(tmp_path: Path) -> None:
    stages = STAGES.replace('"metered"', '"timed"\nregenerates_every = "3 d"')
    watched = heart(tmp_path, RULE + CONTACT, stages=stages)
    for day in range(12):
        for k in range(24):
            at = START_MS + day * DAY + k * HOUR
            on = float(day % 3 == 0 and k == 2 and day < 6)
            watched.see(seen("soft.regenerating", at, on), Tick(at + 60_000))
    (told,) = raised(watched, "regeneration")
    # The last began on day 3 at two hours; it is late four and a half days after.
    assert (told.time_ms - START_MS) / DAY == pytest.approx(3.08 + 4.5, abs=0.1)


# ------------------------------------------------------------ salt


def test_a_bridge_is_told_by_salt_that_stands_while_the_valve_turns(tmp_path: Path) -> None:
    shop, watched = Softener(), heart(tmp_path, RULE + LITRES + CONTACT + SENSOR)
    watched.see(*shop.days(60))
    before = shop.regenerations
    for _ in range(25):
        watched.see(*shop.days(1, brine=False))
        if raised(watched, "salt"):
            break
    (told,) = raised(watched, "salt")
    assert shop.regenerations - before <= 2
    said = wording(told.evidence)
    assert said.first_line.startswith("Softener: salt does not fall, ")
    assert "a salt bridge, or no brine is drawn" in said.meaning
    assert said.steps[0].startswith("Open the brine tank")
    watched.see(*shop.days(12))
    assert [t.cause for t in watched.transitions if t.condition == "soft/salt"] == ["raised", "returned"]


@pytest.mark.parametrize("turns", [True, False], ids=["bridge", "timer"])
def test_with_salt_and_litres_alone_it_is_told_within_two_periods_but_not_which(
    tmp_path: Path, turns: bool
) -> None:
    shop, watched = Softener(), heart(tmp_path, RULE + LITRES + SENSOR)
    watched.see(*shop.days(60))
    begin = shop.now_ms
    watched.see(*shop.days(25, turns=turns, brine=False))
    (told,) = raised(watched, "salt")
    assert (told.time_ms - begin) / DAY < 2 * 6.5
    assert "the height alone does not tell which" in wording(told.evidence).meaning


def test_a_stick_read_each_day_needs_longer_and_is_not_fooled_by_its_centimetres(tmp_path: Path) -> None:
    shop, watched = Softener(), heart(tmp_path, RULE + LITRES + STICK)
    for day in range(150):
        watched.see(*shop.days(1, brine=day < 120))
        watched.see(shop.stick())
    (told,) = raised(watched, "salt")
    assert 0 < (told.time_ms - START_MS) / DAY - 120 < 4 * 6.5


def test_salt_filled_in_is_no_salt_that_came_back(tmp_path: Path) -> None:
    shop, watched = Softener(salt_kg=30.0), heart(tmp_path, RULE + LITRES + SENSOR)
    watched.see(*shop.days(90))
    assert watched.transitions == []
    state = watched.state.rules["soft"]
    assert isinstance(state, State)
    # 3.4 kg every 3600 to 4300 L
    assert state.salt.usual_kg_l == pytest.approx(3.4 / 4000.0, rel=0.12)


def test_an_empty_brine_tank_is_told_as_such(tmp_path: Path) -> None:
    watched = heart(tmp_path, RULE + LITRES + STICK)
    watched.see(seen("soft.litres", START_MS, 0.0), read("brine.stick", START_MS + HOUR, 200.0))
    watched.see(read("brine.stick", START_MS + DAY, 0.0))
    (told,) = raised(watched, "salt")
    assert wording(told.evidence).first_line == "Softener: no salt left in the brine tank"


def test_bags_alone_tell_late_that_no_salt_was_needed(tmp_path: Path) -> None:
    shop, watched = Softener(), heart(tmp_path, RULE + LITRES)
    watched.see(*shop.days(500, sound_sensor=False))
    assert watched.transitions == []
    watched.see(*shop.days(180, brine=False, sound_sensor=False))
    (told,) = raised(watched, "salt")
    assert wording(told.evidence).first_line.startswith("Softener: no salt logged for ")
    assert told.confidence == 0.6


# ------------------------------------------------------------ what it rests on


def test_a_dead_brine_sensor_keeps_back_no_hardness_test(tmp_path: Path) -> None:
    silent = '[[rule]]\nkind = "silent"\nid = "silent"\ninstruments = ["soft-node"]\n'
    shop, watched = Softener(), heart(tmp_path, RULE + TEST + LITRES + CONTACT + SENSOR + silent)
    watched.see(*shop.days(2))
    watched.see(*(Tick(shop.now_ms + k * 30_000) for k in range(500)))
    assert [t.condition for t in watched.transitions] == ["silent/soft-node"]
    told = watched.see(read("soft.hardness", shop.now_ms + 5 * HOUR, 150.0)).notices
    assert [notice.transition for notice in told] == ["soft/hardness#1.1"]


# ------------------------------------------------------------ mistakes in the file


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ('[[rule]]\nkind = "softener"\nid = "s"\nstage = "ro"\n' + TEST, "is no softener; softeners of this"),
        (RULE, "nothing to judge by"),
        (RULE + 'salt = "brine.mm"\n', "give salt_surface"),
        (RULE + TEST + 'salt_surface = "0.2 m2"\n', "together with"),
        (RULE + SENSOR + 'salt_density = "11 kg/L"\n', "0.5 to 1.5 kg/L"),
        (
            '[[derived]]\nkind = "litres"\nid = "v"\ncounter = "soft.litres"\nsince = "regeneration"\n'
            'stage = "softener"\n' + RULE + 'litres = "v"\n',
            "begins anew with each regeneration",
        ),
    ],
)
def test_what_does_not_fit_is_refused_in_words(tmp_path: Path, rule: str, words: str) -> None:
    with pytest.raises(ConfigMistakes, match=words):
        heart(tmp_path, rule)


def test_salt_without_a_dose_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigMistakes, match="how much a regeneration takes is not known"):
        heart(tmp_path, RULE + SENSOR, stages=STAGES.replace('salt = "3.4 kg"\n', ""))


def test_permeate_without_a_recovery_is_refused(tmp_path: Path) -> None:
    rule = '[[derived]]\nkind = "litres"\nid = "v"\nflow = "ro.flow"\n' + RULE + 'litres = "v"\n'
    with pytest.raises(ConfigMistakes, match="recovery"):
        heart(tmp_path, rule, stages=STAGES.replace('recovery = "60 %"\n', ""))
