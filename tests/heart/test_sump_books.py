"""The rules that live on what people write down make their books anew from the store when they are lost."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest

from monitor.config import SiteFile
from monitor.readings import Event
from tests.heart.coolant_shop import DAY_MS, HOUR_MS, MONDAY_MS, done, read, small_shop, with_hours
from tests.heart.stored import StoredWatch

RULES = """
[[rule]]
kind = "minerals"
id = "minerals"
water = "water.hardness"

[[rule]]
kind = "sump-condition"
id = "condition"
zero = "water.brix"

[[rule]]
kind = "make-up"
id = "make-up"
outflow = "loop.volume"

[[rule]]
kind = "what-went-where"
id = "where"
water = "water.ec"
above = "50 uS/cm"

[[rule]]
kind = "top-off-mix"
id = "mix"
coolant = "general"
set = "4 %"
mix = "mixer.brix"
"""
DAYS = 24


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> SiteFile:
    return small_shop(tmp_path_factory.mktemp("shop"), RULES, sumps=2)


@pytest.fixture(scope="module")
def events() -> list[Event]:
    """Three weeks and a half of everything that people write down, with bad water on the twentieth day."""
    chance, found = random.Random(3), list[Event]()
    for day in range(DAYS):
        at_ms = MONDAY_MS + day * DAY_MS + 8 * HOUR_MS
        found.append(read("water.ec", at_ms, 300.0 if day == 20 else 20.0))
        found.append(read("water.ec", at_ms + HOUR_MS, 20.0))
        found.append(read("water.ec", at_ms + 2 * HOUR_MS, 20.0))
        found.append(read("loop.volume", at_ms, 1000.0 + 30.0 * day))
        found.append(done(chance.choice(["m01", "m02"]), at_ms + 1, "top-off", 25.0))
        if day % 7 == 2:
            found.append(read("m01.brix", at_ms + 2, chance.uniform(4.0, 6.0)))
            found.append(read("m01.ph", at_ms + 3, chance.uniform(8.8, 9.2)))
            found.append(done("m01", at_ms + 4, "smell", chance.choice([0.0, 1.0])))
            found.append(done("m01", at_ms + 5, "tramp-oil", 1.0))
            found.append(read("mixer.brix", at_ms + 6, chance.uniform(2.0, 4.0)))
            found.append(read("water.hardness", at_ms + 7, 250.0))
    found.append(done("general", MONDAY_MS + 3 * DAY_MS, "concentrate-counted", 80.0))
    found.append(done("m02", MONDAY_MS + 9 * DAY_MS, "sump-change"))
    found.append(done("m02", MONDAY_MS + 15 * DAY_MS, "drawn-off", 40.0))
    return with_hours(found, MONDAY_MS, MONDAY_MS + DAYS * DAY_MS)


def test_books_of_another_version_are_made_anew_from_what_is_stored(
    shop: SiteFile, events: list[Event], tmp_path: Path
) -> None:
    stored = StoredWatch(shop, tmp_path / "data")
    stored.commit(events)
    stored.kill()
    before = stored.state.rules
    connection = stored.writer.connection
    parts = [row[0] for row in connection.execute("select part from state where part like 'rule:%'")]
    assert len(parts) == 5
    connection.execute("update state set version = 99, body = ? where part like 'rule:%'", (json.dumps({}),))
    connection.commit()
    stored.kill()
    assert stored.state.rules == before
    stored.writer.close()
