"""Logs: lines a person reads on a terminal, JSON lines everywhere else (journal, files, collectors)."""

from __future__ import annotations

import json
import logging
import sys
import time


class _JsonLines(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, object] = {
            "time": time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(record.created))
            + f".{record.msecs:03.0f}Z",
            "level": record.levelname.lower(),
            "part": record.name.removeprefix("monitor."),
            "event": record.msg,  # without its values, so that the same event can be counted
            "message": record.getMessage(),
        }
        if record.exc_info:
            line["trace"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False)


def start(*, verbose: bool = False) -> None:
    """Send all logs to standard error, once, at the start of a process."""
    handler = logging.StreamHandler(sys.stderr)
    if sys.stderr.isatty():
        handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)-7s %(message)s", "%H:%M:%S"))
    else:
        handler.setFormatter(_JsonLines())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.DEBUG if verbose else logging.INFO)
