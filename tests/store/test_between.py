"""What a span of the stream holds for those who compute its values anew."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from monitor.plant.message_ids import message_id
from monitor.readings import OperatorAction, Stamp, Tick
from monitor.store import reader
from monitor.store.writer import Batch, Writer
from tests.heart.shop import START_MS


def test_times_out_of_order_and_ticks_are_passed_over_and_what_people_did_is_not(tmp_path: Path) -> None:
    change = OperatorAction(START_MS, "event", "di", "lead", event="resin-change")
    writer = Writer(tmp_path, START_MS, partial(message_id, site_id="shop"))
    events = [(1, Tick(START_MS)), (2, Stamp(START_MS, "di.ec", START_MS - 9)), (3, change)]
    writer.commit(Batch(START_MS, events=events))
    found = reader.between(writer.connection, ["di.ec"], START_MS, START_MS + 1)
    writer.close()
    assert found == [(3, change)]
