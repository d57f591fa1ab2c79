"""The link of a message: the page's address, and a token for exactly this message."""

from __future__ import annotations

import logging
from pathlib import Path

from monitor.acknowledging.key import ready_key
from monitor.acknowledging.settings import PageSettings
from monitor.acknowledging.token import Told, made
from monitor.readings import Owed

log = logging.getLogger(__name__)


class Links:
    """Makes the links of one site. The same row has the same link at every try."""

    def __init__(self, page: PageSettings, site: str, data: Path) -> None:
        self._page, self._site, self._data = page, site, data
        self._failed = False

    def of(self, owed: Owed) -> str:
        """The link for a row of the outbox; empty where no address is known, or no key can be had: a message
        without a link is better than none."""
        if self._page.url is None:
            return ""
        told = Told(owed.id, owed.notice.transition, owed.notice.person)
        try:
            token = made(ready_key(self._data), self._site, told, owed.owed_ms + self._page.link_valid)
        except (OSError, ValueError) as error:
            if not self._failed:
                log.error("messages go out without a link to acknowledge by: %s", error)
            self._failed = True
            return ""
        self._failed = False
        return f"{self._page.url}/ack/{token}"
