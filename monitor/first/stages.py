"""Questions about the shop and the water's way: tap, softener, RO, DI bed, what the coolant asks of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.first import written
from monitor.first.answers import Answers
from monitor.first.question import Question, Section, taken, text
from monitor.first.written import NotRight

# The stages between tap and sumps, in their usual order.
STAGES = {
    "sediment filter": "sediment-filter",
    "carbon filter": "carbon",
    "softener": "softener",
    "booster pump": "booster",
    "RO": "ro",
    "DI bed": "di",
    "tank": "tank",
}
_OPTIONS = dict.fromkeys(STAGES, "")
HARDNESS = "18 gpg, 17 °dH, 310 ppm or 31 °fH"
# Usual for make-up water behind a DI bed, and behind an RO alone (common practice, no source).
USUAL_LIMIT = {"di": "20 uS/cm", "ro": "60 uS/cm"}


def shop(answers: Answers) -> Section:
    return Section(
        "The shop",
        "",
        (
            Question("shop.name", "What is the shop called in messages?", text("a name"), default="Our shop"),
            Question(
                "shop.timezone",
                "Its time zone?",
                _zone,
                default=_machines_zone(),
                hint="A name like Europe/Vienna or America/Chicago; messages show this time.",
            ),
        ),
    )


def _zone(typed: str) -> str:
    plain = typed.strip()
    try:
        ZoneInfo(plain)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise NotRight(
            f'"{plain}" is no time zone; one looks like Europe/Vienna or America/Chicago'
        ) from None
    return plain


def _machines_zone() -> str:
    """The zone this machine is set to; UTC where that cannot be told."""
    for place in (Path("/etc/timezone"),):
        try:
            return _zone(place.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            pass
    try:
        return _zone(str(Path("/etc/localtime").resolve()).partition("zoneinfo/")[2])
    except (OSError, ValueError):
        return "UTC"


def stages(answers: Answers) -> tuple[str, ...]:
    """The kinds of stage there are, in the order the water takes, the tap first."""
    none: tuple[str, ...] = ()
    names = taken(answers, "train.stages", lambda typed: written.choices(typed, _OPTIONS), none)
    kinds = ["tap", *(STAGES[name] for name in names)]
    if (
        "di" in kinds
        and "tank" in kinds
        and taken(answers, "train.tank", _before_or_after, "after") == "before"
    ):
        kinds.remove("tank")
        kinds.insert(kinds.index("di"), "tank")
    return tuple(kinds)


def _before_or_after(typed: str) -> str:
    return written.choice(typed, {"after": "", "before": ""})


def train(answers: Answers) -> Section:
    kinds = stages(answers)
    asked = [
        Question(
            "train.stages",
            "Which of these does the water pass?",
            lambda typed: written.choices(typed, _OPTIONS),
            default="1 2 3 5 6 7",
            hint="Numbers like 1 3 5, or names; none where tap water goes straight into the sumps.",
            options=_OPTIONS,
        )
    ]
    if "di" in kinds and "tank" in kinds:
        asked.append(
            Question(
                "train.tank",
                "Does the tank stand before or after the DI bed?",
                _before_or_after,
                default="after",
            )
        )
    return Section("The water's way", "From the tap to the sumps, in this order.", tuple(asked))


def water(answers: Answers) -> Section:
    co2 = (
        "Behind an RO carbon dioxide is most of what loads DI resin, and only alkalinity with pH tells it: "
        "the forecast of the bed stays a range without a date."
    )
    asked = [
        Question(
            "tap.hardness",
            "Total hardness of the tap water?",
            lambda t: written.within(written.measure(t, written.HARDNESS, HARDNESS), "mg/L", 0, 5000),
            "How many litres a softener lasts, and how fast minerals build up in a sump, cannot be reckoned.",
            hint=f"From the supplier's report or a strip, like {HARDNESS}.",
        ),
        Question(
            "tap.alkalinity",
            "Alkalinity of the tap water?",
            lambda t: written.within(
                written.measure(t, written.HARDNESS, "140 ppm or 8 °dH"), "mg/L", 0, 2000
            ),
            co2,
            hint="From the same report, as carbonate hardness too, like 140 ppm or 8 °dH.",
        ),
        Question(
            "tap.ph",
            "Its pH?",
            lambda t: written.number(t, 4, 10, ("ph",)),
            co2,
            hint="Measured fresh, like 7.6.",
        ),
        Question(
            "tap.dissolved",
            "Its conductivity or TDS, as a hand meter shows it?",
            lambda t: written.within(written.measure(t, _TAP_DISSOLVED, "480 uS/cm or 240 ppm"), *_span(t)),
            "Whether a limit can be reached at all, and how long resin lasts, cannot be said beforehand.",
            hint="Like 480 uS/cm or 240 ppm.",
        ),
        Question(
            "tap.chlorine",
            "Chlorine in the tap water?",
            _chlorine,
            "Nobody can say whether it destroys the RO's membrane. A strip costs cents.",
            hint='Free or total, like 0.3 mg/L; "none" where a strip shows none.',
        ),
    ]
    return Section(
        "The tap",
        "From the supplier's report, strips and a hand meter. \"don't know\" is allowed.",
        tuple(asked),
    )


_TAP_DISSOLVED = {name: unit for name, unit in written.DISSOLVED.items() if unit in ("uS/cm", "mS/cm", "ppm")}


def _span(typed: str) -> tuple[str, float, float]:
    """The unit to hold it against: a TDS is none of conductivity's."""
    unit = written.unit_of(written.number_and_rest(typed)[1], _TAP_DISSOLVED)
    return ("mg/L", 5, 5000) if unit == "ppm" else ("uS/cm", 10, 10_000)


def _chlorine(typed: str) -> str:
    if typed.strip().lower() in ("none", "no", "0", "zero"):
        return "0 mg/L"
    return written.within(written.measure(typed, written.MASS_PER_LITRE, "0.3 mg/L"), "mg/L", 0, 20)


def treatment(answers: Answers) -> Iterator[Section]:
    kinds = stages(answers)
    if "softener" in kinds:
        yield _softener(answers)
    if "ro" in kinds:
        yield _membrane()
    if "di" in kinds:
        yield _bed()
    if {"ro", "di"} & set(kinds):
        yield _treated("di" if "di" in kinds else "ro")


def _resin(typed: str) -> str:
    return written.within(written.measure(typed, written.VOLUME, "40 L or 1.5 ft3"), "L", 0.5, 5000)


def _softener(answers: Answers) -> Section:
    cost = "How many litres it softens before hard water passes cannot be reckoned; only hand tests tell."
    asked = [
        Question(
            "softener.resin",
            "Litres of resin in the softener?",
            _resin,
            cost,
            hint="On its plate, like 40 L or 1.5 ft3.",
        ),
        Question(
            "softener.salt",
            "Its salt setting?",
            _salt,
            cost,
            hint="For each regeneration, like 5 kg or 12 lb, or for the resin, like 8 lb/ft3 or 128 g/L.",
        ),
        Question(
            "softener.start",
            "What starts its regeneration?",
            lambda t: written.choice(t, _STARTS),
            "Whether a timed one falls behind cannot be reckoned.",
            options=_STARTS,
            hint="The head shows litres, or only a day and an hour.",
        ),
    ]
    if taken(answers, "softener.start", lambda t: written.choice(t, _STARTS), "") == "timed":
        asked.append(
            Question(
                "softener.every",
                "How often does it regenerate?",
                lambda t: written.duration(t, "3 days"),
                "Whether it keeps up with what the shop uses cannot be reckoned.",
                hint="Like 3 days.",
            )
        )
    return Section("The softener", "", tuple(asked))


_STARTS = {"metered": "a meter, after so many litres", "timed": "a clock, after so many days"}


def _salt(typed: str) -> str:
    found = written.measure(typed, written.SALT, "5 kg, 12 lb or 8 lb/ft3")
    unit = found.split(" ", 1)[1]
    return (
        written.within(found, "kg", 0.2, 500)
        if unit in ("kg", "g", "lb")
        else written.within(found, "g/L", 30, 400)
    )


def _membrane() -> Section:
    return Section(
        "The RO",
        "",
        (
            Question(
                "ro.rated",
                "What permeate is it rated for?",
                lambda t: written.within(
                    written.measure(t, written.FLOW, "4 L/min, 240 L/h or 1500 gpd"), "L/min", 0.05, 2000
                ),
                "Litres cannot be reckoned from a contact that says when it runs.",
                hint="On its plate, at 25 °C, like 4 L/min, 240 L/h or 1500 gpd.",
            ),
            Question(
                "ro.recovery",
                "What share of its feed becomes permeate (recovery)?",
                lambda t: written.share(t, 5, 95),
                "What goes down its drain cannot be reckoned.",
                hint="Like 60 %. Permeate divided by permeate plus drain; a bucket and a watch tell.",
            ),
        ),
    )


def _bed() -> Section:
    return Section(
        "The DI bed",
        "",
        (
            Question(
                "di.resin",
                "Litres of resin in the bed?",
                _resin,
                "Rule breakthrough is left out: no forecast of the resin, no early sign of its end.",
                hint="All bottles in a row together, like 20 L or 0.7 ft3.",
            ),
            Question(
                "di.service",
                "Whose resin is it?",
                lambda t: written.choice(t, _SERVICE),
                "Messages then name both ways of renewing it.",
                options=_SERVICE,
            ),
            Question(
                "di.since",
                "On which day was fresh resin put in?",
                written.day,
                "Counting begins today, so the first forecast takes the bed for a fresh one.",
                hint="Like 2026-05-04 or 4 May 2026.",
            ),
        ),
    )


_SERVICE = {"own": "the shop's own", "exchanged": "bottles that a service exchanges"}


def _treated(last: str) -> Section:
    usual = USUAL_LIMIT[last]
    return Section(
        "What the coolant asks of its water",
        "From the coolant's sheet, or its supplier: the most its make-up water may have.",
        (
            Question(
                "treated.limit",
                "Conductivity or TDS the treated water may have at most?",
                lambda t: written.measure(t, _TAP_DISSOLVED, usual),
                f"{usual} is taken, usual for make-up water; your coolant may need another.",
                hint=f"Like {usual} or 10 ppm.",
            ),
        ),
    )
