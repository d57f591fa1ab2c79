"""The common part of the long measurements: the command line, and the result file that the docs quote.

A measurement is a module ``tests/long/NAME.py`` that ends so::

    def measure(seed: int) -> dict[str, Figure]:
        ...

    if __name__ == "__main__":
        raise SystemExit(result.main("NAME", measure))

``sh tests/run.sh --long NAME`` runs it and writes ``docs/results/NAME.json``.
"""

import argparse
import json
import os
import platform
import subprocess
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

Figure = bool | int | float | str | None | Sequence["Figure"] | Mapping[str, "Figure"]

REPOSITORY = Path(__file__).resolve().parents[2]


def commit(repository: Path = REPOSITORY) -> str:
    """Return the commit measured, with ``+changes`` behind it when the code differs from that commit."""

    def git(*words: str) -> str:
        return subprocess.run(
            ["git", "-C", str(repository), *words], check=True, capture_output=True, text=True
        ).stdout.strip()

    # A result file just written is not a change of what was measured.
    changed = git("status", "--porcelain", "--", ".", ":(exclude)docs/results")
    return git("rev-parse", "HEAD") + ("+changes" if changed else "")


def write(out: Path, name: str, seed: int, figures: Mapping[str, Figure], duration_s: float) -> None:
    """Write the result file: what was measured, on which commit and machine, when, with which seed."""
    record = {
        "name": name,
        "commit": commit(),
        "seed": seed,
        "date": datetime.fromtimestamp(time.time(), UTC).isoformat(timespec="seconds"),
        "duration_s": round(duration_s, 1),
        "machine": {
            "cores": os.cpu_count(),
            "system": f"{platform.system()} {platform.machine()}",
            "python": platform.python_version(),
        },
        "figures": figures,
    }
    text = json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_text(text, encoding="utf-8")


def main(
    name: str,
    measure: Callable[..., Mapping[str, Figure]],
    words: Sequence[str] | None = None,
    *,
    minutes: float | None = None,
) -> int:
    """Read ``--seed`` and ``--out``, measure, write the file, and print the figures.

    Where `minutes` are given there is also ``--minutes``, these its default, and `measure` takes them behind
    the seed. A measurement that finds a promise broken raises AssertionError: no file is written then.
    """
    parser = argparse.ArgumentParser(prog=f"python -m tests.long.{name}")
    parser.add_argument("--seed", type=int, default=1, help="the seed of everything drawn at random")
    parser.add_argument(
        "--out", type=Path, default=REPOSITORY / "docs" / "results" / f"{name}.json", help="the file to write"
    )
    if minutes is not None:
        parser.add_argument("--minutes", type=float, default=minutes, help="how long it may take in all")
    asked = parser.parse_args(words)
    began = time.monotonic()
    figures = measure(asked.seed) if minutes is None else measure(asked.seed, asked.minutes)
    write(asked.out, name, asked.seed, figures, time.monotonic() - began)
    print(json.dumps(figures, indent=2, ensure_ascii=False))
    print(f"written to {asked.out}")
    return 0
