"""What is judged when its run is over, and clocks that stand still, through a real store."""

from __future__ import annotations

from pathlib import Path

from monitor.commands.replay import replayed
from monitor.readings import Event, Reason, Sample, Stamp, Standing
from monitor.store import reader
from monitor.watch import Watch
from tests.heart.shop import MINUTE, START_MS, sample, site, tick
from tests.heart.stored import StoredWatch
from tests.heart.water_made import text

RULES = '\n[[rule]]\nkind = "instrument"\nid = "faults"\n\n[[rule]]\nkind = "not-judged"\nid = "gates"\n'


def hours(n: int) -> list[Event]:
    """A run of two minutes each hour, too short for its gate, in salty water; the DI meter's clock stops."""
    events: list[Event] = []
    for minute in range(60 * n):
        runs = minute % 60 < 2
        events.append(tick(minute))
        events.append(sample("ro.flow", minute, 2.0 if runs else 0.0))
        for part in (0.1, 0.4, 0.7) if runs else (0.5,):
            events.append(sample("ro.ec", minute + part, 60 - 10 * part))
        arrival = START_MS + minute * MINUTE + 500
        own = START_MS + min(minute, 90) * MINUTE
        events.append(Sample("di.ec", 5.0 + minute % 3 / 10, arrival, own))
    return events


def test_short_runs_and_stopped_clocks_are_judged_alike_live_after_kills_and_in_a_replay(
    tmp_path: Path,
) -> None:
    shop = site(tmp_path, text(rules=RULES))
    stored = StoredWatch(shop, tmp_path / "data")
    events = hours(4)
    for begin in range(0, len(events), 37):
        stored.commit(events[begin : begin + 37])
        if begin % 5 == 0:
            stored.kill()
    connection = stored.writer.connection
    told = [t for _, t in reader.transitions(connection)]
    conditions = {t.condition for t in told}
    assert {"ro-high", "faults/clock/di-meter"} <= conditions
    (clock,) = [t for t in told if t.condition == "faults/clock/di-meter"]
    assert clock.evidence["how"] == "stuck"
    judged = [r for r in reader.readings(connection, "ro.ec") if r.standing == Standing.JUDGED]
    assert len(judged) == 4
    assert all(r.reasons & Reason.AFTERWARDS for r in judged)
    assert any(isinstance(event, Stamp) for event in reader.stream(connection))
    assert replayed(Watch(shop.plant, shop.rules), reader.stream(connection)) == told
    stored.writer.close()
