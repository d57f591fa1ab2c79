"""Reading back by the export of VictoriaMetrics: every stored sample, also those that are there twice.

https://docs.victoriametrics.com/#how-to-export-data-in-json-line-format
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field

from monitor.mirror.read_back import Ask, Found
from monitor.mirror.server import Server
from monitor.mirror.trouble import Unanswered
from monitor.plant.addresses import web_address
from monitor.plant.fields import Table

_ROWS_A_LINE = 10_000


class Export(Table):
    """A VictoriaMetrics server, single or cluster."""

    kind: Annotated[
        Literal["victoria-metrics"], Field(description="a VictoriaMetrics, asked by /api/v1/export")
    ]
    url: Annotated[
        str | None,
        AfterValidator(lambda found: found if found is None else web_address(found)),
        Field(
            description="where /api/v1/export is, when that is another address than the mirror's: the "
            "select part of a cluster"
        ),
    ] = None
    separator: Annotated[
        str,
        Field(
            description="what the server puts between measurement and field "
            "(its option -influxMeasurementFieldSeparator)"
        ),
    ] = "_"

    def found(self, ask: Ask, server: Server) -> Iterator[Found]:
        """Raises: Unanswered."""
        begin = ask.strand.measurement + self.separator
        names = "|".join(begin + field for field in ask.strand.fields)
        # For up to ten seconds it remembers by the question which series there are, also that there is none.
        # A label that no series has makes this a new question.
        newly = f'asked_{ask.at_ms}=""'
        match = [
            f"__name__=~{json.dumps(names)}",
            *(f"{name}={_quoted(v)}" for name, v in ask.strand.match),
            newly,
        ]
        fields = {
            "match[]": "{" + ",".join(match) + "}",
            "start": f"{ask.from_ms / 1000:.3f}",
            "end": f"{ask.until_ms / 1000:.3f}",
            "max_rows_per_line": str(_ROWS_A_LINE),
        }
        for text in server.lines(self.url or server.url, "/api/v1/export", fields):
            yield from _of_line(text, ask, len(begin))


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _of_line(text: str, ask: Ask, cut: int) -> Iterator[Found]:
    try:
        said: Any = json.loads(text)
        metric, times, values = said["metric"], said["timestamps"], said["values"]
        field = str(metric["__name__"])[cut:]
    except (ValueError, KeyError, TypeError) as error:
        raise Unanswered("what it exports is not what VictoriaMetrics exports") from error
    key = tuple(metric.get(name, "") for name in ask.strand.keys)
    for time_ms, value in zip(times, values, strict=True):
        if isinstance(value, int | float):  # a gap mark of the server's own is null
            yield Found(key, field, int(time_ms), float(value))
