"""How early, how surely and how quietly: the rules, a fixed limit, a z-score and the best there can be.

    python -m tests.bench.detection --seed 1001 --years 2 --json docs/results/detection.json [--page]

What was simulated and watched before is read from a cache (GOODWATER_BENCH_CACHE), so a run that was killed
goes on. Seeds 1 to 99 are for tuning rules; what is published is measured from 1001 on.
"""

from __future__ import annotations

import argparse
import json
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.bench import open_data
from tests.bench.detection import run
from tests.bench.detection.families import FAMILIES
from tests.bench.detection.page import PAGE, tables, write_page
from tests.bench.detection.summary import folded
from tests.long import result

DEFAULT_YEARS = 2.0


def figures(
    seed: int, years: float, names: tuple[str, ...] = (), minutes: float | None = None
) -> dict[str, Any]:
    """Everything measured and folded; the open data too, or why not."""
    found = folded(run.measured(seed, years, names, minutes))
    if not names or "open" in names:
        try:
            found["open"] = open_data.kept()
        except open_data.NoData as error:
            found["no_open_data"] = str(error)
            print(error)
    found["processor_s"] = round(run.processor_s())
    return found


def page_of(found: dict[str, Any], page: Path = PAGE) -> None:
    """Write the tables of a run that has just ended into the page."""
    today = datetime.fromtimestamp(time.time(), UTC).strftime("%Y-%m-%d")
    write_page(tables(found, date=today, commit=result.commit()[:10]), page)


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.detection", description=__doc__.split("\n")[0]
    )
    parser.add_argument("--seed", type=int, default=run.REPORTING_FROM, help="the first seed (default 1001)")
    parser.add_argument("--years", type=float, default=DEFAULT_YEARS, help="healthy shop-years (default 2)")
    parser.add_argument("--minutes", type=float, help="begin nothing new after so many")
    parser.add_argument("--only", default="", help="healthy, open, or families, comma between")
    parser.add_argument("--json", type=Path, help="result file to write")
    parser.add_argument(
        "--tables-of", type=Path, help="measure nothing: write the page from this result file"
    )
    parser.add_argument("--page", action="store_true", help="write the tables into docs/detection.md")
    asked = parser.parse_args()
    names = tuple(name for name in asked.only.split(",") if name)
    known = {"healthy", "open", *(family.name for family in FAMILIES)}
    if set(names) - known:
        parser.error(f"--only {asked.only}: there are {', '.join(sorted(known))}")
    if asked.tables_of:
        record = json.loads(asked.tables_of.read_text(encoding="utf-8"))
        write_page(tables(record["figures"], date=record["date"][:10], commit=record["commit"][:10]))
        return 0
    began = time.monotonic()
    found = figures(asked.seed, asked.years, names, asked.minutes)
    print(tables(found, date="just now", commit=result.commit()[:10]))
    if asked.json:
        result.write(asked.json, "detection", asked.seed, found, time.monotonic() - began)
    if asked.page:
        page_of(found)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
