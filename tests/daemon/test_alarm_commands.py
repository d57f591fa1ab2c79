"""What a person does to an alarm on the command line, through the inbox to the watch and to the screen."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.config import load
from monitor.readings import AlarmState
from monitor.store.files import open_reader
from monitor.web import view
from tests.heart.shop import SITE, di, site, tick
from tests.heart.stored import StoredWatch

LATCHED = '\n[alarms]\nlatched = ["di-high"]\n'


class Shop:
    """A site whose watch takes up the inbox when it is told to, and no daemon."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        made = site(folder, SITE + LATCHED)
        self.path, self._capsys = str(made.path), capsys
        self.stored = StoredWatch(made, made.data_dir)
        self.stored.commit([tick(0), *di([(0, 25), (2, 25)])])

    def type(self, command: str, *arguments: str) -> tuple[int, str]:
        """Type a command, and let the watch take up what it put into the inbox."""
        code = main([command, self.path, *arguments])
        said = self._capsys.readouterr()
        self.stored.commit(self.stored.writer.take_inbox())
        return code, said.out + said.err

    @property
    def state(self) -> AlarmState:
        return self.stored.state.alarms["di-high"].shown


@pytest.fixture
def shop(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shop:
    return Shop(tmp_path, capsys)


def test_an_alarm_is_shelved_shown_and_taken_from_the_shelf(shop: Shop) -> None:
    code, said = shop.type("shelve", "di-high", "--for", "8 h", "--why", "resin is ordered", "--by", "lead")
    assert (code, shop.state) == (0, AlarmState.SHELVED), said
    code, shown = shop.type("alarms")
    assert "shelved by lead until 20" in shown
    assert "(resin is ordered); beneath: unacknowledged" in shown
    assert "shelved by lead until" in shop.type("status")[1]
    code, said = shop.type("unshelve", "di-high", "--by", "deputy")
    assert (code, shop.state) == (0, AlarmState.UNACKNOWLEDGED), said
    assert "shelved" in shop.type("alarms", "--all")[1]


def test_until_it_clears_has_an_end_too(shop: Shop) -> None:
    shop.type("shelve", "di-high", "--until-clear", "--why", "known", "--by", "lead")
    shelf = shop.stored.state.alarms["di-high"].shelf
    assert shelf is not None and shelf.once
    assert shelf.until_ms - shelf.since_ms == 7 * 86_400_000


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--why", "x"), "no shelf without an end"),
        (("--for", "8 days", "--why", "x"), "the longest is 7 d"),
        (("--for", "8", "--why", "x"), "a duration"),
        (("--until", "2001-01-01", "--why", "x"), "that is past"),
    ],
)
def test_a_shelf_without_a_right_end_is_refused(shop: Shop, arguments: tuple[str, ...], said: str) -> None:
    code, answer = shop.type("shelve", "di-high", *arguments)
    assert (code, shop.state) == (2, AlarmState.UNACKNOWLEDGED)
    assert said in answer


def test_what_is_no_alarm_is_not_shelved_and_a_rule_that_never_spoke_is(shop: Shop) -> None:
    code, answer = shop.type("shelve", "di-hihg", "--for", "1 h", "--why", "x", "--by", "lead")
    assert code == 2 and 'no alarm and no rule "di-hihg"; there are: di-high' in answer
    assert shop.type("shelve", "ro-high", "--for", "1 h", "--why", "x", "--by", "lead")[0] == 0
    assert shop.stored.state.alarms["ro-high"].shown is AlarmState.SHELVED


def test_a_stage_is_taken_out_of_service_shown_and_put_back(shop: Shop) -> None:
    code, said = shop.type("out-of-service", "di", "--for", "4 h", "--why", "resin change", "--by", "lead")
    assert (code, shop.state) == (0, AlarmState.OUT_OF_SERVICE), said
    code, shown = shop.type("status")
    assert "Out of service:\n  di  until 20" in shown and "resin change" in shown
    plant, now_ms = load(Path(shop.path)).plant, time.time_ns() // 1_000_000
    first_line: Callable[[object], str] = lambda transition: "high"  # noqa: E731 - one word is enough here
    connection = open_reader(Path(shop.path).parent / "data")
    page = view.now(plant, connection, now_ms, daemon_runs=False, first_line=first_line)
    connection.close()
    assert page.maintenance[0].startswith("di until ") and page.maintenance[0].endswith(
        "says lead: resin change"
    )
    assert page.alarms[0].state.startswith("out of service by lead until ")
    assert not page.alarms[0].needs_someone
    assert shop.type("out-of-service", "di", "--end", "--by", "lead")[0] == 0
    assert shop.state is AlarmState.UNACKNOWLEDGED
    assert "Out of service:" not in shop.type("status")[1]


def test_maintenance_needs_an_end_a_reason_and_a_place(shop: Shop) -> None:
    assert "no maintenance without an end" in shop.type("out-of-service", "di", "--why", "x")[1]
    assert "--why is missing" in shop.type("out-of-service", "di", "--for", "4 h")[1]
    assert 'nothing here is called "attic"' in shop.type("out-of-service", "attic", "--for", "4 h")[1]
    assert shop.state is AlarmState.UNACKNOWLEDGED


def test_a_latched_alarm_is_acknowledged_and_reset_once_it_is_over(shop: Shop) -> None:
    code, said = shop.type("reset", "di-high", "--by", "lead")
    assert code == 2 and "only a latched alarm" in said
    shop.stored.commit(di([(3, 5), (4, 5), (8, 5)]))
    code, said = shop.type("reset", "di-high", "--by", "lead")
    assert code == 2 and "goodwater ack comes first" in said
    assert shop.type("ack", "di-high", "--by", "lead")[0] == 0
    assert shop.state is AlarmState.LATCHED_ACKNOWLEDGED
    assert "acknowledged already, by lead" in shop.type("ack", "di-high", "--by", "lead")[1]
    assert shop.type("reset", "di-high", "--by", "lead", "--comment", "looked at the bed")[0] == 0
    assert shop.state is AlarmState.NORMAL
    assert shop.type("alarms")[1] == "no alarm stands\n"
