"""Alarms that would reach nobody, though the file is right."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from urllib.parse import urlsplit

from monitor.check.caution import Caution
from monitor.config import SiteFile
from monitor.notify.way import Surroundings

# Names that are kept for examples and never lead anywhere: RFC 2606 and RFC 6761.
_RESERVED = (".example", ".test", ".invalid", ".localhost", "example.com", "example.net", "example.org")


def of_people(site: SiteFile, environ: Mapping[str, str]) -> Iterator[Caution]:
    """Secrets that are not there, examples left in place, and everything resting on one mailbox."""
    yield from _secrets(site, environ)
    yield from _examples(site)
    if not site.rules:
        yield Caution(0, "There is no rule: readings are kept, nothing is judged, no alarm is ever raised.")
    urgent = [rule.settings.id for rule in site.rules if rule.settings.priority == "high"]
    if urgent and site.plant.alarms.remind_high is None:
        yield Caution(
            site.places.line("rule", urgent[0], "priority"),
            f"{', '.join(urgent)}: high priority, told once: whoever overlooks the message hears no more of "
            'it until it is over. Right is [alarms] with remind_high = "2 h".',
        )
    ways = [way for person in site.plant.person for way in person.way]
    if len(ways) == 1:
        person = site.plant.person[0]
        yield Caution(
            site.places.line("person", person.id),
            f"{person.name}: all alarms go to one person by one way. With that mailbox full, its server down "
            "or its owner on holiday they reach nobody. Right is a second person, or a second way.",
        )


def _secrets(site: SiteFile, environ: Mapping[str, str]) -> Iterator[Caution]:
    around = Surroundings({s.id: s for s in site.mail_servers}, site.path.parent, environ)
    for person in site.plant.person:
        line = site.places.line("person", person.id, "way")
        for way in person.way:
            for wrong in way.mistakes(around):
                yield Caution(line, f"{person.name} cannot be told by {way.label} yet: {wrong}.")
    for broker in site.brokers:
        try:
            broker.secret(site.path.parent, environ)
        except OSError as error:
            line = site.places.line("broker", broker.id)
            yield Caution(line, f'Broker "{broker.id}" cannot be logged in to yet: {error}.')


def _examples(site: SiteFile) -> Iterator[Caution]:
    for person in site.plant.person:
        ways = [way.label for way in person.way if _host(way).endswith(_RESERVED)]
        if ways:
            yield Caution(
                site.places.line("person", person.id, "way"),
                f"{person.name}: {' and '.join(ways)}: a name kept for examples, where nothing arrives, "
                "so these alarms reach nobody. Put the real address, then run goodwater notify-test.",
            )


def _host(way: object) -> str:
    """The host a way leads to; empty where it has none."""
    to, url = str(getattr(way, "to", "")), str(getattr(way, "url", ""))
    host = to.rpartition("@")[2] if to else urlsplit(url).hostname or ""
    return host.lower().rstrip(".")
