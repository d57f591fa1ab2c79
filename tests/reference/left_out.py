"""What the open cases hold that we leave out or differ from on purpose, and the page section that says so.

python tests/reference/left_out.py          write the lists into docs/science.md
"""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

HERE = Path(__file__).resolve().parent
PAGE = HERE.parents[1] / "docs" / "science.md"
BEGIN, END = "<!-- left out: begin -->", "<!-- left out: end -->"


def left_out() -> dict[str, dict[str, str]]:
    """File part (conductivity, treatment, sump, statistics) -> quantity -> reason."""
    return tomllib.loads((HERE / "left_out.toml").read_text(encoding="utf-8"))


def known_different() -> dict[str, str]:
    """Case id -> physical reason for differing."""
    return tomllib.loads((HERE / "known_different.toml").read_text(encoding="utf-8"))


def section() -> str:
    """Both lists as Markdown."""
    lines = ["| cases | quantity left out | why |", "| --- | --- | --- |"]
    for part, reasons in left_out().items():
        lines += [f"| {part} | `{quantity}` | {reason} |" for quantity, reason in sorted(reasons.items())]
    differing = known_different()
    if differing:
        lines += ["", "| case that differs | why |", "| --- | --- |"]
        lines += [f"| {case} | {reason} |" for case, reason in sorted(differing.items())]
    else:
        lines += ["", "No covered case differs from its value by more than its tolerance."]
    return "\n".join(lines)


def with_section(page: str) -> str:
    """The page with its left-out section replaced."""
    before, rest = page.split(BEGIN)
    after = rest.split(END)[1]
    return f"{before}{BEGIN}\n{section()}\n{END}{after}"


if __name__ == "__main__":
    PAGE.write_text(with_section(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
    sys.exit(0)
