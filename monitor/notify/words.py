"""Text from outside, made harmless: names from the site file, answers of servers."""

from __future__ import annotations

import smtplib
import socket
import ssl
import unicodedata

# Controls, formatting (which holds the bidirectional overrides), surrogates, unassigned and private use,
# line and paragraph separators: none of them has a place in one line for a person.
_REFUSED = frozenset({"Cc", "Cf", "Cs", "Cn", "Co", "Zl", "Zp"})


def one_line(text: str, longest: int = 0) -> str:
    """The text as one line of visible characters; cut with "…" beyond `longest` when that is not 0."""
    seen = "".join(" " if unicodedata.category(c) in _REFUSED else c for c in text)
    line = " ".join(seen.split())
    return f"{line[: longest - 1].rstrip()}…" if longest and len(line) > longest else line


def said(error: Exception) -> str:
    """What an error of the network or of a server says, for a log line and `goodwater status`."""
    if isinstance(error, smtplib.SMTPResponseException):
        return answer(error.smtp_code, error.smtp_error)
    # smtplib reports a timeout as a hang-up, with the timeout as what happened before.
    if isinstance(error, TimeoutError) or isinstance(error.__context__, TimeoutError):
        return "no answer in time"
    if isinstance(error, smtplib.SMTPServerDisconnected):
        return "it hung up before it took the mail"
    if isinstance(error, ssl.SSLError):
        return one_line(error.reason or str(error), 200)
    if isinstance(error, socket.gaierror):
        return f"its name is not found ({one_line(error.strerror or str(error), 200)})"
    if isinstance(error, OSError) and error.strerror:
        return one_line(error.strerror, 200)
    return one_line(str(error), 200) or type(error).__name__


def answer(code: int, text: bytes | str) -> str:
    """A server's answer with its code, `550 5.1.1 no such person`."""
    words = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    return one_line(f"{code} {words}", 300)
