"""Rule `breakthrough`: a DI bed by its load, by the front in its outlet, and by what it discharges."""

from __future__ import annotations

import dataclasses
import math
import random
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

from monitor.config import ConfigMistakes
from monitor.readings import Event, Finding, Status, Transition
from monitor.rules.breakthrough import State, wording
from monitor.rules.breakthrough.flow import use_l_d
from monitor.rules.rule import number
from tests.bench import judge as bench
from tests.heart.shop import SITE, START_MS, Heart, sample, site, tick

DAY_MIN = 1440
RUN_MIN, L_MIN = 60, 4.0  # one run a day: 240 L

GATE = 'gate = { flow = "ro.flow", above = "0.5 L/min", minutes = "10 min" }'
SWITCH = """
[[instrument]]
id = "switch"
point = "di-out"
expected_interval = "1 min"
[instrument.wire]
kind = "mqtt"
broker = "hall"
topic = "s"
payload = { kind = "json", values = { "di.run" = "/r", "tap.ec" = "/e", "di.tds" = "/t" } }

[[instrument.channel]]
id = "di.run"
quantity = "contact"
unit = "1"
range = [0.0, 1.0]
resolution = 1.0

[[instrument.channel]]
id = "tap.ec"
quantity = "conductivity"
unit = "uS/cm"
range = [0.0, 2000.0]
resolution = 1.0
compensated = true

[[instrument.channel]]
id = "di.tds"
quantity = "tds"
unit = "ppm"
range = [0.0, 999.0]
resolution = 1.0
tds_scale = "nacl"
"""
BED = """
[[rule]]
kind = "breakthrough"
id = "bed"
outlet = "di.ec"
inlet = "ro.ec"
flow = "ro.flow"
resin = "10 L"
capacity = "0.43 eq/L"
alkalinity = "115 mg/L"
ph = 7.8
limit = "20 uS/cm"
"""
Water = Callable[[float], float]  # conductivity at a litre count


def text_of(bed: str = BED, *, gated: bool = True) -> str:
    """The train of the heart's tests with a bed, meters compensated, and a rule."""
    text = re.sub(
        r'compensated = false\ncompensation = "linear"\nalpha = "2 %"\ntemperature = "ro.t"',
        "compensated = true",
        SITE,
    )
    text = re.sub(r"gate = .*", GATE, text)
    if gated:
        text = text.replace(
            'accuracy = { absolute = "1 uS/cm" }', f'accuracy = {{ absolute = "0.2 uS/cm" }}\n{GATE}'
        )
    head, rules = text.split("[[rule]]", 1)
    return head + SWITCH + bed + rules[rules.index("[[person]]") :]


def heart(tmp_path: Path, bed: str = BED, *, gated: bool = True) -> Heart:
    return Heart(site(tmp_path, text_of(bed, gated=gated)))


def run(
    day: float,
    outlet: Water,
    feed: Water,
    *,
    flow: bool = True,
    switch: bool = False,
    litres: float = 0.0,
    **more: Any,
) -> Iterator[Event]:
    """One run of an hour: a value each two minutes, with what the meters say of standing water around it."""
    begin = day * DAY_MIN
    for minute in range(-30, RUN_MIN + 30, 2):
        at, runs = begin + minute, 0 <= minute < RUN_MIN
        if flow:
            yield sample("ro.flow", at, L_MIN if runs and more.get("turns", True) else 0.0)
        if switch:
            yield sample("di.run", at, float(runs))
        so_far = litres + L_MIN * max(0, min(minute, RUN_MIN))
        yield sample(
            "ro.ec", at + 0.1, feed(so_far) if runs else 150.0, status=more.get("feed_status", Status.OK)
        )
        value = min(outlet(so_far), 200.0)
        value = value if runs else max(value, 5.0)  # resin leaches into water that stands
        yield sample("di.ec", at + 0.2, round(value, 1))
    yield tick(int(begin) + 120)


def days(first: int, last: int, outlet: Water, feed: Water = lambda _: 28.0, **more: Any) -> list[Event]:
    """A run each day from one day to another, each counted on from the one before."""
    start_l = more.pop("start_l", 0.0)
    return [
        event
        for day in range(first, last)
        for event in run(day, outlet, feed, litres=start_l + (day - first) * RUN_MIN * L_MIN, **more)
    ]


def clean(_: float) -> float:
    return 0.3


def told(watched: Heart, condition: str) -> list[Transition]:
    return [t for t in watched.transitions if t.condition == condition and t.cause == "raised"]


def state_of(watched: Heart) -> State:
    state = watched.state.rules["bed"]
    assert isinstance(state, State)
    return state


def value(told: Transition | Finding, key: str) -> float:
    """A number of the evidence."""
    return number(told.evidence, key)


# ---------------------------------------------------------------- front


def test_a_sound_bed_is_quiet_through_weeks_of_starts_and_standstill(tmp_path: Path) -> None:
    watched = heart(tmp_path)
    noise = random.Random(1)
    drift = [0.0]

    def outlet(_: float) -> float:
        drift[0] = 0.97 * drift[0] + 0.03 * noise.gauss(0, 1)
        return max(0.3 + drift[0] + noise.gauss(0, 0.05), 0.0)

    watched.see(*days(0, 21, outlet))
    assert watched.transitions == []


def test_a_front_is_told_within_two_runs_of_its_first_microsiemens(
    tmp_path: Path,
) -> None:
    watched = heart(tmp_path)

    def front(litres: float) -> float:
        return 0.3 + 27.0 / (1 + math.exp(0.004 * (3600 - litres)))

    passed_l = 3600 + math.log(1.0 / 26.0) / 0.004  # 1 uS/cm above clean
    watched.see(*days(0, 16, front))
    (alarm,) = told(watched, "bed/front")
    assert passed_l - 250 < value(alarm, "counted_l") < passed_l + 480
    assert value(alarm, "outlet_us_cm") < 5.0
    assert "still usable" in wording(alarm.evidence).meaning


def test_a_stronger_feed_that_leaks_in_proportion_is_no_front(tmp_path: Path) -> None:
    watched = heart(tmp_path)
    watched.see(*days(0, 8, lambda _: 1.5, lambda _: 28.0))
    watched.see(*days(8, 14, lambda _: 3.0, lambda _: 56.0))
    assert told(watched, "bed/front") == []


def test_a_channel_past_the_resin_is_told_though_it_never_rises_further(tmp_path: Path) -> None:
    watched = heart(tmp_path)
    watched.see(*days(0, 8, clean), *days(8, 11, lambda _: 3.1))
    assert len(told(watched, "bed/front")) == 1


def test_a_bed_spent_when_the_watch_begins_is_not_learned_as_clean(tmp_path: Path) -> None:
    watched = heart(tmp_path)
    watched.see(*days(0, 3, lambda _: 12.0))
    (alarm,) = told(watched, "bed/front")
    assert alarm.evidence["why"] == "share"


def test_fresh_resin_begins_anew_and_a_channel_that_stays_is_told_of_the_fresh_bed(tmp_path: Path) -> None:
    watched = heart(tmp_path, BED + "installed = [2026-05-30, 2026-06-11]\n")
    watched.see(*days(0, 8, clean), *days(8, 10, lambda _: 3.1))
    watched.see(*days(10, 13, lambda _: 3.1))
    assert [t.evidence["why"] for t in told(watched, "bed/front")] == ["risen", "before"]
    assert state_of(watched).counter.litres == pytest.approx(3 * RUN_MIN * L_MIN, rel=0.1)


def test_without_meter_and_feed_the_front_is_drawn_over_minutes_of_made_water(tmp_path: Path) -> None:
    watched = heart(tmp_path, BED.replace('inlet = "ro.ec"\n', "").replace('flow = "ro.flow"\n', ""))
    watched.see(*days(0, 10, clean), *days(10, 14, lambda _: 4.0))
    (alarm,) = told(watched, "bed/front")
    assert alarm.evidence["treated_l"] is None
    assert "litres" not in str(wording(alarm.evidence).facts)


def test_a_display_in_ppm_is_read_as_conductivity(tmp_path: Path) -> None:
    watched = heart(tmp_path, BED.replace('outlet = "di.ec"', 'outlet = "di.tds"'), gated=False)
    for day in range(12):
        for event in run(day, clean, lambda _: 28.0):
            watched.see(event)
            if getattr(event, "channel", "") == "di.ec":
                watched.see(
                    sample("di.tds", (event.time_ms - START_MS) / 60_000 + 0.1, 0.0 if day < 9 else 7.0)
                )
    (alarm,) = told(watched, "bed/front")
    # 7 ppm on a NaCl scale: 10.7 mg/L is 23 uS/cm, 1 mg/L is 2.2 (printed scale of bench meter manuals)
    assert 14.5 < value(alarm, "outlet_us_cm") < 15.8


# ---------------------------------------------------------------- discharge


def test_an_outlet_above_its_feed_is_told_within_thirty_litres(tmp_path: Path) -> None:
    watched = heart(tmp_path)
    watched.see(*days(0, 3, clean))
    above_from = 2 * 240.0 + 100.0
    watched.see(*days(3, 4, lambda litres: 35.0 if litres >= above_from else 27.0, start_l=2 * 240.0))
    (alarm,) = told(watched, "bed/discharge")
    opened = START_MS + (3 * DAY_MIN + 25) * 60_000
    assert 0 <= (alarm.time_ms - opened) / 60_000 * L_MIN <= 30.0
    words = wording(alarm.evidence)
    assert words.first_line.startswith(
        "DI outlet: stop filling, outlet 35.0 µS/cm, worse than RO permeate 28.0"
    )
    assert any("acid or caustic" in caution for caution in words.cautions)


def test_an_outlet_above_its_feed_by_less_than_both_errors_is_not(tmp_path: Path) -> None:
    watched = heart(tmp_path)
    watched.see(*days(0, 3, lambda _: 28.2))
    assert told(watched, "bed/discharge") == []


def test_a_discharge_beyond_the_meters_range_is_told(tmp_path: Path) -> None:
    watched = heart(tmp_path)
    watched.see(*days(0, 2, clean), *days(2, 3, lambda _: 300.0))
    (alarm,) = told(watched, "bed/discharge")
    assert "at least 200.0 µS/cm" in wording(alarm.evidence).first_line


def test_a_discharge_is_told_with_a_dead_flow_meter_by_the_run_contact(tmp_path: Path) -> None:
    watched = heart(tmp_path, BED + 'running = "di.run"\n')
    watched.see(*days(0, 3, clean, switch=True))
    watched.see(*days(3, 5, lambda _: 40.0, switch=True, turns=False))
    (alarm,) = told(watched, "bed/discharge")
    assert alarm.time_ms < START_MS + (3 * DAY_MIN + RUN_MIN) * 60_000
    assert alarm.evidence["how"] == "time"
    assert "run contact" in wording(alarm.evidence).meaning


def test_a_discharge_is_told_when_the_flow_meter_falls_silent(tmp_path: Path) -> None:
    watched = heart(tmp_path, BED + 'running = "di.run"\n')
    watched.see(*days(0, 3, clean, switch=True))
    watched.see(*days(3, 5, lambda _: 40.0, switch=True, flow=False))
    (alarm,) = told(watched, "bed/discharge")
    assert alarm.time_ms < START_MS + (3 * DAY_MIN + RUN_MIN) * 60_000


def test_without_a_contact_a_dead_meter_delays_it_by_days_but_never_hides_it(tmp_path: Path) -> None:
    watched = heart(tmp_path)
    watched.see(*days(0, 9, clean), *days(9, 14, lambda _: 40.0, turns=False))
    (alarm,) = told(watched, "bed/discharge")
    assert alarm.time_ms <= START_MS + 12 * DAY_MIN * 60_000
    assert alarm.evidence["how"] == "lows"
    assert alarm.confidence <= 0.7


def test_a_sound_bed_with_a_dead_meter_stays_quiet(tmp_path: Path) -> None:
    watched = heart(tmp_path)
    watched.see(*days(0, 9, clean), *days(9, 16, clean, turns=False))
    assert watched.transitions == []


def test_a_feed_meter_that_fell_silent_does_not_hide_a_discharge(tmp_path: Path) -> None:
    watched = heart(tmp_path)
    watched.see(*days(0, 5, clean))
    watched.see(*(e for e in days(5, 6, lambda _: 40.0) if getattr(e, "channel", "") != "ro.ec"))
    assert len(told(watched, "bed/discharge")) == 1


def test_standing_water_is_not_compared_with_running_water(tmp_path: Path) -> None:
    watched = heart(tmp_path)
    standing = [sample("di.ec", 5 * DAY_MIN + m, 60.0) for m in range(0, 600, 10)]
    watched.see(*days(0, 5, clean), *standing)
    assert watched.transitions == []


# ---------------------------------------------------------------- forecast


def test_the_forecast_counts_the_carbon_dioxide_that_no_probe_sees(tmp_path: Path) -> None:
    watched = heart(tmp_path, BED + 'treated = "100 L"\n')
    watched.see(*days(0, 9, clean))
    rule = watched.watch.rules["bed"]
    _, (finding,) = rule.on_tick(state_of(watched), tick(9 * DAY_MIN))
    # 28/2.2/50.04 = 0.254 meq/L of ions; alkalinity 115 at pH 7.8 holds 3.3 mg/L of CO2, 0.075 meq/L
    # (carbonate equilibrium, constants of phreeqc.dat)
    assert finding.evidence["load_meq_l"] == pytest.approx(0.33, abs=0.01)
    assert finding.evidence["unseen_pct"] == pytest.approx(22.5, abs=2.0)
    left = 1000 * 0.43 * 10 / value(finding, "load_meq_l") - value(finding, "treated_l")
    assert finding.evidence["left_l"] == pytest.approx(left)
    assert not finding.holds


def test_the_forecast_is_told_once_when_the_early_end_is_near_and_goes_with_the_change(
    tmp_path: Path,
) -> None:
    watched = heart(tmp_path, BED + 'treated = "6900 L"\ninstalled = [2026-05-01, 2026-06-21]\n')
    watched.see(*days(0, 23, clean))
    assert [cause for cause, _ in watched.story("bed/forecast")] == ["raised", "returned"]
    (alarm,) = told(watched, "bed/forecast")
    assert value(alarm, "left_low_d") <= 10.0 < value(alarm, "left_d")
    assert re.search(r"resin spent in about \d+ days \(10 to \d+ days\)", wording(alarm.evidence).first_line)


def test_without_alkalinity_and_ph_a_range_is_given_and_no_date(tmp_path: Path) -> None:
    watched = heart(tmp_path, BED.replace('alkalinity = "115 mg/L"\nph = 7.8\n', "") + 'treated = "6900 L"\n')
    watched.see(*days(0, 14, clean))
    _, (finding,) = watched.watch.rules["bed"].on_tick(state_of(watched), tick(14 * DAY_MIN))
    assert not finding.holds
    assert finding.evidence["left_l"] is None
    assert finding.evidence["left_low_l"] == 0.0
    assert value(finding, "left_high_l") > 5000


def test_a_bed_seen_to_its_end_teaches_its_capacity_and_a_channel_does_not(tmp_path: Path) -> None:
    for end, learned in ((20.0, True), (3.1, False)):
        watched = heart(tmp_path, BED + "installed = [2026-06-01, 2026-06-17]\n")
        watched.see(*days(0, 12, clean), *days(12, 17, lambda _, end=end: end))
        assert bool(state_of(watched).load.learned_eq_l) == learned
        if learned:  # 12 runs of 240 L at 0.33 meq/L on 10 L
            assert state_of(watched).load.learned_eq_l[0] == pytest.approx(12 * 240 * 0.33 / 10_000, rel=0.1)


def test_the_use_is_taken_over_whole_weeks(tmp_path: Path) -> None:
    watched = heart(tmp_path)
    watched.see(*(e for day in range(16) if day % 7 < 5 for e in days(day, day + 1, clean)))
    assert use_l_d(state_of(watched).counter) == pytest.approx(5 / 7 * 240, rel=0.1)


# ---------------------------------------------------------------- state, settings


def test_the_state_stays_small_and_comes_back_from_json(tmp_path: Path) -> None:
    watched = heart(tmp_path)
    watched.see(*days(0, 30, clean))
    adapter = TypeAdapter(State)
    body = adapter.dump_json(state_of(watched))
    assert len(body) < 8_000
    assert adapter.validate_json(body) == state_of(watched)
    assert dataclasses.is_dataclass(State)


def test_what_stands_with_the_stages_counts_where_the_rule_says_nothing(tmp_path: Path) -> None:
    full = BED + 'treated = "1000 L"\n'
    text = text_of(re.sub(r"(resin|alkalinity|ph) = .*\n", "", full)).replace(
        'id = "tap"\nkind = "tap"\n', 'id = "tap"\nkind = "tap"\nalkalinity = "115 mg/L"\nph = 7.8\n'
    )
    told = text.replace('id = "di"\nkind = "di"\n', 'id = "di"\nkind = "di"\nresin = "10 L"\n')
    forecasts = []
    for watched in (heart(tmp_path, full), Heart(site(tmp_path, told))):
        watched.see(*days(0, 14, clean))
        _, (finding,) = watched.watch.rules["bed"].on_tick(state_of(watched), tick(14 * DAY_MIN))
        forecasts.append((finding.evidence["left_l"], finding.evidence["unseen_pct"]))
    assert forecasts[0] == forecasts[1]
    with pytest.raises(ConfigMistakes, match="here or in its stage"):
        site(tmp_path, text)


WRONG = [
    ('resin = "10 L"', 'resin = "10 kg"', "a volume"),
    ('capacity = "0.43 eq/L"', 'capacity = "9 eq/L"', "equivalents a litre"),
    ('capacity = "0.43 eq/L"', 'capacity = "0.43 L"', "equivalents a litre"),
    ("ph = 7.8", "", "together with `alkalinity`"),
    ('outlet = "di.ec"', 'outlet = "ro.t"', "conductivity"),
    ('inlet = "ro.ec"', 'inlet = "di.ec"', "already outlet"),
    ('flow = "ro.flow"', 'rated_flow = "3 L/min"', "needs `running`"),
    ('limit = "20 uS/cm"', 'limit = "20 bar"', "a conductivity"),
    ('limit = "20 uS/cm"', 'installed = "some day"', "dates without quotes"),
    ('inlet = "ro.ec"', 'watch_for = ["discharge"]', "needs `inlet`"),
    ('alkalinity = "115 mg/L"', 'alkalinity = "9000 mg/L"', "at most 2000 mg/L"),
]


@pytest.mark.parametrize(("right", "wrong", "words"), WRONG, ids=[wrong for _, wrong, _ in WRONG])
def test_a_setting_that_does_not_fit_is_refused_in_words(
    tmp_path: Path, right: str, wrong: str, words: str
) -> None:
    with pytest.raises(ConfigMistakes, match=re.escape(words)):
        heart(tmp_path, BED.replace(right, wrong))


# ---------------------------------------------------------------- words

EVIDENCE: dict[str, Any] = {
    "condition": "front", "where": "DI outlet", "bed": "DI bed", "stage": "di", "feed_where": "RO permeate",
    "from_tap": False, "outlet_us_cm": 8.0, "outlet_is_least": False, "inlet_us_cm": 28.0, "clean_us_cm": 0.3,
    "limit_us_cm": 20.0, "why": "risen", "how": "gate", "excess_us_cm": 7.7, "counted_excess_us_cm": 0.6,
}  # fmt: skip
ADVICE = [
    ("front", {}, "still usable"),
    ("front", {"outlet_us_cm": 24.0}, "stop filling"),
    ("front", {"limit_us_cm": None}, "no `limit` is set"),
    ("discharge", {"outlet_us_cm": 15.0, "inlet_us_cm": 10.0}, "ahead of the bed is better"),
    ("discharge", {"outlet_us_cm": 60.0, "inlet_us_cm": 10.0}, "stop filling"),
    ("discharge", {"outlet_us_cm": 900.0, "inlet_us_cm": 700.0, "from_tap": True}, "stop filling"),
]


@pytest.mark.parametrize(("condition", "more", "words"), ADVICE, ids=[w + c for c, _, w in ADVICE])
def test_the_advice_is_by_consequence(condition: str, more: dict[str, Any], words: str) -> None:
    assert words in wording(EVIDENCE | {"condition": condition} | more).meaning


def test_a_bed_that_stands_alone_is_compared_with_the_tap() -> None:
    alone = EVIDENCE | {
        "condition": "discharge",
        "outlet_us_cm": 900.0,
        "inlet_us_cm": 700.0,
        "from_tap": True,
    }
    assert "worse than the tap 700.0 µS/cm" in wording(alone).first_line


def test_a_limit_that_the_feed_hardly_reaches_is_said() -> None:
    facts = dict(wording(EVIDENCE | {"limit_us_cm": 27.0}).facts)
    assert "only a discharge would pass it" in facts["coolant's limit"]


def test_filling_past_the_bed_is_advised_only_where_the_feed_will_do() -> None:
    spent = EVIDENCE | {"condition": "discharge", "outlet_us_cm": 60.0}
    assert any("do not fill past" in step for step in wording(spent).steps)
    assert any("Fill past the bed" in step for step in wording(spent | {"inlet_us_cm": 10.0}).steps)


# ---------------------------------------------------------------- a simulated bed, of other formulas


@pytest.mark.parametrize("seed", [31, 32])
def test_a_simulated_bed_is_told_at_its_front_and_its_discharge_and_nothing_else(seed: int) -> None:
    result = bench.judge(
        [{"kind": "resin_exhaustion", "start_day": 4.3}],
        seed=seed,
        days=12,
        names=["di-bed", "di-discharge"],
        every_min=5.0,
    )
    assert {item.line.family for item in result.caught} == {"breakthrough", "discharge"}
    assert result.missed == ()
    assert result.false == ()
    for item in result.caught:
        assert item.since_visible_h is not None
        assert -72.0 < item.since_visible_h < 24.0


def test_a_sound_simulated_bed_is_quiet() -> None:
    result = bench.judge(seed=33, days=10, names=["di-bed", "di-discharge"], every_min=5.0)
    assert (result.false, result.allowed) == ((), ())
