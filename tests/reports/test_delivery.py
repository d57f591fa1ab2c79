"""From a stored report to what is handed over: mail with pictures, JSON for a machine, retries in between."""

from __future__ import annotations

import email
import email.policy
import json
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.notify.failures import Temporary
from monitor.notify.message import Message, compose_report
from monitor.notify.smtp import as_mail
from monitor.readings import AlarmState, MadeReport, Notice, OwedReport, Report, Transition
from monitor.reports.child import ChildFailed, Words, figures
from monitor.reports.figures import FORMAT, as_json
from monitor.reports.weekly import notices
from monitor.store import reader
from monitor.store.settings import RetentionSettings
from monitor.store.writer import Batch
from tests.reports.shop import DAY, HOUR, SITE, WEEK, Shop, shop
from tests.store.test_retention import keep_up


@pytest.fixture
def one(tmp_path: Path) -> Iterator[Shop]:
    with shop(tmp_path) as made:
        made.said("di.ec", WEEK, every_ms=HOUR)
        yield made


def made(one: Shop) -> MadeReport:
    report = Report("digest", WEEK.label, WEEK.due_ms, as_json(one.as_it_is()))
    return MadeReport(report, notices(one.plant, report))


def stored(one: Shop) -> OwedReport:
    """The digest, stored, and its row of the outbox as delivery is given it."""
    found = made(one)
    one.store.writer.commit(Batch(WEEK.due_ms, reports=[found.report], notices=found.notices))
    (row,) = reader.owed(one.store.writer.connection, 2**60)
    assert isinstance(row, OwedReport)
    return row


def message(one: Shop) -> Message:
    row = stored(one)
    words = Words(threading.Event()).of(row.report)
    return compose_report(row, one.plant, words, now_ms=WEEK.due_ms)


def test_a_digest_is_a_mail_of_its_own_with_text_html_and_inline_pictures(one: Shop) -> None:
    mail = email.message_from_bytes(
        as_mail(message(one), "goodwater@shop.example", "deputy@shop.example"), policy=email.policy.default
    )
    assert [part.get_content_type() for part in mail.walk()] == [
        "multipart/alternative", "text/plain", "multipart/related", "text/html", "image/png", "image/png",
    ]  # fmt: skip
    assert mail["References"] is None
    assert mail["Auto-Submitted"] == "auto-generated"
    pictures = [part for part in mail.walk() if part.get_content_maintype() == "image"]
    assert [part["Content-Disposition"].content_disposition for part in pictures] == ["inline"] * 2


def test_a_machine_is_given_the_figures_with_the_same_text(one: Shop) -> None:
    found = message(one)
    data = json.loads(json.dumps(found.data, allow_nan=False))
    assert data["format"] == "goodwater.digest-notice/1"
    assert (data["digest"]["format"], data["digest"]["week"]) == (FORMAT, "2031-W07")
    assert data["text"] == found.text
    assert data["message_id"] == found.message_id


def test_alarms_and_reports_leave_the_outbox_in_their_order(one: Shop) -> None:
    raised = Transition(
        "di-high", 1, 1, "raised", AlarmState.UNACKNOWLEDGED, WEEK.due_ms, WEEK.due_ms, "high", "limit",
        "di.ec", 0.97, {},
    )  # fmt: skip
    report = made(one)
    notice = Notice(raised.key, "deputy", 0)
    writer = one.store.writer
    writer.commit(Batch(WEEK.due_ms, transitions=[(10**6, raised)], notices=[notice]))
    writer.commit(Batch(WEEK.due_ms, reports=[report.report], notices=report.notices))
    assert [row.key for row in reader.owed(writer.connection, 2**60)] == ["di-high#1.1", "digest/2031-W07"]
    assert reader.outbox_totals(writer.connection).due == 2


def test_a_report_made_twice_stays_as_it_was_told_first(one: Shop) -> None:
    first = stored(one)
    again = Report("digest", WEEK.label, WEEK.due_ms + HOUR, {"other": 1})
    one.store.writer.commit(Batch(WEEK.due_ms, reports=[again], notices=notices(one.plant, again)))
    assert reader.owed(one.store.writer.connection, 2**60) == [first]


def test_figures_that_cannot_be_read_are_put_off_with_the_reason() -> None:
    with pytest.raises(Temporary, match="digest of 2031-W07"):
        Words(threading.Event()).of(Report("digest", "2031-W07", 0, {"week": "2031-W07"}))


def test_a_process_that_refuses_says_why_and_one_that_is_not_wanted_any_more_is_ended(tmp_path: Path) -> None:
    with pytest.raises(ChildFailed, match=r"site\.toml"):
        figures(tmp_path / "site.toml", WEEK, threading.Event())
    ending = threading.Event()
    ending.set()
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    with pytest.raises(ChildFailed, match="the watch is ending"):
        figures(tmp_path / "site.toml", WEEK, ending)


def test_reports_are_deleted_with_the_records_of_people_but_not_while_owed(one: Shop) -> None:
    stored(one)
    connection = one.store.writer.connection
    keep_up(one.store, WEEK.due_ms + 800 * DAY, RetentionSettings())
    assert reader.has_report(connection, "digest", WEEK.label)
    connection.execute("update outbox set outcome = 'delivered'")
    keep_up(one.store, WEEK.due_ms + 801 * DAY, RetentionSettings())
    assert not reader.has_report(connection, "digest", WEEK.label)
