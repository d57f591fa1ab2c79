"""The names of messages, the same for ever: the store writes them, mail programs make threads of them.

A Message-ID (RFC 5322, 3.6.4) is made of characters that need no quoting. Ids of this site may hold dots,
even two together, which an unquoted Message-ID may not, so every part is encoded before the parts are
joined with dots; different parts always give different names.
"""

from __future__ import annotations

import string

from monitor.readings import Notice

_DOMAIN = "goodwater.example"  # names are made here, nothing is looked up or delivered there
_PLAIN = frozenset(string.ascii_lowercase + string.digits + "-")


def message_id(notice: Notice, site_id: str) -> str:
    """The Message-ID of one transition told to one person by one of their ways.

    >>> message_id(Notice("di-limit/di.ec#3.1", "lead", 0), "north-hall")
    '<di-limit_2f_di_2e_ec_23_3_2e_1.lead.0.north-hall@goodwater.example>'
    """
    return _joined(notice.transition, notice.person, str(notice.way), site_id)


def thread_id(notice: Notice, site_id: str) -> str:
    """The Message-ID of the first transition of the same alarm, told the same way: one alarm, one thread.

    >>> thread_id(Notice("di-limit/di.ec#3.2", "lead", 0), "north-hall")
    '<di-limit_2f_di_2e_ec_23_3_2e_1.lead.0.north-hall@goodwater.example>'
    """
    condition, hash_sign, numbers = notice.transition.rpartition("#")
    occurrence = numbers.partition(".")[0]
    first = f"{condition}{hash_sign}{occurrence}.1"
    return message_id(Notice(first, notice.person, notice.way), site_id)


def trial_id(person: str, way: int, site_id: str, now_ms: int) -> str:
    """The Message-ID of a message that only tests a way; no transition's, for none has an empty part."""
    return _joined("", str(now_ms), person, str(way), site_id)


def _joined(*parts: str) -> str:
    return f"<{'.'.join(_encoded(part) for part in parts)}@{_DOMAIN}>"


def _encoded(part: str) -> str:
    return "".join(c if c in _PLAIN else f"_{ord(c):x}_" for c in part) or "_"
