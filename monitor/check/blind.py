"""What cannot be told with the instruments there are, and what the next ones would add.

What each instrument can and cannot tell, and which is cheaper, is common practice of the trade, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

from monitor.plant.model import Channel, Plant, Stage

IONS = ("conductivity", "resistivity", "tds")
# Stages that change how much is dissolved; the others let conductivity through nearly as it came.
_CHANGE_IONS = ("ro", "di")


class Eyes:
    """What is measured where in one plant."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self._at: dict[str, list[Channel]] = {}
        for channel in plant.channels.values():
            # A flow that is counted is a flow; else what is computed sees no more than its inputs.
            if channel.id in plant.computed and channel.quantity not in ("flow", "volume"):
                continue
            point = plant.point_of(channel.id)
            if point is not None:
                self._at.setdefault(point.after, []).append(channel)

    def behind(self, stage: Stage, *quantities: str) -> bool:
        """Whether one of the quantities (any, when none is named) is measured at a stage's outlet."""
        return any(not quantities or c.quantity in quantities for c in self._at.get(stage.id, []))

    def stages(self, *kinds: str) -> list[Stage]:
        return [stage for stage in self.plant.stage if stage.kind in kinds]

    def before(self, stage: Stage, *quantities: str) -> bool:
        """Whether the stage's feed is measured: at a stage above with no RO or DI bed in between."""
        for feed in self.plant.feeds(stage.id):
            if self.behind(feed, *quantities):
                return True
            if feed.kind not in _CHANGE_IONS and self.before(feed, *quantities):
                return True
        return False

    def counted(self, stage: Stage, *quantities: str) -> bool:
        """Whether what runs through a stage is measured there, further on or before it, no tank between."""
        if self.behind(stage, *quantities) or self._counted_before(stage, *quantities):
            return True
        fed = [next_ for next_ in self.plant.stage if stage in self.plant.feeds(next_.id)]
        return any(next_.kind != "tank" and self.counted(next_, *quantities) for next_ in fed)

    def _counted_before(self, stage: Stage, *quantities: str) -> bool:
        """Whether its feed is measured; what an RO takes in is not what it makes."""
        return stage.kind != "ro" and any(
            feed.kind != "tank"
            and (self.behind(feed, *quantities) or self._counted_before(feed, *quantities))
            for feed in self.plant.feeds(stage.id)
        )

    def flows_through(self, stage: Stage) -> bool:
        """Whether something says when water runs through a stage."""
        gates = [c.gate for c in self._at.get(stage.id, []) if c.gate is not None]
        return bool(gates) or self.counted(stage, "flow", "contact")

    def sumps_without(self, *quantities: str) -> int:
        seen = {
            instrument.sump
            for instrument in self.plant.instrument
            if any(channel.quantity in quantities for channel in instrument.channel)
        }
        return sum(1 for sump in self.plant.sump if sump.id not in seen)


def cannot_be_told(plant: Plant) -> Iterator[str]:
    """Sentences, the most general first."""
    eyes = Eyes(plant)
    yield from _by_no_such_instrument(plant)
    yield from _treatment(eyes)
    yield from _sumps(eyes)


def _by_no_such_instrument(plant: Plant) -> Iterator[str]:
    if not any(channel.quantity == "hardness" for channel in plant.channels.values()):
        yield (
            "Hardness: conductivity and TDS do not show it; a softener swaps calcium for sodium and they "
            "stay as they were. Only a hand test or an analyser tells whether the softener works."
        )
    tested = any(channel.quantity == "chlorine" for channel in plant.channels.values())
    others = "Silica, bacteria" if tested else "Silica, chlorine, bacteria"
    yield f"{others}: no conductivity, flow or level instrument sees them. Test by hand."


def _treatment(eyes: Eyes) -> Iterator[str]:
    unseen = [stage.label for stage in eyes.plant.stage if not eyes.behind(stage)]
    if unseen:
        yield f"{', '.join(unseen)}: no instrument at the outlet, so nothing without a recent hand test."
    taps = eyes.stages("tap")
    if eyes.stages(*_CHANGE_IONS) and not any(eyes.behind(tap, *IONS) for tap in taps):
        yield "Whether the supplier's water changed: no conductivity or TDS at the tap."
    for stage in eyes.stages("ro"):
        yield from _membrane(eyes, stage)
    for stage in eyes.stages("di"):
        yield from _bed(eyes, stage)


def _membrane(eyes: Eyes, stage: Stage) -> Iterator[str]:
    if not eyes.behind(stage, *IONS):
        yield f"{stage.label}: whether the membrane leaks; no conductivity or TDS in the permeate."
    elif not eyes.before(stage, *IONS):
        yield (
            f"{stage.label}: rejection, because its feed is not measured. A worse permeate may be a worse "
            "feed."
        )
    if not eyes.behind(stage, "flow"):
        yield f"{stage.label}: fouling and recovery, because the permeate's flow is not measured."


def _bed(eyes: Eyes, stage: Stage) -> Iterator[str]:
    if not eyes.behind(stage, *IONS):
        yield f"{stage.label}: whether the bed is spent; no conductivity or resistivity at its outlet."
    elif not eyes.before(stage, *IONS):
        yield (
            f"{stage.label}: whether a worse outlet is a spent bed or a worse feed; its feed is not measured."
        )
    if not eyes.flows_through(stage):
        yield (
            f"{stage.label}: whether water runs. A probe in standing water says nothing about the water "
            "being made, so its values are judged as they come."
        )
    if not eyes.counted(stage, "flow", "volume"):
        yield f"{stage.label}: how many litres the bed has treated; its age can only be told by the calendar."


def _sumps(eyes: Eyes) -> Iterator[str]:
    sumps = eyes.plant.sump
    if not sumps:
        yield "Sumps: the file names none, so nothing is told of levels, losses or coolant."
        return
    without = eyes.sumps_without("level", "volume")
    if without:
        yield f"Losses and top-ups of {without} of {len(sumps)} sumps: their level is not measured."
    if eyes.sumps_without("concentration") == len(sumps):
        yield "Coolant concentration: level and water tell nothing of it. Read the refractometer by hand."


def next_instruments(plant: Plant) -> Iterator[str]:
    """What would add most for the least money; at most three."""
    suggestions = list(_suggestions(Eyes(plant)))
    yield from suggestions[:3]


def _suggestions(eyes: Eyes) -> Iterator[str]:
    if any(not eyes.behind(stage, "hardness") for stage in eyes.stages("softener")):
        yield (
            "Hardness test strips or drops at the softener's outlet, read twice a week: the one thing no "
            "inline probe here tells."
        )
    if eyes.stages("ro") and any(not eyes.behind(stage, "chlorine") for stage in eyes.stages("carbon")):
        yield (
            "A chlorine test kit for the water behind the carbon, once a week: spent carbon shows nowhere "
            "else before the membrane is eaten."
        )
    for stage in eyes.stages(*_CHANGE_IONS):
        if eyes.behind(stage, *IONS) and not eyes.flows_through(stage):
            yield (
                f"A flow switch at {stage.label}: its contact says when water runs, so standing water is no "
                "longer judged."
            )
    for stage in eyes.stages("di", "ro"):
        if not eyes.behind(stage, *IONS):
            yield f"A conductivity probe at the outlet of {stage.label}: tells when it is spent or leaks."
    for stage in eyes.stages("ro", "di"):
        if eyes.behind(stage, *IONS) and not eyes.before(stage, *IONS):
            gained = "rejection" if stage.kind == "ro" else "a spent bed from a worse feed"
            yield f"A conductivity probe in the feed of {stage.label}: tells {gained}."
    for stage in eyes.stages("di"):
        if not eyes.counted(stage, "flow", "volume"):
            yield f"A water meter with a pulse output behind {stage.label}: the bed's age in litres."
    for stage in eyes.stages("ro"):
        if not eyes.behind(stage, "flow"):
            yield f"A flow meter in the permeate of {stage.label}: fouling, and when the unit runs."
    if eyes.sumps_without("level", "volume"):
        yield "A level sensor in the sump that is topped up most: losses and forgotten top-ups."
    if not eyes.plant.sump:
        yield "The machines' sumps in this file, and a level sensor in the one that is topped up most."
