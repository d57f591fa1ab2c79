"""Walks a site file's raw tables beside the models that describe them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel

from monitor.config.locate import Path
from monitor.plant.fields import RefersTo


@dataclass(frozen=True, slots=True)
class Found:
    """One table of the file, the model for it, and the way to it."""

    path: Path
    raw: Mapping[str, Any]
    model: type[BaseModel]

    @property
    def name(self) -> str:
        """The name of the table it is one of: `channel`, `stage`, `wire`."""
        return next((str(part) for part in reversed(self.path) if isinstance(part, str)), "")


def models_in(annotation: Any) -> tuple[type[BaseModel], ...]:
    """The models a type can hold: itself, the members of a union, what a tuple is made of."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return (annotation,)
    if get_origin(annotation) is Literal:
        return ()
    return tuple(model for part in get_args(annotation) for model in models_in(part))


@cache
def _models_by_key(model: type[BaseModel]) -> dict[str, tuple[type[BaseModel], ...]]:
    return {key: models_in(field.annotation) for key, field in model.model_fields.items()}


def kinds_of(model: type[BaseModel]) -> tuple[str, ...]:
    """The literals a model's `kind` may hold; empty when it has no such key."""
    field = model.model_fields.get("kind")
    return tuple(map(str, get_args(field.annotation))) if field is not None else ()


def walk(model: type[BaseModel], raw: Any, path: Path = ()) -> Iterator[Found]:
    """Every table in `raw` that a model describes, outermost first; what has another shape is left out."""
    if not isinstance(raw, dict):
        return
    yield Found(path, raw, model)
    models = _models_by_key(model)
    for key, value in raw.items():
        if not models.get(key):
            continue
        items = enumerate(value) if isinstance(value, list) else [(None, value)]
        for index, item in items:
            at = (*path, key) if index is None else (*path, key, index)
            inner = _model_for(models[key], item)
            if inner is not None:
                yield from walk(inner, item, at)


def _model_for(models: tuple[type[BaseModel], ...], raw: Any) -> type[BaseModel] | None:
    if not isinstance(raw, dict):
        return None
    if len(models) == 1:
        return models[0]
    return next((model for model in models if raw.get("kind") in kinds_of(model)), None)


@cache
def marked(model: type[BaseModel]) -> tuple[tuple[str, RefersTo], ...]:
    """The keys of a model that refer to other tables."""
    fields = model.model_fields.items()
    return tuple(
        (key, mark) for key, field in fields for mark in field.metadata if isinstance(mark, RefersTo)
    )


def references(table: Found) -> Iterator[tuple[Path, str, RefersTo]]:
    """The ids of other tables that stand in a table, with their places."""
    for key, mark in marked(table.model):
        value = table.raw.get(key)
        if isinstance(value, str):
            yield (*table.path, key), value, mark
        elif isinstance(value, list):
            for index, item in enumerate(value):
                if isinstance(item, str):
                    yield (*table.path, key, index), item, mark
        elif isinstance(value, dict):
            for item in value:
                yield (*table.path, key, item), item, mark


def at(raw: Any, path: Path) -> Any:
    """What stands at a path; None when nothing does."""
    for part in path:
        if isinstance(raw, dict) and isinstance(part, str):
            raw = raw.get(part)
        elif isinstance(raw, list) and isinstance(part, int) and part < len(raw):
            raw = raw[part]
        else:
            return None
    return raw


def path_in(raw: Any, location: tuple[str | int, ...]) -> Path:
    """pydantic's location as a path of the file: the tags of unions and the like are left out.

    The last part is kept when it is a key the table lacks: that is what the mistake is about.
    """
    path: Path = ()
    for position, part in enumerate(location):
        inside = at(raw, path)
        if isinstance(inside, dict) and isinstance(part, str):
            last = position == len(location) - 1
            if part in inside or (last and part != inside.get("kind") and not part.startswith("[")):
                path = (*path, part)
        elif isinstance(inside, list) and isinstance(part, int):
            path = (*path, part)
    return path


def place_words(raw: Any, path: Path) -> str:
    """A path as a person reads it: `instrument "di-out" > channel "di-out.ec" > unit`."""
    words: list[str] = []
    for position, part in enumerate(path):
        inside = at(raw, path[: position + 1])
        if isinstance(part, str):
            words.append(part)
        elif isinstance(inside, dict):
            known = inside.get("id")
            words[-1] += f' "{known}"' if isinstance(known, str) else f" number {part + 1}"
        else:
            words[-1] += f" number {part + 1}"
    return " > ".join(words) or "the file as a whole"
