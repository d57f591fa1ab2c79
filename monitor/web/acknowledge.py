"""The page behind the link of a message: the alarm and a button.

Reading it changes nothing, ever: programs that look through mail follow links. Only the button acknowledges,
by a POST.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from urllib.parse import parse_qs

from jinja2 import Environment
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from monitor.acknowledging.desk import Answer, Desk
from monitor.plant.model import Plant
from monitor.readings import Transition, Wording
from monitor.store.files import StoreMissing
from monitor.web.headers import HEADERS

_MOST_BYTES = 8_192


def routes(
    desk: Desk, plant: Plant, wording: Callable[[Transition], Wording], templates: Environment
) -> list[Route]:
    """The routes of links."""
    names = {person.id: person.name for person in plant.person}

    def shown(answer: Answer) -> Response:
        page = templates.get_template("acknowledge.html").render(
            site=plant.site.name,
            answer=answer,
            person=names.get(answer.by, answer.by),
            wording=None if answer.alarm is None else wording(answer.alarm),
        )
        return HTMLResponse(page, answer.status, headers=HEADERS)

    def judged(judge: Callable[[], Answer], then: Callable[[Answer], Response]) -> Response:
        try:
            return then(judge())
        except StoreMissing as error:
            return PlainTextResponse(f"{error}\n", 503)
        except (sqlite3.Error, OSError) as error:
            return PlainTextResponse(f"The store cannot be used: {error}. Nothing was changed.\n", 503)

    # A plain function: Starlette runs it in a thread.
    def look(request: Request) -> Response:
        token = str(request.path_params["token"])
        return judged(lambda: desk.look(token), shown)

    async def press(request: Request) -> Response:
        token, body = str(request.path_params["token"]), b""
        async for chunk in request.stream():
            body += chunk
            if len(body) > _MOST_BYTES:
                return PlainTextResponse("That is more than a comment. Nothing was changed.\n", 413)
        (comment, *_) = parse_qs(body.decode("utf-8", "replace")).get("comment", [""])

        def then(answer: Answer) -> Response:
            # Taken up: back to the page, so that loading it again presses nothing again.
            taken = answer.alarm is not None and answer.status == 200
            return RedirectResponse(f"/ack/{token}", 303, headers=HEADERS) if taken else shown(answer)

        return await run_in_threadpool(judged, lambda: desk.acknowledge(token, comment.strip()), then)

    return [
        Route("/ack/{token}", look, methods=["GET"]),
        Route("/ack/{token}", press, methods=["POST"]),
    ]
