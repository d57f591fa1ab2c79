"""The train as a whole: its order, its instruments' silence and place, chlorine before a membrane."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.check.caution import Caution
from monitor.check.watched import of_kind
from monitor.config import SiteFile
from monitor.plant.model import Plant, Stage
from monitor.rules.silent import Silent

# Membranes of polyamide bear about a thousand hours of 1 mg/L; a month at more than this is felt (common
# practice, no source).
_MOST_CHLORINE_MG_L = 0.1


def of_train(site: SiteFile) -> Iterator[Caution]:
    """Cautions about stages and about instruments as wholes."""
    yield from _instruments(site)
    plant = site.plant
    if plant.stage and not any(stage.kind == "tap" for stage in plant.stage):
        text = "No stage of kind tap: nothing can be compared with what the supplier delivers. Name it."
        yield Caution(site.places.line("stage", plant.stage[0].id), text)
    for stage in plant.stage:
        feeds = {feed.kind for feed in plant.feeds(stage.id)}
        line = site.places.line("stage", stage.id)
        if (stage.kind == "softener" and feeds & {"ro", "di"}) or (stage.kind == "ro" and "di" in feeds):
            behind = " and ".join(sorted(feeds))
            yield Caution(line, f"{stage.label}: behind {behind}, an unusual order; is the shop so?")
        if stage.kind == "ro":
            yield from (Caution(line, text) for text in _chlorine(plant, stage))


def _chlorine(plant: Plant, membrane: Stage) -> Iterator[str]:
    before = _before(plant, membrane)
    tap = next((stage for stage in before if stage.kind == "tap"), None)
    if tap is None or tap.chlorine is None or any(stage.kind == "carbon" for stage in before):
        return
    if tap.chlorine.in_unit("mg/L") > _MOST_CHLORINE_MG_L:
        yield (
            f"{membrane.label}: the tap has {tap.chlorine} of chlorine and no carbon stands before the "
            "membrane; chlorine destroys polyamide. Name the carbon if there is one, and test behind it."
        )


def _before(plant: Plant, stage: Stage) -> list[Stage]:
    feeds = list(plant.feeds(stage.id))
    return feeds + [further for feed in feeds for further in _before(plant, feed)]


def _instruments(site: SiteFile) -> Iterator[Caution]:
    plant = site.plant
    heard = {name for rule in of_kind(site.rules, Silent) for name in rule.channels}
    without_time: list[str] = []
    for instrument in plant.instrument:
        names = [channel.id for channel in instrument.channel]
        line = site.places.line("instrument", instrument.id)
        if not heard.intersection(names):
            yield Caution(
                line,
                f"{instrument.label}: no rule of kind silent watches it; a dead probe looks like good news. "
                'Right is a [[rule]] with kind = "silent".',
            )
        if instrument.sump is None and any(plant.point_of(name) is None for name in names):
            text = "neither point nor sump, so no message can say where it measures. Give it one."
            yield Caution(line, f"{instrument.label}: {text}")
        payload = getattr(instrument.wire, "payload", None)
        if payload is not None and getattr(payload, "time", None) is None:
            without_time.append(instrument.label)
    if without_time:
        yield Caution(
            0,
            f"{_few(without_time)}: the payload carries no time. What a broker held back is stored as "
            "uncertain and not judged, and a message delivered twice is stored twice. Right is a payload "
            "that carries its time.",
        )


def _few(labels: list[str]) -> str:
    """All of a few, and of many the first two and how many more."""
    if len(labels) <= 4:
        return ", ".join(labels)
    return f"{', '.join(labels[:2])} and {len(labels) - 2} other instruments"
