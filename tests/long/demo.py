"""The demonstration with ten seeds; with each planted fault withheld; with a watch that judges nothing."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Sequence

from simulator.demo.script import FAULTS
from tests.long import result
from tests.mosquitto import program

SEEDS = 10
MINUTES = 4


def measure(seed: int) -> dict[str, result.Figure]:
    """All runs; raises AssertionError at the first whose exit is not the promised one."""
    seeds = [show(seed + n, expected=0) for n in range(SEEDS)]
    withheld = {name: show(seed, "--without", name, expected=0) for name in FAULTS}
    return {
        "playing_minutes": MINUTES,
        "seeds": seeds,
        "withheld": withheld,
        "no_rules": show(seed, "--no-rules", expected=1),
    }


def show(seed: int, *words: str, expected: int) -> dict[str, result.Figure]:
    """One run by the same command as a person's; its table as figures."""
    asked = ["--minutes", str(MINUTES), "--seed", str(seed), *words]
    environment = {**os.environ, "GOODWATER_MOSQUITTO": program()}
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "simulator.demo", *asked], capture_output=True, text=True, env=environment
    )
    print(f"{' '.join(asked)}: exit {done.returncode}", flush=True)
    assert done.returncode == expected, done.stdout + done.stderr
    return {
        "seed": seed,
        "exit": done.returncode,
        "took_s": round(time.monotonic() - began),
        "told_after": told_after(done.stdout.splitlines()),
        "also_told": sum(line.startswith("also told") for line in done.stdout.splitlines()),
        "unexpected": sum(line.startswith("UNEXPECTED") for line in done.stdout.splitlines()),
    }


def told_after(lines: Sequence[str]) -> dict[str, result.Figure]:
    """The rows of the table at the end: what was planted, and how long after it was told."""
    begin = next(n for n, line in enumerate(lines) if line.startswith("what was planted"))
    found: dict[str, result.Figure] = {}
    for line in lines[begin + 2 :]:
        cells = re.split(r" {2,}", line)
        if len(cells) == 6:
            found[cells[0]] = cells[4]
        elif "NOT TOLD" in cells:
            found[cells[0]] = None
    return found


if __name__ == "__main__":
    raise SystemExit(result.main("demo", measure))
