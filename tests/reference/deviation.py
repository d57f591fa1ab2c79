"""How far our functions are from independent libraries, measured live.

A module in `tests/reference/live/` lists `COMPARISONS`; each draws random inputs over the valid range with a
fixed seed, runs our function and the library, and gives the deviations. `test_live.py` runs every one and
holds the largest below the stated bound. The table in docs/science.md is written from the last measurement:

    python tests/reference/deviation.py          measure all, write the results and the table

Libraries are imported inside the functions, so listing comparisons costs nothing.
"""

from __future__ import annotations

import importlib
import json
import statistics
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

RESULTS = HERE / "deviations.json"
PAGE = ROOT / "docs" / "science.md"
BEGIN, END = "<!-- live table: begin -->", "<!-- live table: end -->"


@dataclass(frozen=True)
class Comparison:
    """One of our quantities against one library, over a range told in words."""

    quantity: str
    reference: str
    span: str
    bound: float
    deviations: Callable[[], Sequence[float]]
    unit: str = "%"


@dataclass(frozen=True)
class Measured:
    """What a comparison found: absolute deviations in the comparison's unit."""

    quantity: str
    reference: str
    span: str
    cases: int
    largest: float
    typical: float
    bound: float
    unit: str

    @property
    def name(self) -> str:
        return f"{self.quantity} against {self.reference}"


def relative_pct(got: float, expected: float) -> float:
    """Deviation from the reference in per cent of it."""
    return 100.0 * (got - expected) / expected


def comparisons() -> Iterator[Comparison]:
    """Every comparison of every module in live/."""
    for path in sorted((HERE / "live").glob("*.py")):
        if path.stem != "__init__":
            yield from importlib.import_module(f"tests.reference.live.{path.stem}").COMPARISONS


def measure(comparison: Comparison) -> Measured:
    """Run one comparison: largest and typical (median) absolute deviation."""
    sizes = [abs(float(size)) for size in comparison.deviations()]
    if len(sizes) < 10 or any(size != size for size in sizes):
        raise ValueError(f"{comparison.quantity}: {len(sizes)} deviations, or one is no number")
    return Measured(
        quantity=comparison.quantity,
        reference=comparison.reference,
        span=comparison.span,
        cases=len(sizes),
        largest=float(f"{max(sizes):.2g}"),
        typical=float(f"{statistics.median(sizes):.2g}"),
        bound=comparison.bound,
        unit=comparison.unit,
    )


def table(rows: Sequence[Measured]) -> str:
    """The rows as Markdown."""
    lines = [
        "| quantity | reference | range of the random inputs | cases | largest | typical | held below |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in rows:
        figures = (f"{size:g} {row.unit}" for size in (row.largest, row.typical, row.bound))
        lines.append(
            f"| `{row.quantity}` | {row.reference} | {row.span} | {row.cases} | " + " | ".join(figures) + " |"
        )
    return "\n".join(lines)


def recorded() -> list[Measured]:
    """The rows of the last measurement."""
    return [Measured(**row) for row in json.loads(RESULTS.read_text(encoding="utf-8"))]


def with_table(page: str, rows: Sequence[Measured]) -> str:
    """The page with its live table replaced."""
    before, rest = page.split(BEGIN)
    after = rest.split(END)[1]
    return f"{before}{BEGIN}\n{table(rows)}\n{END}{after}"


def main() -> int:
    rows = sorted((measure(comparison) for comparison in comparisons()), key=lambda row: row.name)
    for row in rows:
        print(f"{row.name}: largest {row.largest:g} {row.unit}, typical {row.typical:g}, bound {row.bound:g}")
    text = json.dumps([asdict(row) for row in rows], indent=1, ensure_ascii=False) + "\n"
    RESULTS.write_text(text, encoding="utf-8")
    PAGE.write_text(with_table(PAGE.read_text(encoding="utf-8"), rows), encoding="utf-8")
    return 0 if all(row.largest <= row.bound for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
