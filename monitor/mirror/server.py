"""The server as it is written to and asked: influxdb-client for the v2 API, plain requests for the others.

Both libraries are imported when the first request is made: a shop without a mirror pays nothing for them.
"""

from __future__ import annotations

import base64
import ssl
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.mirror.trouble import Refused, Trouble, Unanswered, in_words, of_status, one_line, untrusted

if TYPE_CHECKING:
    import urllib3
    from influxdb_client.client.influxdb_client import InfluxDBClient

    from monitor.mirror.settings import Mirror


class Server:
    """One server of the site file. Used by one thread."""

    def __init__(self, settings: Mirror, folder: Path, environ: Mapping[str, str]) -> None:
        self._settings = settings
        self._folder = folder
        self._environ = environ
        self._made_client: InfluxDBClient | None = None
        self._made_pool: urllib3.PoolManager | None = None

    @property
    def url(self) -> str:
        return self._settings.url.rstrip("/")

    @property
    def bucket(self) -> str:
        return self._settings.bucket

    def close(self) -> None:
        """Forget connections, token and certificates: the next request reads them anew."""
        client, self._made_client = self._made_client, None
        pool, self._made_pool = self._made_pool, None
        if client is not None:
            client.close()  # type: ignore[no-untyped-call]
        if pool is not None:
            pool.clear()

    def write(self, lines: Sequence[str]) -> None:
        """Write lines of line protocol with times in milliseconds; returns when the server has acknowledged.

        Raises: Trouble; Refused when the server refuses what is in the lines.
        """
        from influxdb_client.client.write_api import SYNCHRONOUS
        from influxdb_client.domain.write_precision import WritePrecision

        with self._in_words():
            writer = self._client().write_api(write_options=SYNCHRONOUS)
            writer.write(bucket=self.bucket, record="\n".join(lines), write_precision=WritePrecision.MS)  # type: ignore[arg-type]

    def records(self, query: str) -> Iterator[Any]:
        """What a Flux query gives, record by record.

        Raises: Unanswered.
        """
        from influxdb_client.client.flux_csv_parser import FluxCsvParserException, FluxQueryException

        try:
            with self._asking():
                yield from self._client().query_api().query_stream(query)
        except FluxQueryException as error:
            raise Unanswered(f"it does not answer the query: {one_line(error.message)}") from error
        except FluxCsvParserException as error:
            raise Unanswered("what it answers is not annotated CSV") from error

    def lines(self, base: str, path: str, fields: Mapping[str, str]) -> Iterator[str]:
        """The lines of the answer to a GET.

        Raises: Unanswered.
        """
        import urllib3

        headers = {"User-Agent": "goodwater", "Accept-Encoding": "gzip"}
        seconds = self._settings.timeout / 1000
        with self._asking():
            token = self._token()
            if token:
                headers["Authorization"] = _authorization(token)
            pool = self._made_pool or urllib3.PoolManager(ssl_context=self._tls(), retries=False)
            self._made_pool = pool
            reply = pool.request(
                "GET",
                base.rstrip("/") + path,
                fields=dict(fields),
                headers=headers,
                timeout=urllib3.Timeout(seconds),
                preload_content=False,
            )
            try:
                if reply.status != 200:
                    said = reply.read(2_000).decode("utf-8", "replace")
                    raise of_status(reply.status, said, bucket=self.bucket)
                for line in reply:
                    if line.strip():
                        yield line.decode("utf-8", "replace")
            finally:
                reply.close()

    @contextmanager
    def _in_words(self) -> Iterator[None]:
        """Turns what a request raises into Trouble or Refused; after Trouble all is made anew."""
        from influxdb_client.rest import ApiException

        try:
            with in_words():
                yield
        except ApiException as error:
            self.close()
            raise _of_api(error, self.bucket) from error
        except Trouble:
            self.close()
            raise

    @contextmanager
    def _asking(self) -> Iterator[None]:
        """The same for a question: whatever fails, it is not answered."""
        try:
            with self._in_words():
                yield
        except (Trouble, Refused) as error:
            raise Unanswered(str(error), getattr(error, "wait_s", 0.0)) from error

    def _client(self) -> InfluxDBClient:
        from influxdb_client.client.influxdb_client import InfluxDBClient

        if self._made_client is None:
            self._made_client = InfluxDBClient(
                self.url,
                self._token(),
                org=self._settings.org,
                timeout=self._settings.timeout,
                enable_gzip=True,
                ssl_context=self._tls(),
                retries=False,  # a try the library makes on its own may store points twice
            )
        return self._made_client

    def _token(self) -> str:
        secret = self._settings.token(self._folder, self._environ)
        return "" if secret is None else secret.read()

    def _tls(self) -> ssl.SSLContext | None:
        return self._settings.tls(self._folder) if self.url.startswith("https:") else None


def _of_api(error: Any, bucket: str) -> Exception:
    status = int(error.status or 0)
    if status == 0:  # the client's word for a failed TLS handshake
        reason = str(error.reason)
        if "CERTIFICATE_VERIFY_FAILED" in reason:
            return Trouble(untrusted(reason.partition("certificate verify failed: ")[2].split(" (_ssl")[0]))
        return Trouble(f"it does not speak TLS with us: {one_line(reason)}")
    asked = str((error.headers or {}).get("Retry-After", ""))
    wait_s = float(asked) if asked.isascii() and asked.isdigit() else 0.0
    return of_status(status, str(error.message or error.reason or ""), bucket=bucket, wait_s=wait_s)


def _authorization(token: str) -> str:
    # An InfluxDB 1 knows users and passwords, and takes its own scheme for them at /api/v2 alone.
    if ":" in token:
        return "Basic " + base64.b64encode(token.encode()).decode()
    return f"Token {token}"
