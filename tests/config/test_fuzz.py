"""Whatever is done to a site file, it loads or is refused in words: never a traceback."""

from __future__ import annotations

import tomllib
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.config import ConfigMistakes, load
from monitor.config.locate import Lines

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
