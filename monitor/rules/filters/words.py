"""What the rule `filter` says of its evidence, and what to do first.

Steps and cautions are common practice of the trade, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from monitor.plant.units import shown
from monitor.readings import Evidence, Wording
from monitor.rules.advice import cautions_for
from monitor.rules.rule import number, number_or_none, text

_Told = tuple[str, str, tuple[str, ...]]

_LOG = (
    "Log the change at once (`goodwater log ... filter-change`): litres, days and the clean drop begin anew."
)
_FLUSH = (
    "Flush the new one to drain until the water is clear (carbon: until no black fines come, by its sheet) "
    "before "
    "the RO sees it."
)
_TEST = (
    "Test free chlorine behind the carbon, the water running for some minutes, and total chlorine with the "
    "same "
    "kit; hold the tap's against it, so that a spoiled kit shows. `goodwater log` both."
)
_STOP_RO = (
    "Stop the RO, or run it only for what the shop cannot do without: what the membrane has had of chlorine "
    "does "
    "not come out again."
)
_CAUTIONS = (
    "The housing stands under the mains pressure: shut both sides and press its relief before the bowl is "
    "turned.",
    "Used carbon and filters hold what they took out, bacteria with it: gloves, a bag, and the local rules "
    "for waste.",
)


def wording(evidence: Evidence) -> Wording:
    """The message of one of the conditions."""
    first, meaning, steps = _PARTS[text(evidence, "part")](evidence)
    return Wording(
        first_line=first,
        facts=tuple(_facts(evidence)),
        meaning=meaning,
        steps=steps,
        cautions=(*_CAUTIONS, *cautions_for(text(evidence, "stage"))),
    )


def _spent(evidence: Evidence) -> _Told:
    where, left = text(evidence, "where"), number_or_none(evidence, "left_d")
    if left is None:  # it was changed, and nothing is known of its use yet
        return f"{where}: change is not due", "", ()
    when = (
        f"is due in {_days(left)}"
        if left > 0.5
        else "is due"
        if left > -1.0
        else f"was due {_days(-left)} ago"
    )
    first = f"{where}: change {when}"
    reckoned = "by the litres it has passed" if text(evidence, "by") == "litres" else "by the calendar"
    meaning = f"Reckoned {reckoned}, not measured: its water decides how long a filter lasts. "
    if number_or_none(evidence, "days") is None:
        meaning += "When it was changed is not known, so it may be older than this. "
    if evidence.get("carbon"):
        meaning += f"Carbon gives out without a sign but chlorine behind it. {_ro(evidence)}"
        return first, meaning, (_TEST, _change(evidence), _FLUSH, _LOG)
    meaning += "A prefilter that is full lets the RO run dry of feed, or lets dirt through when it tears. "
    return first, meaning, (_change(evidence), _FLUSH, _LOG)


def _change(evidence: Evidence) -> str:
    if evidence.get("carbon"):
        return "Have carbon at hand (catalytic carbon where the tap carries chloramine), and change it."
    return "Have a cartridge of the same size and rating at hand, and change it."


def _drop(evidence: Evidence) -> _Told:
    where, now = text(evidence, "where"), _bar(evidence, "drop_bar")
    if text(evidence, "why") == "fallen":
        first = f"{where}: loses only {now}, clean it lost {_bar(evidence, 'clean_bar')}"
        meaning = (
            "Less than half of what a clean one loses: water passes it by (torn, not seated, bypass open), "
            "it was "
            "changed for another kind, or less water runs than usual. "
        )
        look = "Look whether the bypass is shut, and whether as much water runs as always."
        return first, meaning, (look, "Open the housing: is the cartridge whole, straight and sealed?", _LOG)
    clogs = number_or_none(evidence, "clogs_in_d")
    limit = number_or_none(evidence, "limit_bar")
    beyond = limit is not None and (number_or_none(evidence, "drop_bar") or 0.0) >= limit
    first = f"{where}: clogged, loses {now}, limit {_bar(evidence, 'limit_bar')}"
    if not beyond and clogs is not None:
        first = f"{where}: clogs in about {_days(clogs)}, loses {now}, limit {_bar(evidence, 'limit_bar')}"
    meaning = (
        "What is lost here is missing at the RO's pump: low feed pressure stops it, or wears the pump. Far "
        "beyond its "
        "limit a cartridge tears and lets go what it held. "
    )
    early = (
        "If it clogged much sooner than the last one: ask whether the main was worked on, look into the bowl."
    )
    return first, meaning, (_change(evidence), _FLUSH, _LOG, early)


def _chlorine(evidence: Evidence) -> _Told:
    where = text(evidence, "where")
    free, bound = number_or_none(evidence, "free_mg_l"), number_or_none(evidence, "bound_mg_l")
    limit = number(evidence, "free_limit_mg_l")
    if evidence.get("only_total"):
        first = f"{where}: total chlorine {_mg(evidence, 'total_mg_l')} behind it, free not told"
        meaning = "Total holds free and bound chlorine; as only total was tested, all of it may be free. "
    elif free is not None and free > limit:
        first = f"{where}: lets chlorine through, free {_mg(evidence, 'free_mg_l')}"
        meaning = "The carbon no longer takes up free chlorine: spent, channelled or passed by. "
    else:
        first = f"{where}: lets chloramine through, bound {_mg(evidence, 'bound_mg_l')}"
        meaning = (
            "Free chlorine is held, what is bound to ammonia is not: usual with plain carbon and short "
            "contact. It "
            "hurts a membrane a thousand times more slowly; but free chlorine comes next. "
        )
    if free is None or free > limit or bound is None:
        meaning += f"{_ro(evidence)}{_exposure(evidence)}"
    return first, meaning, (_TEST, _STOP_RO, _BYPASS, _change(evidence), _FLUSH, _LOG, _WATCH_RO)


_BYPASS = "Is a bypass open, is the carbon seated, was the flow higher than it is rated for?"
_WATCH_RO = (
    "Watch salt passage and flow of the RO for the next weeks: both rising together is what chlorine does "
    "to it."
)


def _ro(evidence: Evidence) -> str:
    ro = text(evidence, "ro")
    if not ro:
        return ""
    return f"{ro} behind it is unguarded: free chlorine eats a polyamide membrane, for good. "


def _exposure(evidence: Evidence) -> str:
    exposed, bears = number_or_none(evidence, "exposed_mg_h_l"), number_or_none(evidence, "bears_h")
    if bears is None:
        return ""
    had = (
        ""
        if exposed is None
        else f"Since the last test that passed it has had {exposed:.0f} mg h/L at the most. "
    )
    return (
        f"{had}At this strength membranes bear about {bears:.0f} hours of running to the first damage seen "
        "(200 mg "
        "h/L, the early end of what makers state), fewer in warm, alkaline or rusty water. "
    )


def _overdue(evidence: Evidence) -> _Told:
    age = number_or_none(evidence, "test_age_d")
    ago = "none yet" if age is None else f"the last {age:.0f} days ago"
    first = f"{text(evidence, 'where')}: chlorine test overdue, {ago}"
    meaning = (
        "Nothing is known to be wrong, but nothing else tells either: no probe here sees chlorine. Until "
        "the next test "
        f"the membrane must be taken for unguarded. {_ro(evidence)}"
    )
    return first, meaning, (_TEST,)


_PARTS: Mapping[str, Callable[[Evidence], _Told]] = {
    "spent": _spent,
    "drop": _drop,
    "chlorine": _chlorine,
    "overdue": _overdue,
}


def _facts(evidence: Evidence) -> Iterator[tuple[str, str]]:
    days, litres = number_or_none(evidence, "days"), number_or_none(evidence, "litres")
    yield (
        "changed",
        f"{days:.0f} days ago"
        if days is not None
        else f"not known; watched for {number(evidence, 'watched_d'):.0f} days",
    )
    if litres is not None:
        least = "at least " if evidence.get("at_least") else ""
        capacity = number_or_none(evidence, "capacity_l")
        rated = "" if capacity is None else f" of {capacity:.0f} L it is rated for"
        yield "passed since", f"{least}{litres:.0f} L{rated}"
    else:
        yield "passed since", "not counted: no litres, so the calendar alone counts"
    if number_or_none(evidence, "every_d") is not None:
        yield "to be changed after", f"{number(evidence, 'every_d'):.0f} days at the latest"
    if number_or_none(evidence, "drop_bar") is not None:
        clean = number_or_none(evidence, "clean_bar")
        when_clean = "clean: not known yet" if clean is None else f"clean {shown(clean, 'pressure')}"
        yield "pressure lost", f"{_bar(evidence, 'drop_bar')} ({when_clean})"
    if evidence.get("tests_chlorine"):
        yield "chlorine behind it", _tests(evidence)
        if number_or_none(evidence, "tap_mg_l") is not None:
            yield "chlorine of the tap", _mg(evidence, "tap_mg_l")


def _tests(evidence: Evidence) -> str:
    age = number_or_none(evidence, "test_age_d")
    if age is None:
        return "never tested"
    said = [
        f"{name} {_mg(evidence, key)}"
        for name, key in (("free", "free_mg_l"), ("total", "total_mg_l"), ("bound", "bound_mg_l"))
        if number_or_none(evidence, key) is not None
    ]
    passed = number_or_none(evidence, "passed_age_d")
    last = "none passed" if passed is None else f"last passed {passed:.0f} days ago"
    return f"{', '.join(said)} (limits: free {_mg(evidence, 'free_limit_mg_l')}, bound " + (
        f"{_mg(evidence, 'bound_limit_mg_l')}), {age:.0f} days ago; {last}"
    )


def _days(days: float) -> str:
    return "a day" if round(days) <= 1 else f"{days:.0f} days"


def _bar(evidence: Evidence, key: str) -> str:
    value = number_or_none(evidence, key)
    return "not known" if value is None else shown(value, "pressure")


def _mg(evidence: Evidence, key: str) -> str:
    return shown(number(evidence, key), "chlorine")
