"""Waiting for a condition instead of sleeping and hoping."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


def eventually(predicate: Callable[[], T], timeout: float = 10.0, *, what: str = "") -> T:
    """The first true result of `predicate`, asked again and again; fails the test after `timeout` seconds."""
    until = time.monotonic() + timeout
    while True:
        found = predicate()
        if found:
            return found
        if time.monotonic() >= until:
            raise AssertionError(f"not so within {timeout:g} s: {what or predicate!r} (last: {found!r})")
        time.sleep(0.005)


def stays(predicate: Callable[[], object], seconds: float = 0.4) -> None:
    """Fails the test when `predicate` turns false within `seconds`: for what must not happen."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        assert predicate(), f"did not stay so for {seconds:g} s"
        time.sleep(0.005)
