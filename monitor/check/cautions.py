"""What is allowed but will disappoint: said before the first alarm, not after."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from monitor.check.blind import IONS
from monitor.check.watched import silence_rules
from monitor.config import SiteFile
from monitor.notify.way import Surroundings
from monitor.plant.fields import shown_duration
from monitor.plant.model import Channel, Plant
from monitor.plant.units import shown
from monitor.rules.limit import Limit

# An instrument whose error is a larger part of the limit than this cannot well tell good from bad.
_WORST_SHARE_OF_LIMIT = 0.25
# Their zero is a convention, so a share of a value means nothing.
_NO_SHARES = ("temperature", "ph")


def cautions(site: SiteFile, environ: Mapping[str, str]) -> Iterator[str]:
    """Sentences, each naming the table it is about."""
    yield from _secrets(site, environ)
    for rule in _limits(site.rules):
        yield from _limit(site.plant, rule)
    for channel in site.plant.channels.values():
        yield from _channel(channel)
    yield from _instruments(site)
    yield from _buses(site.plant)
    yield from _train(site.plant)


def _secrets(site: SiteFile, environ: Mapping[str, str]) -> Iterator[str]:
    around = Surroundings({s.id: s for s in site.mail_servers}, site.path.parent, environ)
    for person in site.plant.person:
        for way in person.way:
            for wrong in way.mistakes(around):
                yield f"{person.name} cannot be told by {way.label} yet: {wrong}."
    for broker in site.brokers:
        try:
            broker.secret(site.path.parent, environ)
        except OSError as error:
            yield f'Broker "{broker.id}" cannot be logged in to yet: {error}.'


def _limits(rules: Iterable[object]) -> list[Limit]:
    return [rule for rule in rules if isinstance(rule, Limit)]


def _limit(plant: Plant, rule: Limit) -> Iterator[str]:
    channel = plant.channels[next(iter(rule.channels))]
    name, quantity = rule.settings.id, channel.quantity
    limit = shown(rule.limit, quantity)
    low, high = channel.canonical_range
    side = "above" if rule.settings.above is not None else "below"
    if (rule.limit >= high) if side == "above" else (rule.limit <= low):
        yield (
            f"{name}: the limit {side} {limit} lies beyond what {channel.id} can show "
            f"({shown(low, quantity)} to {shown(high, quantity)}); it can never be passed."
        )
    if quantity in IONS and channel.gate is None and plant.instrument_of(channel.id).sump is None:
        yield (
            f"{name}: {channel.id} has no gate, so standing water is judged too. Expect false alarms after "
            "idle hours, or name a flow signal in its gate."
        )
    error = channel.accuracy.at(rule.limit, quantity, high)
    if quantity not in _NO_SHARES and error > _WORST_SHARE_OF_LIMIT * abs(rule.limit) > 0.0:
        yield (
            f"{name}: {channel.id} may be wrong by {shown(error, quantity)} at the limit {limit}, more than "
            "a quarter of it; a finer instrument or a narrower range would tell more."
        )
    if rule.deadband == 0.0 and rule.settings.on_delay == 0:
        yield f"{name}: neither deadband nor on_delay, so a value near {limit} may alarm again and again."


def _channel(channel: Channel) -> Iterator[str]:
    if channel.quantity == "conductivity" and channel.compensation == "none" and not channel.compensated:
        known = "is not compensated" if channel.compensated is False else "may or may not be compensated"
        yield (
            f"{channel.id}: {known} for temperature (about 2 % per °C); say compensated = true, or name a "
            "compensation and a temperature channel."
        )
    if channel.accuracy == type(channel.accuracy)() and channel.quantity in IONS:
        yield f"{channel.id}: no accuracy given, so how sure an alarm is rests on its last digit alone."


def _instruments(site: SiteFile) -> Iterator[str]:
    plant = site.plant
    heard = {name for rule in silence_rules(site.rules) for name in rule.channels}
    without_time: list[str] = []
    for instrument in plant.instrument:
        names = [channel.id for channel in instrument.channel]
        if not heard.intersection(names):
            yield f"{instrument.label}: no rule of kind silent watches it; a dead probe looks like good news."
        if instrument.sump is None and any(plant.point_of(name) is None for name in names):
            yield f"{instrument.label}: neither point nor sump, so no message can say where it measures."
        payload = getattr(instrument.wire, "payload", None)
        if payload is not None and getattr(payload, "time", None) is None:
            without_time.append(instrument.label)
    if without_time:
        yield (
            f"{', '.join(without_time)}: the payload carries no time. What a broker held back is stored as "
            "uncertain and not judged, and a message delivered twice is stored twice."
        )
    for channel in plant.channels.values():
        gate = channel.gate
        if gate is not None and gate.litres is not None and plant.channels[gate.flow].quantity == "contact":
            yield f"{channel.id}: a contact counts no litres; its gate opens by minutes alone."


def _buses(plant: Plant) -> Iterator[str]:
    wires = [(i, i.wire) for i in plant.instrument if i.wire.kind == "modbus-rtu"]
    for port in dict.fromkeys(wire.port for _, wire in wires):
        yield (
            f'Serial port "{port}": Goodwater asks the instruments on this bus itself. Only on a bus of its '
            "own; on one shared with drives or a controller a second master can trip machines."
        )
    for instrument, wire in wires:
        if wire.every > instrument.expected_interval:
            yield (
                f"{instrument.label}: read every {shown_duration(wire.every)}, expected every "
                f"{shown_duration(instrument.expected_interval)}; it will be taken for silent."
            )


def _train(plant: Plant) -> Iterator[str]:
    if plant.stage and not any(stage.kind == "tap" for stage in plant.stage):
        yield "No stage of kind tap: nothing can be compared with what the supplier delivers."
    for stage in plant.stage:
        feeds = {feed.kind for feed in plant.feeds(stage.id)}
        if (stage.kind == "softener" and feeds & {"ro", "di"}) or (stage.kind == "ro" and "di" in feeds):
            yield f"{stage.label}: behind {' and '.join(sorted(feeds))}, an unusual order; is the shop so?"
