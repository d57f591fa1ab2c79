"""The lifecycle of an alarm, held against the standards' own tables (`standards.py`), through a real store.

The alarm is that of a whole watch: its condition is a reading, what people do is an event, an instrument
fault is another rule's alarm. Between any two steps the watch may be killed and begin again from its store.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import ClassVar

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from monitor.config import SiteFile
from monitor.readings import AlarmState, Event, Finding, OperatorAction, Reading, Tick, Transition
from monitor.rules.rule import Rule, RuleSettings
from tests.heart.shop import MINUTE, SITE, START_MS, sample, site, tick
from tests.heart.standards import LATCHED, PLAIN, SHELVING, Model
from tests.heart.stored import StoredWatch

HOUR = 60
STATES = {
    "A normal": AlarmState.NORMAL,
    "B unacknowledged": AlarmState.UNACKNOWLEDGED,
    "C acknowledged": AlarmState.ACKNOWLEDGED,
    "D returned unacknowledged": AlarmState.RETURNED,
    "E latched unacknowledged": AlarmState.LATCHED_UNACKNOWLEDGED,
    "F latched acknowledged": AlarmState.LATCHED_ACKNOWLEDGED,
}


@dataclass(frozen=True, slots=True)
class _Nothing:
    """The memory of a rule that has none."""

    version: ClassVar[int] = 1


class Says:
    """A rule whose condition holds while its channel reads more than 10."""

    kind = "limit"
    remembers_days = 1

    def __init__(self, name: str, channel: str, distrusts: tuple[str, ...] = ()) -> None:
        self.settings = RuleSettings(id=name)
        self.channels = frozenset({channel})
        self.rests_on = frozenset() if distrusts else self.channels
        self._distrusts = distrusts

    def start(self) -> _Nothing:
        return _Nothing()

    def on_tick(self, state: _Nothing, tick: Tick) -> tuple[_Nothing, tuple[Finding, ...]]:
        return state, ()

    def on_reading(self, state: _Nothing, reading: Reading) -> tuple[_Nothing, tuple[Finding, ...]]:
        finding = Finding(
            condition=self.settings.id,
            subject=reading.channel,
            holds=reading.value > 10,
            time_ms=reading.time_ms,
            since_ms=reading.time_ms,
            confidence=0.9,
            evidence={"value": reading.value},
            distrusts=self._distrusts,
        )
        return state, (finding,)


def shop_with(folder: Path, *, latched: bool) -> SiteFile:
    """The small train with a rule `water` on the DI meter, and a `fault` that distrusts it."""
    text = SITE[: SITE.index("[[rule]]")] + SITE[SITE.index("[[person]]") :]
    text += '\n[[rule]]\nkind = "limit"\nid = "water"\nchannel = "di.ec"\nabove = "10 uS/cm"\n'
    found = site(folder, text + ('\n[alarms]\nlatched = ["water"]\n' if latched else ""))
    rules: tuple[Rule[_Nothing], ...] = (Says("water", "di.ec"), Says("fault", "ro.flow", ("di.ec",)))
    return replace(found, rules=rules)


@pytest.fixture(scope="module")
def shops(tmp_path_factory: pytest.TempPathFactory) -> dict[bool, tuple[SiteFile, Path]]:
    """Plain and latched, each with a store in which nothing has happened yet."""
    found = {}
    for latched in (False, True):
        folder = tmp_path_factory.mktemp("shop")
        shop = shop_with(folder, latched=latched)
        StoredWatch(shop, folder / "data").writer.close()
        found[latched] = (shop, folder / "data")
    return found


class AlarmMachine(RuleBasedStateMachine):
    """The watch beside the model; each step is two hours after the last, so that nothing chatters."""

    shops: ClassVar[dict[bool, tuple[SiteFile, Path]]]

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.minute = 0
        self.until: int | None = None
        self.maintained_until: int | None = None

    @initialize(latched=st.booleans())
    def begin(self, latched: bool) -> None:
        shop, empty = self.shops[latched]
        self.stored = StoredWatch(shop, Path(shutil.copytree(empty, Path(self.folder.name) / "data")))
        self.model = Model(latched)
        self.holds = self.faulty = False
        self.told: list[Transition] = []
        self._do(tick(0))

    def teardown(self) -> None:
        if hasattr(self, "stored"):
            self.stored.writer.close()
        self.folder.cleanup()

    def _do(self, *events: Event) -> None:
        effects = self.stored.commit(events)
        told = {notice.transition for notice in effects.notices}
        told |= {held.key for held in self.stored.state.flood.held}  # told in a minute: flood control
        self.told = [t for _, t in effects.transitions if t.key in told and t.condition == "water"]

    def _step(self, after: Model) -> None:
        self.before, self.model = self.model, after

    def _later(self) -> int:
        self.minute += 2 * HOUR
        return self.minute

    def _person(
        self, action: str, target: str = "water", hours: int = 0, once: bool = False
    ) -> OperatorAction:
        now = self._later()
        until_ms = START_MS + (now + hours * HOUR) * MINUTE if hours else 0
        return OperatorAction(
            START_MS + now * MINUTE,
            action,
            target,
            "lead",
            "a reason",
            until_ms=until_ms,
            once=once,  # type: ignore[arg-type]  # one of them
        )

    # ---- the process

    @rule()
    def condition_begins_or_ends(self) -> None:
        self.holds = not self.holds
        self._do(sample("di.ec", self._later(), 20.0 if self.holds else 5.0))
        what = "begins" if self.holds else "ends"
        self._step(self.model.said(what))  # type: ignore[arg-type]  # one of Said

    @rule()
    def the_condition_goes_on(self) -> None:
        self._do(sample("di.ec", self._later(), 21.0 if self.holds else 4.0))
        self._step(self.model)

    @rule()
    def instrument_fails_or_is_well_again(self) -> None:
        self.faulty = not self.faulty
        self._do(sample("ro.flow", self._later(), 15.0 if self.faulty else 5.0))
        self._step(self.model.suppress(on=self.faulty))

    # ---- people

    @rule()
    def acknowledge(self) -> None:
        self._do(self._person("acknowledge"))
        self._step(self.model.said("acknowledge"))

    @rule()
    def reset(self) -> None:
        self._do(self._person("reset"))
        self._step(self.model.said("reset"))

    @rule(hours=st.sampled_from([3, 9, 50]), once=st.booleans())
    def shelve(self, hours: int, once: bool) -> None:
        self._do(self._person("shelve", hours=hours, once=once))
        self.until = self.minute + hours * HOUR
        how = "one-shot" if once else "timed"
        self._step(self.model.shelve(how))

    @rule()
    def unshelve(self) -> None:
        self._do(self._person("unshelve"))
        self._step(self.model.shelve("unshelve"))

    @rule(covers=st.sampled_from(["water", "di.ec", "di-meter", "di"]), hours=st.sampled_from([5, 40]))
    @precondition(lambda self: not self.model.out_of_service)
    def take_out_of_service(self, covers: str, hours: int) -> None:
        self._do(self._person("out-of-service", covers, hours=hours))
        self.maintained, self.maintained_until = covers, self.minute + hours * HOUR
        self._step(self.model.service(out=True))

    @rule()
    @precondition(lambda self: self.model.out_of_service)
    def put_back_in_service(self) -> None:
        self._do(self._person("in-service", self.maintained))
        self._step(self.model.service(out=False))

    # ---- time, and the machine

    @rule()
    def a_minute_begins(self) -> None:
        self._do(tick(self._later()))
        after = self.model
        if (
            after.out_of_service
            and self.maintained_until is not None
            and self.minute >= self.maintained_until
        ):
            after = after.service(out=False)
        if after.shelving != "unshelved" and self.until is not None and self.minute >= self.until:
            after = after.shelve("expires")
        self._step(after)

    @rule()
    def killed(self) -> None:
        before = self.stored.state
        self.stored.kill()
        assert self.stored.state == before
        self.told = []
        self._step(self.model)

    # ---- the same by name, for walks that are written down

    @property
    def state(self) -> AlarmState:
        alarm = self.stored.state.alarms.get("water")
        return AlarmState.NORMAL if alarm is None else alarm.state

    def walk(self, *steps: str) -> None:
        """Go these steps, and look at everything after each."""
        for step in steps:
            self._go(step)
            self.the_alarm_is_what_the_standards_say()
            self.nobody_is_told_of_what_is_kept_back_and_everybody_of_what_begins()
            self.the_last_stored_transition_says_what_the_alarm_is()

    def _go(self, step: str) -> None:
        if step in ("begins", "ends"):
            if self.holds == (step == "begins"):
                return self.the_condition_goes_on()
            return self.condition_begins_or_ends()
        if step == "expires":
            self.minute += 60 * HOUR
        steps: dict[str, Callable[[], None]] = {
            "acknowledge": self.acknowledge,
            "reset": self.reset,
            "timed": lambda: self.shelve(9, once=False),
            "one-shot": lambda: self.shelve(9, once=True),
            "unshelve": self.unshelve,
            "fault": self.instrument_fails_or_is_well_again,
            "fault over": self.instrument_fails_or_is_well_again,
            "service": lambda: self.take_out_of_service("di", 40),
            "in service": self.put_back_in_service,
            "expires": self.a_minute_begins,
            "killed": self.killed,
        }
        return steps[step]()

    # ---- what is to be so

    @invariant()
    def the_alarm_is_what_the_standards_say(self) -> None:
        if not hasattr(self, "before"):
            return
        alarm, model = self.stored.state.alarms.get("water"), self.model
        state = AlarmState.NORMAL if alarm is None else alarm.state
        assert state is STATES[model.process]
        if alarm is None:
            return
        assert (alarm.shelf is not None) == (model.shelving != "unshelved")
        assert alarm.shelf is None or alarm.shelf.once == (model.shelving == "one-shot")
        if state is AlarmState.NORMAL:
            return  # what else would keep it back is in force once it is raised
        assert (alarm.suppression is not None) == model.suppressed
        assert (alarm.service is not None) == model.out_of_service

    @invariant()
    def nobody_is_told_of_what_is_kept_back_and_everybody_of_what_begins(self) -> None:
        if not hasattr(self, "before") or self.before is self.model:
            return
        if self.model.kept_back:
            assert self.told == []
        elif self.model.process == "B unacknowledged" and (
            self.before.kept_back or self.before.process != "B unacknowledged"
        ):
            assert [t.state for t in self.told] == [AlarmState.UNACKNOWLEDGED]

    @invariant()
    def the_last_stored_transition_says_what_the_alarm_is(self) -> None:
        if not hasattr(self, "before"):
            return
        rows = self.stored.writer.connection.execute(
            "select state, beneath, silence from transition where condition = 'water' "
            "order by id desc limit 1"
        ).fetchall()
        alarm = self.stored.state.alarms.get("water")
        for state, beneath, silence in rows:
            assert alarm is not None
            assert state == alarm.shown
            assert beneath == (alarm.state if alarm.silence else "")
            assert bool(silence) == (alarm.silence is not None)


def test_an_alarm_goes_as_the_standards_say_however_things_happen(
    shops: dict[bool, tuple[SiteFile, Path]],
) -> None:
    AlarmMachine.shops = shops
    run_state_machine_as_test(
        AlarmMachine,
        settings=settings(
            max_examples=30, stateful_step_count=40, deadline=None, suppress_health_check=list(HealthCheck)
        ),
    )


# What leads to each state of a plain alarm, and of a latched one.
TO = {
    "A normal": (),
    "B unacknowledged": ("begins",),
    "C acknowledged": ("begins", "acknowledge"),
    "D returned unacknowledged": ("begins", "ends"),
    "E latched unacknowledged": ("begins", "ends"),
    "F latched acknowledged": ("begins", "acknowledge", "ends"),
}
ROWS = [
    (latched, before, said, after)
    for latched, table in ((False, PLAIN), (True, LATCHED))
    for (before, said), after in table.items()
]
UNCHANGED = [
    (latched, before, said, before)
    for latched, table in ((False, PLAIN), (True, LATCHED))
    for before in sorted({state for pair, after in table.items() for state in (pair[0], after)})
    for said in ("acknowledge", "reset")
    if (before, said) not in table
]


@pytest.fixture
def machine(shops: dict[bool, tuple[SiteFile, Path]]) -> Iterator[Callable[[bool], AlarmMachine]]:
    made: list[AlarmMachine] = []

    def make(latched: bool) -> AlarmMachine:
        AlarmMachine.shops = shops
        made.append(AlarmMachine())
        made[-1].begin(latched)
        return made[-1]

    yield make
    for one in made:
        one.teardown()


@pytest.mark.parametrize(("latched", "before", "said", "after"), [*ROWS, *UNCHANGED])
def test_each_row_of_the_standards_table_is_gone_through(
    machine: Callable[[bool], AlarmMachine], latched: bool, before: str, said: str, after: str
) -> None:
    alarm = machine(latched)
    alarm.walk(*TO[before])
    assert alarm.state is STATES[before]
    alarm.walk(said)
    assert alarm.state is STATES[after]


@pytest.mark.parametrize("latched", [False, True])
@pytest.mark.parametrize("state", TO)
@pytest.mark.parametrize(
    ("enter", "leave"),
    [
        ("timed", "unshelve"),
        ("timed", "expires"),
        ("one-shot", "unshelve"),
        ("one-shot", "expires"),
        ("fault", "fault over"),
        ("service", "in service"),
        ("service", "expires"),
    ],
)
def test_from_each_state_an_alarm_is_kept_back_and_comes_forth_again(
    machine: Callable[[bool], AlarmMachine], latched: bool, state: str, enter: str, leave: str
) -> None:
    for between in ((), ("begins",), ("ends",), ("acknowledge",), ("killed",)):
        alarm = machine(latched)
        alarm.walk(*TO[state], enter, *between, leave)
        assert not alarm.model.kept_back


@pytest.mark.parametrize(("before", "how"), SHELVING)
def test_each_transition_of_the_shelf_is_gone_through(
    machine: Callable[[bool], AlarmMachine], before: str, how: str
) -> None:
    alarm = machine(False)
    alarm.walk("begins", *(() if before == "unshelved" else (before,)))
    alarm.walk("ends" if how == "goes inactive" else how)
    assert alarm.model.shelving == SHELVING[before, how]  # type: ignore[index]  # one of Shelving
