"""Who outside would be told of a power or internet cut, which can tell nobody of themselves."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.check.caution import Caution
from monitor.config import SiteFile
from monitor.notify.failures import Temporary
from monitor.plant.addresses import is_inside_the_shop, is_loopback


def of_outside(site: SiteFile) -> Iterator[Caution]:
    """Nobody who misses the watch, or somebody who would lose power and internet together with it."""
    beat, status = site.heartbeat, site.status_topic
    if beat.url is None and status.broker is None and site.all_well.at is not None:
        yield Caution(
            site.places.single("all_well"),
            "[all_well]: a power or internet cut is told only by the line that does not come, up to a day "
            "late, and to whoever notices that. Right is a [heartbeat] to a goodwater guard as well.",
        )
        return
    if beat.url is None and status.broker is None:
        yield Caution(
            0,
            "Nobody outside would be told of a power or internet cut, or of a dead gateway: no mail can "
            "leave then, and silence looks like good water. Right is a [heartbeat] to a goodwater guard on "
            "another machine, or to a service that raises an alarm when nobody knocks: docs/how-to/guard.md",
        )
        return
    if beat.url is None:
        yield Caution(
            site.places.single("status_topic"),
            "[status_topic]: a power or internet cut is told only where somebody outside watches this topic, "
            "and from here nobody can see whether one does. Right is a goodwater guard with this broker, or "
            "a [heartbeat].",
        )
        return
    line = site.places.single("heartbeat")
    if is_loopback(beat.host):
        yield Caution(
            line,
            f"[heartbeat]: {beat.host} is this machine itself: a power cut ends both, and nobody is told. "
            "Right is a guard on another machine.",
        )
    elif is_inside_the_shop(beat.host):
        yield Caution(
            line,
            f"[heartbeat]: {beat.host} is inside the shop: it tells of a dead gateway, and of a power or "
            "internet cut only when it has power and internet of its own. Right is a guard elsewhere, or one "
            "on a battery and a mobile line.",
        )
    try:
        beat.key(site.path.parent)
    except Temporary as wrong:
        yield Caution(line, f"[heartbeat]: nothing is sent yet: {wrong}.")
