"""Reading back by Flux, as InfluxDB 2 speaks it.

https://docs.influxdata.com/influxdb/v2/query-data/execute-queries/influx-api/
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field

from monitor.mirror.read_back import Ask, Found
from monitor.mirror.server import Server
from monitor.plant.fields import Table


class Flux(Table):
    """An InfluxDB 2."""

    kind: Annotated[Literal["flux"], Field(description="an InfluxDB 2, asked by Flux at /api/v2/query")]

    def found(self, ask: Ask, server: Server) -> Iterator[Found]:
        """Raises: Unanswered."""
        strand = ask.strand
        for record in server.records(_query(ask, server.bucket)):
            values = record.values
            key = tuple(str(values.get(name) or "") for name in strand.keys)
            yield Found(
                key, str(values["_field"]), round(values["_time"].timestamp() * 1000), float(values["_value"])
            )


def _query(ask: Ask, bucket: str) -> str:
    strand = ask.strand
    tags = [("_measurement", strand.measurement), *strand.match]
    same = " and ".join(f"r[{_text(name)}] == {_text(value)}" for name, value in tags)
    columns = ", ".join(map(_text, ("_time", "_value", "_field", *strand.keys)))
    # range() takes its stop out; times as integers are nanoseconds.
    return (
        f"from(bucket: {_text(bucket)})"
        f" |> range(start: time(v: {ask.from_ms}000000), stop: time(v: {ask.until_ms + 1}000000))"
        f" |> filter(fn: (r) => {same})"
        f" |> keep(columns: [{columns}])"
    )


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("${", "\\${")
