"""The locator knows the line of every key, however TOML lets it be written."""

from __future__ import annotations

import tomllib

import pytest

from monitor.config.locate import Lines, Path
from tests.config.test_fuzz import paths

TEXT = '''# comment with [brackets] and = signs
title = "a # no comment"   # a comment
a.b.c = 1
a."b d".e = 'x = [y'

[owner]   # a header with a comment
name = """several
lines with ] and "quotes" ""
"""
raw = \'\'\'
[not.a.header]
\'\'\'
dates = [1979-05-27, 07:32:00, 1979-05-27T07:32:00Z]

[[car]]
id = "one"
[car.engine]
power = 3
[[car.wheel]]
size = 1
[[car.wheel]]
size = 2

[[car]]
wheel = [{ size = 3 }, { size = 4, nut.count = 5 }]
ids = [
  "x",  # first ] one
  # only a comment
  "y", [
    1,
  ],
]
empty = []
none = {}
"quoted \\u0041" = 1
[x . y . "z.w"]
last = -inf'''


def line_of(marker: str) -> int:
    return TEXT[: TEXT.index(marker)].count("\n") + 1


CASES: list[tuple[Path, str]] = [
    (("title",), "title"),
    (("a",), "a.b.c"),
    (("a", "b", "c"), "a.b.c"),
    (("a", "b d", "e"), 'a."b d"'),
    (("owner",), "[owner]"),
    (("owner", "name"), "name ="),
    (("owner", "raw"), "raw ="),
    (("owner", "dates", 2), "dates"),
    (("car", 0), '[[car]]\nid = "one"'),
    (("car", 0, "id"), 'id = "one"'),
    (("car", 0, "engine", "power"), "power"),
    (("car", 0, "wheel", 0, "size"), "size = 1"),
    (("car", 0, "wheel", 1), "[[car.wheel]]\nsize = 2"),
    (("car", 1), "[[car]]\nwheel"),
    (("car", 1, "wheel", 1, "nut", "count"), "wheel = [{"),
    (("car", 1, "ids", 0), '"x",'),
    (("car", 1, "ids", 1), '"y", ['),
    (("car", 1, "ids", 2, 0), "    1,"),
    (("car", 1, "none"), "none"),
    (("car", 1, "quoted A"), '"quoted'),
    (("x", "y", "z.w", "last"), "last = -inf"),
]


@pytest.mark.parametrize(("path", "marker"), CASES)
def test_a_path_has_the_line_it_stands_on(path: Path, marker: str) -> None:
    assert Lines(TEXT).of(path) == line_of(marker)


def test_every_path_of_the_document_is_known() -> None:
    lines = Lines(TEXT)
    assert [path for path in paths(tomllib.loads(TEXT), ()) if not lines.knows(path)] == []


def test_a_key_that_is_missing_has_the_line_of_the_table_around_it() -> None:
    assert Lines(TEXT).of(("car", 0, "engine", "torque")) == line_of("[car.engine]")


def test_line_ends_of_windows_count_once() -> None:
    lines = Lines(TEXT.replace("\n", "\r\n"))
    assert all(lines.of(path) == line_of(marker) for path, marker in CASES)
