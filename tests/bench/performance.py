"""The table of figures: each beside its anchor, measured in turns in one run.

    python -m tests.bench.performance [--rows qos1,rows] [--json docs/results/performance.json] [--page FILE]

Prints the rows; `--json` writes the result file, `--page` the table into a page between its marks.
"""

from __future__ import annotations

import argparse
import os
import platform
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.bench import decoding, disk, modbus_polls, qos1, starting, stored_rows, trend
from tests.bench.rows import Row
from tests.long import result

PAGE = result.REPOSITORY / "docs" / "performance.md"
_BEGIN, _END = "<!-- figures: written by tests/bench/performance.py -->", "<!-- end of figures -->"


def _trend() -> list[Row]:
    found = trend.measure()
    return [
        {
            "row": "trend",
            "what": "a year's trend at 1,000 points, the same extremes as the readings",
            "unit": "ms",
            "ours": found["ours"],
            "anchor": found["anchor"],
            "anchor_is": "the bare query of the same rollup rows",
            "ratio": found["ratio"],
            "most": 3.0,
            "how": f"{found['points']} points; medians of runs in turns",
        }
    ]


def _modbus(name: str, measure: Callable[[], Row]) -> list[Row]:
    found = measure()
    return [
        {
            "row": f"modbus_{name}",
            "what": f"Modbus {name.upper()} polls of ten registers, decoded",
            "unit": "polls/s",
            "ours": found["ours"],
            "anchor": found["anchor"],
            "anchor_is": "pymodbus's synchronous client",
            "ratio": found["ratio"],
            "wanted": 0.8,
            "how": "the same wire and server; medians of rounds in turns",
        }
    ]


MEASURES: Mapping[str, Callable[[], Sequence[Row]]] = {
    "qos1": qos1.measure,
    "rows": stored_rows.measure,
    "trend": _trend,
    "modbus-rtu": lambda: _modbus("rtu", modbus_polls.over_rtu),
    "modbus-tcp": lambda: _modbus("tcp", modbus_polls.over_tcp),
    "decode": decoding.measure,
    "start": starting.measure,
    "disk": disk.measure,
}


def measured(names: Sequence[str] = tuple(MEASURES)) -> dict[str, Any]:
    """All rows, with what the machine was doing meanwhile."""
    before, rows = os.getloadavg()[0], []
    for name in names:
        for row in MEASURES[name]():
            print(line(row), flush=True)
            rows.append(row)
    return {"load_before": round(before, 1), "load_after": round(os.getloadavg()[0], 1), "rows": rows}


def kept_promises(row: Row) -> bool:
    """Whether a row is as good as was promised; one that promised nothing is."""
    least, most = row.get("wanted"), row.get("most")
    return (least is None or row["ratio"] >= least) and (most is None or row["ratio"] <= most)


def line(row: Row) -> str:
    """A row as a person reads it at the command line."""
    beside = f"  anchor {row['anchor']:g}  ratio {row['ratio']:g}{_spread(row)}" if "anchor" in row else ""
    return f"{row['row']:18} {row['ours']:>10g} {row['unit']:14}{beside}"


def _spread(row: Row) -> str:
    return f" ({row['lowest']:g} to {row['highest']:g})" if row.get("rounds", 1) > 1 else ""


def table(figures: Mapping[str, Any], *, date: str, commit: str, cores: int | None, python: str) -> str:
    """The figures as the page shows them."""
    lines = [
        f"Measured {date} at commit `{commit}`: {cores} cores, Python {python}, load "
        f"{figures['load_before']} before and {figures['load_after']} after.",
        "A ratio is ours to the anchor's: the median of the rounds, with the lowest and the highest. Where "
        "something is counted a second, more is better; of times, memory and bytes, less.",
        "",
        "| what | ours | anchor | ratio | promised | how |",
        "| --- | ---: | ---: | ---: | ---: | --- |",
    ]
    for row in figures["rows"]:
        ours = f"{row['ours']:,g} {row['unit']}"
        anchor = f"{row['anchor']:,g}: {row['anchor_is']}" if "anchor" in row else ""
        ratio = f"{row['ratio']:.2f}{_spread(row)}" if "ratio" in row else ""
        cells = (row["what"], ours, anchor, ratio, _promised(row), row["how"])
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def _promised(row: Row) -> str:
    if row.get("most") is not None:
        return f"at most {row['most']:g}"
    return f"at least {row['wanted']:g}" if row.get("wanted") is not None else ""


def write_page(text: str, page: Path = PAGE) -> None:
    """Put the table between its marks.

    Raises: ValueError when the page has no such marks.
    """
    before, begin, rest = page.read_text(encoding="utf-8").partition(_BEGIN)
    _, end, after = rest.partition(_END)
    if not (begin and end):
        raise ValueError(f"{page} has not the marks {_BEGIN} and {_END}")
    page.write_text(f"{before}{begin}\n\n{text}\n\n{end}{after}", encoding="utf-8")


def page_of(figures: Mapping[str, Any]) -> str:
    """The table of a run that has just ended."""
    return table(
        figures,
        date=datetime.fromtimestamp(time.time(), UTC).strftime("%Y-%m-%d"),
        commit=result.commit()[:10],
        cores=os.cpu_count(),
        python=platform.python_version(),
    )


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.performance", description=__doc__)
    parser.add_argument("--rows", help=f"only these, comma between: {', '.join(MEASURES)}")
    parser.add_argument("--json", type=Path, help="the result file to write")
    parser.add_argument("--page", type=Path, help="the page to write the table into")
    asked = parser.parse_args()
    names = asked.rows.split(",") if asked.rows else list(MEASURES)
    if unknown := set(names) - set(MEASURES):
        parser.error(f"no such rows: {', '.join(sorted(unknown))}; there are: {', '.join(MEASURES)}")
    began = time.monotonic()
    figures = measured(names)
    if asked.json is not None:
        result.write(asked.json, "performance", 1, figures, time.monotonic() - began)
    if asked.page is not None:
        write_page(page_of(figures), asked.page)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
