"""One word for an instrument, why, and what to do next."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from monitor.plant.units import shown
from monitor.readings import Level, Reason, level_of
from monitor.reports.figures import VERDICTS, Against, ChannelWeek, Verdict

_DAY_MS = 86_400_000

# Beyond these a person should look. Our own choice, no source: a digest that names every third instrument
# each week is not read for long. Shares of the week, or of its readings.
LEAST_AVAILABLE = 0.95
MOST_BAD = 0.05
MOST_UNCERTAIN = 0.25
MOST_SPIKY = 0.1
STUCK_H = 12.0
NOISIER, QUIETER = 3.0, 1.0 / 5.0
# A level, a flow or a pressure swings with the machines: in a week of two shifts more than in one of none.
_NOISE_TELLS = (
    "conductivity",
    "resistivity",
    "tds",
    "ph",
    "turbidity",
    "temperature",
    "hardness",
    "chlorine",
)

_OFF_SCALE = ("over range", "under range")

_ACTIONS: dict[Verdict, str] = {
    "silent": "Look whether it has power and its cable, then at the gateway; `goodwater listen` shows what "
    "arrives.",
    "faulty": "Read its own display and fault lamp. Check plug, cable and range; rinse the probe before it "
    "is replaced.",
    "off-scale": "Look at the water first: beyond its range it is at least so much. Where the water is well, "
    "check the range that is set, and the wiring.",
    "stuck": "Hold it into another water, or lift it for a minute with the line shut: a live sensor moves.",
    "drifting": "Clean the probe first, then compare with a fresh standard; calibrate only after that.",
    "gaps": "Look at the times of the gaps: a bad plug, a weak battery or signal, a line shared with drives.",
    "spiky": "Look for air bubbles, a loose plug, or a cable beside a drive. Ground the shield at one end.",
    "doubtful": "Look at the most frequent reason and remove it: such readings are judged with less weight.",
    "overdue": "Calibrate it against a fresh standard, and log the calibration.",
    "unjudged": "Its gate did not open: check the flow or run signal that it waits for.",
    "fine": "Nothing.",
}


def of_instrument(
    channels: Sequence[ChannelWeek], to_ms: int, calibration_due_ms: int | None, *, never_calibrated: bool
) -> tuple[Verdict, str, str]:
    """The worst word that holds, why, and what to do.

    `to_ms`: the end of the week. `never_calibrated`: it is to be calibrated, and no calibration is known.
    """
    found = [held for channel in channels for held in _of_channel(channel, to_ms, len(channels) > 1)]
    if calibration_due_ms is not None and calibration_due_ms < to_ms:
        days = (to_ms - calibration_due_ms) // _DAY_MS
        found.append(("overdue", f"calibration overdue by {counted(days, 'day')}"))
    if never_calibrated:
        found.append(("overdue", "no calibration is on record"))
    if not found:
        return "fine", "", _ACTIONS["fine"]
    worst = min((verdict for verdict, _ in found), key=VERDICTS.index)
    reasons = dict.fromkeys(why for verdict, why in found if verdict == worst)
    return worst, "; ".join(reasons), _ACTIONS[worst]


def _of_channel(channel: ChannelWeek, to_ms: int, several: bool) -> Iterator[tuple[Verdict, str]]:
    who = f"{channel.name}: " if several else ""
    if channel.readings == 0:
        yield "silent", f"{who}no reading all week"
        return
    open_gap = next((gap for gap in channel.gaps if gap.to_ms >= to_ms), None)
    if open_gap is not None and open_gap.hours >= 24:
        yield "silent", f"{who}nothing in the last {_hours(open_gap.hours)} of the week"
    elif channel.availability < LEAST_AVAILABLE:
        yield (
            "gaps",
            f"{who}{counted(channel.gap_count, 'gap')}, heard {channel.availability:.0%} of the time",
        )
    off_scale = channel.share_of(*_OFF_SCALE)
    if off_scale > MOST_BAD:
        yield "off-scale", f"{who}{off_scale:.0%} of its readings beyond its range"
    if channel.bad is not None and channel.bad - off_scale > MOST_BAD:
        yield "faulty", f"{who}{channel.bad:.0%} bad ({_most(channel, Level.BAD)})"
    if channel.stuck_h >= STUCK_H:
        yield "stuck", f"{who}unchanged for {_hours(channel.stuck_h)}"
    for other in (channel.hand, channel.partner):
        if other is not None and other.exceeds:
            yield "drifting", f"{who}{_apart(channel, other)}"
    yield from _noise(channel, who)
    doubtful = 1.0 - (channel.good or 0.0) - (channel.bad or 0.0)
    if doubtful > MOST_UNCERTAIN:
        yield "doubtful", f"{who}{doubtful:.0%} uncertain ({_most(channel, Level.UNCERTAIN)})"
    if channel.judged == 0:
        yield "unjudged", f"{who}no reading could be judged"


def _noise(channel: ChannelWeek, who: str) -> Iterator[tuple[Verdict, str]]:
    if channel.quantity not in _NOISE_TELLS:
        return
    spiky, ratio = channel.share_of("jump", "noisy"), channel.noise_ratio
    if spiky > MOST_SPIKY:
        yield "spiky", f"{who}{spiky:.0%} of its readings jump or swing"
    if ratio is not None and ratio >= NOISIER:
        yield "spiky", f"{who}{ratio:.1f} times its usual noise"
    # A reading within the display's last step has no noise to lose.
    if ratio is not None and ratio <= QUIETER:
        yield "stuck", f"{who}its noise fell to {ratio:.0%} of usual"


def _apart(channel: ChannelWeek, other: Against) -> str:
    side = "above" if other.difference > 0 else "below"
    text = f"{shown(abs(other.difference), channel.quantity)} {side} {other.what}"
    if other.before is None:
        return text
    usual = "above" if other.before > 0 else "below"
    return f"{text} (before: {shown(abs(other.before), channel.quantity)} {usual})"


def _most(channel: ChannelWeek, level: Level) -> str:
    """The most frequent reason of this severity."""
    of_level = (
        word
        for word, _ in channel.reasons
        if level_of(Reason[word.upper().replace(" ", "_")]) is level and word not in _OFF_SCALE
    )
    return next(of_level, "reasons no longer kept")


def counted(n: int, thing: str) -> str:
    """A number of things, in words.

    >>> counted(1, "gap"), counted(2, "gap")
    ('1 gap', '2 gaps')
    """
    return f"{n:,} {thing}" if n == 1 else f"{n:,} {thing}s"


def _hours(hours: float) -> str:
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.1f} days"
