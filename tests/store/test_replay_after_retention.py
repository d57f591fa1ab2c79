"""A stream whose beginning is gone can still be judged again, and the command says from where."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.cli import main
from monitor.store.settings import RetentionSettings
from monitor.store.upkeep import Upkeep
from monitor.store.writer import Batch, Writer
from tests.heart.shop import MINUTE, SITE, START_MS, Heart, sample, site, tick

DAY = 24 * 60


def test_a_replay_says_from_where_the_stream_is_kept_and_compares_what_lies_after(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rule = SITE.index('[[rule]]\nkind = "silent"')
    shop = site(tmp_path, SITE[:rule] + SITE[SITE.index("[[person]]") :])
    shop.data_dir.mkdir()
    heart, writer = Heart(shop), Writer(shop.data_dir, START_MS, str)
    high = {(day, n) for day in (3, 39) for n in range(20)}
    for day in range(45):
        for n in range(0, DAY, 10):
            minute = day * DAY + n
            value = 31.0 if (day, n // 10) in high else 5.0
            heart.see(tick(minute), sample("di.ec", minute, value + n % 7 / 100))
    writer.commit(
        Batch(
            START_MS,
            readings=heart.effects.readings,
            events=heart.effects.events,
            transitions=heart.effects.transitions,
        )
    )
    assert main(["replay", str(shop.path)]) == 0
    assert "deleted" not in capsys.readouterr().out
    retention = RetentionSettings.model_validate({"fast_raw": "14 days", "raw": "14 days"})
    upkeep = Upkeep(shop.plant, retention, believed_ticks=1)
    while upkeep.step(writer.connection, START_MS + 45 * DAY * MINUTE):
        pass
    writer.close()
    assert main(["replay", str(shop.path)]) == 0
    said = capsys.readouterr().out
    assert "Readings before 2026-07-02 02:00:00 +0200 were deleted by retention" in said
    assert [line.split()[:2] for line in said.splitlines() if "di-high" in line] == [
        ["same", "di-high#1.3"],
        ["same", "di-high#1.4"],
    ]
