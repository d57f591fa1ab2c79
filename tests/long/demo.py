"""The demonstration with ten seeds; with each planted fault withheld; with a watch that judges nothing."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

from simulator.demo.script import FAULTS
from tests.long import result
from tests.mosquitto import program

SEEDS = 10
MINUTES = 4
QUICK_MINUTES = 3


def measure(seed: int) -> dict[str, result.Figure]:
    """All runs, two at a time; raises AssertionError with those whose exit is not the promised one."""
    with ThreadPoolExecutor(2) as lanes:
        seeds = [lanes.submit(show, MINUTES, seed + n, expected=0) for n in range(SEEDS)]
        withheld = {f: lanes.submit(show, QUICK_MINUTES, seed, "--without", f, expected=0) for f in FAULTS}
        no_rules = lanes.submit(show, QUICK_MINUTES, seed, "--no-rules", expected=1)
        runs = [run.result() for run in (*seeds, *withheld.values(), no_rules)]
    wrong = [run["output"] for run in runs if run["output"]]
    assert not wrong, "\n\n".join(str(text) for text in wrong)
    return {
        "minutes": MINUTES,
        "seeds": [_figures(run.result()) for run in seeds],
        "minutes_of_the_others": QUICK_MINUTES,
        "withheld": {name: _figures(run.result()) for name, run in withheld.items()},
        "no_rules": _figures(no_rules.result()),
    }


def _figures(run: dict[str, result.Figure]) -> dict[str, result.Figure]:
    return {name: figure for name, figure in run.items() if name != "output"}


def show(minutes: int, seed: int, *words: str, expected: int) -> dict[str, result.Figure]:
    """One run by the same command as a person's; its table as figures, its output when it went wrong."""
    asked = ["--minutes", str(minutes), "--seed", str(seed), *words]
    environment = {**os.environ, "GOODWATER_MOSQUITTO": program()}
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "simulator.demo", *asked], capture_output=True, text=True, env=environment
    )
    print(f"{' '.join(asked)}: exit {done.returncode}", flush=True)
    if done.returncode != expected:
        print(done.stdout, done.stderr, flush=True)
    return {
        "seed": seed,
        "exit": done.returncode,
        "took_s": round(time.monotonic() - began),
        "told_after": told_after(done.stdout.splitlines()),
        "also_told": sum(line.startswith("also told") for line in done.stdout.splitlines()),
        "output": "" if done.returncode == expected else f"{asked}\n{done.stdout}\n{done.stderr}",
        "unexpected": sum(line.startswith("UNEXPECTED") for line in done.stdout.splitlines()),
    }


def told_after(lines: Sequence[str]) -> dict[str, result.Figure]:
    """The rows of the table at the end: what was planted, and how long after it was told."""
    begin = next((n for n, line in enumerate(lines) if line.startswith("what was planted")), len(lines))
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
