"""The mail server's fixtures, for this folder."""

from __future__ import annotations

from tests.mailbox import authority, mailbox, make_mailbox

__all__ = ["authority", "mailbox", "make_mailbox"]
