"""A small server that takes line protocol, keeps it in memory, exports it, and misbehaves on demand."""

from __future__ import annotations

import gzip
import json
import re
import ssl
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from urllib.parse import parse_qs, urlsplit

from tests.http_server import QuietHandler, serving

Series = tuple[tuple[str, str], ...]  # labels, with the name as a VictoriaMetrics gives it


@dataclass
class PointServer:
    """`answer` is the status of each write, with body and Retry-After; `keeps` says of each line whether it
    is kept, `refuses` whether it makes the whole request a 400; `can_be_asked` turns the export off.
    """

    answer: tuple[int, str, str] = (204, "", "")
    keeps: Callable[[str], bool] = lambda line: True
    refuses: Callable[[str], bool] = lambda line: False
    can_be_asked: bool = True
    canned: tuple[int, str] | None = None  # every question is answered so
    tls: ssl.SSLContext | None = None
    stored: dict[Series, list[tuple[int, float]]] = field(default_factory=dict)
    requests: list[tuple[str, dict[str, str]]] = field(default_factory=list)  # path with query, headers
    bodies: list[str] = field(default_factory=list)
    written: int = 0  # lines that were acknowledged

    def __enter__(self) -> PointServer:
        self._serving = serving(self._handler(), self.tls)
        self.port = self._serving.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._serving.__exit__(kind, error, trace)

    @property
    def url(self) -> str:
        return f"{'http' if self.tls is None else 'https'}://localhost:{self.port}"

    def has(self, name: str, **labels: str) -> list[tuple[int, float]]:
        """(ms, value) of the series with this name and these labels, as they came."""
        wanted = {("__name__", name), *labels.items()}
        return [pair for series, pairs in self.stored.items() if wanted <= set(series) for pair in pairs]

    def take(self, line: str) -> None:
        """Keep one line."""
        head, fields, time_ms = re.fullmatch(r"((?:[^ \\]|\\.)+) (\S+) (-?\d+)", line).groups()  # type: ignore[union-attr]
        measurement, *tags = re.split(r"(?<!\\),", head)
        labels = [tuple(re.sub(r"\\([,= ])", r"\1", tag).split("=", 1)) for tag in tags]
        for pair in fields.split(","):
            name, value = pair.split("=")
            series = tuple(sorted([("__name__", f"{measurement}_{name}"), *labels]))
            self.stored.setdefault(series, []).append((int(time_ms), float(value)))  # type: ignore[arg-type]

    def _write(self, body: bytes) -> tuple[int, str, str]:
        if self.answer[0] != 204:
            return self.answer
        lines = body.decode().splitlines()
        refused = [line for line in lines if self.refuses(line)]
        if refused:
            return 400, json.dumps({"code": "invalid", "message": f"cannot take {refused[0]}"}), ""
        self.written += len(lines)
        for line in lines:
            if self.keeps(line):
                self.take(line)
        return 204, "", ""

    def _export(self, query: str) -> tuple[int, str, str]:
        if not self.can_be_asked:
            return 403, '{"message": "no right to read"}', ""
        fields = {name: values[0] for name, values in parse_qs(query).items()}
        match = dict(re.findall(r'(\w+)=~?("(?:[^"\\]|\\.)*")', fields["match[]"]))
        names = set(json.loads(match.pop("__name__")).split("|"))
        start, end = (float(fields[key]) * 1000 for key in ("start", "end"))
        lines = []
        for series, pairs in self.stored.items():
            labels = dict(series)
            if labels["__name__"] in names and all(
                labels.get(k, "") == json.loads(v) for k, v in match.items()
            ):
                inside = [(t, v) for t, v in pairs if start - 0.5 <= t <= end + 0.5]
                times, values = [t for t, _ in inside], [v for _, v in inside]
                lines.append(json.dumps({"metric": labels, "values": values, "timestamps": times}))
        return 200, "\n".join(lines), ""

    def _handler(self) -> type[QuietHandler]:
        server = self

        class Handler(QuietHandler):
            protocol_version = "HTTP/1.0"  # no connection is left open behind a test

            def do_POST(self) -> None:
                server.requests.append((self.path, dict(self.headers)))
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if self.headers.get("Content-Encoding") == "gzip":
                    body = gzip.decompress(body)
                server.bodies.append(body.decode())
                asks = server.canned is not None and not self.path.startswith("/api/v2/write")
                self._reply(*(server.canned or ()), "") if asks else self._reply(*server._write(body))

            def do_GET(self) -> None:
                server.requests.append((self.path, dict(self.headers)))
                said = (
                    server._export(urlsplit(self.path).query)
                    if server.canned is None
                    else (*server.canned, "")
                )
                self._reply(*said)

            def _reply(self, status: int, body: str, retry_after: str) -> None:
                self.send_response(status)
                if status == 302:
                    self.send_header("Location", "http://localhost/elsewhere")
                if retry_after:
                    self.send_header("Retry-After", retry_after)
                self.send_header("Content-Length", str(len(body.encode())))
                self.end_headers()
                self.wfile.write(body.encode())

        return Handler
