"""What the rule `loss` saw and reckoned at a moment, beside what it takes to speak."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.rules.explaining import Figures, Moment
from monitor.rules.loss.judgement import THRESHOLD, weight
from monitor.rules.rule import span

if TYPE_CHECKING:
    from monitor.rules.loss.balance import Geometry
    from monitor.rules.loss.rule import SumpState


def of_sump(sump: SumpState, geometry: Geometry, rule: str, name: str, learn_ms: int, now: Moment) -> Figures:
    """The accounts of a sump and its last readings, of the slow loss and of the fast fall."""
    books, sums, own = sump.books, sump.sums, sump.own
    known = sum(not day.odd for day in books.days)
    slow = [f"{len(books.days)} daily accounts, {known} of them without suspicion"]
    if books.days:
        last = books.days[-1]
        slow.append(
            f"the last one, up to {now.clock(last.end_ms)}: {last.lost_l:.1f} L lost in {last.hours:.0f} h, "
            f"{last.refilled_l:.0f} L filled in, {last.on_h:.0f} h of running"
        )
    if own is None:
        slow.append(
            f"what is usual is not known yet: it takes {span(learn_ms)} of accounts; until then only "
            "neighbours and physics speak"
        )
    else:
        slow.append(
            f"usual: {24 * own.idle_l_h:.1f} L a day standing, {own.on_l_h:.2f} L an hour running; a day "
            f"scatters by {own.scatter:.0%}, the sensor by {own.sensor_l:.1f} L"
        )
    slow.append(
        f"evidence for a loss: {max(weight(sums), 0.0):.0%} of what it takes (whole days {sums.whole:.1f}, "
        f"quiet hours {sums.night:.1f}, threshold {THRESHOLD:.1f})"
    )
    if sump.asked:
        slow.append("it loses more than its neighbours do and than its surface can evaporate")
    fast = sump.fast
    pump = "not known" if books.pump_on is None else "running" if books.pump_on else "standing"
    state = f"the pump is {pump}" + (
        f" since {now.clock(books.pump_since_ms)}" if books.pump_since_ms else ""
    )
    levels = ", ".join(f"{level:.0f}" for _, level in fast.recent[-5:]) or "none"
    circulation = books.in_circulation_l
    burst = [
        f"{state}; last levels {levels} mm; it flickers by {fast.flicker_mm:.1f} mm",
        "in a settled state a fall of 3 L within a quarter of an hour is told"
        if geometry.has_pump
        else "without a pump contact only a fall beyond all that ever went into circulation is told",
        "in circulation: "
        + ("not known yet" if circulation is None else f"{circulation:.0f} L while the pump runs"),
    ]
    return {f"{rule}/{name}": slow, f"{rule}/{name}/burst": burst}
