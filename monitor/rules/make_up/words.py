"""What a sump's make-up means, and what to do. The order of steps is common practice, no source."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.readings import Evidence, Wording
from monitor.rules.rule import number, text
from monitor.rules.sumps import CAUTIONS

_FLOOR = (
    "Coolant on the floor: slipping and electricity first. Keep people away and have power near the puddle "
    "cut by a qualified person; find the cause afterwards."
)

_LOOK = (
    "Look under and behind the machine, in the pit and the cable ducts: is there coolant?",
    "Read the refractometer now and in two days: concentration unchanged means mixture is lost (a leak, "
    "carry-out), rising means evaporation.",
    "Look at the top-off valve or hose: does it run on, does the level stand too high?",
    "Look at chip bin, conveyor, door seals and hoses while the pump runs.",
    "If production changed (more hours, wet chips), correct hours_a_week or acknowledge with that comment.",
)


def wording(evidence: Evidence) -> Wording:
    """The words for a sump that takes more, or for water that is in no book."""
    told = text(evidence, "told")
    if told in ("unlogged", "overbooked"):
        return _book(evidence, over=told == "overbooked")
    return _neighbours(evidence) if told == "neighbours" else _usual(evidence)


def _usual(evidence: Evidence) -> Wording:
    weeks = number(evidence, "weeks")
    a_week = number(evidence, "litres") / weeks
    first = (
        f"{text(evidence, 'sump')}: takes {a_week:.0f} L a week, usual "
        f"{number(evidence, 'expected_l') / weeks:.0f} L for its hours"
    )
    return Wording(
        first_line=first,
        facts=tuple(_facts(evidence)),
        meaning="This sump is topped off with more than its hours, its own past and its neighbours explain. "
        "It leaks, carries more out, or a top-off was logged twice. Lost mixture takes concentrate with it.",
        steps=_LOOK,
        cautions=(_FLOOR, *CAUTIONS),
    )


def _neighbours(evidence: Evidence) -> Wording:
    times, week_l = number(evidence, "times_neighbours"), number(evidence, "week_l")
    return Wording(
        first_line=f"{text(evidence, 'sump')}: takes {week_l:.0f} L a week, {times:.1f} times what its "
        "neighbours take",
        facts=tuple(_facts(evidence)),
        meaning="For its surface and its hours it takes far more than the others here. It may always have "
        "been so: its own past says nothing of it.",
        steps=_LOOK,
        cautions=(_FLOOR, *CAUTIONS),
    )


def _facts(evidence: Evidence) -> list[tuple[str, str]]:
    facts = []
    if evidence.get("weeks") is not None:
        weeks = number(evidence, "weeks")
        facts = [
            (f"last {weeks:.0f} weeks", f"{number(evidence, 'litres'):.0f} L, {text(evidence, 'how')}"),
            ("to be expected", f"{number(evidence, 'expected_l'):.0f} L"),
            ("hours worked", f"{number(evidence, 'hours'):.0f} h, from {text(evidence, 'hours_from')}"),
            ("usual", f"{number(evidence, 'usual_l_week'):.0f} L a week"),
            ("beyond chance", f"{number(evidence, 'sure'):.1f} standard deviations"),
        ]
        if number(evidence, "shop_neighbours") >= 3:
            shop = number(evidence, "shop_pct")
            what = (
                f"{abs(shop):.0f} % {'more' if shop >= 0 else 'less'} than their usual (taken into account)"
            )
            facts.append((f"{number(evidence, 'shop_neighbours'):.0f} neighbours took", what))
    if evidence.get("times_neighbours") is not None:
        times, others = number(evidence, "times_neighbours"), number(evidence, "neighbours")
        beside = f"{times:.1f} times what {others:.0f} neighbours take"
        facts.append(("for its surface and hours", beside))
    facts.append(
        ("week by week", ", ".join(f"{litres:g}" for litres in _numbers(evidence, "weeks_l")) + " L")
    )
    return facts


def _book(evidence: Evidence, *, over: bool) -> Wording:
    drawn, booked = number(evidence, "drawn_l"), number(evidence, "booked_l")
    span = f"{text(evidence, 'from')} to {text(evidence, 'until')}"
    facts = [
        ("drawn", f"{drawn:.0f} L ({text(evidence, 'where')}), {span}"),
        ("metered or logged at the sumps", f"{booked:.0f} L"),
    ]
    if number(evidence, "elsewhere_l") > 0:
        facts.append(("used elsewhere", f"{number(evidence, 'elsewhere_l'):.0f} L, by the site file"))
    if over:
        return Wording(
            first_line=f"Make-up: {booked:.0f} L are in the book, but only {drawn:.0f} L were drawn",
            facts=tuple(facts),
            meaning="More water is said to have gone into sumps than the meter counted. The meter counts too "
            "little, or top-offs are logged twice, in another unit, or filled from another tap.",
            steps=(
                "Fill a bucket of known size through the meter: does it count it?",
                "Look through the logged top-offs: twice the same, gallons for litres?",
                "Is a sump filled from the tap? Its hardness goes into that coolant.",
            ),
            cautions=CAUTIONS[1:],
        )
    rest, share = number(evidence, "unlogged_l"), number(evidence, "share_pct")
    inferred = [str(one) for one in _list(evidence, "inferred")]
    if inferred:
        facts.append(("not logged at all, shared out by surface and hours", "; ".join(inferred)))
    return Wording(
        first_line=f"Make-up: {rest:.0f} L of {drawn:.0f} L drawn in two weeks in no book ({share:.0f} %)",
        facts=tuple(facts),
        meaning="Water went somewhere without being written down: into sumps, a bucket, or onto the floor. "
        "What is known of the sumps' minerals and losses is wrong by as much.",
        steps=(
            "Walk along the filling line: does a hose run, a valve drip, a float valve never close?",
            "Ask the shifts: which sumps were filled and not logged? Log them now with --at.",
            "Is there another user than the sumps (parts washer, floor cleaning)? Enter it as elsewhere.",
        ),
        cautions=(_FLOOR, *CAUTIONS[1:]),
    )


def _list(evidence: Evidence, key: str) -> Sequence[object]:
    found = evidence.get(key)
    return found if isinstance(found, Sequence) and not isinstance(found, str) else ()


def _numbers(evidence: Evidence, key: str) -> list[float]:
    return [float(str(one)) for one in _list(evidence, key)]
