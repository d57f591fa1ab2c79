"""Addresses of other machines: which are this machine itself, which stay inside the shop."""

from __future__ import annotations

import ipaddress
from urllib.parse import urlsplit

# Names that never leave the local network: RFC 6762, RFC 8375, and the top-level name kept for private use.
_LOCAL_NAMES = (".local", ".home.arpa", ".internal")


def is_loopback(host: str) -> bool:
    """Whether a host name or address literal means this machine itself."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower().rstrip(".") == "localhost"


def is_inside_the_shop(host: str) -> bool:
    """Whether a host name or address literal is one that never leaves the local network."""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return is_loopback(host) or host.lower().rstrip(".").endswith(_LOCAL_NAMES)
    return address.is_private or address.is_loopback or address.is_link_local


def web_address(found: str) -> str:
    """An address of the web as it was found, when it is one that may be used.

    Raises: ValueError: no address, one with a login, or one that would be readable outside the shop.
    """
    try:
        parts = urlsplit(found)
        host, _ = parts.hostname, parts.port
    except ValueError as error:
        raise ValueError(f'"{found}" is no web address: {error}') from None
    if parts.scheme not in ("http", "https") or not host or not (found.isascii() and found.isprintable()):
        raise ValueError(f'"{found}" is no web address; one looks like https://hooks.shop.example/alarm')
    if " " in found or parts.fragment or parts.username is not None or parts.password is not None:
        raise ValueError(
            "a web address here has no login, no #part and no space; secrets have keys of their own"
        )
    if parts.scheme == "http" and not is_inside_the_shop(host):
        raise ValueError(
            f"http:// to {host} could be read and changed on the way; use https://, or an address inside the "
            "shop (localhost, a private address, a name under .local, .internal or .home.arpa)"
        )
    return found
