"""One voice: what is told of an alarm that chatters, gets worse, is kept back, or is not acknowledged."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from monitor import checkpoint
from monitor.config import RULES, ConfigMistakes
from monitor.notify.message import compose
from monitor.plant.message_ids import message_id
from monitor.readings import AlarmState, Event, OperatorAction, Owed, Status, Transition
from monitor.replay.stream import replayed
from monitor.store import reader
from monitor.watch import Watch
from tests.heart.shop import MINUTE, SITE, START_MS, Heart, acknowledge, di, sample, site, tick
from tests.heart.stored import StoredWatch, parts_of

WORSE = 'deadband = "4 uS/cm"\nworse = "40 uS/cm"'
FAULT = '\n[[rule]]\nkind = "instrument"\nid = "instruments"\n'
RUDE = '\n[alarms]\nremind_high = "1 h"\nremind_longest = "5 h"\n'


def shop(folder: Path, more: str = "", **changed: str) -> Heart:
    """The small train with something more in its site file, or something else in it."""
    text = SITE + more
    for was, now in sorted(changed.items(), reverse=True):
        text = text.replace({"deadband": 'deadband = "4 uS/cm"', "priority": 'priority = "high"\n'}[was], now)
    return Heart(site(folder, text))


def person(
    minute: float, action: Any, target: str = "di-high", hours: float = 0, **more: Any
) -> OperatorAction:
    now_ms = START_MS + round(minute * MINUTE)
    until_ms = now_ms + round(hours * 60 * MINUTE) if hours else 0
    return OperatorAction(now_ms, action, target, "lead", "a reason", until_ms=until_ms, **more)


def told(heart: Heart) -> list[str]:
    """What the lead was told of `di-high`: cause and minute."""
    owed = {notice.transition for notice in heart.effects.notices if notice.person == "lead"}
    about = [t for t in heart.transitions if t.key in owed and t.condition == "di-high"]
    return [f"{t.cause} {(t.time_ms - START_MS) / MINUTE:g}" for t in about]


def swing(minute: int) -> list[Event]:
    """Six minutes too high, then six well: raised and returned once."""
    return di([(minute + n, 25) for n in range(6)] + [(minute + 6 + n, 5) for n in range(6)])


def text_of(heart: Heart, transition: Transition) -> str:
    """The message the lead gets of a transition."""
    notice = next(n for n in heart.effects.notices if n.transition == transition.key)
    owed = Owed(1, message_id(notice, "shop"), notice, transition, 0, START_MS)
    words = {kind: module.wording for kind, module in RULES.items()}
    made = compose(owed, heart.plant, words, site_file="site.toml", now_ms=START_MS)
    return f"{made.subject}\n{made.text}"


# ---- chattering


def test_the_third_alarm_within_an_hour_is_told_as_chattering_and_then_nothing_more(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    for minute in range(0, 120, 12):
        heart.see(*swing(minute))
    # The on-delay counts from the reading that confirms the step.
    assert told(heart) == ["raised 2", "returned 10", "raised 15", "returned 22", "chattering 27"]
    assert heart.state.alarms["di-high"].state is AlarmState.LATCHED_UNACKNOWLEDGED


def test_its_message_says_how_often_and_what_to_look_at(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*swing(0), *swing(12), *swing(24))
    text = text_of(heart, heart.transitions[-1])
    assert text.startswith("High, chattering: DI outlet: conductivity 25.0 µS/cm")
    assert "3 times within 1 h" in text and "loose plug" in text


def test_a_chattering_alarm_is_over_after_a_day_of_calm(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*swing(0), *swing(12), *swing(24), acknowledge(40, "di-high"))
    heart.see(*di([(100 + n * 60, 5) for n in range(23)]))
    assert told(heart)[-1] == "chattering 27"
    heart.see(*di([(1500, 5)]))
    assert told(heart)[-1] == "returned 1500"
    assert heart.state.alarms["di-high"].state is AlarmState.NORMAL


def test_a_chattering_alarm_that_stands_for_a_day_is_told_as_one_that_stands(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*swing(0), *swing(12), *di([(24, 25), (25, 25), (27, 25), (28, 25)]))
    heart.see(acknowledge(40, "di-high"), *di([(100 + n * 60, 25) for n in range(25)]))
    assert told(heart)[-1] == "raised 1480"
    assert heart.state.alarms["di-high"].state is AlarmState.UNACKNOWLEDGED


def test_a_chattering_alarm_may_be_reset_once_it_is_acknowledged_and_gone(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*swing(0), *swing(12), *swing(24))
    refused = heart.see(person(40, "reset"))
    assert [count.what for count in refused.counts] == ["nothing-to-reset"]
    heart.see(acknowledge(41, "di-high"), person(42, "reset"))
    assert heart.state.alarms["di-high"].state is AlarmState.NORMAL
    heart.see(*swing(60))
    assert told(heart)[-2:] == ["raised 62", "returned 70"]


def test_alarms_that_come_once_in_a_while_do_not_chatter(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    for minute in range(0, 400, 40):
        heart.see(*swing(minute))
    assert {line.split()[0] for line in told(heart)} == {"raised", "returned"}


# ---- worse


def test_an_acknowledged_alarm_that_gets_worse_speaks_again_at_once_and_only_once(tmp_path: Path) -> None:
    heart = shop(tmp_path, deadband=WORSE)
    heart.see(*di([(0, 25), (2, 25)]), acknowledge(3, "di-high"), *di([(4, 30), (5, 39)]))
    assert told(heart) == ["raised 2"]
    heart.see(*di([(6, 41), (7, 41), (8, 38), (9, 41), (10, 60)]))
    assert told(heart) == ["raised 2", "worse 6"]
    assert heart.state.alarms["di-high"].state is AlarmState.UNACKNOWLEDGED
    assert text_of(heart, heart.transitions[-1]).startswith("High, worse: DI outlet: conductivity 41.0 µS/cm")


def test_a_condition_may_have_a_priority_of_its_own_and_those_who_want_it_are_told(tmp_path: Path) -> None:
    heart = shop(tmp_path, deadband=WORSE + '\nworse_priority = "high"', priority='priority = "medium"\n')
    heart.see(*di([(0, 25), (2, 25)]))
    assert {n.person for n in heart.effects.notices} == {"lead"}
    worse = heart.see(*di([(3, 41), (4, 41)]))
    assert {n.person for n in worse.notices} == {"lead", "deputy"}
    back = heart.see(*di([(5, 5), (6, 5), (10, 5)]))
    assert {n.person for n in back.notices} == {"lead", "deputy"}  # who was told of it hears its end


def test_a_shelf_hides_what_got_worse_but_not_what_got_a_higher_priority(tmp_path: Path) -> None:
    same = shop(tmp_path, deadband=WORSE)
    same.see(*di([(0, 25), (2, 25)]), person(3, "shelve", hours=8), *di([(4, 41), (5, 41)]))
    assert told(same) == ["raised 2"]
    assert same.story("di-high")[-1] == ("worse", 5)  # stored all the same
    higher = shop(tmp_path, deadband=WORSE + '\nworse_priority = "high"', priority='priority = "medium"\n')
    higher.see(*di([(0, 25), (2, 25)]), person(3, "shelve", hours=8), *di([(4, 41), (5, 41)]))
    assert told(higher) == ["raised 2", "worse 5"]
    assert higher.state.alarms["di-high"].shelf is None


@pytest.mark.parametrize(
    ("key", "said"),
    [('worse = "15 uS/cm"', "worse must lie above the limit"), ('worse_priority = "high"', "needs `worse`")],
)
def test_a_second_limit_that_makes_no_sense_is_refused(tmp_path: Path, key: str, said: str) -> None:
    with pytest.raises(ConfigMistakes, match=said):
        shop(tmp_path, deadband=key)


# ---- shelved and out of service


def test_a_shelf_ends_by_itself_and_what_is_still_there_speaks(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*di([(0, 25), (2, 25)]), person(3, "shelve", hours=2))
    last = heart.transitions[-1]
    assert (last.state, last.beneath) == (AlarmState.SHELVED, AlarmState.UNACKNOWLEDGED)
    assert last.silence is not None and (last.silence.by, last.silence.why) == ("lead", "a reason")
    heart.see(*(tick(minute) for minute in range(4, 125)))
    assert told(heart) == ["raised 2", "unshelved 123"]


def test_no_shelf_is_without_an_end(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*di([(0, 25), (2, 25)]))
    refused = heart.see(person(3, "shelve"))
    assert [count.what for count in refused.counts] == ["shelf-without-end"]
    heart.see(person(4, "shelve", hours=24 * 400))
    shelf = heart.state.alarms["di-high"].shelf
    assert shelf is not None and shelf.until_ms - shelf.since_ms == 7 * 1440 * MINUTE


def test_a_shelf_put_up_by_a_clock_that_ran_ahead_ends_when_the_clock_is_right(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*di([(0, 25), (2, 25)]), person(60 * 24 * 300, "shelve", hours=10), tick(5))
    assert heart.state.alarms["di-high"].shelf is None


def test_maintenance_of_a_stage_keeps_back_what_is_measured_after_it(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(person(0, "out-of-service", "di", hours=2), *di([(1, 25), (3, 25)]))
    heart.see(sample("ro.ec", 4, 5.0, time_ms=START_MS + 4 * MINUTE))
    assert told(heart) == []
    raised = heart.transitions[-1]
    assert (raised.cause, raised.state) == ("raised", AlarmState.OUT_OF_SERVICE)
    heart.see(person(5, "in-service", "di"))
    assert told(heart) == ["in-service 5"]
    assert "back in service and still there" in text_of(heart, heart.transitions[-1])


def test_maintenance_that_is_forgotten_ends(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*di([(0, 25), (2, 25)]), person(3, "out-of-service", "di-meter", hours=1))
    heart.see(*(tick(minute) for minute in range(4, 64)))
    assert told(heart) == ["raised 2", "in-service 63"]
    assert heart.state.windows == {}


# ---- suppressed by design


def test_an_instrument_fault_silences_what_rests_on_it_and_says_so(tmp_path: Path) -> None:
    heart = shop(tmp_path, FAULT)
    heart.see(*di([(0, 25), (2, 25)]))
    heart.see(*(sample("di.ec", m, 0.0, status=Status.DEVICE_FAULT) for m in (3, 4)))
    fault, suppressed = heart.transitions[-2:]
    assert fault.condition == "instruments/fault/di.ec" and fault.evidence["silences"] == ["di-high"]
    assert "Silent meanwhile  di-high" in text_of(heart, fault)
    assert (suppressed.state, suppressed.beneath) == (AlarmState.SUPPRESSED, AlarmState.UNACKNOWLEDGED)
    assert suppressed.silence is not None and suppressed.silence.by == fault.condition
    assert told(heart) == ["raised 2"]
    heart.see(*di([(5, 25), (6, 25)]))
    assert told(heart) == ["raised 2", "unsuppressed 5"]


def test_over_range_in_the_dangerous_direction_is_never_suppressed(tmp_path: Path) -> None:
    slow = FAULT + 'off_delay = "30 min"\n'
    heart = shop(tmp_path, slow)
    heart.see(*(sample("di.ec", m, 0.0, status=Status.DEVICE_FAULT) for m in (0, 1)))
    heart.see(*di([(2, 25), (3, 25), (5, 25)]))
    assert heart.state.alarms["di-high"].shown is AlarmState.SUPPRESSED
    assert told(heart) == []
    heart.see(*di([(6, 200)]))
    assert told(heart) == ["unsuppressed 6"]


def test_a_fault_of_one_instrument_silences_no_other(tmp_path: Path) -> None:
    heart = shop(tmp_path, FAULT)
    heart.see(*(sample("ro.ec", m, 0.0, status=Status.DEVICE_FAULT) for m in (0, 1)))
    heart.see(*di([(2, 25), (4, 25)]))
    assert told(heart) == ["raised 4"]


CONTACT = """
[[instrument]]
id = "di-pump"
point = "permeate"
expected_interval = "1 min"
wire = { kind = "mqtt", broker = "hall", topic = "di/run", payload = { kind = "number" } }

[[instrument.channel]]
id = "di.run"
quantity = "contact"
unit = "1"
range = [0, 1]
resolution = 1
"""


@pytest.fixture
def with_contact(tmp_path: Path) -> Heart:
    text = SITE.replace('kind = "di"\n', 'kind = "di"\nrunning = "di.run"\n')
    return Heart(site(tmp_path, text + CONTACT))


def runs(minutes: range, value: float) -> list[Event]:
    return [sample("di.run", minute, value) for minute in minutes]


def test_a_stage_that_is_off_silences_what_is_measured_there_until_it_has_run_a_while(
    with_contact: Heart,
) -> None:
    heart = with_contact
    heart.see(*runs(range(3), 0), *di([(3, 25), (4, 25), (6, 25)]))
    stored = heart.transitions[-1]
    assert (stored.cause, stored.state) == ("raised", AlarmState.SUPPRESSED)
    assert stored.silence is not None and stored.silence.by == "di"
    heart.see(*runs(range(7, 9), 1), tick(9), tick(10), tick(11))
    assert told(heart) == []
    heart.see(tick(12))
    assert told(heart) == ["unsuppressed 12"]


def test_the_silence_of_its_instruments_is_told_all_the_same(with_contact: Heart) -> None:
    with_contact.see(*(event for m in range(20) for event in (sample("di.run", m, 0), tick(m))))
    assert "silent/di-meter" in {t.condition for t in with_contact.transitions if t.state == "unacknowledged"}


def test_a_contact_that_is_silent_no_longer_says_that_its_stage_is_off(with_contact: Heart) -> None:
    heart = with_contact
    heart.see(*runs(range(2), 0), *di([(3, 25), (4, 25), (6, 25)]), tick(10), tick(11))
    assert told(heart) == []
    heart.see(tick(12))
    assert told(heart) == ["unsuppressed 12"]


# ---- reminders


def test_reminders_grow_apart_and_end_with_the_acknowledgement(tmp_path: Path) -> None:
    heart = shop(tmp_path, RUDE)
    heart.see(*di([(0, 25), (2, 25)]), *(tick(minute) for minute in range(3, 1000)))
    assert told(heart) == ["raised 2", "reminder 62", "reminder 182", "reminder 422", "reminder 722"]
    assert "still not acknowledged" in text_of(heart, heart.transitions[-1])
    heart.see(acknowledge(1000, "di-high"), *(tick(minute) for minute in range(1001, 2000)))
    assert told(heart)[-1] == "reminder 722"


def test_without_the_table_nobody_is_reminded(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*di([(0, 25), (2, 25)]), *(tick(minute) for minute in range(3, 1500)))
    assert told(heart) == ["raised 2"]


def test_a_stored_stream_judged_again_gives_the_same_transitions(tmp_path: Path) -> None:
    made = site(tmp_path, SITE + FAULT + RUDE)
    stored = StoredWatch(made, made.data_dir)
    stored.commit([tick(0), *di([(0, 25), (2, 25)]), person(3, "shelve", hours=0.1, once=True)])
    stored.commit([tick(5), *(sample("di.ec", m, 0.0, status=Status.DEVICE_FAULT) for m in (5, 6))])
    stored.commit([person(7, "out-of-service", "ro", hours=1), *di([(8, 25), (9, 25)]), tick(10)])
    stored.commit([*(tick(minute) for minute in range(11, 100)), person(100, "in-service", "ro")])
    kept = [t for _, t in reader.transitions(stored.writer.connection)]
    assert {t.cause for t in kept} >= {"shelved", "suppressed", "unshelved", "unsuppressed", "reminder"}
    again = replayed(Watch(made.plant, made.rules), reader.stream(stored.writer.connection))
    assert again == kept


def test_an_alarm_as_earlier_versions_stored_it_is_read(tmp_path: Path) -> None:
    heart = shop(tmp_path)
    heart.see(*di([(0, 25), (2, 25)]))
    parts = parts_of(heart.state, heart.watch)
    earlier = '{"state":"acknowledged","occurrence":3,"step":2,"holds":true,"changed_ms":5,"since_ms":4,'
    earlier += '"priority":"high","rule_kind":"limit","subject":"di.ec","confidence":0.9,"evidence":{}}'
    found = checkpoint.stored({**parts, "alarm:di-high": (1, earlier)}, heart.watch)
    assert found.lost == ()
    assert (found.alarms["di-high"].state, found.alarms["di-high"].occurrence) == ("acknowledged", 3)
