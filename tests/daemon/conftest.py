from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from simulator.mailbox import Mailbox
from tests.daemon.watched import Publisher, Watched, write_site
from tests.mailbox import Authority, authority
from tests.mosquitto import Mosquitto

__all__ = ["authority"]


@pytest.fixture
def mailbox(authority: Authority) -> Iterator[Mailbox]:
    """A real mail server with STARTTLS and a login."""
    with Mailbox(security="starttls", tls=authority.server, users={"goodwater": "open sesame"}) as box:
        yield box


@pytest.fixture
def watched(
    tmp_path: Path, broker: Mosquitto, mailbox: Mailbox, authority: Authority
) -> Iterator[Callable[..., Watched]]:
    """Makes a watch, not started yet."""
    made: list[Watched] = []

    def make(folder: Path = tmp_path, **options: Any) -> Watched:
        path = write_site(
            folder,
            broker_port=broker.port,
            mail_port=mailbox.port,
            ca_file=authority.file,
            **options,
        )
        made.append(Watched(path))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def publisher(broker: Mosquitto) -> Iterator[Publisher]:
    made = Publisher(broker.port)
    yield made
    made.close()


@pytest.fixture
def now_ms() -> int:
    return time.time_ns() // 1_000_000
