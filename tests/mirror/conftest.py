from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.mailbox import Authority, authority
from tests.mirror.point_server import PointServer
from tests.mirror.shop import MIRROR, Driven, Hands, Shop, write_site

__all__ = ["Authority", "authority"]

# 2026-06-01 06:00 UTC
START_MS = 1_780_293_600_000


@pytest.fixture
def server() -> Iterator[PointServer]:
    with PointServer() as made:
        yield made


@pytest.fixture
def drive(tmp_path: Path, server: PointServer) -> Iterator[Callable[..., Driven]]:
    """A shop whose mirror is stepped by hand; the options replace lines of its table."""
    made: list[Driven] = []

    def make(meters: int = 2, **lines: str) -> Driven:
        text = MIRROR.format(url=server.url)
        for key, line in lines.items():
            text = "".join(f"{old}\n" for old in text.splitlines() if not old.startswith(f"{key} ="))
            text += f"{key} = {line}\n" if line else ""
        made.append(Driven(Shop(write_site(tmp_path, text, meters)), Hands(START_MS)))
        return made[-1]

    yield make
    for one in made:
        one.close()
