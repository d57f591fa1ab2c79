"""Reads the file of `goodwater guard`: all of it, or all that is wrong with it."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any, cast

from pydantic import create_model

from monitor.config.kinds import WAYS, one_of, some, typed
from monitor.config.read import tables_of
from monitor.guard.settings import GuardFile, Told


@cache
def guard_tables() -> type[GuardFile]:
    """The model of a guard's file as this Goodwater reads it."""
    told = create_model("Told", __base__=Told, way=(typed(Told, "way", some(one_of(WAYS))), ...))
    fields: dict[str, Any] = {"person": (typed(GuardFile, "person", some(told)), ...)}
    return create_model("GuardTables", __base__=GuardFile, **fields)


def load_guard(path: str | Path) -> GuardFile:
    """The guard's file at a path.

    Raises: ConfigMistakes with everything that is wrong in it.
    """
    return cast(GuardFile, tables_of(Path(path), guard_tables()))
