"""The page follows the store, also when another one is put in its place."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path

from monitor.readings import Tick
from monitor.store.files import STORE
from monitor.store.writer import Batch, Writer
from monitor.web.app import _changes
from tests.heart.shop import START_MS


def store(folder: Path) -> None:
    with contextlib.closing(Writer(folder, START_MS, str)) as writer:
        writer.commit(Batch(START_MS, events=[(1, Tick(START_MS))]))


def test_another_store_in_its_place_is_a_change_at_once(tmp_path: Path) -> None:
    store(tmp_path)

    async def follow() -> None:
        changes = _changes(tmp_path)
        assert await anext(changes)
        (tmp_path / STORE).rename(tmp_path / "aside.db")
        store(tmp_path)
        assert await asyncio.wait_for(anext(changes), 5)
        await changes.aclose()  # type: ignore[attr-defined]

    asyncio.run(follow())
