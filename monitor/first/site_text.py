"""The site file as text, from what was answered."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from monitor.first.answers import Answers
from monitor.first.meter_tables import instruments
from monitor.first.plant_tables import head, people, reminders, sumps, train, wires
from monitor.first.rule_tables import rules
from monitor.first.shop import Shop


def site_text(answers: Answers, stem: str, kept: Mapping[str, str] | None = None) -> str:
    """The file; `stem` names it, its answers file and, unless another is kept, its data folder."""
    shop = Shop(answers)
    parts = _parts(shop, {"data": f"{stem}-data", **(kept or {})})
    return "\n\n".join([_first_lines(shop, stem), *parts]) + "\n"


def _first_lines(shop: Shop, stem: str) -> str:
    return "\n".join(
        [
            f"# {shop.value('shop.name')}: what is there, what is judged, who is told.",
            "#",
            f"# Made by goodwater init from {stem}-answers.toml. It is yours: change what you like, then",
            "# goodwater check says what is wrong with it, or what it watches. Where a comment says taken,",
            '# nobody answered. Values with a unit stand in quotes, like "5 min" or "20 uS/cm"; every key is',
            "# described in docs/reference/site-file.md.",
        ]
    )


def _parts(shop: Shop, kept: Mapping[str, str]) -> Iterator[str]:
    yield head(shop, kept)
    yield _title("what instruments and messages travel by")
    yield from wires(shop)
    yield _title("the water's way, in the order it flows")
    yield from train(shop)
    if shop.sumps:
        yield _title("machines")
        yield from sumps(shop)
    yield _title("instruments")
    if "level" in shop.meters:
        yield (
            "# A level sensor that looks down from above (ultrasonic, radar): give its channel\n"
            "# mounting_height and blind_zone, and goodwater check says which levels it cannot see."
        )
    yield from instruments(shop)
    yield _title("what is judged")
    yield from rules(shop)
    yield _title("who is told")
    yield from people(shop)
    yield reminders()


def _title(words: str) -> str:
    return f"# {'-' * 64} {words}"
