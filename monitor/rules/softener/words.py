"""What the rule `softener` says of its evidence: what it means for the membrane, and what to do first.

Steps and cautions are common practice of the trade, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from monitor.plant.units import shown
from monitor.readings import Evidence, Wording
from monitor.rules.advice import cautions_for
from monitor.rules.rule import number, number_or_none, text
from monitor.water.osmosis import ro_concentration_factor

_Told = tuple[str, str, tuple[str, ...]]

_TEST = (
    "Test the hardness at the softener's outlet, the water running for a few minutes: drops or strip, and "
    "of the feed with the same kit, so that a spoiled kit shows. `goodwater log` both."
)
_SALT_TANK = (
    "Open the brine tank: is there salt above the water line, and is there brine below it? Tap the salt "
    "with a broom handle from above: a hollow sound, or salt that stands like a roof, is a bridge."
)
_BRIDGE = (
    "Break a bridge with a blunt stick from above, the valve in service, never over the brine pipe; take "
    "out salt mush that has set at the bottom."
)
_BRINE_LINE = (
    "Salt is loose and brine is there: start a regeneration by hand and watch whether the brine level "
    "falls. If not: injector or its screen clogged, brine line sucking air, float shut."
)
_CLOCK = (
    "Look at the valve's head: right time of day, display lit, motor free? After a power cut many have lost "
    "the clock or the program: set clock, litres and hardness anew, and see whether its battery holds."
)
_REGENERATE = (
    "Start a regeneration by hand and test again an hour after it; log it (`goodwater log ... regeneration`)."
)
_SPARE_THE_RO = "Until it softens run the RO only as the shop needs it, and do not raise its recovery."
_BYPASS = "Is the bypass shut? One that is a quarter open lets a quarter of the hardness past."

_UNSEEN = "No conductivity shows it: the probes read as before."

_CAUTIONS = (
    "The softener's tank and valve stand under the mains pressure: shut both sides and press the relief "
    "before anything is opened; never reach into a pressure tank. The brine tank is open and has no "
    "pressure.",
    "Brine and salt: eyes and cuts burn, floors get slippery, steel rusts. Gloves and glasses.",
    "The valve may turn while hands are in it: unplug it before the head is opened; mains power is for those "
    "qualified.",
)


def wording(evidence: Evidence) -> Wording:
    """The message of one of the conditions."""
    first, meaning, steps = _PARTS[text(evidence, "part")](evidence)
    return Wording(
        first_line=first,
        facts=tuple(_facts(evidence)),
        meaning=meaning,
        steps=steps,
        cautions=(*_CAUTIONS, *cautions_for("softener")),
    )


def _hardness(evidence: Evidence) -> _Told:
    where, found = text(evidence, "where"), _mg(evidence, "hardness_mg_l")
    share = _share(evidence)
    first = f"{where}: not softening, hardness {found}, limit {_mg(evidence, 'limit_mg_l')}"
    if share is not None and share < 0.5:
        first = f"{where}: lets hardness through, {found}, limit {_mg(evidence, 'limit_mg_l')}"
    passes = "" if share is None else f"Of the feed's hardness {100 * share:.0f} % pass. "
    meaning = f"{passes}{_cause(evidence)}{_for_the_ro(evidence)}{_UNSEEN}"
    return first, meaning, (_TEST, _SPARE_THE_RO, *_first_look(evidence), _REGENERATE, _BYPASS)


def _cause(evidence: Evidence) -> str:
    """Where the other signs point; nothing where they say nothing."""
    litres, lasts = number_or_none(evidence, "since_regeneration_l"), number_or_none(evidence, "lasts_l")
    if evidence.get("salt_stands"):
        return (
            f"Its salt has not fallen over {number(evidence, 'salt_stands_l'):.0f} L, so it regenerates "
            "without brine or not at all. "
        )
    if litres is not None and lasts is not None and litres > lasts:
        return f"{litres:.0f} L since its last regeneration that is known: more than its resin takes up. "
    if litres is not None and evidence.get("has_contact"):
        return (
            f"It did regenerate, {litres:.0f} L ago: then without brine, or too late for a harder feed, or "
            "water runs past it. "
        )
    return "Whether it regenerates, nothing here tells. "


def _first_look(evidence: Evidence) -> tuple[str, ...]:
    if evidence.get("salt_stands") or not evidence.get("has_contact"):
        return _SALT_TANK, _BRIDGE, _CLOCK, _BRINE_LINE
    return _CLOCK, _SALT_TANK, _BRIDGE, _BRINE_LINE


def _for_the_ro(evidence: Evidence) -> str:
    """What hard water does behind it: now, when a test has failed, else once the resin is full."""
    ro, failed = text(evidence, "ro"), text(evidence, "part") == "hardness"
    if not ro:
        return "What stands behind it scales up. " if failed else "Once the resin is full hardness passes. "
    hardness, recovery = number_or_none(evidence, "hardness_mg_l"), number_or_none(evidence, "recovery")
    how_much = ""
    if hardness and recovery is not None and failed:
        reject = hardness * ro_concentration_factor(100.0 * recovery)
        how_much = f" (in its reject about {shown(reject, 'hardness')})"
    change = number_or_none(evidence, "flow_change_pct")
    begun = ""
    if change is not None and change < -3.0:
        begun = (
            f"Its normalised flow is {-change:.0f} % lower than at the last test that passed: it has begun. "
        )
    when = "now gets hard water" if failed else "gets hard water once the resin is full, if it is not already"
    return (
        f"{ro} behind it {when}{how_much}: scale settles on the membrane within days to weeks, costs flow "
        "first "
        f"and then the membrane. {begun}"
    )


def _regeneration(evidence: Evidence) -> _Told:
    where = text(evidence, "where")
    litres, longest = number_or_none(evidence, "since_regeneration_l"), number_or_none(evidence, "longest_l")
    usual = number_or_none(evidence, "usual_l")
    if text(evidence, "how") == "timer":
        first = f"{where}: has not regenerated since its timer was due"
    elif text(evidence, "how") == "log":
        first = f"{where}: no regeneration logged for {_litres(litres)}"
    else:
        first = f"{where}: has not regenerated for {_litres(litres)}"
    if usual is not None and text(evidence, "why") == "habit":
        first += f", usually {usual:.0f} L"
    why = {
        "habit": f"It never took more than {_over(longest, 1.25)} before. ",
        "capacity": f"Its resin takes up the hardness of {_litres(longest)} at the very most. ",
        "time": "Its contact has shown none for half as long again as the timer's period. ",
    }[text(evidence, "why")]
    log = ""
    if text(evidence, "how") == "log":
        log = "Only the log tells of regenerations here, so it may have been done and not been entered. "
    meaning = (
        f"{why}{log}A valve that has lost its clock or program in a power cut, or has stopped turning, does "
        f"not regenerate. {_for_the_ro(evidence)}"
    )
    return first, meaning, (_CLOCK, _TEST, _REGENERATE, _SALT_TANK, _SPARE_THE_RO)


def _salt(evidence: Evidence) -> _Told:
    where, cause = text(evidence, "where"), text(evidence, "cause")
    if cause == "empty":
        first = f"{where}: no salt left in the brine tank"
        meaning = (
            "The next regeneration is without brine: the valve turns, water runs off, and nothing is "
            f"softened after. {_for_the_ro(evidence)}"
        )
        fill = 'Fill in salt now (tablets or pellets), and log it: `goodwater log ... salt "25 kg"`.'
        wait = "Leave the brine two hours to grow strong, then start a regeneration by hand."
        return first, meaning, (fill, wait, _TEST)
    if cause == "not-logged":
        first = f"{where}: no salt logged for {_litres(number_or_none(evidence, 'since_fill_l'))}"
        meaning = (
            f"The longest between two fills was {_litres(number_or_none(evidence, 'longest_fill_l'))}. "
            "Either salt was filled in and not logged, or the tank is running empty, or the salt is not "
            "used: a bridge, or no regeneration. "
        )
        return first, meaning, (_SALT_TANK, _BRIDGE, _CLOCK, _TEST)
    doses, litres = number_or_none(evidence, "salt_doses") or 0.0, number_or_none(evidence, "salt_stands_l")
    first = f"{where}: salt does not fall, {_litres(litres)} softened meanwhile"
    due = f"{doses:.0f} regenerations" if doses > 1 else "one regeneration"
    if cause == "bridge":
        why = (
            f"The valve has turned through {due} and the salt is where it was: a salt bridge, or no brine "
            "is drawn (injector clogged, line sucking air). "
        )
        steps: tuple[str, ...] = (_SALT_TANK, _BRIDGE, _BRINE_LINE, _TEST, _REGENERATE, _SPARE_THE_RO)
    else:
        why = (
            f"In that time {due} should have been. Either it does not regenerate (clock or program lost in "
            "a power "
            "cut), or it does so without brine (a salt bridge, a clogged injector); the height alone does "
            "not tell which. "
        )
        steps = (_TEST, _SALT_TANK, _BRIDGE, _CLOCK, _BRINE_LINE, _REGENERATE, _SPARE_THE_RO)
    return first, f"{why}{_for_the_ro(evidence)}", steps


def _timer(evidence: Evidence) -> _Told:
    usual, new = number_or_none(evidence, "usual_hour"), number_or_none(evidence, "new_hour")
    first = f"{text(evidence, 'where')}: regenerates at its usual hour"
    if usual is not None and new is not None:
        first = f"{text(evidence, 'where')}: regenerates at {_clock(new)} instead of {_clock(usual)}"
    meaning = (
        "The valve's clock is wrong, most likely since a power cut. It still softens; but while it "
        "regenerates hard water may pass or none at all, and that should be at night. "
    )
    set_it = "Set the valve's clock, and look whether its program (litres, hardness) is still as it was."
    return first, meaning, (set_it, "Change its battery if it has one.", _TEST)


def _overdue(evidence: Evidence) -> _Told:
    age = number_or_none(evidence, "test_age_d")
    ago = "none yet" if age is None else f"the last {age:.0f} days ago"
    first = f"{text(evidence, 'where')}: hardness test overdue, {ago}"
    meaning = (
        "Nothing is known to be wrong. But nothing else here shows for certain that it softens: conductivity "
        "reads the same with hard water. "
    )
    return first, meaning, (_TEST,)


_PARTS: Mapping[str, Callable[[Evidence], _Told]] = {
    "hardness": _hardness,
    "regeneration": _regeneration,
    "salt": _salt,
    "timer": _timer,
    "overdue": _overdue,
}


def _facts(evidence: Evidence) -> Iterator[tuple[str, str]]:
    value = number_or_none(evidence, "hardness_mg_l")
    if value is not None:
        yield "hardness behind it", f"{shown(value, 'hardness')}, {_ago(evidence, 'test_age_d')}"
    elif text(evidence, "part") != "hardness":
        yield "hardness behind it", "not tested"
    if text(evidence, "part") == "hardness" and number_or_none(evidence, "passed_age_d") is not None:
        yield "last test that passed", _ago(evidence, "passed_age_d")
    feed = number_or_none(evidence, "feed_mg_l")
    yield "hardness of its feed", "not known" if feed is None else shown(feed, "hardness")
    litres = number_or_none(evidence, "since_regeneration_l")
    if litres is not None:
        taken, usual = number_or_none(evidence, "taken_eq"), number_or_none(evidence, "usual_l")
        more = "" if usual is None else f", usually {usual:.0f} L"
        more += "" if taken is None else f"; hardness taken up {taken:.1f} eq"
        yield "since its last known regeneration", f"{litres:.0f} L{more}"
    yield from _lasts(evidence)
    salt = number_or_none(evidence, "salt_kg")
    if salt is not None:
        yield "salt there", f"about {salt:.0f} kg; a regeneration takes {number(evidence, 'dose_kg'):.1f} kg"
    if evidence.get("salt_stands"):
        yield "salt gone since it stands", f"{max(number(evidence, 'salt_fell_kg'), 0.0):.1f} kg"
    change = number_or_none(evidence, "flow_change_pct")
    if change is not None:
        yield "normalised flow of the RO since the last passed test", f"{change:+.0f} %"


def _lasts(evidence: Evidence) -> Iterator[tuple[str, str]]:
    lasts, capacity, use = (number_or_none(evidence, key) for key in ("lasts_l", "capacity_eq", "use_l_d"))
    if lasts is not None and capacity is not None:
        days = "" if not use else f", about {lasts / use:.0f} days of use"
        yield "its resin lasts", f"about {lasts:.0f} L (28 % more or less), {capacity:.0f} eq{days}"
    else:
        missing = "resin or salt" if capacity is None else "hardness of the feed"
        yield "its resin lasts", f"not known: no {missing} in the site file"


def _share(evidence: Evidence) -> float | None:
    found, feed = number_or_none(evidence, "hardness_mg_l"), number_or_none(evidence, "feed_mg_l")
    return None if found is None or not feed else min(found / feed, 1.0)


def _ago(evidence: Evidence, key: str) -> str:
    days = number_or_none(evidence, key)
    if days is None:
        return "never"
    return "just now" if days < 0.1 else "today" if days < 1.0 else f"{days:.0f} days ago"


def _clock(hour: float) -> str:
    minutes = round(60 * hour) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _over(litres: float | None, times: float) -> str:
    return "so much" if litres is None else f"{litres / times:.0f} L"


def _litres(litres: float | None) -> str:
    return "an unknown number of litres" if litres is None else f"{litres:.0f} L"


def _mg(evidence: Evidence, key: str) -> str:
    return shown(number(evidence, key), "hardness")
