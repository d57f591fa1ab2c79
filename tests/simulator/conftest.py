"""A shop of a month in health, shared by the tests that only look at it."""

from __future__ import annotations

import pytest

from simulator.year import Run, simulate


@pytest.fixture(scope="session")
def healthy() -> Run:
    return simulate("hall3", (), seed=5, start="2025-02-03", days=42)
