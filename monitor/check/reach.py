"""How high the feed of a membrane or a resin bed can get: what a limit behind it is worth."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

from monitor.check.watched import of_kind
from monitor.config import SiteFile
from monitor.plant.model import Channel, Stage
from monitor.plant.units import UnitError
from monitor.rules.creep import Creep

# A membrane that passes more of its feed's salt is past use (common practice, no source).
_WORST_PASSAGE = 0.10


@dataclass(frozen=True, slots=True)
class Feed:
    """The stage that is judged, and the most its feed can be."""

    stage: Stage
    us_cm: float
    why: str


def feed_of(site: SiteFile, channel: Channel) -> Feed | None:
    """What feeds the membrane or bed whose water a channel sees; None where the file does not say.

    Only a tap whose conductivity stands in the file can be reckoned from.
    """
    point = site.plant.point_of(channel.id)
    stage = next((s for s in site.plant.stage if point is not None and s.id == point.after), None)
    while stage is not None and stage.kind not in ("ro", "di"):
        feeds = site.plant.feeds(stage.id)
        stage = feeds[0] if len(feeds) == 1 else None
    most = None if stage is None else _most_of_feeds(site, stage)
    return None if stage is None or most is None else Feed(stage, *most)


def _most_of_feeds(site: SiteFile, stage: Stage) -> tuple[float, str] | None:
    known = [_most_behind(site, feed) for feed in site.plant.feeds(stage.id)]
    if not known or None in known:
        return None
    return max(most for most in known if most is not None)


def _most_behind(site: SiteFile, stage: Stage) -> tuple[float, str] | None:
    """Conductivity a stage's outlet can reach before anybody must have noticed, and why."""
    if stage.kind == "tap":
        if stage.conductivity is None:
            return None
        return stage.conductivity.canonical("conductivity"), "the tap's own"
    feed = _most_of_feeds(site, stage)
    if feed is None or stage.kind != "ro":
        return feed
    passage = _passage(site, stage)
    return passage * feed[0], f"{100 * passage:g} % of the {feed[0]:.0f} µS/cm before {stage.label}"


def _passage(site: SiteFile, stage: Stage) -> float:
    """The salt passage that rule `creep` is to tell at this membrane, else what is past use anywhere."""
    for settings in (rule.settings for rule in of_kind(site.rules, Creep)):
        point = site.plant.point_of(settings.permeate)
        if settings.limit is not None and point is not None and point.after == stage.id:
            with suppress(UnitError):  # a limit as conductivity says nothing of passage
                return settings.limit.in_unit("1")
    return _WORST_PASSAGE
