"""When a value counts as one of the water being made: short runs, dead flow meters, no signal at all."""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.commands.replay import replayed
from monitor.config import ConfigMistakes, SiteFile
from monitor.readings import Event, Level, Reading, Reason, Standing, Transition
from monitor.watch import Effects, Watch, WatchState
from tests.heart.shop import MINUTE, START_MS, Heart, sample, site, tick
from tests.heart.stored import through_the_store
from tests.heart.water_made import GATE, days, shop, text


def permeate(heart: Heart, events: Iterable[Event]) -> list[Reading]:
    """What becomes of the permeate's values, those judged afterwards included, in the order of judgement."""
    found: list[Reading] = []
    for event in events:
        effects = heart.see(event)
        found += [r for _, r in effects.readings if r.channel == "ro.ec"]
        found += [r for r in effects.again if r.channel == "ro.ec"]
    return found


def judged(readings: Iterable[Reading]) -> list[Reading]:
    return [reading for reading in readings if reading.standing == Standing.JUDGED]


def run(begin: float, minutes: float, values: Iterable[float], flow: float = 2.0) -> Iterator[Event]:
    """A run of so many minutes with these values evenly in it, a standing value a minute before and after."""
    values = list(values)
    yield sample("ro.flow", begin - 1, 0.0)
    yield sample("ro.ec", begin - 0.9, 60.0)
    yield sample("ro.flow", begin, flow)
    for n, value in enumerate(values):
        yield sample("ro.ec", begin + minutes * (n + 0.5) / len(values), value)
        yield sample("ro.flow", begin + minutes * (n + 0.9) / len(values), flow)
    yield sample("ro.flow", begin + minutes, 0.0)
    yield sample("ro.ec", begin + minutes + 1, 60.0)


# ---------------------------------------------------------------- short runs


def test_a_run_too_short_for_its_gate_is_judged_by_the_middle_of_its_last_third(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    readings = permeate(heart, run(10, 2.0, [50, 40, 30, 20, 12, 10, 9, 8, 8.5]))
    (one,) = judged(readings)
    assert (one.value, one.reasons, one.level) == (8.5, Reason.AFTERWARDS, Level.UNCERTAIN)
    assert one.time_ms < START_MS + 12 * MINUTE
    assert next(r for r in readings if r.time_ms == one.time_ms).standing == Standing.GATED  # when it came


def test_a_run_that_opens_its_gate_is_judged_as_it_runs_and_only_so(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    found = judged(permeate(heart, run(10, 6.0, [50, 30, 10, 9, 8, 8])))
    assert [r.value for r in found] == [9, 8, 8]
    assert all(r.level == Level.GOOD for r in found)


@pytest.mark.parametrize(("minutes", "flow", "n"), [(0.5, 2.0, 0), (0.5, 9.0, 1), (0.8, 2.0, 1)])
def test_what_washed_less_than_a_quarter_of_the_gate_is_no_run(
    tmp_path: Path, minutes: float, flow: float, n: int
) -> None:
    heart = shop(tmp_path)
    assert len(judged(permeate(heart, run(10, minutes, [20, 10, 9, 9], flow)))) == n


def test_a_limit_sees_short_runs(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    for hour in range(3):
        heart.see(*run(60 * hour, 2.0, [90, 80, 60, 45, 41, 40]))
    (raised,) = [t for t in heart.transitions if t.condition == "ro-high"]
    assert raised.evidence["value"] == pytest.approx(40, abs=1)
    assert raised.confidence <= 0.7


def test_what_is_judged_afterwards_is_no_new_sign_of_life(tmp_path: Path) -> None:
    heart = shop(tmp_path, rules='\n[[rule]]\nkind = "stuck"\nid = "stuck"\n')
    heart.see(*run(10, 2.0, [50, 40, 30, 20, 12, 10, 9, 8, 8.5]))
    assert heart.state.rules["silent"].last_ms["ro.ec"] == START_MS + 13 * MINUTE
    assert heart.state.rules["stuck"].runs["ro.ec"].raw == 60.0


def test_a_value_beyond_its_range_in_a_short_run_is_still_a_bound(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    (one,) = judged(permeate(heart, run(10, 2.0, [200.0] * 6)))
    assert one.reasons & Reason.OVER_RANGE and one.bound.name == "AT_LEAST"
    assert heart.transitions[0].condition == "ro-high"


def test_little_is_kept_of_a_run_however_quickly_the_probe_speaks(tmp_path: Path) -> None:
    heart = shop(tmp_path, GATE.replace('litres = "10 L", minutes = "3 min"', 'minutes = "60 min"'))
    for second in range(0, 3000, 5):
        heart.see(sample("ro.flow", second / 60, 2.0), sample("ro.ec", second / 60, 9.0 + second / 1e4))
    state = heart.state.channels["ro.ec"].gate
    assert state is not None and 10 <= len(state.kept) <= 17


# ---------------------------------------------------------------- a flow meter that stands at zero

RUNNING = GATE.replace(" }", ', running = "ro.run" }')
TANK = GATE.replace(" }", ', tank = "tank.level" }')
CREEP_AND_BED = """
[[rule]]
kind = "creep"
id = "creep"
permeate = "ro.ec"
limit = "60 uS/cm"
learn = "7 days"

[[rule]]
kind = "breakthrough"
id = "bed"
outlet = "di.ec"
inlet = "ro.ec"
flow = "ro.flow"
resin = "10 L"
"""


def first_raised(heart: Heart, condition: str) -> float | None:
    return next((at / 1440 for cause, at in heart.story(condition) if cause == "raised"), None)


def both(folder: Path, gate: str) -> Heart:
    """A shop where the RO's and the bed's probe go by this gate, under creep and breakthrough."""
    plain = text(gate, CREEP_AND_BED)
    return Heart(
        site(
            folder,
            plain.replace(
                'accuracy = { absolute = "1 uS/cm" }', f'accuracy = {{ absolute = "0.1 uS/cm" }}\n{gate}'
            ),
        )
    )


@pytest.mark.parametrize("gate", [RUNNING, GATE], ids=["contact", "conductivity"])
def test_a_meter_that_reads_zero_silences_neither_creep_nor_breakthrough(tmp_path: Path, gate: str) -> None:
    heart = both(tmp_path, gate)
    heart.see(*days(0, 9, 10.0))
    assert heart.transitions == []
    # The meter dies, and some days later the membrane tears and the bed is spent.
    heart.see(*days(9, 13, 10.0, dead=True), *days(13, 16, 75.0, di=120.0, dead=True))
    creep, discharge = first_raised(heart, "creep"), first_raised(heart, "bed/discharge")
    assert creep is not None and 13 < creep <= 16
    assert discharge is not None and 13 < discharge <= 16
    flows = [
        r for _, r in heart.effects.readings if r.channel == "ro.flow" and r.reasons & Reason.CONTRADICTED
    ]
    assert flows and all(r.level == Level.BAD for r in flows)
    assert (flows[0].time_ms - START_MS) / MINUTE / 1440 < 11


def test_a_tank_that_rises_shows_a_dead_meter_within_a_day(tmp_path: Path) -> None:
    heart = shop(tmp_path, TANK)
    heart.see(*days(0, 1, 10.0))
    flows = [r for _, r in heart.effects.readings if r.channel == "ro.flow"]
    assert not any(r.reasons & Reason.CONTRADICTED for r in flows)
    heart.see(*(event for event in days(1, 2, 10.0, dead=True) if getattr(event, "channel", "") != "ro.ec"))
    flows = [r for _, r in heart.effects.readings if r.channel == "ro.flow"]
    assert flows[-1].reasons & Reason.CONTRADICTED


def test_with_a_contact_the_meter_is_found_out_in_its_first_run_and_only_running_water_is_judged(
    tmp_path: Path,
) -> None:
    heart = shop(tmp_path, RUNNING)
    heart.see(*days(0, 1, 10.0))
    found = judged(permeate(heart, days(1, 3, 10.0, dead=True)))
    assert found[0].time_ms < START_MS + (1440 + 2 * 60 + 15) * MINUTE
    assert all(r.reasons & Reason.BY_TIME for r in found)
    assert max(r.value for r in found) < 20.0  # standing water reads 60
    assert len(found) > 60


def test_by_the_course_of_the_probe_only_running_water_is_judged(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*days(0, 1, 10.0), *days(1, 3, 10.0, dead=True))
    found = judged(permeate(heart, days(3, 5, 10.0, dead=True)))
    assert len(found) > 60
    assert max(r.value for r in found) < 16.0
    assert all(r.reasons & Reason.BY_TIME for r in found)


def test_a_meter_is_believed_again_when_it_shows_flow(tmp_path: Path) -> None:
    heart = shop(tmp_path, RUNNING)
    heart.see(*days(0, 1, 10.0), *days(1, 2, 10.0, dead=True))
    found = judged(permeate(heart, days(2, 3, 10.0)))
    assert len(found) > 30 and not any(r.reasons & Reason.BY_TIME for r in found)


def test_a_sound_meter_is_never_contradicted(tmp_path: Path) -> None:
    heart = shop(tmp_path, RUNNING.replace(" }", ', tank = "tank.level" }'))
    heart.see(*days(0, 4, 10.0))
    assert not any(r.reasons & Reason.CONTRADICTED for _, r in heart.effects.readings)


def test_a_contact_that_closes_just_before_water_runs_contradicts_nothing(tmp_path: Path) -> None:
    heart = shop(tmp_path, RUNNING)
    for start in range(0, 2000, 20):
        for minute in range(20):
            runs = minute < 8
            heart.see(sample("ro.flow", start + minute, 4.0 if 1 < minute < 8 else 0.0))
            heart.see(sample("ro.run", start + minute + 0.5, float(runs)))
    assert not any(r.reasons & Reason.CONTRADICTED for _, r in heart.effects.readings)


def test_a_silent_meter_is_replaced_by_the_contact(tmp_path: Path) -> None:
    heart = shop(tmp_path, RUNNING)
    heart.see(*days(0, 1, 10.0))
    found = judged(permeate(heart, (e for e in days(1, 2, 10.0) if getattr(e, "channel", "") != "ro.flow")))
    assert found and all(r.reasons & Reason.BY_TIME for r in found)
    assert max(r.value for r in found) < 20.0


# ---------------------------------------------------------------- no signal at all


def test_without_a_signal_the_value_is_judged_after_its_decay_and_is_uncertain(tmp_path: Path) -> None:
    heart = shop(tmp_path, 'gate = { minutes = "4 min" }')
    found = judged(permeate(heart, days(0, 3, 10.0)))
    assert len(found) > 100
    assert max(r.value for r in found) < 16.0
    assert all(r.level == Level.UNCERTAIN for r in found)


def test_without_a_signal_or_a_decay_the_lowest_tenth_of_the_day_is_judged_when_it_is_over(
    tmp_path: Path,
) -> None:
    heart = shop(tmp_path, "gate = {}")
    chance = random.Random(1)
    events = [sample("ro.ec", minute, round(20 + chance.uniform(-2, 2), 1)) for minute in range(3000)]
    found = judged(permeate(heart, events))
    assert len(found) == 6 + 8 and max(r.value for r in found) < 18.5
    assert [r.time_ms for r in found] == sorted(r.time_ms for r in found)
    assert all(r.reasons == Reason.AFTERWARDS | Reason.GATE_UNKNOWN for r in found)
    # Vienna's midnight is 22:00 UTC, sixteen hours after the start.
    assert found[5].time_ms < START_MS + 16 * 60 * MINUTE <= found[6].time_ms


def test_dropouts_are_not_the_lowest_tenth(tmp_path: Path) -> None:
    heart = shop(tmp_path, "gate = {}")
    events = [sample("ro.ec", m, 0.0 if m % 500 == 0 else 20.0 + m % 7 / 10) for m in range(1500)]
    assert min(r.value for r in judged(permeate(heart, events))) >= 20.0


def test_a_days_breach_without_any_signal_is_told_by_the_next_morning(tmp_path: Path) -> None:
    heart = shop(tmp_path, "gate = {}")
    heart.see(*days(0, 3, 10.0), *days(3, 6, 45.0))
    raised = first_raised(heart, "ro-high")
    assert raised is not None and 3 < raised <= 4


def test_a_gate_without_a_signal_is_refused_where_the_value_itself_tells_nothing(tmp_path: Path) -> None:
    bad = text().replace('id = "ro.t"\n', 'id = "ro.t"\ngate = { minutes = "3 min" }\n')
    with pytest.raises(ConfigMistakes, match="only conductivity, tds, resistivity"):
        site(tmp_path, bad)


def test_a_witness_without_a_meter_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigMistakes, match="A contact alone is named as flow"):
        site(tmp_path, text('gate = { running = "ro.run" }'))


# ---------------------------------------------------------------- the same however it is cut


@pytest.fixture(scope="module")
def gated(tmp_path_factory: pytest.TempPathFactory) -> SiteFile:
    gate = 'gate = { flow = "ro.flow", running = "ro.run", tank = "tank.level", minutes = "3 min" }'
    shop_text = text(gate).replace('accuracy = { absolute = "1 uS/cm" }', "gate = {}")
    return site(tmp_path_factory.mktemp("gated"), shop_text)


@st.composite
def streams(draw: st.DrawFn) -> list[Event]:
    """Hours of runs, short and long, with meters that die and come back, and stamps that go astray."""
    events: list[Event] = []
    now, dead, runs = 0.0, False, False
    for _ in range(draw(st.integers(10, 80))):
        now += draw(st.sampled_from([0.2, 0.5, 1.0, 3.0, 20.0, 700.0]))
        match draw(st.integers(0, 9)):
            case 0:
                runs = not runs
            case 1:
                dead = not dead
            case 2:
                events.append(tick(int(now)))
            case 3 | 4:
                events.append(sample("ro.flow", now, 4.0 if runs and not dead else 0.0))
            case 5:
                events.append(sample("ro.run", now, float(runs)))
            case 6:
                events.append(sample("tank.level", now, draw(st.sampled_from([400.0, 430.0, 460.0]))))
            case 7:
                events.append(sample("di.ec", now, draw(st.sampled_from([0.5, 9.0, 25.0, 200.0]))))
            case _:
                late = draw(st.sampled_from([0.0, 0.0, -600.0, 9.0]))
                value = draw(st.sampled_from([8.0, 9.0, 35.0, 60.0, 200.0, -9.0]))
                events.append(sample("ro.ec", now, value, time_ms=START_MS + round((now + late) * MINUTE)))
    return events


def judgements(shop: SiteFile, events: list[Event], cuts: list[int]) -> tuple[list[object], WatchState]:
    """Judged in batches; the state goes through the store's form between them."""
    watch, state = Watch(shop.plant, shop.rules), WatchState()
    found: list[object] = []
    for begin, end in zip([0, *cuts], [*cuts, len(events)], strict=True):
        effects = Effects()
        state = watch.run(state, events[begin:end], effects)
        found += [*effects.transitions, *effects.again]
        state, lost = through_the_store(state, watch)
        assert lost == []
    return found, state


@settings(max_examples=60, deadline=None)
@given(events=streams(), data=st.data())
def test_however_the_stream_is_cut_the_same_is_judged(
    gated: SiteFile, events: list[Event], data: st.DataObject
) -> None:
    cuts = sorted(data.draw(st.lists(st.integers(0, len(events)), max_size=8)))
    whole, state = judgements(gated, events, [])
    pieces, cut_state = judgements(gated, events, cuts)
    assert sorted(map(str, pieces)) == sorted(map(str, whole))
    assert cut_state == state
    assert state.failed == {}
    transitions = [t for t in whole if isinstance(t, tuple) and isinstance(t[1], Transition)]
    assert [t for _, t in transitions] == replayed(Watch(gated.plant, gated.rules), events)
