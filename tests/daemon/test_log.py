"""`goodwater log`: what a person reads or does goes the way of every other reading and event."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.clock import MachineClock
from monitor.config import SiteFile
from monitor.readings import OperatorAction, Standing
from monitor.store import reader
from monitor.store.files import open_reader
from tests.daemon.test_keeper import SetClock, keeper_of
from tests.heart.shop import SITE, site
from tests.waiting import eventually

BY_HAND = """
[[instrument]]
id = "hand-meter"
name = "hand meter"
point = "di-out"
expected_interval = "4 days"
wire = { kind = "hand" }

[[instrument.channel]]
id = "hand.ec"
quantity = "conductivity"
unit = "mS/cm"
range = [0.0, 2.0]
resolution = 0.001
compensated = true

[[rule]]
kind = "limit"
id = "hand-high"
channel = "hand.ec"
above = "20 uS/cm"
"""


@pytest.fixture
def shop(tmp_path: Path) -> SiteFile:
    """A shop with a hand meter, whose watch has run before and does not just now."""
    made = site(tmp_path, SITE.replace("[[rule]]", BY_HAND + "\n[[rule]]", 1))
    keeper_of(made, SetClock()).stop()
    return made


def watched(shop: SiteFile, done: int) -> None:
    """Let the watch run until it has taken up so many rows of the inbox."""
    clock = SetClock()
    clock.at_ms = MachineClock().now_ms()
    keeper = keeper_of(shop, clock)
    keeper.start()
    with contextlib.closing(open_reader(shop.data_dir)) as connection:

        def taken() -> int:
            return int(
                connection.execute("select count(*) from inbox where taken_seq is not null").fetchone()[0]
            )

        eventually(lambda: taken() == done, what="the inbox is taken up")
    keeper.stop()


def log(shop: SiteFile, *words: str) -> int:
    return main(["log", str(shop.path), *words, "--by", "lead"])


def test_a_value_read_by_eye_is_stored_judged_and_replayed(
    shop: SiteFile, capsys: pytest.CaptureFixture[str]
) -> None:
    now = datetime.now(UTC)
    assert log(shop, "hand.ec", "0.012", "--at", now.replace(hour=0, minute=0).isoformat()) == 0
    assert log(shop, "hand.ec", "31 uS/cm") == 0
    assert "noted; it takes effect when the watch runs again" in capsys.readouterr().out
    watched(shop, done=2)
    with contextlib.closing(open_reader(shop.data_dir)) as connection:
        first, second = reader.readings(connection, "hand.ec")
        assert (first.value, first.own_time, first.standing) == (pytest.approx(12.0), True, Standing.JUDGED)
        assert second.raw == pytest.approx(0.031)  # as the instrument shows it
        (alarm,) = reader.current_alarms(connection)
        assert (alarm.condition, alarm.time_ms) == ("hand-high", second.time_ms)
        by = connection.execute("select by, taken_seq from inbox order by id desc").fetchone()
        assert tuple(by) == (
            "lead",
            connection.execute("select seq from reading order by time_ms desc").fetchone()[0],
        )
    watched(shop, done=2)  # what was taken up once is not taken up again
    assert main(["replay", str(shop.path)]) == 0


def test_what_was_done_is_an_event_of_the_stream(shop: SiteFile) -> None:
    assert log(shop, "di", "resin-change", "--comment", "second bed") == 0
    watched(shop, done=1)
    with contextlib.closing(open_reader(shop.data_dir)) as connection:
        (done,) = (e for e in reader.stream(connection) if isinstance(e, OperatorAction))
    assert (done.event, done.target, done.by, done.comment) == ("resin-change", "di", "lead", "second bed")


def test_an_amount_goes_with_its_event_in_litres_and_is_there_when_the_stream_is_read_again(
    shop: SiteFile, capsys: pytest.CaptureFixture[str]
) -> None:
    assert log(shop, "di", "top-off", "10 gal") == 0
    assert "top-off of di 37.8541 L" in capsys.readouterr().out
    assert log(shop, "di", "smell", "2") == 0
    watched(shop, done=2)
    with contextlib.closing(open_reader(shop.data_dir)) as connection:
        done = [e for e in reader.stream(connection) if isinstance(e, OperatorAction)]
    assert [(e.event, e.value) for e in done] == [
        ("top-off", pytest.approx(37.854, abs=1e-3)),
        ("smell", 2.0),
    ]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("hand.ec", "twelve"), "no stage, sump, coolant or instrument"),
        (("hand.ec", "12"), "outside what this instrument can show, 0 to 2 mS/cm"),
        (("hand.ec", "nan uS/cm"), "hand.ec"),
        (("hand.ec", "3 bar"), 'unit "bar" cannot be turned into mS/cm'),
        (("hand.ec", "3,2 mS/cm"), "the decimal sign is a point"),
        (("di.ec", "12"), "is read from a wire; read by hand are: hand.ec"),
        (("hand.tds", "12"), 'no channel "hand.tds"'),
        (("hand.ec", "1", "--at", "2999-01-01"), "still to come"),
        (("hand.ec", "1", "--at", "2001-01-01"), "more than 400 days ago"),
        (("hand.ec", "1", "--at", "yesterday"), "is no time"),
        (("boiler", "resin-change"), "there are: tap, ro, di"),
        (("di", "Resin change"), "small letters, digits and hyphens"),
        (("di", "resin-change", "2"), 'event "resin-change" carries no amount'),
        (("di", "top-off"), 'event "top-off" needs an amount'),
        (("di", "top-off", "20"), '"20" has no unit; write it like "20 L"'),
        (("di", "top-off", "20 bar"), 'unit "bar" cannot be turned into L'),
        (("di", "top-off", "0 L"), '"0 L" is not within 0.1 to 10000 L'),
        (("di", "smell", "1.5"), '"1.5" is not within 0 to 3'),
        (("hand.ec", "3", "uS/cm"), "one word too many"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(
    shop: SiteFile, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    assert log(shop, *words) == 2
    assert said in capsys.readouterr().err
