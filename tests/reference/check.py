"""Run published check values against our own functions.

    python tests/reference/check.py CASES.csv [CASES.csv ...]

A file has the columns id, quantity, inputs (JSON), value, unit, tolerance, source. Each case is computed by
the function that a `map_*.py` beside this file names for its quantity. One line per failing case, then
`covered N of M quantities, passed P of Q cases`, Q being the cases of covered quantities. Exit 1 on any
failure. A quantity without a function is named loudly and counts as not covered.
"""

from __future__ import annotations

import csv
import importlib
import json
import math
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
if str(HERE.parents[1]) not in sys.path:
    sys.path.insert(0, str(HERE.parents[1]))  # so that a fresh clone runs from any folder

Compute = Callable[[dict[str, Any]], Any]


@dataclass(frozen=True)
class Case:
    """One row of a cases file, its inputs and value decoded."""

    id: str
    quantity: str
    inputs: dict[str, Any]
    value: Any
    unit: str
    tolerance: str
    source: str


@dataclass(frozen=True)
class Outcome:
    """What became of a case: `problem` is empty when it passed."""

    case: Case
    problem: str


def quantities() -> dict[str, Compute]:
    """Every mapped quantity, merged from the `QUANTITIES` of each map_*.py in this folder."""
    merged: dict[str, Compute] = {}
    for path in sorted(HERE.glob("map_*.py")):
        module = importlib.import_module(f"tests.reference.{path.stem}")
        twice = merged.keys() & module.QUANTITIES.keys()
        if twice:
            raise ValueError(f"{path.name} maps again what another file maps: {', '.join(sorted(twice))}")
        merged.update(module.QUANTITIES)
    return merged


def read_cases(path: Path) -> list[Case]:
    """The cases of one file. A row that names another row's data (`x_y`) receives that row's x and y."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    cases = [
        Case(
            row["id"],
            row["quantity"],
            json.loads(row["inputs"] or "{}"),
            decode(row["value"]),
            row["unit"],
            row["tolerance"].strip(),
            row["source"],
        )
        for row in rows
    ]
    lenders = {case.inputs["x_y"] for case in cases if "x_y" in case.inputs}
    for case in cases if lenders else []:
        case.inputs.update(named_data(cases, case.inputs.get("x_y")))
    return cases


def named_data(cases: list[Case], name: str | None) -> dict[str, Any]:
    """The x and y of the row called `name`, looked for in this file and then in the open file beside us."""
    if name is None:
        return {}
    for case in cases + read_plain_open():
        if case.inputs.get("name") == name and {"x", "y"} <= case.inputs.keys():
            return {"x": case.inputs["x"], "y": case.inputs["y"]}
    raise KeyError(f"x_y names {name!r}, and no row of that name lists x and y")


def read_plain_open() -> list[Case]:
    """The rows of the open statistics file that carry data under a name (a cases file may lean on them)."""
    with (HERE / "statistics_open.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["quantity"] == "ols_slope"]
    return [
        Case(row["id"], row["quantity"], json.loads(row["inputs"]), row["value"], row["unit"], "", "")
        for row in rows
    ]


def decode(text: str) -> Any:
    """A value cell: a number, a JSON list, or else the label itself."""
    try:
        return json.loads(text)
    except json.JSONDecodeError:
        try:
            return float(text)
        except ValueError:
            return text.strip()


def run(case: Case, compute: Compute) -> Outcome:
    """Compute a case and hold it against its value by its tolerance."""
    try:
        got = compute(dict(case.inputs))
    except Exception as error:  # noqa: BLE001 - whatever a function raises is this case's result, and printed
        if case.tolerance == "error" and is_range_error(error):
            return Outcome(case, "")
        return Outcome(case, f"raised {type(error).__name__}: {error}")
    if case.tolerance == "error":
        return Outcome(case, f"answered {got!r}, and should have refused")
    return Outcome(case, differs(plain(got), case.value, case.tolerance))


def is_range_error(error: Exception) -> bool:
    """Only a range error of our own packages is a refusal; a KeyError or a bare ValueError is a bug."""
    return any(
        base.__name__ == "OutOfRange" and base.__module__.startswith("monitor.")
        for base in type(error).__mro__
    )


def plain(got: Any) -> Any:
    """NumPy scalars and arrays, tuples and flags as what JSON would hold."""
    if hasattr(got, "tolist"):
        got = got.tolist()
    if isinstance(got, bool):
        return int(got)
    if isinstance(got, (list, tuple)):
        return [plain(item) for item in got]
    return got


def differs(got: Any, value: Any, tolerance: str) -> str:
    """Empty when `got` is within `tolerance` of `value`, else what is wrong."""
    if isinstance(value, list):
        if not isinstance(got, list) or len(got) != len(value):
            return f"got {got!r}, expected a list of {len(value)}: {value!r}"
        wrong = [differs(*pair, tolerance) for pair in zip(got, value, strict=True)]
        return "; ".join(f"[{i}] {text}" for i, text in enumerate(wrong) if text)
    form, _, size = tolerance.partition(":")
    if form == "exact":
        same = got == value if is_number(got) == is_number(value) else False
        return "" if same else f"got {got!r}, expected {value!r}"
    if form not in ("rel", "abs"):
        return f"tolerance {tolerance!r} is none of rel:x, abs:x, exact, error"
    if not is_number(got) or not is_number(value) or not math.isfinite(got):
        return f"got {got!r}, expected {value!r} within {tolerance}"
    allowed = float(size) * (abs(value) if form == "rel" else 1.0)
    off = abs(got - value)
    if off <= allowed:
        return ""
    relative = f", {100 * off / abs(value):.3g} %" if value else ""
    return f"got {got:.7g}, expected {value:.7g} within {tolerance} (off by {off:.3g}{relative})"


def is_number(thing: Any) -> bool:
    return isinstance(thing, (int, float)) and not isinstance(thing, bool)


def report(cases: Iterable[Case], known: dict[str, Compute]) -> tuple[list[str], bool]:
    """The lines to print and whether every covered case passed."""
    wanted: Counter[str] = Counter()
    lines: list[str] = []
    passed = total = 0
    for case in cases:
        wanted[case.quantity] += 1
        if case.quantity not in known:
            continue
        total += 1
        outcome = run(case, known[case.quantity])
        if outcome.problem:
            lines.append(f"FAIL {case.id} {case.quantity}: {outcome.problem}")
        else:
            passed += 1
    missing = sorted(wanted.keys() - known.keys())
    lines += [
        f"NOT COVERED {name}: no function is mapped, {wanted[name]} case(s) not run" for name in missing
    ]
    covered = len(wanted) - len(missing)
    lines.append(f"covered {covered} of {len(wanted)} quantities, passed {passed} of {total} cases")
    return lines, passed == total


def main(argv: Sequence[str]) -> int:
    if not argv or any(name.startswith("-") for name in argv):
        print("usage: python tests/reference/check.py CASES.csv [CASES.csv ...]", file=sys.stderr)
        return 2
    cases: list[Case] = []
    for name in argv:
        try:
            cases += read_cases(Path(name))
        except (OSError, KeyError, json.JSONDecodeError, UnicodeDecodeError) as error:
            print(f"check.py: {name}: not a readable cases file: {error}", file=sys.stderr)
            return 2
    lines, good = report(cases, quantities())
    print("\n".join(lines))
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
