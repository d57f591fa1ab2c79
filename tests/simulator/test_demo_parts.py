"""What the demonstration is made of: its site, its clock, its month, its scoring."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from monitor.config import load
from simulator.demo.script import FAULTS, IN_WORDS, LIVE_DAYS, RESTART_RATE, Month, make_month
from simulator.demo.site import SITE, Places, write_sites
from simulator.faults import DAY_MS
from simulator.score import families_of, score, subjects_of
from simulator.shop import load_shop

SHOP = load_shop("hall3")
SECONDS = 240.0


@pytest.fixture(scope="module")
def month() -> Month:
    return make_month(1)


def sites(folder: Path, *, rules: bool = True) -> tuple[Path, Path]:
    (folder / "webhook-secret").write_text("0123456789abcdef")
    return write_sites(folder, Places(1884, 1026, 8081), SHOP, rules=rules)


def test_both_copies_of_the_site_are_right_and_have_the_same_channels_and_rules(tmp_path: Path) -> None:
    history, live = (load(path) for path in sites(tmp_path))
    assert list(history.plant.channels) == list(live.plant.channels) == list(load(SITE).plant.channels)
    assert [r.settings for r in history.rules] == [r.settings for r in live.rules]
    assert {i.wire.kind for i in history.plant.instrument} == {"logger-file"}


def test_the_copy_on_the_wires_has_the_ports_that_were_given(tmp_path: Path) -> None:
    live = load(sites(tmp_path)[1])
    assert (live.brokers[0].port, live.mail_servers[0].port) == (1884, 1026)
    assert {port.device for port in live.serial_ports} == {str(tmp_path / "bus1"), str(tmp_path / "line1")}
    ways = [way for person in live.plant.person for way in person.way]
    assert [way.url for way in ways if way.kind == "webhook"] == ["http://127.0.0.1:8081/goodwater"]


def test_without_rules_nothing_judges(tmp_path: Path) -> None:
    assert [load(path).rules for path in sites(tmp_path, rules=False)] == [(), ()]


def test_each_simulated_instrument_is_a_channel_at_its_own_place_on_the_wire() -> None:
    plant = load(SITE).plant
    for simulated in SHOP.instruments:
        channel = simulated.name.lower().replace("_", ".")
        wire, played = plant.instrument_of(channel).wire, simulated.wire
        assert played is not None
        if played.kind == "modbus":
            (value,) = (v for v in wire.value if v.channel == channel)
            assert (wire.port, wire.unit, value.address) == (played.port, played.unit, played.register)
            assert (value.type, value.scale) == (played.encoding, 1.0 / played.scale)
        elif played.kind == "mqtt":
            assert wire.topic == played.topic
        elif played.kind == "lines":
            assert wire.port == played.port and wire.pattern.startswith(f"{played.label} ")
        else:
            assert wire.values[channel] == played.column


def test_sumps_hold_what_the_simulated_machines_hold() -> None:
    sumps = {sump.id: sump for sump in load(SITE).plant.sump}
    for machine in SHOP.machines:
        sump = sumps[machine.name.lower()]
        assert (sump.volume_l, sump.surface_m2) == (machine.volume_l, pytest.approx(machine.area_m2))


def test_the_clock_plays_nine_days_in_the_time_given_and_then_goes_on_in_real_time(month: Month) -> None:
    clock = month.playing_clock(1_000_000, 1_015_000, SECONDS)
    end = 1_015_000 + 1000 * SECONDS
    assert clock.shop_ms(end) == pytest.approx(month.end_ms)
    assert month.end_ms - clock.shop_ms(1_015_000) == pytest.approx(LIVE_DAYS * DAY_MS - 15 * 60_000)
    assert clock.shop_ms(end + 3_600_000) - clock.shop_ms(end) == pytest.approx(3_600_000)


def test_the_clock_is_slow_while_the_broker_is_restarted(month: Month) -> None:
    clock = month.playing_clock(0, 15_000, SECONDS)
    at = clock.machine_ms(month.restart_ms)
    assert clock.shop_ms(at + 10_000) - clock.shop_ms(at) == pytest.approx(10_000 * RESTART_RATE)
    assert clock.shop_ms(at - 1) - clock.shop_ms(at - 2) > 10 * RESTART_RATE


def test_each_fault_is_in_words_and_each_is_visible_within_the_month(month: Month) -> None:
    assert set(IN_WORDS) == set(FAULTS)
    lines = [line for line in month.run.truth if line.role == "expected"]
    assert {line.fault for line in lines} == set(FAULTS)
    assert all(line.visible_ms is not None and line.visible_ms < month.end_ms - DAY_MS for line in lines)
    assert all(line.start_ms >= month.history_end_ms for line in lines)


@dataclass(frozen=True)
class Alarm:
    condition: str
    subject: str
    time_ms: int
    rule_kind: str
    evidence: Mapping[str, Any] = field(default_factory=dict)


def test_an_alarm_of_the_planted_fault_is_caught_with_its_delay(month: Month) -> None:
    (stuck,) = (line for line in month.run.truth if line.family == "stuck")
    alarm = Alarm("stuck/m05.level", "m05.level", stuck.start_ms + 7_200_000, "stuck")
    result = score(month.run, [alarm], load(SITE).plant)
    (caught,) = result.caught
    assert (caught.line.fault, caught.since_start_h) == ("stuck", 2.0)
    assert result.false == () and len(result.missed) == len(result.due) - 1


@pytest.mark.parametrize(
    ("kind", "subject", "hours"),
    [("stuck", "m05.level", -1.0), ("stuck", "m06.level", 2.0), ("loss", "m08", 90.0)],
)
def test_an_alarm_before_its_fault_or_about_something_else_is_false(
    month: Month, kind: str, subject: str, hours: float
) -> None:
    (stuck,) = (line for line in month.run.truth if line.family == "stuck")
    alarm = Alarm(f"{kind}/{subject}", subject, stuck.start_ms + round(3.6e6 * hours), kind)
    assert score(month.run, [alarm], load(SITE).plant).false == (alarm,)


def test_a_fault_that_is_withheld_excuses_no_alarm() -> None:
    month = make_month(1, ("stuck",))
    alarm = Alarm("stuck/m05.level", "m05.level", month.end_ms - DAY_MS, "stuck")
    assert score(month.run, [alarm], load(SITE).plant).false == (alarm,)


def test_a_family_named_in_the_condition_counts_before_the_kind_of_rule() -> None:
    assert families_of(Alarm("resin/discharge", "di", 0, "breakthrough")) == {"discharge"}
    assert families_of(Alarm("resin", "di", 0, "breakthrough")) == {"breakthrough"}


def test_a_sump_is_known_by_its_machine_and_a_stage_by_its_point() -> None:
    plant = load(SITE).plant
    assert {"M09", "M09_level"} <= subjects_of(Alarm("loss/m09", "m09", 0, "loss"), plant)
    assert "permeate" in subjects_of(Alarm("creep", "ro", 0, "creep"), plant)
    assert {"di", "di_ec"} <= subjects_of(Alarm("di-high", "di.ec", 0, "limit"), plant)
