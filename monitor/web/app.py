"""The page's server: the page, its live part, and a stream that says when something changed."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment, FileSystemLoader
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from monitor.acknowledging.desk import Desk
from monitor.clock import Clock
from monitor.plant.addresses import is_loopback
from monitor.plant.model import Plant
from monitor.readings import Transition, Wording
from monitor.store.files import StoreMissing, file_mark, holder, open_reader
from monitor.web import view
from monitor.web.acknowledge import routes
from monitor.web.headers import HEADERS

_HERE = Path(__file__).parent
_LOOK_S = 0.5
_SAY_SOMETHING_S = 10.0
_LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
_BEHIND_LINKS = ("/ack/", "/look.css")


@dataclass(frozen=True)
class Shop:
    """What the page is about."""

    plant: Plant
    data: Path
    clock: Clock
    wording: Callable[[Transition], Wording]
    hosts: tuple[str, ...] = ()  # names of this machine, besides the loopback's, that people use for it


def make(shop: Shop) -> Starlette:
    """The application. It knows no login: other machines reach nothing of it but what is behind a link."""
    templates = Environment(loader=FileSystemLoader(_HERE), autoescape=True, trim_blocks=True)

    def rendered(name: str) -> Response:
        try:
            with contextlib.closing(open_reader(shop.data)) as connection:
                now = view.now(
                    shop.plant,
                    connection,
                    shop.clock.now_ms(),
                    daemon_runs=holder(shop.data) is not None,
                    first_line=lambda transition: shop.wording(transition).first_line,
                )
        except StoreMissing as error:
            return PlainTextResponse(f"{error}\n", 503)
        except sqlite3.Error as error:
            return PlainTextResponse(f"The store cannot be read: {error}\n", 503)
        return HTMLResponse(
            templates.get_template(name).render(now=now),
            headers=HEADERS,
        )

    # Plain functions: Starlette runs them in a thread, so a slow disk does not hold up the streams.
    def page(request: Request) -> Response:
        return rendered("page.html")

    def live_part(request: Request) -> Response:
        return rendered("now.html")

    async def events(request: Request) -> Response:
        return StreamingResponse(_changes(shop.data), media_type="text/event-stream")

    return Starlette(
        routes=[
            Route("/", page),
            Route("/now", live_part),
            Route("/events", events),
            Route("/look.css", _file("look.css", "text/css")),
            Route("/live.js", _file("live.js", "text/javascript")),
            *routes(Desk(shop.plant, shop.data, shop.clock.now_ms), shop.plant, shop.wording, templates),
        ],
        # A page on the loopback must not be read through a name that somebody else points at it.
        middleware=[
            Middleware(TrustedHostMiddleware, allowed_hosts=[*_LOOPBACK, *shop.hosts]),
            Middleware(OthersByLinkOnly),
        ],
    )


class OthersByLinkOnly:
    """Lets other machines reach only what a signed link leads to."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        client = scope.get("client")
        others = client is None or not is_loopback(client[0])
        if scope["type"] == "http" and others and not scope["path"].startswith(_BEHIND_LINKS):
            words = "The live page is shown on the gateway itself; from here only links of messages work.\n"
            await PlainTextResponse(words, 403)(scope, receive, send)
        else:
            await self._app(scope, receive, send)


async def _changes(data: Path) -> AsyncIterator[str]:
    """A line each time another process has committed, and at least every ten seconds."""
    version, quiet_s = -1, 0.0
    connection: sqlite3.Connection | None = None
    mark = file_mark(data)
    try:
        while True:
            if connection is not None and file_mark(data) != mark:  # another store is in its place
                connection.close()
                connection, version = None, -1
            with contextlib.suppress(StoreMissing, sqlite3.Error):
                if connection is None:
                    mark, connection = file_mark(data), open_reader(data)
                (seen,) = connection.execute("pragma data_version").fetchone()
                if seen != version or quiet_s >= _SAY_SOMETHING_S:
                    version, quiet_s = seen, 0.0
                    yield "data: changed\n\n"
            await asyncio.sleep(_LOOK_S)
            quiet_s += _LOOK_S
    finally:
        if connection is not None:
            connection.close()


def _file(name: str, media_type: str) -> Callable[[Request], Response]:
    body = (_HERE / name).read_bytes()

    def serve(request: Request) -> Response:
        return Response(body, media_type=media_type)

    return serve
