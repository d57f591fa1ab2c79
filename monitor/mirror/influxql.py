"""Reading back by InfluxQL, as InfluxDB 1.8 speaks it, and 2 with a mapped database.

https://docs.influxdata.com/influxdb/v1/tools/api/#query-http-endpoint
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import Field

from monitor.mirror.read_back import Ask, Found
from monitor.mirror.server import Server
from monitor.mirror.trouble import Unanswered, one_line
from monitor.plant.fields import Table

_ROWS_A_CHUNK = 10_000


class InfluxQl(Table):
    """An InfluxDB 1.8, or whatever else answers InfluxQL at /query."""

    kind: Annotated[Literal["influxql"], Field(description="an InfluxDB 1.8, asked by InfluxQL at /query")]
    database: Annotated[str, Field(min_length=1, description="the database that the bucket stands for")]
    retention_policy: Annotated[
        str | None, Field(min_length=1, description="its retention policy; the default one where left out")
    ] = None

    def found(self, ask: Ask, server: Server) -> Iterator[Found]:
        """Raises: Unanswered."""
        strand = ask.strand
        policy = f"{_name(self.retention_policy)}." if self.retention_policy else ""
        where = [f"{_name(name)} = {_text(value)}" for name, value in strand.match]
        where += [f"time >= {ask.from_ms}ms", f"time <= {ask.until_ms}ms"]
        query = (
            f"SELECT {', '.join(map(_name, strand.fields))} FROM {policy}{_name(strand.measurement)} "
            f"WHERE {' AND '.join(where)}"
        )
        if strand.keys:
            query += f" GROUP BY {', '.join(map(_name, strand.keys))}"
        fields = {
            "db": self.database,
            "epoch": "ms",
            "chunked": "true",
            "chunk_size": str(_ROWS_A_CHUNK),
            "q": query,
        }
        for text in server.lines(server.url, "/query", fields):
            yield from _of_chunk(text, ask)


def _name(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _text(text: str) -> str:
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"


def _of_chunk(text: str, ask: Ask) -> Iterator[Found]:
    try:
        results: list[Any] = json.loads(text)["results"]
    except (ValueError, KeyError, TypeError) as error:
        raise Unanswered("what it answers is no answer to InfluxQL") from error
    for result in results:
        if "error" in result:
            raise Unanswered(f"it does not answer the query: {one_line(result['error'])}")
        for series in result.get("series", ()):
            tags = series.get("tags", {})
            key = tuple(tags.get(name, "") for name in ask.strand.keys)
            columns = series["columns"][1:]
            for time_ms, *values in series["values"]:
                for field, value in zip(columns, values, strict=True):
                    if value is not None:
                        yield Found(key, field, int(time_ms), float(value))
