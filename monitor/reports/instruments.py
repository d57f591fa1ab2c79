"""The instruments' week: all channels of each, its calibration, its battery, its verdict."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, time
from zoneinfo import ZoneInfo

from monitor.plant.model import Instrument, Plant
from monitor.reports import against, verdict
from monitor.reports.channels import Hours, channel_week, together
from monitor.reports.figures import ChannelWeek, Extra, InstrumentWeek
from monitor.reports.week import Week
from monitor.store.weekly import Told, last_value

# A channel whose id ends in one of these tells of the instrument's own state, not of the water.
EXTRAS = ("battery", "signal", "rssi", "snr")
# What people log when they have calibrated: our own word, any other event is none.
CALIBRATION = "calibration"


def is_extra(channel: str) -> bool:
    """Whether a channel tells of its instrument's battery or radio."""
    return channel.rpartition(".")[2].rpartition("-")[2] in EXTRAS


def instruments(
    connection: sqlite3.Connection,
    plant: Plant,
    week: Week,
    hours: Mapping[str, Hours],
    calibrations: list[Told],
) -> tuple[InstrumentWeek, ...]:
    """Every instrument that is on a wire, in the order of the site file."""
    return tuple(
        _instrument(connection, plant, instrument, week, hours, calibrations)
        for instrument in plant.instrument
        if not against.is_by_hand(instrument)
    )


def _instrument(
    connection: sqlite3.Connection,
    plant: Plant,
    instrument: Instrument,
    week: Week,
    hours: Mapping[str, Hours],
    calibrations: list[Told],
) -> InstrumentWeek:
    own = [channel.id for channel in instrument.channel if not is_extra(channel.id)]
    channels = tuple(_channel(connection, plant, name, week, hours) for name in own)
    calibrated_ms = _calibrated_ms(instrument, week, calibrations)
    every_ms = instrument.calibrate_every
    due_ms = None if every_ms is None or calibrated_ms is None else calibrated_ms + every_ms
    word, why, action = verdict.of_instrument(
        channels,
        week.to_ms,
        due_ms,
        never_calibrated=every_ms is not None and calibrated_ms is None,
    )
    return InstrumentWeek(
        instrument.id,
        instrument.label,
        _place(plant, instrument),
        word,
        why,
        action,
        channels,
        calibrated_ms,
        due_ms,
        tuple(
            extra
            for channel in instrument.channel
            if is_extra(channel.id)
            and (extra := _extra(connection, plant, channel.id, week, hours)) is not None
        ),
    )


def _place(plant: Plant, instrument: Instrument) -> str:
    """Its own point, else where its first channel measures."""
    own = next((point.label for point in plant.point if point.id == instrument.point), None)
    return own or plant.place_of(instrument.channel[0].id)


def _channel(
    connection: sqlite3.Connection, plant: Plant, channel: str, week: Week, hours: Mapping[str, Hours]
) -> ChannelWeek:
    found = channel_week(connection, plant, channel, week, hours[channel])
    return replace(
        found,
        partner=against.partner(plant, channel, hours),
        hand=against.by_hand(connection, plant, channel, week, hours[channel]),
    )


def _calibrated_ms(instrument: Instrument, week: Week, calibrations: list[Told]) -> int | None:
    """The last calibration that the site file or the logbook knows of before the end of the week; of several
    channels the one that was calibrated longest ago."""
    zone = ZoneInfo(week.zone)
    logged = [told.time_ms for told in calibrations if told.target == instrument.id]
    found = []
    for channel in instrument.channel:
        moments = [
            round(datetime.combine(one.since, time(), zone).timestamp()) * 1000 for one in channel.calibration
        ]
        moments += [told.time_ms for told in calibrations if told.target == channel.id] + logged
        moments = [moment for moment in moments if moment < week.to_ms]
        if moments:
            found.append(max(moments))
    return min(found, default=None)


def _extra(
    connection: sqlite3.Connection, plant: Plant, channel: str, week: Week, hours: Mapping[str, Hours]
) -> Extra | None:
    sum_ = together(hours[channel].now)
    last = last_value(connection, channel, week.to_ms, week.from_ms)
    if sum_ is None or sum_.low is None or last is None:
        return None
    known = plant.channels[channel]
    return Extra(known.name or channel.rpartition(".")[2], known.quantity, sum_.low, last[1])
