"""The table of figures: what it says, where it is written, and that rounds take turns."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.bench import performance, sixty
from tests.bench.rows import in_turns, row

FIGURES: dict[str, Any] = {
    "load_before": 0.3,
    "load_after": 1.2,
    "rows": [
        row(
            "rows_100",
            [(200.0, 100.0), (400.0, 300.0), (100.0, 90.0)],
            what="rows stored",
            anchor="bare inserts",
            unit="rows/s",
            wanted=0.6,
            how="a new file",
        ),
        {"row": "live", "what": "commits", "unit": "a day", "ours": 47_520, "how": "150 s"},
    ],
}


def test_rounds_take_turns_in_an_order_that_turns() -> None:
    said: list[str] = []

    def one(name: str, figure: float) -> float:
        said.append(name)
        return figure

    pairs = in_turns(3, lambda: one("anchor", 2.0), lambda: one("ours", 1.0))
    assert said == ["anchor", "ours", "ours", "anchor", "anchor", "ours"]
    assert pairs == [(2.0, 1.0)] * 3


def test_a_ratio_stands_beside_its_anchor_its_spread_and_how_it_was_measured() -> None:
    text = performance.table(FIGURES, date="2026-11-28", commit="abc", cores=2, python="3.11")
    first, second = text.splitlines()[-2:]
    assert first == (
        "| rows stored | 100 rows/s | 200: bare inserts | 0.75 (0.5 to 0.9) | at least 0.6 | a new file |"
    )
    assert second == "| commits | 47,520 a day |  |  |  | 150 s |"
    assert [performance.kept_promises(one) for one in FIGURES["rows"]] == [True, True]


def test_the_table_is_written_between_its_marks_and_nothing_else_is_touched(tmp_path: Path) -> None:
    page = tmp_path / "performance.md"
    page.write_text(performance.PAGE.read_text(encoding="utf-8"), encoding="utf-8")
    before, after = page.read_text().split("<!-- figures")[0], page.read_text().split("end of figures -->")[1]
    for text in ("| first |", "| second |"):
        performance.write_page(text, page)
    written = page.read_text()
    assert "| second |" in written and "| first |" not in written
    assert written.startswith(before) and written.endswith(after)
    (tmp_path / "other.md").write_text("nothing\n")
    with pytest.raises(ValueError, match="has not the marks"):
        performance.write_page("| |", tmp_path / "other.md")


def test_the_shop_of_the_figures_has_sixty_channels_that_speak_at_their_intervals(tmp_path: Path) -> None:
    site = sixty.site_of(tmp_path)
    spoken = [name for _, name in sixty.plan(site, 600, seed=1)]
    for instrument in site.plant.instrument:
        (channel,) = instrument.channel
        assert abs(spoken.count(channel.id) - 600_000 / instrument.expected_interval) <= 1
    for sample in sixty.samples(site, 0, 60, seed=1):
        low, high = site.plant.channels[sample.channel].range
        assert low <= sample.value <= high
