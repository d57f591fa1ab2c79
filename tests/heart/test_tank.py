"""Rule `tank`: a tank made of numbers, lived through by quarters of an hour."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from pydantic import TypeAdapter

from monitor.config import ConfigMistakes
from monitor.readings import Finding, Reading, Reason, Tick
from monitor.rules.tank import State, Tank, wording
from monitor.rules.tank.leak import least_fall
from monitor.rules.tank.state import HOUR_MS, Mark
from tests.heart.shop import MINUTE, SITE, START_MS, site
from tests.heart.test_creep import reading

DAY, STEP = 1440, 10
# 2026-06-01, a Monday; eight in the morning in Vienna, when the tests begin.
GAUGES = """
[[stage]]
id = "tank"
kind = "tank"

[[point]]
id = "in-tank"
after = "tank"
name = "water tank"

[[instrument]]
id = "tank-node"
point = "in-tank"
expected_interval = "5 min"
[instrument.wire]
kind = "mqtt"
broker = "hall"
topic = "tank"
[instrument.wire.payload]
kind = "json"
values = { "tank.level" = "/l", "ro.run" = "/r", "tank.low" = "/a", "tank.high" = "/b" }

[[instrument.channel]]
id = "tank.level"
quantity = "level"
unit = "mm"
range = [0.0, 1300.0]
resolution = 1.0
""" + "".join(
    f'\n[[instrument.channel]]\nid = "{name}"\nquantity = "contact"\nunit = "1"\n'
    "range = [0.0, 1.0]\nresolution = 1.0\n"
    for name in ("ro.run", "tank.low", "tank.high")
)
LEVEL = 'level = "tank.level"\nlow = "300 mm"\n'
ALL = f'{LEVEL}high = "1200 mm"\nrunning = "ro.run"\n'
FLOATS = 'low_float = "tank.low"\nhigh_float = "tank.high"\nrunning = "ro.run"\n'
CONTACT = 'running = "ro.run"\n'


def tank(folder: Path, keys: str = ALL) -> Tank:
    rule = site(folder, SITE + GAUGES + f'\n[[rule]]\nkind = "tank"\nid = "tank"\n{keys}\n').rules[-1]
    assert isinstance(rule, Tank)
    return rule


@dataclass
class Life:
    """A tank of 1 mm a litre, filled by 150 mm an hour from 900 to 1100 mm, drawn from 6 to 22 on weekdays.

    `leak` mm an hour, `stopped` and `calling` by the minute since the start; the shop draws 25 mm an hour
    more or less, in bursts.
    """

    leak: Callable[[int], float] = lambda minute: 0.0
    stopped: Callable[[int], bool] = lambda minute: False
    calling: Callable[[int], bool] = lambda minute: False
    makes: Callable[[int], float] = lambda minute: 150.0
    band: Callable[[int], float] = lambda minute: 200.0
    drawn: Callable[[int], float] | None = None
    shown: Callable[[int, float], float] = lambda minute, level: level
    low_mm: float = 300.0
    seed: int = 1

    def lived(self, days: float) -> Iterator[Reading | Tick]:
        chance, level, on = random.Random(self.seed), 1000.0, False
        for minute in range(0, round(days * DAY), STEP):
            local = minute + 8 * 60
            works = local // DAY % 7 < 5 and 6 <= local // 60 % 24 < 22
            draws = chance.random() < 0.25
            draw = (100.0 if draws else 0.0) * works if self.drawn is None else self.drawn(minute)
            on = self.calling(minute) or level < 900.0 or (on and level < 900.0 + self.band(minute))
            runs = on and not self.stopped(minute)
            level += (self.makes(minute) * runs - draw - self.leak(minute)) * STEP / 60.0
            level = min(max(level, 15.0), 1250.0)
            shown = round(self.shown(minute, level) + chance.gauss(0.0, 0.7))
            yield Tick(START_MS + minute * MINUTE)
            yield reading("ro.run", minute + 0.1, float(runs))
            yield reading("tank.low", minute + 0.2, float(level < self.low_mm))
            yield reading("tank.high", minute + 0.2, float(level > 1200.0))
            yield reading("tank.level", minute + 0.3, float(shown))


def live(rule: Tank, stream: Iterator[Reading | Tick]) -> tuple[State, list[Finding]]:
    state, found = rule.start(), []
    for item in stream:
        if isinstance(item, Tick):
            state, new = rule.on_tick(state, item)
        elif item.channel in rule.channels:
            state, new = rule.on_reading(state, item)
        else:
            continue
        found += new
    return state, found


def told(found: list[Finding]) -> dict[str, float]:
    """Conditions that ever held, with the day they first did."""
    first: dict[str, float] = {}
    for one in found:
        if one.holds:
            first.setdefault(one.condition.partition("/")[2], (one.time_ms - START_MS) / MINUTE / DAY)
    return first


def first(found: list[Finding], condition: str) -> Finding:
    return next(one for one in found if one.holds and one.condition == f"tank/{condition}")


def from_day(day: float, value: float, until: float = 1e9) -> Callable[[int], float]:
    return lambda minute: value if day * DAY <= minute < until * DAY else 0.0


def since(day: float, until: float = 1e9) -> Callable[[int], bool]:
    return lambda minute: day * DAY <= minute < until * DAY


# ---------------------------------------------------------------- quiet


@pytest.mark.parametrize("keys", [ALL, LEVEL, FLOATS, CONTACT], ids=["all", "level", "floats", "contact"])
def test_a_fortnight_and_more_of_a_sound_tank_raise_nothing(tmp_path: Path, keys: str) -> None:
    _, found = live(tank(tmp_path, keys), Life(seed=3).lived(17))
    assert told(found) == {}
    assert len(found) > 500


# ---------------------------------------------------------------- no water on Monday

FRIDAY_NIGHT = 18 + 13.5 / 24  # day 18 is a Friday; the tests begin at eight


def test_an_ro_that_stands_on_friday_night_is_told_with_the_hour_of_monday_the_water_ends(
    tmp_path: Path,
) -> None:
    life = Life(stopped=since(FRIDAY_NIGHT - 1))
    _, found = live(tank(tmp_path), life.lived(22))
    when = told(found)
    assert when["not-made"] < when["low-level"]
    last = [f for f in found if f.condition == "tank/not-made" and f.holds and f.time_ms < _at(20.0)][-1]
    words = wording(last.evidence)
    assert "the RO does not start, water until " in words.first_line
    likely, soonest, latest = last.evidence["lasts_h"]  # type: ignore[misc]
    empty = when["low-level"] - (last.time_ms - START_MS) / MINUTE / DAY
    assert float(str(soonest)) / 24 <= empty <= (float(str(latest)) if latest is not None else 120.0) / 24
    assert abs(float(str(likely)) / 24 - empty) < 0.35
    assert "water lasts" in dict(words.facts)
    assert any("prefilter" in step for step in words.steps)
    assert "slipping and electricity first" in words.cautions[0]


def test_the_same_with_floats_alone_is_told_without_the_hour(tmp_path: Path) -> None:
    life = Life(stopped=since(15), low_mm=850.0)
    _, found = live(tank(tmp_path, FLOATS), life.lived(19))
    one = first(found, "not-made")
    assert one.evidence["by"] == "float"
    assert "how long the water lasts, and a leak" in wording(one.evidence).meaning


def test_the_same_with_no_more_than_the_contact_is_told_by_hours_it_usually_runs(tmp_path: Path) -> None:
    _, found = live(tank(tmp_path, CONTACT), Life(stopped=since(15)).lived(20))
    one = first(found, "not-made")
    assert 15.2 < told(found)["not-made"] < 18.5
    assert "a holiday looks the same" in wording(one.evidence).meaning


def test_a_weekend_without_a_start_is_none(tmp_path: Path) -> None:
    _, found = live(tank(tmp_path, CONTACT), Life(seed=5).lived(21.2))
    assert told(found) == {}


def test_without_a_contact_a_tank_lower_than_ever_and_not_rising_is_told(tmp_path: Path) -> None:
    _, found = live(tank(tmp_path, LEVEL), Life(stopped=since(15)).lived(18))
    assert 15.1 < told(found)["not-made"] < 17.5


def test_an_ro_that_runs_and_makes_nothing_is_told(tmp_path: Path) -> None:
    life = Life(makes=lambda minute: 150.0 if minute < 15 * DAY else 0.0)
    _, found = live(tank(tmp_path), life.lived(18))
    one = first(found, "not-made")
    assert one.evidence["by"] == "nothing comes"
    assert "runs and makes no water" in wording(one.evidence).first_line


def test_an_ro_that_makes_less_than_is_drawn_is_foretold_before_the_tank_is_low(tmp_path: Path) -> None:
    life = Life(drawn=lambda minute: 25.0 if minute < 15 * DAY else 230.0)
    _, found = live(tank(tmp_path, f'{ALL}warn = "24 h"'), life.lived(16.2))
    low = next(f for f in found if f.holds and f.condition == "tank/low-level")
    assert low.evidence["by"] in ("forecast", "level")


def test_a_lock_out_of_an_hour_is_none(tmp_path: Path) -> None:
    locked = lambda minute: minute % DAY < 60  # noqa: E731 - one curve, used once
    _, found = live(tank(tmp_path), Life(stopped=locked).lived(18))
    assert told(found) == {}


# ---------------------------------------------------------------- too high, too long, too often


def test_a_float_that_goes_on_calling_is_told_before_the_tank_runs_over(tmp_path: Path) -> None:
    _, found = live(tank(tmp_path), Life(calling=since(15)).lived(16.2))
    one = first(found, "high-level")
    assert one.evidence["by"] == "stop"
    assert float(str(one.evidence["level"])) < 1200.0
    assert "long-run" not in told(found)


def test_with_the_contact_alone_it_is_a_run_longer_than_ever(tmp_path: Path) -> None:
    _, found = live(tank(tmp_path, CONTACT), Life(calling=since(15)).lived(16.2))
    one = first(found, "long-run")
    assert "whether the tank runs over" in wording(one.evidence).meaning


def test_filling_up_after_a_long_stop_is_no_run_longer_than_ever(tmp_path: Path) -> None:
    for keys in (ALL, CONTACT):
        _, found = live(tank(tmp_path, keys), Life(stopped=since(15, 16.5)).lived(18))
        assert "long-run" not in told(found)


# ---------------------------------------------------------------- leak


@pytest.mark.parametrize("keys", [ALL, LEVEL], ids=["with contact", "level alone"])
def test_a_leak_of_three_litres_an_hour_is_told_on_the_second_or_third_noon(
    tmp_path: Path, keys: str
) -> None:
    _, found = live(tank(tmp_path, keys), Life(leak=from_day(14.5, 3.0)).lived(18))
    assert 15.0 < told(found)["tank-leak"] < 17.5
    words = wording(first(found, "tank-leak").evidence)
    assert "while nobody draws" in words.first_line
    assert words.steps[0].startswith("Look for water on the floor")


def test_a_leak_from_the_first_day_is_asked_about(tmp_path: Path) -> None:
    _, found = live(tank(tmp_path), Life(leak=from_day(0, 30.0)).lived(6))
    one = first(found, "tank-leak")
    assert one.evidence["by"] == "never rests"
    assert told(found)["tank-leak"] < 5


def test_the_least_fall_is_looked_for_where_the_ro_stood() -> None:
    marks = [
        Mark(round(k * HOUR_MS / 4), 1000.0 - k * 0.5 + (300.0 if k > 40 else 0.0), float(38 <= k <= 41))
        for k in range(96)
    ]
    assert least_fall(marks, 0) == pytest.approx(2.0)
    assert least_fall(marks[38:42], 0) is None


# ---------------------------------------------------------------- instruments, state, settings


def test_a_level_that_is_bad_or_flat_is_not_judged(tmp_path: Path) -> None:
    rule = tank(tmp_path)
    bad = reading("tank.level", 0, 10.0, reasons=Reason.DEVICE_FAULT)
    assert rule.on_reading(rule.start(), bad) == (rule.start(), ())


def test_an_alarm_stands_while_the_level_is_not_heard(tmp_path: Path) -> None:
    rule = tank(tmp_path, LEVEL)
    state, found = live(rule, Life(stopped=since(0), drawn=lambda minute: 100.0).lived(0.7))
    assert "low-level" in told(found)
    later: list[Finding] = []
    for minute in range(DAY, DAY + 600, 5):
        state, new = rule.on_tick(state, Tick(START_MS + minute * MINUTE))
        later += new
    assert [f for f in later if f.condition == "tank/low-level" and not f.holds] == []


def test_the_state_survives_being_written_and_read(tmp_path: Path) -> None:
    state, _ = live(tank(tmp_path), Life(leak=from_day(0, 30.0)).lived(5))
    adapter = TypeAdapter(State)
    assert adapter.validate_json(adapter.dump_json(state)) == state


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ("", "at least one of level"),
        ('level = "tank.level"', 'like low = "300 mm"'),
        ('running = "ro.run"\nlow = "300 mm"', "only with a level"),
        ('level = "tank.level"\nlow = "300 L"', "a value in a unit of level"),
        ('level = "tank.level"\nlow = "300 mm"\nhigh = "200 mm"', "lies no higher than low"),
        ('running = "ro.run"\nlow_float = "ro.run"', "one is named twice"),
    ],
)
def test_settings_that_cannot_work_are_refused_with_what_would(tmp_path: Path, keys: str, says: str) -> None:
    with pytest.raises(ConfigMistakes) as caught:
        tank(tmp_path, keys)
    assert says in str(caught.value)


def _at(day: float) -> int:
    return START_MS + round(day * DAY) * MINUTE
