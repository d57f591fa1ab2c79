"""Every key a site file may hold is described, with its default and its choices, and shown in an example."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import pytest
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from monitor.config import RULES, load, site_tables
from monitor.config.kinds import DERIVED
from monitor.config.tables import kinds_of, models_in, walk
from monitor.plant.derived import Derived
from monitor.plant.derived.membrane import Reference
from monitor.plant.fields import is_duration, shown_duration
from monitor.plant.quantities import QUANTITIES
from monitor.plant.units import unit_examples

REFERENCE = Path(__file__).parents[2] / "docs" / "reference"
SITE_FILE = REFERENCE / "site-file.md"
DERIVED_PAGE = REFERENCE / "derived.md"
RULE_PAGES = {kind: REFERENCE / "rules" / f"{kind}.md" for kind in RULES}
_ONE = '`kind = "{}"`'


def headings() -> Iterator[tuple[Path, str, type[BaseModel]]]:
    """Each model of the file with the page and the heading it is described under."""
    yield DERIVED_PAGE, "`[[derived]]`", Derived
    yield DERIVED_PAGE, "`reference`", Reference
    yield from ((DERIVED_PAGE, _ONE.format(*kinds_of(model)), model) for model in DERIVED)
    for name, field in site_tables().model_fields.items():
        if name == "derived":
            continue
        for model in models_in(field.annotation):
            (kind,) = kinds_of(model) if name == "rule" else ("",)
            many = get_origin(field.annotation) is tuple
            title = f"`[[{name}]]`" if many else f"`[{name}]`"
            yield (RULE_PAGES[kind], "Settings", model) if kind else (SITE_FILE, title, model)
            if not kind:
                yield from _inside(name, model)


def _inside(parent: str, model: type[BaseModel]) -> Iterator[tuple[Path, str, type[BaseModel]]]:
    titles = {
        "channel": "`[[instrument.channel]]`",
        "wire": "`[instrument.wire]`",
        "payload": "`payload` of an MQTT wire",
    }
    for name, field in model.model_fields.items():
        models = models_in(field.annotation)
        for inner in models:
            title = titles.get(name, f"`{name}` of a {parent}")
            kind = f", {_ONE.format(kinds_of(inner)[0])}" if kinds_of(inner) else ""
            yield SITE_FILE, title + kind, inner
            yield from _inside(name, inner)


def rows(page: Path, title: str) -> dict[str, list[str]]:
    """The table under a heading, by the key in its first column: type, default, meaning."""
    sections = re.split(r"^#+ (.*)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    body = dict(zip(sections[1::2], sections[2::2], strict=True))
    assert title in body, f"{page.name} has no heading {title}"
    lines = [line for line in body[title].splitlines() if line.startswith("| `")]
    cells = [[cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]] for line in lines]
    return {row[0].strip("`"): row[1:] for row in cells}


def choices(annotation: Any) -> list[Any]:
    """The literals a type allows, also inside a tuple or beside None."""
    if get_origin(annotation) is Literal:
        return list(get_args(annotation))
    return [choice for part in get_args(annotation) if part is not None for choice in choices(part)]


def written(choice: Any) -> str:
    return f'`"{choice}"`' if isinstance(choice, str) else f"`{choice}`"


def own_keys(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """The keys described under a model's own heading: what all derived channels share stands once."""
    shared = Derived.model_fields if model is not Derived and issubclass(model, Derived) else ()
    return {key: field for key, field in model.model_fields.items() if key not in shared}


KEYS = [
    (page, title, key, field) for page, title, model in headings() for key, field in own_keys(model).items()
]


@pytest.mark.parametrize(
    ("page", "title", "key", "field"), KEYS, ids=[f"{title} {key}" for _, title, key, _ in KEYS]
)
def test_a_key_is_described_with_its_default_and_its_choices(
    page: Path, title: str, key: str, field: FieldInfo
) -> None:
    described = rows(page, title)
    assert key in described, f"{page.name}, {title}: no row for `{key}`"
    kind, default, meaning = described[key]
    needed = field.is_required() or key == "kind"
    assert (default == "**needed**") == needed, f"{title} {key}: {default}"
    if is_duration(field) and isinstance(field.default, int) and field.default:
        assert default == (f'`"{shown_duration(field.default)}"`' if not needed else "**needed**")
    elif isinstance(field.default, (int, float)) and not isinstance(field.default, bool) and not needed:
        assert default in (f"`{field.default:g}`", '`"0 s"`')
    elif isinstance(field.default, str) and field.default and not needed:
        assert default == f'`"{field.default}"`'
    assert [choice for choice in choices(field.annotation) if written(choice) not in kind] == []
    assert len(meaning) > 10


def test_no_row_describes_a_key_that_is_gone() -> None:
    known = {(page, title): set(model.model_fields) for page, title, model in headings()}
    for (page, title), keys in known.items():
        assert set(rows(page, title)) - keys == set()


def test_every_quantity_is_described_with_units_it_may_be_written_in() -> None:
    described = rows(SITE_FILE, "Quantities")
    assert list(described) == list(QUANTITIES)
    for name, (units, _) in described.items():
        assert [unit for unit in unit_examples(name) if f"`{unit}`" not in units] == []


@pytest.mark.parametrize("kind", RULES)
def test_every_rule_has_its_page_with_settings_judgement_message_and_limits(kind: str) -> None:
    text = RULE_PAGES[kind].read_text(encoding="utf-8")
    assert text.startswith(f"# Rule `{kind}`\n")
    for heading in ("Settings", "How it judges", "What the message says", "What it cannot tell"):
        assert f"\n## {heading}\n" in text
    assert f"(rules/{kind}.md)" in SITE_FILE.read_text(encoding="utf-8")


def example() -> str:
    """All TOML of the pages, one behind the other: one whole site file."""
    pages = [SITE_FILE, DERIVED_PAGE, *RULE_PAGES.values()]
    texts = (page.read_text(encoding="utf-8") for page in pages)
    return "\n".join(block for text in texts for block in re.findall(r"```toml\n(.*?)```", text, re.DOTALL))


def test_the_examples_of_the_pages_are_one_right_site_file(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(example(), encoding="utf-8")
    assert {rule.kind for rule in load(path).rules} == set(RULES)


def test_every_key_is_shown_in_an_example() -> None:
    shown = {
        (table.model, key) for table in walk(site_tables(), tomllib.loads(example())) for key in table.raw
    }
    shown |= {(Derived, key) for model, key in shown if issubclass(model, Derived)}
    missing = [
        (title, key) for _, title, model in headings() for key in own_keys(model) if (model, key) not in shown
    ]
    assert missing == []
