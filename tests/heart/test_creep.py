"""Rule `creep`: a membrane made of numbers, and the simulator's, which shares no formula with the rule."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.config import ConfigMistakes
from monitor.readings import Bound, Finding, Reading, Reason, Standing
from monitor.rules.course import chart, middle_half_mean
from monitor.rules.creep import Creep, State, wording
from monitor.rules.creep.hours import Inputs, factor
from monitor.stats.run_length_ar1 import cusum_arl_ar1
from monitor.watch import Watch, WatchState
from monitor.water.membrane_temperature import TemperatureRule
from simulator.year import simulate
from tests.bench.judge import site_of, watched
from tests.heart.shop import MINUTE, SITE, START_MS, site
from tests.heart.stored import parts_of, through_the_store

DAY = 1440
FEED = """
[[instrument]]
id = "feed-node"
point = "feed"
expected_interval = "1 min"
[instrument.wire]
kind = "mqtt"
broker = "hall"
topic = "feed"
[instrument.wire.payload]
kind = "json"
values = { "feed.ec" = "/e", "feed.flow" = "/f", "ro.tds" = "/t", "feed.raw" = "/r" }

[[instrument.channel]]
id = "feed.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 2000.0]
resolution = 1.0
compensated = true

[[instrument.channel]]
id = "feed.raw"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 2000.0]
resolution = 1.0

[[instrument.channel]]
id = "feed.flow"
quantity = "flow"
unit = "L/min"
range = [0.0, 20.0]
resolution = 0.1

[[instrument.channel]]
id = "ro.tds"
quantity = "tds"
unit = "ppm"
range = [0.0, 999.0]
resolution = 1.0
tds_scale = "own"
tds_factor = 0.5
"""
POINT = '[[point]]\nid = "feed"\nafter = "tap"\nname = "RO feed"\n\n[[instrument]]'
FULL = """
feed = "feed.ec"
temperature = "ro.t"
permeate_flow = "ro.flow"
feed_flow = "feed.flow"
"""
Curve = Callable[[float], float]


def text(keys: str, permeate: str = "ro.ec") -> str:
    rule = f'\n[[rule]]\nkind = "creep"\nid = "creep"\npermeate = "{permeate}"\n{keys}\n'
    return SITE.replace("[[instrument]]", POINT, 1) + FEED + rule


def creep(folder: Path, keys: str = FULL, permeate: str = "ro.ec") -> Creep:
    rule = site(folder, text(keys, permeate)).rules[-1]
    assert isinstance(rule, Creep)
    return rule


def reading(channel: str, minute: float, value: float, **more: Any) -> Reading:
    at = START_MS + round(minute * MINUTE)
    fields = {"reasons": Reason.NONE, "bound": Bound.EXACT, "standing": Standing.JUDGED} | more
    return Reading(channel, at, at, value, value, **fields)


def constant(value: float) -> Curve:
    return lambda day: value


TWO_PER_CENT, TAP, COOL = constant(0.02), constant(500.0), constant(14.0)


def water(
    days: int,
    passage: Curve = TWO_PER_CENT,
    feed: Curve = TAP,
    temperature: Curve = COOL,
    *,
    scatter: float = 0.01,
    seed: int = 1,
) -> Iterator[Reading]:
    """Two hours of water a working day, each five minutes.

    A membrane of fixed permeabilities behind a pump of fixed pressure and a concentrate valve of 2.4 L/min:
    Qp = A TCF, Cp = B TCF Cf ln(1/(1-Y))/Y / Qp. Days scatter with a memory of 0.4.
    """
    chance, stray = random.Random(seed), 0.0
    for day in range(days):
        if day % 7 > 4:
            continue
        stray = 0.4 * stray + chance.gauss(0.0, scatter * math.sqrt(1 - 0.4**2))
        warm = temperature(day)
        flow = 3.6 * math.exp(3020 * (1 / 287 - 1 / (273 + warm)))
        into = flow + 2.4
        longer = math.log(into / 2.4) * into / flow / (math.log(6.0 / 2.4) / 0.6)
        for minute in range(0, 120, 5):
            at = day * DAY + minute
            salt = feed(day) * math.exp(chance.gauss(0.0, 0.004))
            yield reading("ro.t", at, warm)
            yield reading("ro.flow", at, flow)
            yield reading("feed.flow", at, into)
            yield reading("feed.ec", at, salt)
            through = passage(day) * longer * math.exp(stray + chance.gauss(0.0, 0.005))
            yield reading("ro.ec", at + 0.1, salt * through)
            yield reading("ro.tds", at + 0.1, float(round(0.5 * salt * through + chance.gauss(0.0, 0.3))))


def findings(rule: Creep, stream: Iterator[Reading]) -> list[Finding]:
    return judged(rule, stream)[1]


def judged(rule: Creep, stream: Iterator[Reading]) -> tuple[State, list[Finding]]:
    state, found = rule.start(), []
    for item in stream:
        if item.channel in rule.channels:
            state, new = rule.on_reading(state, item)
            found += new
    return state, found


def raised(found: list[Finding], condition: str = "creep") -> Finding | None:
    return next((f for f in found if f.condition == condition and f.holds), None)


def day_of(finding: Finding | None) -> float:
    assert finding is not None
    return (finding.time_ms - START_MS) / MINUTE / DAY


def rising(a_week: float, begin: float = 28.0, start: float = 0.02) -> Curve:
    return lambda day: start * (1.0 + a_week * max(0.0, day - begin) / 7.0)


# ---------------------------------------------------------------- quiet


@pytest.mark.parametrize("seed", range(4))
def test_a_year_of_a_healthy_membrane_raises_nothing(tmp_path: Path, seed: int) -> None:
    season = lambda day: 14.0 - 5.0 * math.cos(2 * math.pi * day / 365)  # noqa: E731 - one curve, used once
    found = findings(creep(tmp_path), water(365, temperature=season, seed=seed))
    assert [f.condition for f in found if f.holds] == []
    assert len(found) > 10_000


def test_a_feed_that_doubles_changes_nothing(tmp_path: Path) -> None:
    switched = lambda day: 400.0 if day < 40 else 800.0  # noqa: E731 - one curve, used once
    assert [f for f in findings(creep(tmp_path), water(90, feed=switched)) if f.holds] == []


@pytest.mark.parametrize("keys", [FULL, 'feed = "feed.ec"', 'feed = "feed.ec"\ntemperature = "ro.t"'])
def test_warming_water_is_no_membrane(tmp_path: Path, keys: str) -> None:
    spring = lambda day: 8.0 + 8.0 * min(day, 120) / 120  # noqa: E731 - one curve, used once
    assert [f for f in findings(creep(tmp_path, keys), water(120, temperature=spring)) if f.holds] == []


def test_permeate_is_held_only_against_a_feed_of_the_same_time(tmp_path: Path) -> None:
    hour = 60 * MINUTE
    first = (r for r in water(30) if r.channel != "feed.ec" or (r.time_ms - START_MS) % (24 * hour) == 0)
    state, _ = judged(creep(tmp_path), first)
    assert all(math.isclose(math.exp(day.measured), 2.0, rel_tol=0.1) for day in state.days)
    old = (r for r in water(30) if r.channel != "feed.ec" or r.time_ms < START_MS - hour)
    assert judged(creep(tmp_path), old)[0].days == ()


# ---------------------------------------------------------------- a membrane


def test_a_slow_rise_asks_for_a_hand_meter_first_and_is_then_told_as_the_membranes(tmp_path: Path) -> None:
    found = findings(creep(tmp_path), water(70, rising(0.05)))
    check, membrane = raised(found, "creep/check"), raised(found)
    assert 30 <= day_of(check) < day_of(membrane) <= 28 + 14 + 7
    assert check is not None and membrane is not None
    assert check.evidence["check"] == "drift"
    assert check.confidence < membrane.confidence <= 0.97


@pytest.mark.parametrize("seed", range(3))
def test_rate_and_beginning_are_those_of_the_membrane(tmp_path: Path, seed: int) -> None:
    found = findings(creep(tmp_path), water(56, rising(0.10), seed=seed))
    last = next(f for f in reversed(found) if f.condition == "creep")
    low, high = last.evidence["rate_low_pct_week"], last.evidence["rate_high_pct_week"]
    assert isinstance(low, float) and isinstance(high, float)
    assert low <= 10.0 <= high and high - low < 8.0
    assert 27 <= (last.since_ms - START_MS) / MINUTE / DAY + 1 <= 36


def test_the_time_left_to_the_limit_holds(tmp_path: Path) -> None:
    found = findings(creep(tmp_path, FULL + 'limit = "4 %"'), water(63, rising(0.10)))
    last = next(f for f in reversed(found) if f.condition == "creep")
    left = last.evidence["days_left"]
    assert isinstance(left, list)
    likely, soonest, latest = (float(str(days)) for days in left)
    true = 28 + 70 - 60  # passage doubles ten weeks after it began to rise
    assert soonest <= true <= latest
    assert abs(likely - true) < 0.25 * true


def test_a_step_is_told_on_the_second_day_and_without_a_rate(tmp_path: Path) -> None:
    torn = lambda day: 0.02 if day < 28 else 0.026  # noqa: E731 - one curve, used once
    membrane = raised(findings(creep(tmp_path), water(40, torn)))
    assert 29 <= day_of(membrane) < 30
    assert membrane is not None
    line = wording(membrane.evidence).first_line
    assert line == "RO permeate: salt passage 2.6 %, up 29 % since 29 June (usual 2.0 %)"


def test_the_alarm_returns_when_the_membrane_is_what_it_was(tmp_path: Path) -> None:
    cleaned = lambda day: 0.026 if 28 <= day < 42 else 0.02  # noqa: E731 - one curve, used once
    found = findings(creep(tmp_path), water(60, cleaned))
    assert raised(found) is not None
    assert not any(f.holds for f in found[-2:])


def test_permeate_beyond_its_meters_range_is_evidence(tmp_path: Path) -> None:
    def stream() -> Iterator[Reading]:
        for item in water(40):
            beyond = item.channel == "ro.ec" and item.time_ms > START_MS + 28 * DAY * MINUTE
            over = replace(item, value=200.0, raw=200.0, reasons=Reason.OVER_RANGE, bound=Bound.AT_LEAST)
            yield over if beyond else item

    assert raised(findings(creep(tmp_path), stream())) is not None


def test_with_the_flow_meter_silent_a_membrane_is_still_told_less_surely(tmp_path: Path) -> None:
    def stream() -> Iterator[Reading]:
        for item in water(70, rising(0.10)):
            late = item.time_ms > START_MS + 25 * DAY * MINUTE
            if late and item.channel in ("ro.flow", "feed.flow"):
                continue
            yield replace(item, reasons=Reason.GATE_UNKNOWN) if late and item.channel == "ro.ec" else item

    membrane = raised(findings(creep(tmp_path), stream()))
    assert membrane is not None and membrane.confidence <= 0.7


# ---------------------------------------------------------------- probes


def test_a_feed_reading_that_falls_alone_is_the_feed_probes(tmp_path: Path) -> None:
    def stream() -> Iterator[Reading]:
        for item in water(56):
            day = (item.time_ms - START_MS) / MINUTE / DAY
            low = 1.0 - 0.15 * max(0.0, day - 28) / 7
            yield (
                replace(item, value=item.value * low, raw=item.raw * low)
                if item.channel == "feed.ec"
                else item
            )

    found = findings(creep(tmp_path), stream())
    assert raised(found) is None
    last = found[-1]
    assert (last.evidence["check"], last.subject, last.holds) == ("feed", "feed.ec", True)


def test_passage_that_falls_is_a_probe_to_be_checked(tmp_path: Path) -> None:
    found = findings(creep(tmp_path), water(60, rising(-0.05)))
    check = raised(found, "creep/check")
    assert raised(found) is None
    assert check is not None and check.evidence["check"] == "fallen"


def test_days_on_which_a_probe_stands_still_are_set_aside(tmp_path: Path) -> None:
    tap = lambda day: 500.0 + 4.0 * max(0.0, day - 28)  # noqa: E731 - one curve, used once

    def stream() -> Iterator[Reading]:
        for item in water(60, feed=tap):
            stuck = item.channel == "feed.ec" and item.time_ms > START_MS + 28 * DAY * MINUTE
            yield replace(item, value=500.0, raw=500.0) if stuck else item

    found = findings(creep(tmp_path), stream())
    assert [f for f in found if f.holds] == []
    assert ("not used", "conductivity at RO feed: the same value all day, days set aside") in wording(
        found[-1].evidence
    ).facts


@pytest.mark.parametrize(("counts", "told"), [(2, False), (5, True)])
def test_a_coarse_display_must_move_by_three_counts(tmp_path: Path, counts: int, told: bool) -> None:
    """A display of 1 ppm at 5 ppm: two counts are 40 %, and are nothing yet."""
    worse = lambda day: 0.02 if day < 28 else 0.02 * (5 + counts) / 5  # noqa: E731 - one curve, used once
    found = findings(creep(tmp_path, FULL, "ro.tds"), water(60, worse))
    assert (raised(found) is not None) is told
    assert told or [f for f in found if f.holds] == []


# ---------------------------------------------------------------- what is usual


def test_while_young_only_the_possible_is_judged_and_the_end_is_named(tmp_path: Path) -> None:
    found = findings(creep(tmp_path), water(12, rising(0.10, begin=0.0)))
    assert [f for f in found if f.holds] == []
    assert found[-1].evidence["young_until"] == "2026-06-15"
    broken = raised(findings(creep(tmp_path), water(12, constant(0.25))))
    assert broken is not None and day_of(broken) < 2
    assert "young until 15 June" in wording(broken.evidence).meaning


def test_a_reference_no_sound_membrane_has_stays_questioned(tmp_path: Path) -> None:
    found = findings(creep(tmp_path), water(40, constant(0.13)))
    assert raised(found) is None
    assert (found[-1].evidence["check"], found[-1].holds) == ("high", True)
    line = wording(found[-1].evidence).first_line
    assert line in [
        f"RO permeate: salt passage {v} %, too high for a sound membrane" for v in (12.9, 13.0, 13.1)
    ]


def test_what_is_usual_is_learned_anew_after_a_change(tmp_path: Path) -> None:
    new = lambda day: 0.03 if day < 28 else 0.02  # noqa: E731 - one curve, used once
    rule = creep(tmp_path, FULL + "membrane_since = 2026-06-29")
    state, found = judged(rule, water(60, new))
    assert state.reference is not None and abs(math.exp(state.reference.measured) - 2.0) < 0.1
    assert [f for f in found if f.holds] == []
    before = creep(tmp_path)
    old, _ = judged(before, water(28, new))
    restarted, _ = rule.on_reading(old, reading("ro.t", 29 * DAY, 14.0))
    assert (restarted.reference, restarted.days) == (None, ())


def test_the_reference_never_follows_a_rise(tmp_path: Path) -> None:
    early, _ = judged(creep(tmp_path), water(21))
    late, _ = judged(creep(tmp_path), water(200, rising(0.02, begin=21.0)))
    assert early.reference == late.reference is not None


def test_without_a_feed_probe_the_permeate_is_judged_and_says_so(tmp_path: Path) -> None:
    torn = lambda day: 0.02 if day < 28 else 0.04  # noqa: E731 - one curve, used once
    membrane = raised(findings(creep(tmp_path, 'temperature = "ro.t"'), water(40, torn)))
    assert membrane is not None and membrane.confidence <= 0.7
    words = wording(membrane.evidence)
    assert words.first_line.endswith(" % since 29 June (usual 10.0 µS/cm)")
    assert "measure the tap before anything else" in words.meaning


# ---------------------------------------------------------------- the arithmetic


def test_the_normalised_index_is_that_of_the_worked_case() -> None:
    """25 °C, 4.8 of 8 L/min and 14 °C, 3.6 of 6.4 L/min: 1.8431 % measured is 2.118 % (ASTM D4516 form)."""
    rule = TemperatureRule()
    at_start, form = factor(Inputs(9.0, 450.0, 25.0, 4.8, 8.0), rule)
    now, _ = factor(Inputs(9.4, 510.0, 14.0, 3.6, 6.4), rule)
    assert form == "flow, recovery and temperature"
    assert 100.0 * 9.4 / 510.0 * now / at_start == pytest.approx(2.118, abs=0.001)


def test_the_threshold_gives_the_run_length_that_is_claimed() -> None:
    allowance, threshold = chart(0.0125, 0.4)
    assert cusum_arl_ar1(allowance / 0.0125, threshold / 0.0125, 0.4, sides=1) == pytest.approx(
        2500, rel=0.01
    )


def test_a_block_is_finer_than_the_last_digit_and_no_wild_value_leads_it() -> None:
    assert middle_half_mean((5, 5, 5, 6, 6, 6, 6, 90)) == 5.75


def test_the_state_is_small_and_survives_the_store(tmp_path: Path) -> None:
    whole = site(tmp_path, text(FULL))
    rule = whole.rules[-1]
    assert isinstance(rule, Creep)
    state, _ = judged(rule, water(60, rising(0.05)))
    watch = Watch(whole.plant, [rule])
    back, lost = through_the_store(WatchState(rules={"creep": state}), watch)
    assert (back.rules["creep"], lost) == (state, [])
    assert len(parts_of(back, watch)["rule:creep"][1]) < 6_000


# ---------------------------------------------------------------- words and settings


def test_the_message_of_a_rise_says_how_much_since_when_how_sure_and_what_to_do(tmp_path: Path) -> None:
    found = findings(creep(tmp_path, FULL + 'limit = "4 %"'), water(50, rising(0.10)))
    words = wording(next(f for f in reversed(found) if f.condition == "creep").evidence)
    assert words.first_line.startswith("RO permeate: salt passage 2.5 %, rising ")
    assert " a week since " in words.first_line and words.first_line.endswith("(usual 2.0 %)")
    facts = dict(words.facts)
    assert "learned on 10 days" in facts["usual"] and facts["limit"] == "4 %"
    assert facts["time left to the limit"].startswith("about ")
    assert "corrected for flow, recovery and temperature" in facts["how judged"]
    assert "hand meter" in words.steps[0] and "O-rings" in words.steps[3]
    assert "pressure" in words.cautions[0]


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ('feed = "feed.raw"', "not referred to 25 °C"),
        ('feed = "ro.ec"', "is the permeate itself"),
        ('feed = "feed.ec"\nfeed_flow = "feed.flow"', "feed_flow alone gives no recovery"),
        ('limit = "8 %"', "without a feed channel there is no salt passage"),
        ('feed = "feed.ec"\nlimit = "8 bar"', 'a salt passage like "8 %"'),
        ('learn = "2 days"', "7 to 30 days"),
    ],
)
def test_settings_that_do_not_fit_are_refused_in_words(tmp_path: Path, keys: str, said: str) -> None:
    with pytest.raises(ConfigMistakes, match=said.replace("(", r"\(")):
        site(tmp_path, text(keys))


# ---------------------------------------------------------------- the simulator's membrane


@pytest.mark.parametrize("seed", [3, 8])
def test_a_simulated_membrane_is_quiet_while_sound_and_told_when_it_creeps(seed: int) -> None:
    """20 % more salt permeability a week from day 20; the truth calls it visible at 10 %, day 23.5."""
    fault = {"kind": "membrane_creep", "size": 20.0, "start_day": 20}
    run = simulate("hall3", [fault], seed, "2026-09-07", 31)
    (name,) = [rule.settings.id for rule in site_of().rules if rule.kind == "creep"]
    story = [
        ((t.time_ms - run.start_ms) / MINUTE / DAY, t.condition)
        for t in watched(run, site_of(), [name], every_min=10.0)
        if t.cause == "raised"
    ]
    assert all(day > 20 for day, _ in story)
    assert any(condition == name and day < 31 for day, condition in story)
