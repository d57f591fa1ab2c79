"""Where in the site file what was read stands: the line of a table of a given id, or of a key in it."""

from __future__ import annotations

from monitor.config.agree import Document
from monitor.config.locate import Path


class Places:
    """The lines of one site file, by the ids of its tables."""

    def __init__(self, document: Document) -> None:
        self._lines = document.lines
        self._paths: dict[tuple[str, str], Path] = {}
        for table in document.tables:
            known = table.raw.get("id")
            if isinstance(known, str):
                self._paths.setdefault((table.name, known), table.path)

    def line(self, table: str, known: str, *keys: str | int) -> int:
        """The line of `keys` in the table of that id, or of the nearest thing around it; 0 for none."""
        path = self._paths.get((table, known))
        return 0 if path is None else self._lines.of((*path, *keys))

    def single(self, table: str) -> int:
        """The line of a table that stands once."""
        return self._lines.of((table,))
