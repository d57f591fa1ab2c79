"""Why a message did not get through.

    Failure
    ├── Temporary   nobody answered, or not now: tried again      (server away, wrong password, 451, 503)
    └── Permanent   this message, to this address, never will be  (550 no such person, 404, 410)

A fault of the set-up (certificate, password, sender refused) counts as temporary: a person can mend it
while the message waits, and an alarm must not be thrown away over a typing mistake in another file.
"""

from __future__ import annotations

from typing import Literal


class Failure(Exception):
    """A message was not delivered; the text says why, in words for the maintenance lead."""


class Temporary(Failure):
    """Worth another try.

    `about` says what waits: the whole way of delivery (`"way"`: its far end cannot be used at all just
    now) or this one message (`"message"`: the far end answered and put it off). `wait_s` is how long the
    far end asked us to wait, 0 when it did not say.
    """

    def __init__(self, words: str, *, about: Literal["way", "message"] = "way", wait_s: float = 0.0) -> None:
        super().__init__(words)
        self.about = about
        self.wait_s = wait_s


class Permanent(Failure):
    """Trying again would change nothing."""
