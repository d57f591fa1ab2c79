"""What is summed up: litres, a bed's load, hours, starts; ever, of the last day, or since an event."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.condition.derive.tally import DAY_MS, Tally, begun_anew, of_tally, stepped
from monitor.config import load
from monitor.readings import Bound, Level, OperatorAction, Reason, Status
from tests.heart.derived_shop import done, last, of, shop
from tests.heart.shop import Heart, sample

SINCE = 'since = "resin-change"\nstage = "di"\n'


def litres(tmp_path: Path, keys: str, **channels: str) -> Heart:
    return shop(tmp_path, f'[[derived]]\nkind = "litres"\nid = "di.litres"\n{keys}', **channels)


def values(heart: Heart, channel: str = "di.litres") -> list[float]:
    return [reading.value for reading in of(heart, channel)]


def test_litres_of_a_flow_are_the_flow_times_the_time_it_held(tmp_path: Path) -> None:
    heart = litres(tmp_path, 'flow = "in.flow"\n', in_flow="flow")
    heart.see(*(sample("in.flow", n, v) for n, v in enumerate((5.0, 6.0, 0.0, 0.0, 4.0, 4.0))))
    assert values(heart) == pytest.approx([0, 5, 11, 11, 11, 15])


def test_litres_of_a_contact_are_the_rated_flow_while_it_is_1(tmp_path: Path) -> None:
    heart = litres(tmp_path, 'running = "ro.run"\nrated_flow = "4.5 L/min"\n', ro_run="contact")
    heart.see(*(sample("ro.run", n, v) for n, v in enumerate((0, 1, 1, 0, 0, 1, 0))))
    assert values(heart) == pytest.approx([0, 0, 4.5, 9, 9, 9, 13.5])


def test_litres_of_a_counter_miss_nothing_while_the_watch_is_away(tmp_path: Path) -> None:
    heart = litres(tmp_path, 'counter = "in.total"\n', in_total="volume")
    heart.see(*(sample("in.total", minute, v) for minute, v in ((0, 7000), (1, 7005), (600, 9000))))
    assert values(heart) == [0, 5, 2000]
    assert last(heart, "di.litres").level == Level.GOOD


def test_a_flow_unknown_for_long_makes_the_sum_uncertain(tmp_path: Path) -> None:
    heart = litres(tmp_path, 'flow = "in.flow"\n', in_flow="flow")
    heart.see(*(sample("in.flow", n, 6.0) for n in range(60)))
    assert last(heart, "di.litres").level == Level.GOOD
    heart.see(sample("in.flow", 120, 6.0))
    reading = last(heart, "di.litres")
    # ten minutes of the hour that is missing are believed
    assert (reading.value, reading.reasons) == (pytest.approx(6.0 * 69), Reason.INPUT_UNCERTAIN)


def test_a_flow_beyond_its_meter_counts_as_at_least_so_much_and_a_broken_one_not_at_all(
    tmp_path: Path,
) -> None:
    heart = litres(tmp_path, 'flow = "in.flow"\n', in_flow="flow")
    heart.see(sample("in.flow", 0, 5.0), sample("in.flow", 1, 20.0, status=Status.OVER_RANGE))
    reading = last(heart, "di.litres")
    assert (reading.level, reading.bound, reading.value) == (Level.BAD, Bound.AT_LEAST, 5.0)
    heart.see(sample("in.flow", 2, 0.0, status=Status.DEVICE_FAULT), sample("in.flow", 3, 5.0))
    assert last(heart, "di.litres").value == 45.0


def test_an_event_begins_the_count_anew_and_only_that_event_of_that_stage(tmp_path: Path) -> None:
    heart = litres(tmp_path, 'counter = "in.total"\n' + SINCE, in_total="volume")
    heart.see(sample("in.total", 0, 1000), sample("in.total", 1, 1010))
    reading = last(heart, "di.litres")
    assert (reading.value, reading.bound, reading.level) == (10, Bound.AT_LEAST, Level.UNCERTAIN)
    heart.see(
        done(1.5, "resin-change", "softener"), done(1.5, "clean-out", "di"), sample("in.total", 2, 1020)
    )
    assert last(heart, "di.litres").value == 20
    heart.see(done(2.5, "resin-change", "di"), sample("in.total", 3, 1030))
    reading = last(heart, "di.litres")
    assert (reading.value, reading.bound, reading.level) == (10, Bound.EXACT, Level.GOOD)


def test_what_had_run_before_is_told_once_and_is_gone_with_the_event(tmp_path: Path) -> None:
    heart = litres(tmp_path, 'counter = "in.total"\nbefore = "2400 L"\n' + SINCE, in_total="volume")
    heart.see(sample("in.total", 0, 1000), sample("in.total", 1, 1010))
    reading = last(heart, "di.litres")
    assert (reading.value, reading.level) == (2410, Level.GOOD)
    heart.see(done(1.1, "resin-change", "di"), sample("in.total", 2, 1020))
    assert last(heart, "di.litres").value == 10


def test_an_event_told_days_later_counts_from_when_it_was(tmp_path: Path) -> None:
    heart = litres(tmp_path, 'counter = "in.total"\n' + SINCE, in_total="volume")
    day = 24 * 60
    for hour in range(24 * 6):
        heart.see(sample("in.total", hour * 60, 100 * hour))
    heart.see(done(2.5 * day, "resin-change", "di"), sample("in.total", 6 * day, 14_400))
    # 60 hours of 100 L were before it; steady use, so a straight line between the days' marks is right
    assert last(heart, "di.litres").value == pytest.approx(8_400, abs=1)
    assert last(heart, "di.litres").level == Level.GOOD


def test_of_two_events_the_later_in_time_counts_whenever_it_is_told(tmp_path: Path) -> None:
    heart = litres(tmp_path, 'counter = "in.total"\n' + SINCE, in_total="volume")
    for minute in range(11):
        heart.see(sample("in.total", minute, 10 * minute))
    heart.see(done(8, "resin-change", "di"), done(3, "resin-change", "di"), sample("in.total", 11, 110))
    assert last(heart, "di.litres").value == pytest.approx(30)


def test_an_event_before_all_that_was_counted_leaves_at_least_so_much(tmp_path: Path) -> None:
    heart = litres(tmp_path, 'counter = "in.total"\n' + SINCE, in_total="volume")
    heart.see(sample("in.total", 0, 1000), sample("in.total", 1, 1010))
    heart.see(done(-600, "resin-change", "di"), sample("in.total", 2, 1020))
    reading = last(heart, "di.litres")
    assert (reading.value, reading.bound, reading.level) == (20, Bound.AT_LEAST, Level.UNCERTAIN)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(0, 2000), min_size=2, max_size=300), st.floats(0, 1))
def test_a_sum_begun_anew_at_any_time_is_what_came_since_within_what_came_that_day(
    hours: list[int], where: float
) -> None:
    tally, total, known = Tally(), 0.0, []
    start = 20_000 * DAY_MS
    for n, came in enumerate(hours):
        total += came if n else 0
        tally = stepped(tally, start + n * 3_600_000, 0.0, float(came if n else 0), 3_600_000 if n else 0)
        known.append((start + n * 3_600_000, total))
    at_ms = start + round(where * (len(hours) - 1)) * 3_600_000
    after = begun_anew(tally, OperatorAction(at_ms, "event", "di", "lead", event="x"))
    true = total - dict(known)[at_ms]
    day = [t for ms, t in known if abs(ms - at_ms) <= DAY_MS]
    assert abs(of_tally(after, awaits_event=True).value - true) <= max(day) - min(day)


LOAD = """
[[derived]]
kind = "di-load"
id = "di.load"
inlet = "in.ec"
counter = "in.total"
"""


def test_the_load_of_a_bed_is_what_conductivity_shows_and_what_it_does_not(tmp_path: Path) -> None:
    keys = 'alkalinity = "100 mg/L"\nph = 7.8\nsilica = "12 mg/L"\n'
    heart = shop(tmp_path, LOAD + keys, in_ec="conductivity", in_total="volume")
    for minute, total in ((0, 0), (1, 1000)):
        heart.see(sample("in.ec", minute, 22.0), sample("in.total", minute, total))
    # 22 uS/cm at 2.2 a mg/L as CaCO3: 10 mg/L, of 50.0435 mg a meq: 0.1998 meq/L.
    # Silica 12 mg/L is 9.99465 mg/L as CaCO3 (TR-O-101): 0.1997 meq/L.
    # CO2 of alkalinity 100 mg/L at pH 7.8: 1.68 % of 3.99154 meq/L (TR-O-307, 308; PHREEQC): 0.0672 meq/L,
    # at its own ionic strength; ours is that of a typical tap water, which makes some per cent of it.
    expected = 1000 * (10 / 50.0435 + 9.99465 / 50.0435 + 0.0168354 * 3.99154) / 1000
    assert last(heart, "di.load").value == pytest.approx(expected, rel=0.02)


def test_the_load_takes_alkalinity_and_ph_from_the_tap(tmp_path: Path) -> None:
    keys = 'alkalinity = "100 mg/L"\nph = 7.8\n'
    ours = shop(tmp_path, LOAD + keys, in_ec="conductivity", in_total="volume")
    (tmp_path / "site.toml").write_text(
        (tmp_path / "site.toml")
        .read_text(encoding="utf-8")
        .replace(keys, "")
        .replace('kind = "tap"\n', 'kind = "tap"\n' + keys, 1),
        encoding="utf-8",
    )
    taps = Heart(load(tmp_path / "site.toml"))
    for heart in (ours, taps):
        for minute, total in ((0, 0), (1, 1000)):
            heart.see(sample("in.ec", minute, 5.0), sample("in.total", minute, total))
    assert last(ours, "di.load").value == last(taps, "di.load").value > 0.1


def test_litres_without_a_fresh_inlet_are_loaded_with_the_last_and_doubted(tmp_path: Path) -> None:
    keys = 'alkalinity = "100 mg/L"\nph = 7.8\n'
    heart = shop(tmp_path, LOAD + keys, in_ec="conductivity", in_total="volume")
    heart.see(sample("in.ec", 0, 20.0))
    heart.see(*(sample("in.total", minute, 10 * minute) for minute in range(61)))
    assert len(of(heart, "di.load")) == 1  # no younger than the inlet
    heart.see(sample("in.ec", 60, 20.0))
    reading = last(heart, "di.load")
    per_l = (20.0 / 2.2 / 50.0435 + 0.0672) / 1000
    assert reading.value == pytest.approx(600 * per_l, rel=0.02)
    assert reading.level == Level.UNCERTAIN


RUN = '[[derived]]\nkind = "run-time"\nid = "ro.hours"\nrunning = "ro.run"\n'


def test_hours_of_running_and_starts_of_the_last_day_forget_what_is_older(tmp_path: Path) -> None:
    derived = (
        RUN
        + '[[derived]]\nkind = "run-time"\nid = "ro.today"\nrunning = "ro.run"\nof = "day"\n'
        + '[[derived]]\nkind = "starts-per-day"\nid = "ro.starts"\nrunning = "ro.run"\n'
    )
    heart = shop(tmp_path, derived, ro_run="contact")
    # On for ten minutes of each hour of the first day, then for half an hour of each.
    for minute in range(3 * 24 * 60 + 1):
        on = minute % 60 < (10 if minute < 24 * 60 else 30)
        heart.see(sample("ro.run", minute, float(on)))
    assert last(heart, "ro.hours").value == pytest.approx(24 / 6 + 48 / 2, abs=0.01)
    assert last(heart, "ro.today").value == pytest.approx(12, abs=0.51)
    assert last(heart, "ro.starts").value == 24
    assert last(heart, "ro.starts").level == Level.GOOD
    assert of(heart, "ro.starts")[60].level == Level.UNCERTAIN  # no day is known yet


def test_hours_begin_anew_with_an_event_of_a_sump(tmp_path: Path) -> None:
    heart = shop(tmp_path, RUN + 'since = "clean-out"\nsump = "m01"\n', ro_run="contact")
    heart.see(*(sample("ro.run", n, 1.0) for n in range(0, 121, 5)))
    heart.see(done(120, "clean-out", "m01"), sample("ro.run", 126, 1.0))
    assert last(heart, "ro.hours").value == pytest.approx(0.1)


FLOW = '[[derived]]\nkind = "counted-flow"\nid = "in.flow"\ncounter = "in.total"\n'


def counted(heart: Heart, shown: list[float], first: int = 0) -> list[float]:
    heart.see(*(sample("in.total", first + n, v) for n, v in enumerate(shown)))
    return [round(reading.value, 3) for reading in of(heart, "in.flow")][-len(shown) :]


def test_a_fine_counter_tells_the_flow_of_each_interval_and_its_end_at_once(tmp_path: Path) -> None:
    heart = shop(tmp_path, FLOW, in_total="volume")
    assert counted(heart, [0, 5, 11, 15, 15, 15, 20.5]) == [0, 5, 6, 4, 0, 0, 5.5]


def test_a_coarse_pulse_holds_the_flow_until_two_steps_were_due(tmp_path: Path) -> None:
    pulse = 'volume;unit = "pulse"\ncounter = { pulse_volume = "10 L" }\nresolution = 1'
    heart = shop(tmp_path, FLOW, in_total=pulse)
    # 5 L/min: a pulse every two minutes, read every minute
    running = counted(heart, [0, 0, 1, 1, 2, 2, 3, 3, 4])
    assert running[4:] == [5, 5, 5, 5, 5]
    assert of(heart, "in.flow")[2].reasons == Reason.INPUT_UNCERTAIN  # one step from rest says little
    assert of(heart, "in.flow")[4].reasons == Reason.NONE
    assert counted(heart, [4, 4, 4, 4, 4, 4], 9) == [5, 5, 3.333, 2.5, 0, 0]


def test_a_pulse_meter_opens_the_gate_of_a_probe(tmp_path: Path) -> None:
    gate = 'conductivity;gate = { flow = "in.flow", above = "0.5 L/min", litres = "10 L", minutes = "1 h" }'
    heart = shop(tmp_path, FLOW, in_total="volume", out_ec=gate)
    standings = []
    for minute, total in enumerate((0, 0, 5, 10, 15, 20, 20, 20)):
        heart.see(sample("in.total", minute, total))
        standings.append(heart.reading(sample("out.ec", minute + 0.5, 8.0)).standing.name)
    # 10 L since it began to run, at 5 L/min from minute 2 on; closed again at the first standstill
    assert standings == ["GATED"] * 4 + ["JUDGED"] * 2 + ["GATED"] * 2
