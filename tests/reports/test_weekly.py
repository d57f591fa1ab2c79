"""One digest a week: over clock changes, restarts and Mondays without a machine; by a clock that is moved."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise
from pathlib import Path

import pytest
from pydantic import JsonValue

from monitor.readings import CLOCK_TRUSTED_FROM_MS, MadeReport, OwedReport
from monitor.reports.child import ChildFailed
from monitor.reports.figures import as_json, from_json
from monitor.reports.week import Week
from monitor.reports.weekly import SETTLE_S, Weekly
from monitor.store import reader, weekly
from monitor.store.writer import Batch
from tests.reports.shop import HOUR, MINUTE, WEEK, ZONE, Shop, shop

SETTLE_MS = int(SETTLE_S * 1000)


class Machine:
    """A machine with its clock, on which the watch is started, killed and started again over one store."""

    def __init__(self, over: Shop, now_ms: int) -> None:
        self.shop, self.ms, self.monotonic_s = over, now_ms, 1000.0
        self.made: list[str] = []
        self.broken = False
        self.start()

    def now_ms(self) -> int:
        return self.ms

    def machine_s(self, shop_s: float) -> float:
        return shop_s

    def start(self) -> None:
        """A fresh process: nothing remembered but the store."""
        connection = self.shop.store.writer.connection
        self.weekly = Weekly(
            self.shop.plant,
            clock=self,
            is_made=lambda week: reader.has_report(connection, "digest", week.label),
            was_watched=lambda week: weekly.was_watched(connection, week.from_ms, week.to_ms),
            figures=self._figures,
            hand_over=self._commit,
            machine_s=lambda: self.monotonic_s,
        )

    def _figures(self, week: Week) -> Mapping[str, JsonValue]:
        if self.broken:
            raise ChildFailed("killed")
        self.made.append(week.label)
        return as_json(self.shop.as_it_is(week))

    def _commit(self, made: MadeReport) -> None:
        self.shop.store.writer.commit(Batch(self.ms, reports=[made.report], notices=made.notices))

    def until(self, to_ms: int, step_ms: int = 30_000) -> None:
        """Time goes by, with a look now and then."""
        while self.ms < to_ms:
            passed_ms = min(step_ms, to_ms - self.ms)
            self.ms += passed_ms
            self.monotonic_s += passed_ms / 1000
            self.weekly.look()

    def off_until(self, to_ms: int) -> None:
        """Switched off, and on again."""
        self.ms = to_ms
        self.monotonic_s = 1000.0
        self.start()
        self.weekly.look()

    def owed(self) -> list[OwedReport]:
        found = reader.owed(self.shop.store.writer.connection, 2**60)
        assert all(isinstance(row, OwedReport) for row in found)
        return [row for row in found if isinstance(row, OwedReport)]


@pytest.fixture
def one(tmp_path: Path) -> Iterator[Shop]:
    with shop(tmp_path) as made:
        yield made


def watched(one: Shop, *weeks: Week) -> None:
    for week in weeks:
        one.ticks(week.from_ms, week.to_ms, HOUR)
        one.said("di2.ec", week, every_ms=2 * HOUR)


def test_on_monday_morning_one_digest_is_owed_to_those_who_ask(one: Shop) -> None:
    watched(one, WEEK)
    machine = Machine(one, WEEK.to_ms - HOUR)
    machine.until(WEEK.due_ms - 1, 10 * MINUTE)
    assert machine.owed() == []
    machine.until(WEEK.due_ms)
    machine.until(WEEK.to_ms + 3 * 24 * HOUR, HOUR)
    (row,) = machine.owed()
    assert (row.notice.person, row.report.period, row.key) == ("deputy", "2031-W07", "digest/2031-W07")
    digest = from_json(row.report.body)
    assert (digest.week, digest.from_ms, digest.to_ms) == ("2031-W07", WEEK.from_ms, WEEK.to_ms)
    assert digest.instruments[2].channels[0].readings == 84


@pytest.mark.parametrize("text", ["2031-W13", "2031-W43"])
def test_over_a_clock_change_it_comes_at_the_same_hour_of_the_shops_clock(one: Shop, text: str) -> None:
    changed = Week.parse(text, ZONE)
    weeks = [changed.earlier(), changed, changed.earlier(-1)]
    watched(one, *weeks)
    machine = Machine(one, weeks[0].to_ms - HOUR)
    for week in weeks:
        machine.until(week.due_ms - 1, HOUR)
        assert week.label not in machine.made
        machine.until(week.due_ms)
        assert machine.made[-1] == week.label
    assert machine.made == [week.label for week in weeks]
    assert [from_json(row.report.body).to_ms for row in machine.owed()] == [week.to_ms for week in weeks]


@pytest.mark.parametrize("before_ms", [1_000, 1, 0, -1, -1_000, -SETTLE_MS, -SETTLE_MS - 1_000])
def test_a_restart_about_the_hour_gives_one_digest(one: Shop, before_ms: int) -> None:
    watched(one, WEEK)
    machine = Machine(one, WEEK.due_ms - HOUR)
    machine.until(WEEK.due_ms - before_ms)
    machine.off_until(machine.ms + 500)
    machine.until(WEEK.due_ms + 2 * HOUR)
    assert machine.made == ["2031-W07"]
    assert len(machine.owed()) == 1


def test_killed_between_making_and_storing_it_is_made_again_and_owed_once(one: Shop) -> None:
    watched(one, WEEK)
    machine = Machine(one, WEEK.due_ms - HOUR)
    lost: list[MadeReport] = []
    machine.weekly._hand_over = lost.append
    machine.until(WEEK.due_ms + MINUTE)
    assert (len(lost), machine.owed()) == (1, [])
    machine.off_until(machine.ms + 1_000)
    machine.until(WEEK.due_ms + HOUR)
    assert len(machine.owed()) == 1
    machine._commit(lost[0])  # and if the first one comes after all
    assert len(machine.owed()) == 1


@pytest.mark.parametrize("hours", [1, 30, 24 * 6])
def test_a_machine_that_was_off_over_monday_catches_up_once(one: Shop, hours: int) -> None:
    watched(one, WEEK)
    machine = Machine(one, WEEK.to_ms - 12 * HOUR)
    machine.until(WEEK.to_ms - 11 * HOUR, HOUR)
    machine.off_until(WEEK.due_ms + hours * HOUR)
    machine.until(machine.ms + SETTLE_MS - 1_000)
    assert machine.made == []  # the broker hands over what it kept
    machine.until(machine.ms + 2 * HOUR)
    assert machine.made == ["2031-W07"]
    machine.off_until(machine.ms + HOUR)
    machine.until(machine.ms + HOUR)
    assert machine.made == ["2031-W07"]
    assert len(machine.owed()) == 1


def test_off_for_three_weeks_only_the_last_week_is_told_and_only_if_a_watch_was_kept_in_it(one: Shop) -> None:
    watched(one, WEEK.earlier(3), WEEK.earlier(2))
    machine = Machine(one, WEEK.due_ms + HOUR)
    machine.until(machine.ms + 3 * HOUR)
    assert machine.made == []
    one.ticks(WEEK.to_ms - HOUR, WEEK.to_ms, MINUTE)
    machine.off_until(machine.ms + HOUR)
    machine.until(machine.ms + HOUR)
    assert machine.made == ["2031-W07"]


def test_a_gateway_that_does_not_know_the_time_yet_waits_until_it_does(one: Shop) -> None:
    watched(one, WEEK)
    machine = Machine(one, CLOCK_TRUSTED_FROM_MS - 400 * 24 * HOUR)
    machine.until(machine.ms + HOUR)
    machine.ms = WEEK.due_ms + HOUR  # the time is learned
    machine.weekly.look()
    machine.until(machine.ms + SETTLE_MS - 2_000)
    assert machine.made == []
    machine.until(machine.ms + MINUTE)
    assert machine.made == ["2031-W07"]


def test_a_clock_years_ahead_makes_no_digest_of_weeks_nobody_watched(one: Shop) -> None:
    watched(one, WEEK)
    machine = Machine(one, WEEK.due_ms + 3 * 365 * 24 * HOUR)
    machine.until(machine.ms + 2 * HOUR)
    assert machine.made == []
    machine.ms = WEEK.due_ms + HOUR
    machine.until(machine.ms + HOUR)
    assert machine.made == ["2031-W07"]


def test_a_process_that_fails_is_tried_again_with_growing_waits(one: Shop) -> None:
    watched(one, WEEK)
    machine = Machine(one, WEEK.due_ms - HOUR)
    machine.broken = True
    tries: list[int] = []
    counted = machine._figures

    def figures(week: Week) -> Mapping[str, JsonValue]:
        tries.append(machine.ms)
        return counted(week)

    machine.weekly._figures = figures
    machine.until(WEEK.due_ms + 10 * HOUR)
    waits = [b - a for a, b in pairwise(tries)]
    assert waits == sorted(waits)
    assert waits[0] == SETTLE_MS
    machine.broken = False
    machine.until(WEEK.due_ms + 24 * HOUR)
    assert machine.made == ["2031-W07"]
