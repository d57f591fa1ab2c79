"""What can go wrong with a server, in words for the maintenance lead.

Exception
├── Trouble   the server cannot be used just now, or not so: all waits, and is tried again
└── Refused   the server took the request and refuses its points: the others go on
"""

from __future__ import annotations

import socket
import ssl
from collections.abc import Iterator
from contextlib import contextmanager

from monitor.plant.secret import SecretMissing

_LONGEST = 200


class Trouble(Exception):
    """The server cannot be used. `wait_s` is how long it asked us to wait, 0 when it did not say."""

    def __init__(self, words: str, wait_s: float = 0.0) -> None:
        super().__init__(words)
        self.wait_s = wait_s


class Unanswered(Trouble):
    """The server does not answer the question what it kept."""


class Refused(Exception):
    """The server refuses what a request holds; half of it may be taken."""


def one_line(text: object) -> str:
    """What a server said, as one line of visible characters."""
    seen = "".join(c if c.isprintable() else " " for c in str(text))
    line = " ".join(seen.split())
    return line if len(line) <= _LONGEST else f"{line[: _LONGEST - 1]}…"


def of_status(status: int, said: str, *, bucket: str, wait_s: float = 0.0) -> Exception:
    """What an answer that is no success means."""
    tail = f" ({status}: {one_line(said)})" if said.strip() else f" ({status})"
    match status:
        case 401:
            return Trouble(f"it does not know our token: check token_file or token_env{tail}")
        case 403:
            return Trouble(f'our token gives no right to bucket "{bucket}"{tail}')
        case 404:
            return Trouble(
                f'it knows no bucket "{bucket}" or no such org, or this is no address of an '
                f"InfluxDB-compatible server (an InfluxDB before 1.8 is none){tail}"
            )
        case 400 | 413 | 422:
            return Refused(f"it refuses points{tail}")
        case 429 | 503:
            return Trouble(f"it is busy and asks us to come again{tail}", wait_s)
        case _ if 300 <= status < 400:
            return Trouble(f"it redirects, which is never followed: give the final address in url{tail}")
        case _:
            return Trouble(f"it failed{tail}")


@contextmanager
def in_words() -> Iterator[None]:
    """Turns what the network and its libraries raise into Trouble."""
    from urllib3 import exceptions

    try:
        yield
    except SecretMissing as error:
        raise Trouble(str(error)) from error
    except (exceptions.HTTPError, OSError) as error:
        raise Trouble(_network(error)) from error


def _network(error: BaseException) -> str:
    """What the network says, by the innermost that says it: libraries wrap it in layers that change."""
    from urllib3 import exceptions

    layers = list(_layers(error))
    for layer in reversed(layers):
        if isinstance(layer, ssl.SSLCertVerificationError):
            return untrusted(layer.verify_message)
        if isinstance(layer, ssl.SSLError):
            return f"it does not speak TLS with us: {one_line(layer.reason or layer)}"
        if isinstance(layer, socket.gaierror):
            return "its name is not found"
        if isinstance(layer, TimeoutError | exceptions.ReadTimeoutError):
            return "no answer in time"
        if isinstance(layer, OSError) and layer.strerror:
            return f"it cannot be reached: {one_line(layer.strerror)}"
    if any(isinstance(layer, exceptions.ProtocolError) for layer in layers):
        return "it hung up before it answered"
    return f"it cannot be reached: {one_line(error)}"


def _layers(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        inner = getattr(error, "reason", None)
        error = inner if isinstance(inner, BaseException) else error.__cause__ or error.__context__


def untrusted(why: str) -> str:
    """A certificate that is not trusted, and what to do about it."""
    own = "if it is the shop's own, name its authority in ca_file"
    return f"its certificate is not trusted: {one_line(why)}; {own}"
