"""A table as a file: CSV, or Parquet where pyarrow is installed."""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, TextIO
from zoneinfo import ZoneInfo

from monitor.cli import Refused
from monitor.store.tables import Column, Row

_ROWS_A_GROUP = 50_000
_NO_PYARROW = (
    "Parquet needs pyarrow, which is not installed here: put it into Goodwater's own environment "
    "(.venv/bin/python -m pip install pyarrow), or name a file that ends in .csv"
)


class TableFile(Protocol):
    """Takes rows one by one; leaving the `with` finishes the file."""

    def add(self, row: Row) -> None: ...
    def __enter__(self) -> TableFile: ...
    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...


class CsvFile:
    """Times in ISO 8601 with the shop's offset, numbers with a point, units in the header."""

    def __init__(self, out: TextIO, columns: Sequence[Column], zone: str) -> None:
        self._writer = csv.writer(out)
        self._zone = ZoneInfo(zone)
        self._writer.writerow(["time", *(column.name for column in columns)])

    def add(self, row: Row) -> None:
        moment = datetime.fromtimestamp(row.time_ms / 1000, self._zone).isoformat(timespec="milliseconds")
        cells = (f"{cell:.10g}" if isinstance(cell, float) else cell for cell in row.cells)
        self._writer.writerow([moment, *cells])

    def __enter__(self) -> CsvFile:
        return self

    def __exit__(self, *_: object) -> None:
        pass


class ParquetFile:
    """Times as timestamps in UTC; each field's metadata names its channel and unit.

    Raises: Refused where pyarrow is not installed.
    """

    def __init__(self, path: Path, columns: Sequence[Column]) -> None:
        try:
            import pyarrow  # type: ignore[import-untyped]
            import pyarrow.parquet  # type: ignore[import-untyped]
        except ImportError:
            raise Refused(_NO_PYARROW) from None
        self._arrow: Any = pyarrow
        kinds: dict[str, Callable[[], Any]] = {
            "number": pyarrow.float64, "count": pyarrow.int64, "text": pyarrow.string,
        }  # fmt: skip
        fields = [pyarrow.field("time", pyarrow.timestamp("ms", tz="UTC"), nullable=False)]
        for column in columns:
            told = {"channel": column.channel, "what": column.what, "unit": column.unit}
            fields.append(pyarrow.field(column.name, kinds[column.kind](), metadata=told))
        self._schema: Any = pyarrow.schema(fields)
        self._writer: Any = pyarrow.parquet.ParquetWriter(path, self._schema)
        self._rows: list[Row] = []

    def add(self, row: Row) -> None:
        self._rows.append(row)
        if len(self._rows) >= _ROWS_A_GROUP:
            self._flush()

    def _flush(self) -> None:
        times = [row.time_ms for row in self._rows]
        cells = zip(*(row.cells for row in self._rows), strict=True)
        arrays = [
            self._arrow.array(list(c), f.type) for c, f in zip((times, *cells), self._schema, strict=True)
        ]
        self._writer.write_table(self._arrow.table(arrays, self._schema))
        self._rows = []

    def __enter__(self) -> ParquetFile:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None and self._rows:
            self._flush()
        self._writer.close()
