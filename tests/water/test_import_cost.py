"""The science imports quickly and drags nothing heavy into a daemon on a small gateway."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

FORBIDDEN = (
    "scipy",
    "matplotlib",
    "pandas",
    "pint",
    "pydantic",
    "sqlite3",
    "http.server",
    "asyncio",
    "socket",
)

SCRIPT = """
import json, pkgutil, sys, time
import numpy
before = time.process_time()
import importlib, monitor.water, monitor.stats
for package in (monitor.water, monitor.stats):
    for module in pkgutil.iter_modules(package.__path__):
        importlib.import_module(f"{package.__name__}.{module.name}")
print(json.dumps([time.process_time() - before, sorted(sys.modules)]))
"""


def fresh_import() -> tuple[float, set[str]]:
    """Processor seconds that all of the science takes beyond NumPy, and what is loaded then."""
    done = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True, check=True)
    seconds, modules = json.loads(done.stdout)
    return seconds, set(modules)


def test_the_science_imports_in_less_than_150_ms_beyond_numpy() -> None:
    # the best of five: a busy machine can only make it slower
    assert min(fresh_import()[0] for _ in range(5)) < 0.150


@pytest.mark.parametrize("name", FORBIDDEN)
def test_the_science_imports_no_plotting_web_or_database_library(name: str) -> None:
    assert name not in fresh_import()[1]
