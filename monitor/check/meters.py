"""Instruments and channels that cannot show what is asked of them."""

from __future__ import annotations

import math
from collections.abc import Iterator

from monitor.check.blind import IONS
from monitor.check.caution import Caution
from monitor.check.judged import fixed_limits
from monitor.check.watched import of_kind
from monitor.config import SiteFile
from monitor.plant.fields import Measure
from monitor.plant.model import Channel
from monitor.plant.units import shown
from monitor.rules.limit import Limit

# What a cell and its electronics measure well, as resistance between the electrodes: below, leads and
# polarisation count; above, cable and stray currents do. For a constant of 1 per cm that is 5 to 20,000
# µS/cm, for 0.1 a tenth of it (common practice, tables of the trade differ by a factor of two to five).
_LEAST_OHM, _MOST_OHM = 50.0, 200_000.0


def of_meters(site: SiteFile) -> Iterator[Caution]:
    """Cautions about single channels."""
    for channel in (c for instrument in site.plant.instrument for c in instrument.channel):
        line = site.places.line("channel", channel.id)
        yield from (Caution(line, text) for text in _unsaid(channel))
        yield from _cell(site, channel)
        yield from _below_minimum(site, channel)
        yield from _blind_zone(site, channel)
        gate_line = site.places.line("channel", channel.id, "gate")
        yield from (Caution(gate_line, text) for text in _gate(site, channel))


def _unsaid(channel: Channel) -> Iterator[str]:
    if channel.quantity == "conductivity" and channel.compensation == "none" and not channel.compensated:
        known = "is not compensated" if channel.compensated is False else "may or may not be compensated"
        yield (
            f"{channel.id}: {known} for temperature (about 2 % per °C); say compensated = true, or name a "
            "compensation and a temperature channel."
        )
    if channel.accuracy == type(channel.accuracy)() and channel.quantity in IONS:
        yield (
            f"{channel.id}: no accuracy given, so how sure an alarm is rests on its last digit alone. Its "
            "sheet has one."
        )


def _gate(site: SiteFile, channel: Channel) -> Iterator[str]:
    gate = channel.gate
    if gate is None:
        return
    if gate.flow is None:
        yield (
            f"{channel.id}: its gate has no flow, so its own course has to tell when water runs. Its values "
            "stay uncertain, and a day without a clear start is judged by its lowest tenth, when it is over. "
            "Name a flow meter, or a contact that closes while the plant runs."
        )
    elif gate.litres is not None and site.plant.channels[gate.flow].quantity != "flow":
        yield f"{channel.id}: a contact counts no litres; its gate opens by minutes alone."


def _cell(site: SiteFile, channel: Channel) -> Iterator[Caution]:
    """The cell against what is judged, and against the upper end of the range."""
    constant = channel.cell_constant
    if constant is None:
        return
    low, high = 1e6 * constant / _MOST_OHM, 1e6 * constant / _LEAST_OHM
    asked = [(f"the limit of {j.rule}", j.value) for j in fixed_limits(site) if j.channel.id == channel.id]
    asked.append(("the end of its range", channel.canonical_range[1]))
    for what, us_cm in asked:
        if not low <= us_cm <= high:
            yield Caution(
                site.places.line("channel", channel.id, "cell_constant"),
                f"{channel.id}: a cell constant of {constant:g} per cm is good for {low:g} to {high:g} µS/cm "
                f"and {what}, {shown(us_cm, 'conductivity')}, is outside: there leads, cable and stray "
                f"currents are measured too. Right is a cell of about {_usual_cell(us_cm):g} per cm.",
            )
            return


def _usual_cell(us_cm: float) -> float:
    """Of the constants that are made, the one in the middle of whose span a conductivity is most nearly."""
    middle = 1e6 / math.sqrt(_LEAST_OHM * _MOST_OHM)
    return min((0.01, 0.1, 1.0, 10.0), key=lambda constant: abs(math.log(us_cm / (middle * constant))))


def _below_minimum(site: SiteFile, channel: Channel) -> Iterator[Caution]:
    """Flows that the meter is asked to tell and does not feel."""
    if channel.minimum_flow is None:
        return
    least = channel.minimum_flow.canonical("flow")
    means = f"under its minimum of {shown(least, 'flow')} the meter {channel.id} reads nought or nonsense"
    for gated in site.plant.channels.values():
        gate = gated.gate
        if gate is not None and gate.flow == channel.id and gate.above.canonical("flow") < least:
            yield Caution(
                site.places.line("channel", gated.id, "gate"),
                f"{gated.id}: its gate calls {gate.above} running water, but {means}. Set above to "
                f'"{channel.minimum_flow}" or more.',
            )
    for rule in of_kind(site.rules, Limit):
        if channel.id in rule.channels and rule.limit < least:
            yield Caution(
                site.places.line("rule", rule.settings.id),
                f"{rule.settings.id}: the limit {shown(rule.limit, 'flow')} lies too low: {means}. Right is "
                "a limit above that, or a meter for smaller flows.",
            )
    point = site.plant.point_of(channel.id)
    for stage in site.plant.stage:
        if point is None or stage.id != point.after or stage.rated_flow is None:
            continue
        if stage.rated_flow.canonical("flow") < least:
            yield Caution(
                site.places.line("channel", channel.id, "minimum_flow"),
                f"{channel.id}: {stage.label} makes {stage.rated_flow}, and {means}: it will look as if it "
                "never ran. Right is a meter for smaller flows.",
            )


def _blind_zone(site: SiteFile, channel: Channel) -> Iterator[Caution]:
    """Levels that a sensor above them cannot see: near its face an echo is lost, or comes as a second one."""
    if channel.blind_zone is None or channel.mounting_height is None:
        return
    highest = channel.mounting_height.in_unit("mm") - channel.blind_zone.in_unit("mm")
    line = site.places.line("channel", channel.id, "blind_zone")
    means = (
        f"above {highest:.0f} mm the level is in its blind zone ({channel.blind_zone} below its face), where "
        "a full tank can read as a lower one"
    )
    top = channel.canonical_range[1]
    if top > highest:
        right = Measure(highest, "mm")
        yield Caution(line, f"{channel.id}: {means}. End its range at {right}, or mount it higher.")
    for rule in of_kind(site.rules, Limit):
        if channel.id in rule.channels and rule.limit > highest:
            yield Caution(
                site.places.line("rule", rule.settings.id),
                f"{rule.settings.id}: the limit {shown(rule.limit, 'level')} cannot be seen: {means}.",
            )
    name = site.plant.instrument_of(channel.id).sump
    for sump in site.plant.sump:
        if sump.id == name and sump.surface_m2 is not None and sump.volume_l / sump.surface_m2 > highest:
            full = sump.volume_l / sump.surface_m2
            lift = full + channel.blind_zone.in_unit("mm")
            yield Caution(
                line,
                f"{channel.id}: {sump.label} is full at about {full:.0f} mm (its litres over its surface), "
                f"but {means}. Mount the sensor at least {lift:.0f} mm above the zero.",
            )
