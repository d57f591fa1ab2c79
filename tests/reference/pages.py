"""Write the science pages' blocks of quantities from the docstrings, so that they cannot drift apart.

    python tests/reference/pages.py

A page of docs/science/ holds, between `<!-- quantities: monitor.water.NAME -->` and `<!-- end -->`, one
heading for each quantity of that module. What stands outside the blocks is written by hand.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from monitor.catalogue import Input, Quantity, quantities  # noqa: E402 - the path above comes first
from monitor.plant.units import shown_unit  # noqa: E402 - the path above comes first

PAGES = ROOT / "docs" / "science"
_BLOCK = re.compile(r"(<!-- quantities: ([\w.]+) -->\n).*?(<!-- end -->)", re.DOTALL)


def with_blocks(page: str) -> str:
    """The page with every block written anew."""
    return _BLOCK.sub(lambda found: found[1] + block(found[2]) + found[3], page)


def block(module: str) -> str:
    """All quantities of a module as Markdown."""
    members = [one for one in quantities().values() if one.group == module]
    if not members:
        raise ValueError(f"{module} has no quantities")
    return "\n".join(entry(one) for one in members)


def entry(one: Quantity) -> str:
    """One quantity: what it is, inputs with units, and the sections of its docstring."""
    unit = "" if one.unit == "dimensionless" else f" Answer in {shown_unit(one.unit)}."
    lines = [f"### `{one.name}`", "", _marked(one.summary), ""]
    lines.append(f"- **Inputs:** {'; '.join(_named(each) for each in one.inputs)}.{unit}")
    lines += [
        f"- **{title}:** {_marked(body)}"
        for title, body in one.sections.items()
        if title not in ("Example", "Raises")
    ]
    return "\n".join(lines) + "\n"


def _named(one: Input) -> str:
    if one.kind == "label":
        return f"`{one.name}` ({', '.join(map(str, one.labels))})"
    unit = "" if one.unit in ("", "dimensionless") else f" in {shown_unit(one.unit)}"
    return f"`{one.name}`{unit}"


def _marked(text: str) -> str:
    """Text with names of code in backticks, and nothing that starts a Markdown mark by accident."""
    known = {name for name in quantities() if "_" in name}
    parts = text.split("`")
    for place in range(0, len(parts), 2):
        plain = re.sub(r"([*<>|\\])", r"\\\1", parts[place])
        parts[place] = re.sub(r"\w+", lambda word: f"`{word[0]}`" if word[0] in known else word[0], plain)
    return "`".join(parts)


def main() -> int:
    for path in sorted(PAGES.glob("*.md")):
        path.write_text(with_blocks(path.read_text(encoding="utf-8")), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
