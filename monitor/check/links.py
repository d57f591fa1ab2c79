"""Whether the links in messages can lead anywhere."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import urlsplit

from monitor.check.caution import Caution
from monitor.config import SiteFile
from monitor.plant.addresses import is_loopback


def of_links(site: SiteFile) -> Iterator[Caution]:
    """A page that other machines are sent to, and cannot reach."""
    page = site.page
    host = urlsplit(page.url or "").hostname or ""
    if not host or not is_loopback(page.listen):
        return
    line = site.places.single("page")
    if is_loopback(host):
        yield Caution(line, f"[page]: {host} is this machine itself: links in messages work on no phone.")
    else:
        yield Caution(
            line,
            f"[page]: messages lead to {host}, and the page listens at {page.listen} only. Without a proxy "
            'on this machine no link works. Right is listen = "0.0.0.0", or that proxy.',
        )
