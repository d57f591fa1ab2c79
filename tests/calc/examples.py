"""Run the commands shown in docs/how-to/calc.md, and write their outputs there.

python tests/calc/examples.py
"""

from __future__ import annotations

import contextlib
import io
import re
import shlex
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from monitor import calc  # noqa: E402 - the path above comes first

PAGE = ROOT / "docs" / "how-to" / "calc.md"
_BLOCK = re.compile(r"(```console\n)(.*?)(```)", re.DOTALL)
_PROMPT = "$ goodwater calc "


def run(command: str) -> str:
    """What a shown command prints, errors included."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        calc.main(shlex.split(command))
    return out.getvalue()


def commands(page: str) -> list[str]:
    """Every command shown on a page; a backslash carries it on to the next line."""
    return [command for block in _BLOCK.finditer(page) for command, _ in _pieces(block[2])]


def _pieces(block: str) -> list[tuple[str, str]]:
    """A block as commands, each with the text it stands as on the page."""
    pieces: list[tuple[str, str]] = []
    lines = iter(block.splitlines())
    for line in lines:
        if not line.startswith(_PROMPT):
            continue  # output of the command above
        shown = line
        while shown.endswith("\\"):
            shown += "\n" + next(lines)
        pieces.append((shown.removeprefix(_PROMPT).replace("\\\n", " "), shown))
    return pieces


def with_outputs(page: str) -> str:
    """The page with the output below each command as it is now."""

    def again(block: re.Match[str]) -> str:
        body = "\n".join(f"{shown}\n{run(command)}" for command, shown in _pieces(block[2]))
        return f"{block[1]}{body}{block[3]}"

    return _BLOCK.sub(again, page)


if __name__ == "__main__":
    PAGE.write_text(with_outputs(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
