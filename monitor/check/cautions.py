"""What is allowed but will disappoint: said before the first alarm, not after."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.check.caution import Caution
from monitor.check.copies import of_mirrors
from monitor.check.counters import of_counters
from monitor.check.limits import of_limits
from monitor.check.links import of_links
from monitor.check.meters import of_meters
from monitor.check.outside import of_outside
from monitor.check.sumps import of_sumps
from monitor.check.told import of_people
from monitor.check.train import of_train
from monitor.check.wires import of_wires
from monitor.config import SiteFile


def cautions(site: SiteFile, environ: Mapping[str, str]) -> list[Caution]:
    """All of them, in the order of the file; those about the file as a whole first."""
    found = [
        *of_people(site, environ),
        *of_outside(site),
        *of_links(site),
        *of_mirrors(site, environ),
        *of_limits(site),
        *of_meters(site),
        *of_counters(site),
        *of_sumps(site),
        *of_train(site),
        *of_wires(site),
    ]
    return sorted(dict.fromkeys(found), key=lambda caution: caution.line)
