"""The simulator is another physics: change a constant in it, and what the watch detects changes with it."""

from __future__ import annotations

import pytest

from simulator import resin
from tests.bench.judge import judge

SPENT_BED = {"kind": "resin_exhaustion", "start": "2026-09-17", "size": 72.0}


def told() -> dict[str, float]:
    """Days from the fault to each alarm that was due for it, by the family of the alarm."""
    result = judge([SPENT_BED], seed=1, days=18, names=["di-bed", "di-discharge"], every_min=5)
    return {
        one.line.family: (one.alarm.time_ms - one.line.start_ms) / 86_400_000
        for one in result.due
        if one.alarm is not None
    }


def test_a_resin_that_holds_chloride_less_is_detected_otherwise(monkeypatch: pytest.MonkeyPatch) -> None:
    as_it_is = told()
    assert set(as_it_is) == {"breakthrough", "discharge"}
    # The second anion is chloride; its selectivity over hydroxide is 22 in the simulator.
    weaker = resin.ANION_AFFINITY.copy()
    weaker[1] = 8.0
    monkeypatch.setattr(resin, "ANION_AFFINITY", weaker)
    otherwise = told()
    assert otherwise != as_it_is
    # Held less, it leaves early and does not pile up: within these days no discharge is due.
    assert set(otherwise) == {"breakthrough"}
