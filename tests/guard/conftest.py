from __future__ import annotations

from tests.mailbox import authority, make_mailbox

__all__ = ["authority", "make_mailbox"]
