"""Rule `instrument`: dead flow meters, wrong clocks, values that follow the temperature, broken wires."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable, Iterator
from itertools import chain
from pathlib import Path

import pytest

from monitor.config import RULES, ConfigMistakes
from monitor.readings import (
    Bound,
    Event,
    Finding,
    Level,
    Reading,
    Reason,
    Sample,
    Standing,
    Status,
    Transition,
    Wording,
)
from monitor.rules.rule import number
from monitor.watch import Watch
from tests.heart.shop import MINUTE, SITE, START_MS, Heart, sample, site, tick
from tests.heart.water_made import GATE, days, shop, text, without_rules

HOUR, DAY = 60, 1440
RULE = '\n[[rule]]\nkind = "instrument"\nid = "faults"\n'
RUNNING = GATE.replace(" }", ', running = "ro.run", tank = "tank.level" }')


def told(heart: Heart, condition: str) -> list[Transition]:
    return [t for t in heart.transitions if t.condition == condition and t.cause == "raised"]


def words(found: Transition) -> Wording:
    return RULES["instrument"].wording(found.evidence)  # type: ignore[no-any-return]  # a module's function


# ---------------------------------------------------------------- flow meters


def test_a_flow_meter_at_zero_while_water_is_made_is_told_with_what_shows_it(tmp_path: Path) -> None:
    heart = shop(tmp_path, RUNNING, RULE)
    heart.see(*days(0, 2, 10.0))
    assert heart.transitions == []
    heart.see(*days(2, 3, 10.0, dead=True))
    (raised,) = told(heart, "faults/flow-meter/ro.flow")
    assert raised.subject == "ro.flow"
    assert (raised.time_ms - START_MS) / MINUTE < 2 * DAY + 3 * HOUR
    said = words(raised)
    assert said.first_line.startswith("RO permeate: ro-node shows no flow though water is made")
    facts = dict(said.facts)
    assert facts["contact at RO permeate"] == "on for 9 min"
    assert facts["level at RO permeate"].startswith("between 3")
    heart.see(*days(3, 4, 10.0))
    assert heart.story("faults/flow-meter/ro.flow")[-1][0] == "returned"


# ---------------------------------------------------------------- clocks


def stamped(
    first: float, last: float, off: Callable[[float], float], *, every: float = 1.0, channel: str = "di.ec"
) -> Iterator[Sample]:
    """Values whose own time is off by so many seconds (ahead positive), delivered within two seconds."""
    chance, at = random.Random(1), first
    while at < last:
        own = START_MS + round(at * MINUTE + off(at) * 1000)
        arrival = START_MS + round(at * MINUTE) + chance.randint(50, 2000)
        yield Sample(channel, 5.0 + round(chance.gauss(0, 0.2), 1), arrival, own)
        at += every


def clock(folder: Path, stream: Iterable[Event], keys: str = "") -> Heart:
    heart = Heart(site(folder, without_rules() + RULE + keys))
    heart.see(*stream)
    return heart


@pytest.mark.parametrize(
    ("off_s", "how", "line"),
    [
        (3600.0, "ahead", "clock of DI meter wrong, 60 min ahead"),
        (-7200.0, "behind", "clock of DI meter wrong, 2 h behind"),
        (200.0, "ahead", "clock of DI meter wrong, 3 min ahead"),
        (-400.0, "behind", "clock of DI meter wrong, 7 min behind"),
    ],
)
def test_a_clock_that_is_off_is_told_within_hours(tmp_path: Path, off_s: float, how: str, line: str) -> None:
    heart = clock(tmp_path, stamped(0, 4 * HOUR, lambda _: off_s))
    (raised,) = told(heart, "faults/clock/di-meter")
    assert raised.evidence["how"] == how
    assert line in words(raised).first_line
    assert (raised.time_ms - START_MS) / MINUTE < (30 if how == "ahead" else 150)
    zoned = abs(off_s) >= 3600
    assert (raised.evidence["zone_ms"] is not None) == zoned
    assert any("time zone" in b for _, b in words(raised).facts) == zoned


def test_a_clock_hours_ahead_is_told_though_no_value_of_it_is_judged(tmp_path: Path) -> None:
    heart = clock(tmp_path, stamped(0, HOUR, lambda _: 3600.0))
    standings = {r.standing for _, r in heart.effects.readings}
    assert standings == {Standing.BAD_TIME}
    (raised,) = told(heart, "faults/clock/di-meter")
    assert "not judged" in " ".join(words(raised).meaning.split())


def test_a_clock_that_is_set_right_returns(tmp_path: Path) -> None:
    heart = clock(tmp_path, stamped(0, 8 * HOUR, lambda at: 3600.0 if at < 3 * HOUR else 0.0))
    assert [cause for cause, _ in heart.story("faults/clock/di-meter")] == ["raised", "returned"]
    assert heart.reading(sample("di.ec", 9 * HOUR, 5.0)).standing == Standing.JUDGED


def test_it_returns_also_with_an_off_delay(tmp_path: Path) -> None:
    stream = stamped(0, 8 * HOUR, lambda at: 3600.0 if at < 3 * HOUR else 0.0)
    heart = clock(tmp_path, stream, 'off_delay = "30 min"\n')
    assert [cause for cause, _ in heart.story("faults/clock/di-meter")] == ["raised", "returned"]


def test_a_clock_that_stands_still_is_told(tmp_path: Path) -> None:
    heart = clock(tmp_path, stamped(0, 3 * HOUR, lambda at: 0.0 if at < HOUR else -60 * (at - HOUR)))
    (raised, *_) = told(heart, "faults/clock/di-meter")
    assert raised.evidence["how"] == "stuck"
    assert "standing still" in words(raised).first_line


def test_a_clock_that_drifts_is_told_before_it_is_wrong(tmp_path: Path) -> None:
    heart = clock(tmp_path, stamped(0, 7 * DAY, lambda at: 15 * at / DAY, every=10))
    (raised,) = told(heart, "faults/clock/di-meter")
    assert raised.evidence["how"] == "drift"
    assert "drifting +15 s a day" in words(raised).first_line


def test_a_gateway_that_sends_in_batches_and_one_that_catches_up_are_not_wrong(tmp_path: Path) -> None:
    def batches() -> Iterator[Event]:
        for begin in range(0, 6 * HOUR, 10):
            sent = START_MS + (begin + 10) * MINUTE + 700
            for minute in range(10):
                yield sample("di.ec", begin + minute, 5.0 + minute / 10, arrival_ms=sent)
        # five hours that arrive within a minute, then live again
        back = START_MS + 11 * HOUR * MINUTE
        for minute in range(6 * HOUR, 11 * HOUR):
            yield sample("di.ec", minute, 5.0, arrival_ms=back + (minute - 6 * HOUR) * 200)
        yield from stamped(11 * HOUR + 2, 15 * HOUR, lambda _: 0.0)

    assert clock(tmp_path, batches()).story("faults/clock/di-meter") == []


def test_a_fortnight_of_network_delays_is_no_fault(tmp_path: Path) -> None:
    heart = clock(tmp_path, stamped(0, 14 * DAY, lambda at: 3 * math.sin(at / DAY), every=15))
    assert heart.story("faults/clock/di-meter") == []


def test_instruments_that_are_off_by_the_same_point_at_the_gateways_clock(tmp_path: Path) -> None:
    both = zip(
        stamped(0, 2 * HOUR, lambda _: 600.0),
        stamped(0, 2 * HOUR, lambda _: 600.0, channel="ro.t"),
        strict=True,
    )
    heart = clock(tmp_path, (one for pair in both for one in pair))
    raised = told(heart, "faults/clock/ro-node")[0]
    assert raised.evidence["alike"] == ["DI meter"]
    assert "gateway's own clock" in words(raised).meaning


def test_before_the_gateway_has_a_clock_no_other_is_wrong(tmp_path: Path) -> None:
    booting = (Sample("di.ec", 5.0, 3_600_000 + n * MINUTE, START_MS + n * MINUTE) for n in range(60))
    assert clock(tmp_path, booting).story("faults/clock/di-meter") == []


def test_what_was_delivered_late_says_nothing_of_the_clock(tmp_path: Path) -> None:
    late = (
        sample("di.ec", n, 5.0, arrival_ms=START_MS + 9 * HOUR * MINUTE + n * MINUTE, status=Status.DRAINED)
        for n in range(5 * HOUR)
    )
    assert clock(tmp_path, late).story("faults/clock/di-meter") == []


# ---------------------------------------------------------------- compensation


SAME_POINT = SITE.replace('id = "ro-node"\npoint = "permeate"', 'id = "ro-node"\npoint = "di-out"')
PERMEATE = text("gate = {}", RULE).replace("gate = {}\n", "")


def warm(
    first: int, last: int, per_c: float, channel: str = "di.ec", noise: float = 0.004, seed: int = 1
) -> Iterator[Reading]:
    """A value with this slope per °C, while the water warms by day and cools by night."""
    chance, level = random.Random(seed), 0.0
    for at in range(first * DAY, last * DAY, 8):
        level += chance.gauss(0, 0.0015)  # the water itself changes, slowly
        t = 15 + 3 * math.sin(2 * math.pi * at / DAY) + chance.gauss(0, 0.05)
        value = 100 * math.exp(level + per_c * (t - 15)) * (1 + chance.gauss(0, noise))
        for name, said in (("ro.t", round(t, 1)), (channel, round(value, 1))):
            ms = START_MS + at * MINUTE
            yield Reading(name, ms, ms, said, said, Reason.NONE, Bound.EXACT, Standing.JUDGED)


def followed(folder: Path, toml: str, *readings: Iterable[Reading]) -> list[Finding]:
    """The rule's own findings on a compensation; alarms and wires have their tests elsewhere."""
    rule = site(folder, toml).rules[-1]
    state, found = rule.start(), []
    for reading in chain(*readings):
        state, findings = rule.on_reading(state, reading)
        found += [f for f in findings if f.condition.startswith("faults/compensation/")]
    return found


@pytest.mark.parametrize("per_c", [0.02, -0.02, 0.016])
def test_a_compensated_value_that_follows_the_temperature_is_told(tmp_path: Path, per_c: float) -> None:
    first, *_ = followed(tmp_path, SAME_POINT + RULE, warm(0, 9, per_c))
    assert first.holds and first.condition == "faults/compensation/di.ec"
    said = RULES["instrument"].wording(first.evidence)
    slope = number(first.evidence, "slope_pct_c")
    assert slope == pytest.approx(100 * per_c, abs=0.3)
    assert f"follows the temperature, {slope:+.1f} % per °C" in said.first_line
    assert ("twice" in said.meaning) == (per_c < 0)


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("per_c", [0.0, 0.003, -0.003])
def test_a_value_rightly_compensated_is_left_alone(tmp_path: Path, per_c: float, seed: int) -> None:
    assert followed(tmp_path, SAME_POINT + RULE, warm(0, 20, per_c, seed=seed)) == []


def test_a_membrane_that_lets_more_through_when_warm_is_no_fault_of_the_meter(tmp_path: Path) -> None:
    assert followed(tmp_path, PERMEATE, warm(0, 9, 0.028, "ro.ec")) == []
    assert followed(tmp_path, PERMEATE, warm(0, 9, -0.02, "ro.ec"))[0].holds


def test_a_meter_put_right_returns(tmp_path: Path) -> None:
    found = followed(tmp_path, SAME_POINT + RULE, warm(0, 8, 0.02), warm(8, 26, 0.0, seed=2))
    assert found[0].holds and not found[-1].holds


# ---------------------------------------------------------------- what an instrument says of itself

LEAK = """
[[instrument]]
id = "leak"
name = "floor leak"
point = "permeate"
expected_interval = "10 s"
wire = { kind = "mqtt", broker = "hall", topic = "leak", payload = { kind = "number" } }

[[instrument.channel]]
id = "leak.wet"
quantity = "contact"
unit = "1"
range = [0, 1]
resolution = 1
supervised = { open = [9000, 11000], closed = [4500, 5500] }
"""


def leaking(folder: Path, keys: str = "") -> Heart:
    return Heart(site(folder, SITE.replace("[[rule]]", LEAK + keys + "\n[[rule]]", 1) + RULE))


def test_a_supervised_contact_knows_open_closed_and_a_broken_wire(tmp_path: Path) -> None:
    heart = leaking(tmp_path)
    arrived = (10_000.0, 5_000.0, 2e6, 12.0, 9_500.0)
    found = [heart.reading(sample("leak.wet", n, raw)) for n, raw in enumerate(arrived)]
    assert [(r.value, r.level) for r in found if r.level == Level.GOOD] == [(0, 0), (1, 0), (0, 0)]
    assert [r.level for r in found] == [Level.GOOD, Level.GOOD, Level.BAD, Level.BAD, Level.GOOD]
    assert [r.raw for r in found] == list(arrived)


def test_a_broken_wire_is_told_and_its_mending_too(tmp_path: Path) -> None:
    heart = leaking(tmp_path)
    heart.see(*(sample("leak.wet", n, raw) for n, raw in enumerate((1e4, 2e6, 1e4, 2e6, 2e6, 2e6, 1e4, 1e4))))
    assert heart.story("faults/fault/leak.wet") == [("raised", 4), ("returned", 6)]
    (raised,) = told(heart, "faults/fault/leak.wet")
    assert words(raised).first_line == "RO permeate: wire of contact at RO permeate broken or shorted"


def test_a_fault_that_an_instrument_reports_is_told(tmp_path: Path) -> None:
    heart = leaking(tmp_path)
    heart.see(*(sample("di.ec", n, 0.0, status=Status.DEVICE_FAULT) for n in range(3)))
    (raised,) = told(heart, "faults/fault/di.ec")
    assert (
        words(raised).first_line == "DI outlet: DI meter reports a fault, conductivity at DI outlet not known"
    )


@pytest.mark.parametrize(
    ("spans", "allowed"),
    [
        ("{ open = [9000, 11000], closed = [5500, 4500] }", "the lower first"),
        ("{ open = [9000, 11000], closed = [4500, 9500] }", "a span apart from that of the open contact"),
    ],
)
def test_spans_of_a_supervised_contact_are_held_apart(tmp_path: Path, spans: str, allowed: str) -> None:
    bad = LEAK.replace("{ open = [9000, 11000], closed = [4500, 5500] }", spans)
    with pytest.raises(ConfigMistakes, match=allowed):
        site(tmp_path, SITE.replace("[[rule]]", bad + "\n[[rule]]", 1))


# ---------------------------------------------------------------- the rule as a whole


def test_only_what_is_watched_for_is_told(tmp_path: Path) -> None:
    heart = clock(tmp_path, stamped(0, 4 * HOUR, lambda _: 3600.0), 'watch_for = ["fault", "flow-meter"]\n')
    assert heart.transitions == []


def test_the_alarm_of_an_instrument_that_was_taken_out_returns(tmp_path: Path) -> None:
    heart = clock(tmp_path, stamped(0, HOUR, lambda _: 3600.0))
    fewer = site(tmp_path, SITE.replace('id = "di-meter"', 'id = "di-meter-2"') + RULE)
    heart.watch = Watch(fewer.plant, fewer.rules)
    heart.see(tick(HOUR + 1))
    assert heart.story("faults/clock/di-meter")[-1][0] == "returned"


def test_an_instrument_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigMistakes, match="is no instrument of this site"):
        site(tmp_path, SITE + RULE + 'instruments = ["di-metr"]\n')
