"""Whatever is done to a site file, it loads or is refused in words: never a traceback."""

from __future__ import annotations

import copy
import json
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.config import ConfigMistakes, load
from monitor.config.locate import Lines
from tests.config.sites import SITE

TEXT = (Path(__file__).parents[2] / "config" / "small-shop.toml").read_text(encoding="utf-8")
LINES = TEXT.splitlines()
TOKENS = sorted(
    {word for line in LINES if not line.startswith("#") for word in line.replace(",", " ").split()}
    | {
        '"',
        "'",
        "[",
        "]",
        "{",
        "}",
        "=",
        "nan",
        "inf",
        "-1",
        "0",
        "1e400",
        "true",
        "[]",
        "{}",
        '""',
        "\0",
        "2026-01-01",
    }
    | {'"1 m**9"', '"9 dB"', '"5 %"', '"-3 min"', '"1e308 h"', "[[[", "'''", '"""', "\\", "é", "\r", "9" * 25}
)


@st.composite
def broken_sites(draw: st.DrawFn) -> str:
    """small-shop.toml with some of its lines dropped, doubled, swapped or with words replaced."""
    lines = list(LINES)
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(lines) - 1))
        match draw(st.sampled_from(["drop", "double", "move", "word", "cut", "insert"])):
            case "drop":
                del lines[at]
            case "double":
                lines.insert(at, lines[at])
            case "move":
                lines.insert(draw(st.integers(0, len(lines) - 1)), lines.pop(at))
            case "word":
                words = lines[at].split(" ")
                words[draw(st.integers(0, len(words) - 1))] = draw(st.sampled_from(TOKENS))
                lines[at] = " ".join(words)
            case "cut":
                lines[at] = lines[at][: draw(st.integers(0, len(lines[at])))]
            case "insert":
                lines.insert(at, draw(st.text(max_size=12)))
    return "\n".join(lines)


@given(text=broken_sites())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_mutated_site_file_loads_or_is_refused_in_words(tmp_path: Path, text: str) -> None:
    path = tmp_path / "site.toml"
    path.write_text(text, encoding="utf-8", newline="")
    try:
        load(path)
    except ConfigMistakes as error:
        count = text.count("\n") + 1
        assert error.mistakes
        assert all(
            0 <= mistake.line <= count and mistake.found and mistake.allowed for mistake in error.mistakes
        )


ODD = [
    None,
    0,
    -1,
    1.5,
    True,
    "",
    "x",
    "5 min",
    "1 L",
    [],
    {},
    [0],
    [{}],
    ["x"],
    {"kind": "mqtt"},
    {"id": "x"},
    [[[]]],
]


def as_toml(value: object) -> str:
    """A value as TOML writes it within a line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {as_toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(as_toml, value)) + "]"
    return value.isoformat() if isinstance(value, date) else json.dumps(value, ensure_ascii=False)


@given(data=st.data())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_values_of_any_other_shape_are_refused_in_words(tmp_path: Path, data: st.DataObject) -> None:
    document = tomllib.loads(SITE)
    for _ in range(data.draw(st.integers(1, 3))):
        path = data.draw(st.sampled_from(paths(document, ())[1:]))
        around: Any = document
        for part in path[:-1]:
            around = around[part]
        odd = copy.deepcopy(data.draw(st.sampled_from(ODD)))
        if odd is None:
            del around[path[-1]]
        else:
            around[path[-1]] = odd
        if not document:
            break
    text = "\n".join(f"{json.dumps(key)} = {as_toml(value)}" for key, value in document.items())
    path = tmp_path / "site.toml"
    path.write_text(text, encoding="utf-8")
    try:
        load(path)
    except ConfigMistakes as error:
        assert all(mistake.place and mistake.found and mistake.allowed for mistake in error.mistakes)


@given(text=broken_sites())
@settings(max_examples=60, deadline=None)
def test_every_key_of_whatever_is_still_toml_has_its_line(text: str) -> None:
    try:
        document = tomllib.loads(text)
    except ValueError:
        return
    lines = Lines(text)
    for path in paths(document, ()):
        assert lines.knows(path), path


def paths(found: object, path: tuple[str | int, ...]) -> list[tuple[str | int, ...]]:
    items = found.items() if isinstance(found, dict) else enumerate(found) if isinstance(found, list) else ()
    return [path, *(inner for key, value in items for inner in paths(value, (*path, key)))]
