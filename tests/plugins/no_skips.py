"""What is missing fails: a skipped or excused test counts as a failed one."""

from collections.abc import Generator

import pytest

REASON = "A test that does not run proves nothing: make what it needs available, or remove it."


def refused(report: pytest.CollectReport | pytest.TestReport) -> None:
    """Turn a report of a skip or of an expected failure into a failure that keeps the reason given."""
    if hasattr(report, "wasxfail"):
        told = f"marked as expected to fail ({report.wasxfail or 'no reason given'})"
        del report.wasxfail
    elif report.skipped:
        told = str(report.longrepr[2]) if isinstance(report.longrepr, tuple) else str(report.longrepr)
    else:
        return
    report.outcome = "failed"
    report.longrepr = f"{report.nodeid}: {told}\n{REASON}"


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Refuse skips and expected failures of tests."""
    report = yield
    refused(report)
    return report


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Refuse skips of whole files (``pytest.importorskip`` and the like)."""
    report = yield
    refused(report)
    return report
