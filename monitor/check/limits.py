"""Limits that are never passed, passed by accident, or finer than the meter that is held against them."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.check.caution import Caution
from monitor.check.judged import Judged, fixed_limits, judged_ions
from monitor.check.reach import feed_of
from monitor.check.watched import of_kind
from monitor.config import SiteFile
from monitor.plant.units import shown
from monitor.rules.limit import Limit

# An instrument whose error is a larger part of the limit than this cannot well tell good from bad.
_WORST_SHARE_OF_LIMIT = 0.25
# A limit beyond this share of what the feed can reach is passed by a discharge alone.
_SHARE_OF_FEED = 0.8
# Their zero is a convention, so a share of a value means nothing.
_NO_SHARES = ("temperature", "ph")


def of_limits(site: SiteFile) -> Iterator[Caution]:
    """Cautions about every fixed limit, and about conductivity judged without a gate."""
    for judged in fixed_limits(site):
        line = site.places.line("rule", judged.rule, judged.key)
        for text in (*_beyond_range(judged), *_beyond_feed(site, judged)):
            yield Caution(line, f"{judged.rule}: {text}")
        for text in _too_coarse(judged):
            at = site.places.line("channel", judged.channel.id, "accuracy")
            yield Caution(at, f"{judged.rule}: {text}")
    for rule in of_kind(site.rules, Limit):
        if rule.deadband == 0.0 and rule.settings.on_delay == 0:
            yield Caution(
                site.places.line("rule", rule.settings.id),
                f"{rule.settings.id}: neither deadband nor on_delay, so a value near the limit may alarm "
                'again and again; a tenth of the limit and "2 min" are usual.',
            )
    yield from _standing_water(site)
    yield from _softener(site)


def _beyond_range(judged: Judged) -> Iterator[str]:
    channel, quantity = judged.channel, judged.channel.quantity
    low, high = channel.canonical_range
    if (judged.value >= high) if judged.high_is_bad else (judged.value <= low):
        side = f" {judged.key}" if judged.key in ("above", "below") else ""
        yield (
            f"the limit{side} {judged.shown} lies beyond what {channel.id} can show "
            f"({shown(low, quantity)} to {shown(high, quantity)}); it can never be passed."
        )


def _beyond_feed(site: SiteFile, judged: Judged) -> Iterator[str]:
    feed, limit = feed_of(site, judged.channel), judged.us_cm
    if feed is None or limit is None or limit <= _SHARE_OF_FEED * feed.us_cm:
        return
    passed = "a discharge" if feed.stage.kind == "di" else "a worse tap"
    yield (
        f"the limit {judged.shown} is more than 80 % of all that the feed of {feed.stage.label} can "
        f"reach ({feed.us_cm:.0f} µS/cm: {feed.why}). Were it to let its feed through unchanged, the limit "
        f"would not be passed; only {passed} would pass it. Right is one under "
        f"{_SHARE_OF_FEED * feed.us_cm:.0f} µS/cm."
    )


def _too_coarse(judged: Judged) -> Iterator[str]:
    channel, quantity, size = judged.channel, judged.channel.quantity, abs(judged.value)
    high = channel.canonical_range[1]
    error = channel.accuracy.at(judged.value, quantity, high)
    if quantity in _NO_SHARES or not error > _WORST_SHARE_OF_LIMIT * size > 0.0:
        return
    told = (
        f"{channel.id} may be wrong by {shown(error, quantity)} at the limit {judged.shown}, more than a "
        "quarter of it: good and bad water read alike."
    )
    share = channel.accuracy.of_full_scale
    if share is not None and share.in_unit("1") * abs(high) >= error:
        most = _WORST_SHARE_OF_LIMIT * size / share.in_unit("1")
        yield (
            f"{told} That is {share} of its full scale {shown(high, quantity)}, wherever it reads. Right is "
            f"a range that ends at {shown(most, quantity)} or lower, or an accuracy in % of reading."
        )
    else:
        yield f"{told} A finer instrument or a narrower range would tell more."


def _standing_water(site: SiteFile) -> Iterator[Caution]:
    """A tank is no pipe, and who reads a display by eye sees whether water runs."""
    bare: dict[str, list[tuple[str, str]]] = {}
    for rule, key, channel in judged_ions(site):
        point, instrument = site.plant.point_of(channel.id), site.plant.instrument_of(channel.id)
        stage = next((s for s in site.plant.stage if point is not None and s.id == point.after), None)
        elsewhere = instrument.sump is not None or instrument.wire.kind == "hand"
        if channel.gate is None and not elsewhere and (stage is None or stage.kind != "tank"):
            bare.setdefault(channel.id, []).append((rule, key))
    for name, rules in bare.items():
        yield Caution(
            site.places.line("rule", *rules[0]),
            f"{', '.join(rule for rule, _ in rules)}: {name} has no gate, so standing water is judged too. "
            "Expect false alarms after idle hours, or name a flow signal in its gate (a meter, a contact); "
            "without any, gate = {} judges by the value's own course, surely but later.",
        )


def _softener(site: SiteFile) -> Iterator[Caution]:
    for rule, key, channel in judged_ions(site):
        point = site.plant.point_of(channel.id)
        stage = next((s for s in site.plant.stage if point is not None and s.id == point.after), None)
        if stage is not None and stage.kind == "softener":
            yield Caution(
                site.places.line("rule", rule, key),
                f"{rule}: judges {stage.label} by {channel.quantity}, which does not show hardness: a "
                "softener that has stopped reads as before. Right is rule softener: a hardness test each "
                "week, salt against litres.",
            )
