"""What the rules about sumps share: which sumps, what tells of them, days of the shop, water as hardness."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from monitor.plant.fields import Measure
from monitor.plant.model import Channel, Plant, Sump
from monitor.readings import Reading, Reason
from monitor.rules.dates import day_in_words
from monitor.water.dissolved import ec25_from_tds_us_cm

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
# Sumps are judged once a day at this hour of the shop's own time, before its people come.
_JUDGED_AT_H = 6

# Hardness that a conductivity can stand for at most: 50 mg of CaCO3 and about 100 uS/cm for each meq/L
# (common practice, no source).
AT_MOST_MG_L_PER_US_CM = 0.5

READ_AS_HARDNESS = ("hardness", "conductivity", "tds")

CAUTIONS = (
    "Coolant on skin and in eyes: gloves and goggles, as its safety data sheet says.",
    "Spent coolant goes where local rules say, never down a drain on your own account.",
    "The machine can start by itself: lock it out by your site's rules before reaching into the sump.",
)


def chosen(names: Sequence[str], plant: Plant) -> Iterator[Sump]:
    """The sumps of these ids; all of the site where none is named.

    Raises: ValueError naming a sump that the site does not have.
    """
    known = {sump.id: sump for sump in plant.sump}
    for name in names:
        if name not in known:
            raise ValueError(f'sumps: "{name}" is no sump of this site; there are: {", ".join(known)}')
    yield from (known[name] for name in names or known)


def channel_in(plant: Plant, sump: str, quantity: str) -> Channel | None:
    """The first channel of a quantity that an instrument in the sump carries."""
    channels = (c for i in plant.instrument if i.sump == sump for c in i.channel)
    return next((c for c in channels if c.quantity == quantity), None)


def counted(before: float | None, value: float) -> float:
    """Litres a counter has counted since its last value; one that is behind was reset."""
    return value - before if before is not None and value > before else 0.0


def believed(reading: Reading) -> bool:
    """Whether a value may go into a sump's books."""
    return reading.usable and not reading.reasons & (Reason.JUMP | Reason.FLAT)


class Days:
    """Days of the shop's own calendar, each judged in its early morning."""

    def __init__(self, plant: Plant) -> None:
        self._zone = ZoneInfo(plant.site.timezone)

    def day(self, time_ms: int) -> int:
        """The number of the day a time belongs to."""
        return datetime.fromtimestamp(time_ms / 1000, self._zone).date().toordinal()

    def judged(self, time_ms: int) -> int:
        """The number of the last day whose morning has come: it changes once a day."""
        return self.day(time_ms - _JUDGED_AT_H * HOUR_MS)


class Water:
    """The water that sumps are filled with, as hardness: from a test of it, or at most from its salts.

    Raises: ValueError when the channel measures neither hardness, conductivity nor dissolved solids.
    """

    def __init__(self, plant: Plant, channel: str, share: Measure | None) -> None:
        found = plant.channels[channel]
        if found.quantity not in READ_AS_HARDNESS:
            wanted = ", ".join(READ_AS_HARDNESS)
            raise ValueError(
                f'water = "{channel}" measures {found.quantity}; what is needed is one of {wanted}'
            )
        self.channel, self.what = channel, plant.span_words(channel)
        self._quantity = found.quantity
        self._scale, self._factor = found.tds_scale or "natural", found.tds_factor
        told = _tap_mg_l_per_us_cm(plant) if share is None else share.in_unit("1") * AT_MOST_MG_L_PER_US_CM
        self._per_us_cm = AT_MOST_MG_L_PER_US_CM if told is None else told
        self.at_most = found.quantity != "hardness" and told is None

    def hardness_mg_l(self, value: float) -> float:
        """Hardness as CaCO3 that a value of the channel stands for."""
        value = max(value, 0.0)  # a display's slight minus is nothing
        if self._quantity == "hardness":
            return value
        if self._quantity == "tds":
            value = ec25_from_tds_us_cm(value, self._scale, self._factor)
        return value * self._per_us_cm


def _tap_mg_l_per_us_cm(plant: Plant) -> float | None:
    """Hardness for each uS/cm by what the file says of the tap; None where a softener parts the two."""
    if any(stage.kind == "softener" for stage in plant.stage):
        return None
    for stage in plant.stage:
        if stage.kind == "tap" and stage.hardness is not None and stage.conductivity is not None:
            return stage.hardness.in_unit("mg/L") / stage.conductivity.canonical("conductivity")
    return None


def day_words(day: int) -> str:
    """A day as a person reads it."""
    found = date.fromordinal(day)
    return f"{day_in_words(found.isoformat())} {found.year}"
