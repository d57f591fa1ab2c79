"""How early and how quietly the rules speak (docs/detection.md), on seeds that nothing was tuned on."""

from __future__ import annotations

from tests.bench.detection import run
from tests.bench.detection.__main__ import DEFAULT_YEARS, figures, page_of
from tests.long import result


def measure(seed: int, minutes: float) -> dict[str, result.Figure]:
    """Measure on the seeds from 1001 on, `seed` 1 being the first of them."""
    found = figures(run.REPORTING_FROM + seed - 1, DEFAULT_YEARS, minutes=minutes)
    page_of(found)
    return found


if __name__ == "__main__":
    raise SystemExit(result.main("detection", measure, minutes=85.0))
