"""Topics and their filters: which to subscribe to, and what stands where a filter has wildcards."""

from __future__ import annotations

from collections.abc import Sequence


def covering(filters: Sequence[str]) -> list[str]:
    """The filters to subscribe to: each once, and none that another one of them already covers.

    A broker may deliver a message once for each subscription that matches it.
    """
    kept = list(dict.fromkeys(filters))
    return [topic for topic in kept if not any(other != topic and _covers(other, topic) for other in kept)]


def _covers(wide: str, narrow: str) -> bool:
    """Every topic that `narrow` matches is matched by `wide`."""
    levels = narrow.split("/")
    for n, level in enumerate(wide.split("/")):
        if level == "#":
            return True
        if n == len(levels):
            return False
        if level != levels[n] and (level != "+" or levels[n] == "#"):
            return False
    return len(wide.split("/")) == len(levels)


def levels_of(topic_filter: str, topic: str) -> str:
    """The levels of a topic that stand where the filter it matches has wildcards, joined by a slash.

    >>> levels_of("hall/+/value/#", "hall/di/value/ec/raw")
    'di/ec/raw'
    """
    given = topic.split("/")
    wildcards: list[str] = []
    for n, level in enumerate(topic_filter.split("/")):
        if level == "#":
            return "/".join([*wildcards, *given[n:]])
        if level == "+":
            wildcards.append(given[n])
    return "/".join(wildcards)


def filled(topic_filter: str, levels: str) -> str | None:
    """The topic a filter becomes with these levels in place of its wildcards; None when they do not fit.

    >>> filled("hall/+/value/#", "di/ec/raw"), filled("hall/+", "di/ec")
    ('hall/di/value/ec/raw', None)
    """
    given = levels.split("/")
    topic: list[str] = []
    for level in topic_filter.split("/"):
        if level == "#":
            return "/".join([*topic, *given])
        if level == "+":
            if not given:
                return None
            topic.append(given.pop(0))
        else:
            topic.append(level)
    return None if given else "/".join(topic)
