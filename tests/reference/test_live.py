"""Our functions against independent libraries, run here and now; and the table that reports it."""

from __future__ import annotations

import pytest

from tests.reference import deviation

ALL = list(deviation.comparisons())


@pytest.mark.parametrize("comparison", ALL, ids=[f"{c.quantity} vs {c.reference}" for c in ALL])
def test_the_largest_deviation_from_a_library_stays_below_its_bound(
    comparison: deviation.Comparison,
) -> None:
    measured = deviation.measure(comparison)
    assert measured.largest <= comparison.bound, measured


def test_the_page_shows_the_recorded_measurements() -> None:
    page = deviation.PAGE.read_text(encoding="utf-8")
    assert deviation.with_table(page, deviation.recorded()) == page


def test_every_comparison_is_recorded_with_its_bound_and_range() -> None:
    told = {(row.quantity, row.reference, row.span, row.bound) for row in deviation.recorded()}
    assert told == {(c.quantity, c.reference, c.span, c.bound) for c in ALL}
