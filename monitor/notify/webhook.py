"""A signed JSON message to a web address, the way of delivery `kind = "webhook"`."""

from __future__ import annotations

import ipaddress
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, model_validator

from monitor.notify.mail_server import is_loopback
from monitor.notify.secret import one_of
from monitor.plant.fields import DurationMs, Table

# Names that never leave the local network: RFC 6762, RFC 8375, and the top-level name kept for private use.
_LOCAL_NAMES = (".local", ".home.arpa", ".internal")


def _inside_the_shop(host: str) -> bool:
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return is_loopback(host) or host.lower().rstrip(".").endswith(_LOCAL_NAMES)
    return address.is_private or address.is_loopback or address.is_link_local


def _web_address(found: str) -> str:
    try:
        parts = urlsplit(found)
        host, _ = parts.hostname, parts.port
    except ValueError as error:
        raise ValueError(f'"{found}" is no web address: {error}') from None
    if parts.scheme not in ("http", "https") or not host or not (found.isascii() and found.isprintable()):
        raise ValueError(f'"{found}" is no web address; one looks like https://hooks.shop.example/alarm')
    if " " in found or parts.fragment or parts.username is not None or parts.password is not None:
        raise ValueError(
            "a web address here has no login, no #part and no space; the signature proves who sends"
        )
    if parts.scheme == "http" and not _inside_the_shop(host):
        raise ValueError(
            f"http:// to {host} could be read and changed on the way; use https://, or an address inside the "
            "shop (localhost, a private address, a name under .local, .internal or .home.arpa)"
        )
    return found


class Way(Table):
    """A receiver that takes JSON by POST."""

    kind: Annotated[Literal["webhook"], Field(description="JSON by HTTP POST, signed")]
    url: Annotated[
        str,
        AfterValidator(_web_address),
        Field(description="https address of the receiver; http only inside the shop"),
    ]
    secret_file: Annotated[
        str | None, Field(description="file that holds the signing key, relative to the site file")
    ] = None
    secret_env: Annotated[
        str | None, Field(description="environment variable that holds the signing key")
    ] = None
    ca_file: Annotated[
        str | None,
        Field(description="certificates (PEM) to trust instead of the system's; relative to the site file"),
    ] = None
    timeout: Annotated[
        DurationMs,
        Field(gt=0, description="longest wait for each answer; a whole delivery may take three times this"),
    ] = 20_000

    @model_validator(mode="after")
    def _is_signed(self) -> Way:
        one_of("secret", self.secret_file, self.secret_env)
        return self

    @property
    def label(self) -> str:
        return f"webhook {urlsplit(self.url).hostname}"
