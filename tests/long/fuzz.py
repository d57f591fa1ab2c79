"""Every parser of bytes from outside, asked for an hour: no exception escapes, and memory stays bounded."""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import seed as seeded

from tests.fuzz.targets import TARGETS, Target
from tests.long import result

MINUTES = 60.0
LANES = 2
ROUND = 100  # examples of one seed
WARM_ROUNDS = 5  # after these, what a process keeps should no longer grow
MOST_GROWTH_MB = 64.0


def measure(seed: int, minutes: float) -> dict[str, result.Figure]:
    """Each parser in a process of its own, two at a time; raises AssertionError with what broke a promise."""
    seconds = minutes * 60 * LANES / len(TARGETS)
    with ThreadPoolExecutor(LANES) as lanes:
        runs = {target.name: lanes.submit(_in_a_child, target.name, seed, seconds) for target in TARGETS}
        found = {name: run.result() for name, run in runs.items()}
    wrong = [figures["error"] for figures in found.values() if figures["error"]]
    assert not wrong, "\n\n".join(map(str, wrong))
    grown = {name: f["grown_mb"] for name, f in found.items() if f["grown_mb"] > MOST_GROWTH_MB}
    assert not grown, f"memory grows: {grown}"
    return {
        "minutes": minutes,
        "examples": sum(figures["examples"] for figures in found.values()),
        "exceptions": len(wrong),
        "peak_memory_mb": max(figures["peak_memory_mb"] for figures in found.values()),
        "parsers": {name: {k: v for k, v in f.items() if k != "error"} for name, f in found.items()},
    }


def _in_a_child(name: str, seed: int, seconds: float) -> dict[str, float | int | str]:
    words = ["--target", name, "--seed", str(seed), "--seconds", str(seconds)]
    done = subprocess.run(
        [sys.executable, "-m", "tests.long.fuzz", *words], capture_output=True, text=True, check=False
    )
    print(f"{name}: {done.stdout.strip() or 'FAILED'}", flush=True)
    if done.returncode == 0:
        figures: dict[str, float | int | str] = json.loads(done.stdout)
        return figures | {"error": ""}
    return {"examples": 0, "peak_memory_mb": 0.0, "grown_mb": 0.0, "error": f"{name}\n{done.stderr[-6000:]}"}


def ask(target: Target, seed: int, seconds: float) -> dict[str, float | int]:
    """One parser in this process, with one seed after another until the time is over."""
    examples = 0

    def check(example: object) -> None:
        nonlocal examples
        examples += 1
        target.check(example)

    until_s = time.monotonic() + seconds
    number = 0
    warm_mb = _resident_mb()
    while number == 0 or time.monotonic() < until_s:
        round_ = settings(
            max_examples=ROUND,
            deadline=None,
            database=None,
            phases=(Phase.generate, Phase.shrink),
            suppress_health_check=list(HealthCheck),
        )(given(target.examples)(lambda example: check(example)))
        seeded(seed * 1_000_003 + number)(round_)()
        number += 1
        if number == WARM_ROUNDS:
            warm_mb = _resident_mb()
    return {
        "examples": examples,
        "peak_memory_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
        "grown_mb": round(max(0.0, _resident_mb() - warm_mb), 1) if number > WARM_ROUNDS else 0.0,
    }


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def main(words: Sequence[str] | None = None) -> int:
    """The child's part where a target is named, else the whole measurement."""
    parser = argparse.ArgumentParser(add_help=False)
    parser.add_argument("--target", choices=[target.name for target in TARGETS])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    asked, _ = parser.parse_known_args(words)
    if asked.target is None:
        return result.main("fuzz", measure, words, minutes=MINUTES)
    target = next(target for target in TARGETS if target.name == asked.target)
    print(json.dumps(ask(target, asked.seed, asked.seconds)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
