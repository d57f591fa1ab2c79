"""Mirrors that would get nothing, or of which nobody would know what they kept."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from monitor.check.caution import Caution
from monitor.config import SiteFile
from monitor.plant.fields import shown_duration

_SOON_MS = 60_000


def of_mirrors(site: SiteFile, environ: Mapping[str, str]) -> Iterator[Caution]:
    """What can be told without asking the servers."""
    for mirror in site.mirrors:
        line = site.places.line("mirror", mirror.id)
        for wrong in mirror.mistakes(site.path.parent, environ):
            yield Caution(line, f"{mirror.label} gets nothing yet: {wrong}.")
        if mirror.read_back.kind == "none":
            yield Caution(
                line,
                f"{mirror.label}: read_back is none, so what the server acknowledges is believed. Servers "
                "were seen to lose such points; where it can be asked, name how.",
            )
        elif mirror.compare_after[0] < _SOON_MS:
            yield Caution(
                line,
                f"{mirror.label}: compared {shown_duration(mirror.compare_after[0])} after it acknowledged, "
                "when a server may have the points in memory only; a power cut a moment later would go "
                "unnoticed. Right is some minutes.",
            )
