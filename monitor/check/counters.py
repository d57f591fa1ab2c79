"""What will disappoint about counters: bursts that cannot be told, registers that turn over too soon."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.check.caution import Caution
from monitor.config import SiteFile
from monitor.plant.derived import CountedFlow
from monitor.plant.model import Channel
from monitor.plant.units import shown
from monitor.rules.rule import stage_kind_at

# An outage of so long is nothing unusual; a register that turns over in it loses whole turns.
_AN_OUTAGE_MS = 86_400_000
# A flow that is told this late after water began to run, or stopped, opens and closes no gate in time.
_TOO_LATE_MS = 600_000


def of_counters(site: SiteFile) -> Iterator[Caution]:
    """Cautions about channels with a counter, and about the flows made of them."""
    for channel in (c for instrument in site.plant.instrument for c in instrument.channel):
        if channel.counter is not None:
            line = site.places.line("channel", channel.id, "counter")
            yield from (Caution(line, f"{channel.id}: {text}") for text in _counter(channel))
        elif channel.quantity == "volume" and stage_kind_at(site.plant, channel.id) != "tank":
            yield Caution(
                site.places.line("channel", channel.id),
                f"{channel.id}: no counter, so it is taken as what a tank holds, and after a roll-over or a "
                "new meter its litres begin again. Right for a totaliser is counter = {}, with "
                "rolls_over_at and largest_flow.",
            )
    for one in site.plant.computed.values():
        if isinstance(one, CountedFlow):
            yield from _gates(site, one)


def _counter(channel: Channel) -> Iterator[str]:
    assert channel.counter is not None
    largest = channel.counter.largest_flow
    if largest is None:
        yield (
            "no largest_flow, so a burst of false pulses counts as water, and so does what another meter put "
            "in its place shows more. Right is the most the pipe can pass, from the meter's sheet."
        )
        return
    turns_at = channel.counter.rolls_over(channel.resolution)
    if turns_at is None:
        return
    turn_ms = turns_at * channel.scale.factor / largest.canonical("flow") * 60_000
    if turn_ms < _AN_OUTAGE_MS:
        yield (
            f"at {largest} it turns over every {_span(turn_ms)}; what runs "
            "while nothing is received for longer is counted a whole turn short. Right is a wider register "
            "(32 bit), or more litres a step."
        )


def _gates(site: SiteFile, flow: CountedFlow) -> Iterator[Caution]:
    """A gate that looks at a counter too coarse for it."""
    step_l = site.plant.channels[flow.counter].canonical_resolution
    for gated in site.plant.channels.values():
        gate = gated.gate
        if gate is None or gate.flow != flow.id:
            continue
        step_ms = step_l / gate.above.canonical("flow") * 60_000
        if step_ms > _TOO_LATE_MS:
            yield Caution(
                site.places.line("channel", gated.id, "gate"),
                f"{gated.id}: at {gate.above}, where its gate begins to call water running, {flow.counter} "
                f"needs {_span(step_ms)} for one step of "
                f"{shown(step_l, 'volume')}. Set above to the least that really runs there, or take a meter "
                "with finer pulses.",
            )


def _span(ms: float) -> str:
    minutes = ms / 60_000
    return f"{minutes:.0f} min" if minutes < 180 else f"{minutes / 60:.0f} h"
