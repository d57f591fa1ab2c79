"""From a row of the outbox to what a person reads: made when it is delivered, out of the evidence.

Rule kinds bring their own words (`Wording`), injected by whoever knows the rules; a kind that is gone from
the site, or words that do not fit old evidence, never keep a message back.
"""

from __future__ import annotations

import logging
import re
import shlex
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from pydantic import JsonValue

from monitor.notify.burst import burst_letter
from monitor.notify.letter import Letter, Tone, as_html, as_text
from monitor.notify.notice_json import notice_json
from monitor.notify.when import local_time
from monitor.notify.words import one_line
from monitor.plant.message_ids import thread_id, trial_id
from monitor.plant.model import Person, Plant
from monitor.readings import AlarmState, Cause, Evidence, Owed, OwedReport, Priority, Transition, Wording

log = logging.getLogger(__name__)

Wordings = Mapping[str, Callable[[Evidence], Wording]]

# What a priority asks for: by consequence and the time there is to respond (ISA-18.2, IEC 62682). Which
# time stands behind a word is our own convention, said in docs/reference/messages.md.
PRIORITY_WORDS: dict[Priority, str] = {
    "high": "high: act now",
    "medium": "medium: act within this shift",
    "low": "low: act within the week",
}

SURE_WORDS = (
    (0.99, "as good as certain"),
    (0.9, "very likely"),
    (0.7, "likely"),
    (0.5, "more likely than not"),
    (0.0, "no more than a suspicion"),
)
_LONGEST_SUBJECT = 160
_LONGEST_LIST = 8
_EACH = ("Each by itself; on the computer that runs Goodwater this lists them, with their names:",)
_NOT_FROM_OUTSIDE = "From outside the shop's network it cannot be acknowledged yet."


@dataclass(frozen=True, slots=True)
class Message:
    """One message to one person by one way; `data` is what a machine reads of it."""

    subject: str
    text: str
    html: str
    message_id: str
    thread_id: str  # the Message-ID of the first message about the same alarm
    time_ms: int
    from_name: str
    to_name: str
    headers: Mapping[str, str] = field(default_factory=dict)
    data: Mapping[str, JsonValue] = field(default_factory=dict)
    pictures: tuple[Picture, ...] = ()


@dataclass(frozen=True, slots=True)
class Picture:
    """A PNG that the HTML part shows, under this Content-ID; `name` is what it is saved as."""

    content_id: str
    name: str
    png: bytes


@dataclass(frozen=True, slots=True)
class ReportWords:
    """A report as a person reads it."""

    subject: str
    text: str
    html: str
    pictures: tuple[Picture, ...] = ()


def compose_report(owed: OwedReport, plant: Plant, words: ReportWords, *, now_ms: int) -> Message:
    """The message that carries a report; it is a thread of its own.

    Raises: KeyError when the person is no longer in the plant.
    """
    message = Message(
        subject=one_line(words.subject, _LONGEST_SUBJECT),
        text=words.text,
        html=words.html,
        message_id=owed.message_id,
        thread_id=owed.message_id,
        time_ms=now_ms,
        from_name=f"Goodwater {plant.site.name}",
        to_name=person_of(plant, owed.notice.person).name,
        headers={"X-Goodwater-Report": owed.key},
        pictures=words.pictures,
    )
    told = _with_plain_data(message, f"{owed.report.kind}-notice", plant)
    return replace(told, data={**told.data, owed.report.kind: dict(owed.report.body)})


def compose(
    owed: Owed, plant: Plant, wordings: Wordings, *, site_file: str, now_ms: int, link: str = ""
) -> Message:
    """The message about one transition.

    `site_file` is what a person types after `goodwater ack`, `link` leads to the page that acknowledges it;
    empty where there is none. Raises: KeyError when the person is no longer in the plant.
    """
    person = person_of(plant, owed.notice.person)
    told = owed.transition
    place = name_of(plant, told.subject)
    letter = _letter(told, plant, wordings, place)
    if told.cause == "burst":
        letter = replace(letter, acknowledging=_EACH, command=_typed("alarms", site_file))
    elif told.state in _TO_ACKNOWLEDGE:
        letter = replace(_with_command(letter, told, site_file, "ack", "On"), link=link)
    elif told.state is AlarmState.LATCHED_ACKNOWLEDGED:
        letter = _with_command(letter, told, site_file, "reset", "To have it normal again: on")
    message = _from_letter(
        letter, plant, person, now_ms, owed.message_id, thread_id(owed.notice, plant.site.id)
    )
    headers = {"X-Goodwater-Alarm": f"{told.condition}#{told.occurrence}", "X-Goodwater-Cause": told.cause}
    if told.priority == "high" and (told.state in _STANDS or told.evidence.get("standing")):
        headers["Importance"] = "high"
    return replace(
        message, headers=headers, data=notice_json(owed, plant, place, message.subject, message.text)
    )


def trial(plant: Plant, person: Person, way: int, now_ms: int) -> Message:
    """A message that only shows whether a way of delivery works."""
    letter = Letter(
        first_line=f"Test from Goodwater at {plant.site.name}: nothing is wrong",
        facts=(("Sent", local_time(now_ms, plant.site.timezone)), ("To", person.name)),
        meaning=("Somebody at the shop tried whether messages reach you. Nothing needs to be done.",),
    )
    own_id = trial_id(person.id, way, plant.site.id, now_ms)
    return _with_plain_data(_from_letter(letter, plant, person, now_ms, own_id, own_id), "trial", plant)


def own_fault(
    plant: Plant, person: Person, way: int, subject: str, text: str, now_ms: int, tone: Tone = "high"
) -> Message:
    """Word of a fault of Goodwater's own: of its store, for which no row in the outbox can be written, or of
    what is no alarm of the water."""
    letter = Letter(
        first_line=f"Goodwater at {plant.site.name}: {subject}",
        facts=(("Noticed", local_time(now_ms, plant.site.timezone)), ("Site", plant.site.name)),
        meaning=tuple(line for line in text.splitlines() if line.strip()),
        tone=tone,
    )
    own_id = trial_id(person.id, way, plant.site.id, now_ms)
    message = _with_plain_data(
        _from_letter(letter, plant, person, now_ms, own_id, own_id), "own-fault", plant
    )
    return replace(message, headers={"Importance": "high"}) if tone == "high" else message


def person_of(plant: Plant, person: str) -> Person:
    """The person with this id.

    Raises: KeyError when the site file no longer has them.
    """
    for known in plant.person:
        if known.id == person:
            return known
    raise KeyError(person)


def name_of(plant: Plant, subject: str) -> str:
    """What a person calls the channel, stage, point, sump or instrument with this id; else the id."""
    if subject in plant.channels:
        return plant.span_words(subject)
    labels: dict[str, str] = {}
    for things in (plant.instrument, plant.sump, plant.point, plant.stage):
        labels.update((thing.id, thing.label) for thing in things)
    return labels.get(subject, subject)


def _from_letter(
    letter: Letter, plant: Plant, person: Person, now_ms: int, message_id: str, thread: str
) -> Message:
    return Message(
        subject=one_line(letter.first_line, _LONGEST_SUBJECT),
        text=as_text(letter),
        html=as_html(letter),
        message_id=message_id,
        thread_id=thread,
        time_ms=now_ms,
        from_name=f"Goodwater {plant.site.name}",
        to_name=person.name,
    )


def _with_plain_data(message: Message, kind: str, plant: Plant) -> Message:
    data: dict[str, JsonValue] = {
        "format": f"goodwater.{kind}/1",
        "message_id": message.message_id,
        "site": {"id": plant.site.id, "name": plant.site.name},
        "first_line": message.subject,
        "text": message.text,
    }
    return replace(message, data=data)


_STANDS = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})
_TO_ACKNOWLEDGE = frozenset(
    {AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED}
)

# What stands behind the priority on a lock screen when an alarm speaks that was raised before.
_AGAIN: dict[Cause, str] = {
    "worse": "worse",
    "chattering": "chattering",
    "reminder": "still not acknowledged",
    "unshelved": "off the shelf and still there",
    "unsuppressed": "still there, its instrument is well again",
    "in-service": "back in service and still there",
}
_AGAIN_MEANS: dict[Cause, str] = {
    "worse": "It was told before and has become materially worse since. It is to be acknowledged again.",
    "chattering": "It comes and goes. It is held as an alarm from now on, and is told once more: when it has "
    "been calm for a day. Worse still speaks at once.",
    "reminder": "It was told before, and nobody has acknowledged it. Reminders come ever more rarely.",
    "unshelved": "It had been shelved, and the shelf has ended.",
    "unsuppressed": "It was silent while an instrument it rests on was not to be trusted.",
    "in-service": "It was silent while maintenance went on there.",
}
_CHATTERING_STEPS = (
    "Look at the instrument first: a loose plug, a wet contact, air at the probe.",
    "If the value really swings about its limit: give the rule a deadband, or longer delays.",
)


def _letter(told: Transition, plant: Plant, wordings: Wordings, place: str) -> Letter:
    if told.cause == "burst":
        return burst_letter(told, plant, lambda member: wording_of(member, plant, wordings))
    wording = _wording(told, place, wordings)
    if told.cause in ("acknowledged", "reset"):
        return _acknowledged(told, plant, wording, place)
    if told.state in _STANDS:
        return _raised(told, plant, wording, place)
    return _returned(told, plant, wording, place)


def _raised(told: Transition, plant: Plant, wording: Wording, place: str) -> Letter:
    zone = plant.site.timezone
    again, means = _AGAIN.get(told.cause), _AGAIN_MEANS.get(told.cause)
    return Letter(
        first_line=f"{told.priority.capitalize()}{f', {again}' if again else ''}: {wording.first_line}",
        facts=(
            *wording.facts,
            *_chatters(told),
            *_silences(told),
            ("Since", local_time(told.since_ms, zone)),
            ("Told again at" if again else "Alarm at", local_time(told.time_ms, zone)),
            ("How sure", _sure(told.confidence)),
            ("Priority", PRIORITY_WORDS[told.priority]),
            *_where(told, plant, place),
        ),
        meaning=tuple(part for part in (means, wording.meaning) if part),
        steps=(*_CHATTERING_STEPS, *wording.steps) if told.cause == "chattering" else wording.steps,
        cautions=wording.cautions,
        tone=told.priority,
    )


def _returned(told: Transition, plant: Plant, wording: Wording, place: str) -> Letter:
    zone = plant.site.timezone
    acknowledged = _OWED.get(
        told.state, "It had been acknowledged before. Nothing more needs to be done here."
    )
    return Letter(
        first_line=f"Back to normal: {place} ({told.condition})",
        facts=(
            *wording.facts,
            ("Returned at", local_time(told.time_ms, zone)),
            ("It began", local_time(told.since_ms, zone)),
            ("Priority it had", PRIORITY_WORDS[told.priority]),
            *_where(told, plant, place),
        ),
        meaning=("The condition that raised this alarm no longer holds.", acknowledged),
    )


_OWED = {
    AlarmState.RETURNED: "Nobody has acknowledged it yet: please do, so that it is known to have been seen.",
    AlarmState.LATCHED_UNACKNOWLEDGED: "It is latched: it stays an alarm until somebody has looked at it, "
    "has acknowledged it, and has reset it with goodwater reset.",
    AlarmState.LATCHED_ACKNOWLEDGED: "It is latched: it stays an alarm until somebody has looked at it "
    "and has reset it.",
}


def _chatters(told: Transition) -> tuple[tuple[str, str], ...]:
    times, within_ms = told.evidence.get("raised_times"), told.evidence.get("raised_within_ms")
    if told.cause != "chattering" or not isinstance(within_ms, int | float):
        return ()
    return (("Raised", f"{times} times within {within_ms / 3_600_000:.3g} h"),)


def _silences(told: Transition) -> tuple[tuple[str, str], ...]:
    """Of an instrument fault: the rules that say nothing of it while it lasts."""
    silent = told.evidence.get("silences")
    if not isinstance(silent, list) or not silent:
        return ()
    return (("Silent meanwhile", one_line(", ".join(map(str, silent)), 300)),)


def _acknowledged(told: Transition, plant: Plant, wording: Wording, place: str) -> Letter:
    by, done = told.by or "somebody", "Reset" if told.cause == "reset" else "Acknowledged"
    standing = (
        "The condition still holds; word follows when it returns to normal."
        if told.state in (AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED)
        else "The condition had already returned to normal."
    )
    said = (("Comment", told.comment),) if told.comment else ()
    return Letter(
        first_line=f"{done} by {by}: {place} ({told.condition})",
        facts=(
            (f"{done} at", local_time(told.time_ms, plant.site.timezone)),
            ("By", by),
            *said,
            ("Priority", PRIORITY_WORDS[told.priority]),
            *_where(told, plant, place),
        ),
        meaning=(standing,),
    )


def _where(told: Transition, plant: Plant, place: str) -> tuple[tuple[str, str], ...]:
    return (("Where", place), ("Alarm", f"{told.condition}#{told.occurrence}"), ("Site", plant.site.name))


def _with_command(letter: Letter, told: Transition, site_file: str, command: str, where: str) -> Letter:
    return replace(
        letter,
        acknowledging=(f"{where} the computer that runs Goodwater, type:", _NOT_FROM_OUTSIDE),
        command=_typed(command, site_file, f"{told.condition}#{told.occurrence}"),
    )


def _typed(*words: str) -> str:
    return " ".join(_argument(one_line(word)) for word in ("goodwater", *words))


def _argument(word: str) -> str:
    # shlex would quote the # of `condition#3`, which a shell reads as itself inside a word.
    return word if re.fullmatch(r"[A-Za-z0-9_./:@%+=,-][A-Za-z0-9_./:@%+=,#-]*", word) else shlex.quote(word)


def _sure(confidence: float) -> str:
    words = next((words for least, words in SURE_WORDS if confidence >= least), SURE_WORDS[-1][1])
    return f"{confidence:.0%}, {words}"


def wording_of(told: Transition, plant: Plant, wordings: Wordings) -> Wording:
    """What a transition's rule kind says of it; plain evidence when the kind is not known any more."""
    return _wording(told, name_of(plant, told.subject), wordings)


def _wording(told: Transition, place: str, wordings: Wordings) -> Wording:
    speak = wordings.get(told.rule_kind)
    if speak is None:
        return _plain_wording(told, place)
    try:
        return speak(told.evidence)
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError, AssertionError) as error:
        # Evidence of an older version may lack what today's words want; the numbers still get through.
        log.warning(
            "the words for rule kind %s do not fit the evidence of %s: %r", told.rule_kind, told.key, error
        )
        return _plain_wording(told, place)


def _plain_wording(told: Transition, place: str) -> Wording:
    """The evidence as it stands, for a rule kind that has no words (any more)."""
    facts = tuple((name.replace("_", " "), _shown(value)) for name, value in told.evidence.items())
    return Wording(
        first_line=f"alarm of kind {told.rule_kind} at {place}",
        facts=facts,
        meaning=f"The rule {told.condition} raised this alarm; its evidence is shown as it was stored.",
        steps=("Look at the place named below and judge by the numbers above.",),
    )


def _shown(value: JsonValue) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, list):
        return f"{len(value)} values" if len(value) > _LONGEST_LIST else ", ".join(map(_shown, value))
    if isinstance(value, dict):
        return "; ".join(f"{name.replace('_', ' ')} {_shown(part)}" for name, part in value.items())
    return "none" if value is None else one_line(str(value), 300)
