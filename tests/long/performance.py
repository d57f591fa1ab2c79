"""All rows of tests/bench/performance.py, and the table of docs/performance.md."""

from __future__ import annotations

from tests.bench import performance
from tests.long import result


def measure(seed: int) -> dict[str, result.Figure]:
    """Measure; the page is written with what was found, also where a promise was not kept.

    A ratio depends on what else the machine does, so a promise missed is told and breaks nothing.
    """
    figures = performance.measured()
    performance.write_page(performance.page_of(figures))
    figures["missed"] = [row["row"] for row in figures["rows"] if not performance.kept_promises(row)]
    return figures


if __name__ == "__main__":
    raise SystemExit(result.main("performance", measure))
