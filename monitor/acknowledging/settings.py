"""The table `[page]`: where the page is served, and under which address people reach it."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from monitor.plant.addresses import web_address
from monitor.plant.fields import DurationMs, Table


def _base(found: str) -> str:
    return web_address(found).rstrip("/")


class PageSettings(Table):
    """What `goodwater page` does, and whether messages carry a link to it."""

    url: Annotated[
        Annotated[str, AfterValidator(_base)] | None,
        Field(
            description="address under which people reach the page inside the shop, like "
            "http://192.168.1.5:8410; with it messages carry a link to acknowledge by, without it they do not"
        ),
    ] = None
    listen: Annotated[
        str,
        Field(
            min_length=1,
            description="address of this machine that the page is served at; 0.0.0.0 is all of IPv4. From "
            "other machines only the pages behind links can be reached, never the live page",
        ),
    ] = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535, description="TCP port of the page")] = 8410
    link_valid: Annotated[
        DurationMs,
        Field(ge=3_600_000, le=31 * 86_400_000, description="how long a link can be used, from its alarm on"),
    ] = 604_800_000
