"""Short-lived processes that make a digest, so that the watch neither waits for one nor grows by it.

`python -m monitor.reports.child` reads the figures of a digest as JSON and prints its words and pictures.
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

from monitor.notify.failures import Temporary
from monitor.notify.message import Picture, ReportWords
from monitor.notify.words import one_line
from monitor.readings import Report
from monitor.reports.week import Week

_GATHER_S, _WORDS_S = 900.0, 300.0
_LOOK_S = 0.2
_NICENESS = 10  # intake and judging go first


class ChildFailed(Exception):
    """A process that was to make a digest did not; the text says why."""


def figures(site: Path, week: Week, stopping: threading.Event) -> dict[str, Any]:
    """The figures of a week, from `goodwater digest` in a process of its own.

    Raises: ChildFailed, also when `stopping` is set meanwhile.
    """
    arguments = ["monitor.cli", "digest", str(site), "--week", week.label, "--json"]
    found: dict[str, Any] = _answer(arguments, "", _GATHER_S, stopping)
    return found


class Words:
    """Puts reports into words, each in a process of its own; the last one is remembered, for a report goes
    to several people."""

    def __init__(self, stopping: threading.Event) -> None:
        self._stopping = stopping
        self._last: tuple[str, ReportWords] | None = None

    def of(self, report: Report) -> ReportWords:
        """Raises: Temporary when it cannot be done now."""
        if self._last is not None and self._last[0] == report.key:
            return self._last[1]
        try:
            body = json.dumps(report.body, ensure_ascii=False)
            made = _answer(["monitor.reports.child"], body, _WORDS_S, self._stopping)
        except ChildFailed as error:
            raise Temporary(f"the {report.kind} of {report.period}: {error}", about="message") from error
        pictures = (Picture(p["content_id"], p["name"], base64.b64decode(p["png"])) for p in made["pictures"])
        words = ReportWords(made["subject"], made["text"], made["html"], tuple(pictures))
        self._last = report.key, words
        return words


def _answer(module: list[str], told: str, most_s: float, stopping: threading.Event) -> Any:
    """What a module prints as JSON when it is told this."""
    try:
        process = subprocess.Popen(
            [sys.executable, "-m", *module],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
        )
    except OSError as error:  # out of memory or processes: that may pass
        raise ChildFailed(f"no process could be started: {error.strerror}") from error
    with process:
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, process.pid, _NICENESS)
        end = time.monotonic() + most_s
        to_tell: str | None = told
        while True:
            try:
                out, complaint = process.communicate(to_tell, timeout=_LOOK_S)
                break
            except subprocess.TimeoutExpired:
                to_tell = None  # the first call goes on telling it
                if stopping.is_set() or time.monotonic() > end:
                    process.kill()
                    process.communicate()
                    raise ChildFailed(
                        "the watch is ending" if stopping.is_set() else f"not done after {most_s:.0f} s"
                    ) from None
    if process.returncode != 0:
        raise ChildFailed(_why(complaint) or f"it ended with {process.returncode}")
    return json.loads(out)


def _why(complaint: str) -> str:
    """What a process said at its end, in one line; of a traceback its last."""
    lines = complaint.strip().splitlines()
    return one_line(lines[-1] if "Traceback" in complaint else " ".join(lines), 300)


def main() -> int:
    """Words and pictures of the figures that are read."""
    from monitor.reports.figures import from_json
    from monitor.reports.made import parts

    made = parts(from_json(json.loads(sys.stdin.read())))
    pictures = [
        {
            "content_id": picture.content_id,
            "name": f"{picture.name}.png",
            "png": base64.b64encode(picture.png).decode(),
        }
        for picture in made.pictures
    ]
    print(  # noqa: T201
        json.dumps({"subject": made.subject, "text": made.text, "html": made.html, "pictures": pictures})
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
