"""What the guard writes: that a watch is silent, that it was never heard, that it is back."""

from __future__ import annotations

from monitor.guard.settings import Guard, Told, Watch
from monitor.guard.vigil import Turn
from monitor.notify.letter import Letter, as_html, as_text
from monitor.notify.message import Message
from monitor.notify.when import local_time
from monitor.notify.words import one_line
from monitor.plant.fields import shown_duration
from monitor.plant.message_ids import trial_id

_LONGEST_SUBJECT = 160
_MINUTE_MS = 60_000

_SILENT_MEANS = (
    "Nobody is told of bad water there until it is heard again. From here nobody can tell why: the power, "
    "the internet or the network of the shop, the gateway, its broker, or the watch itself."
)
_STEPS = (
    "Ask somebody at the shop, or look: is there power, and does the shop's internet work?",
    "Look at the gateway: are its lamps on? Has its plug or its network cable come out? Switch it off and "
    "on if nothing else answers.",
    "On the gateway: systemctl status goodwater, then goodwater status with the site file.",
    "Until it is heard again, read the display at the last stage by eye once a shift, and before a tank is "
    "filled.",
)
_CAUTIONS = (
    "After a power cut pumps, machines and the RO may start by themselves when the power is back: keep clear "
    "of them, and leave the cabinet to those who are allowed to open it.",
)
_NEVER_STEPS = (
    "On the gateway: goodwater status with the site file shows the heartbeat or the status topic among the "
    "wires, with the reason when it fails.",
    "Compare the address in the site file's [heartbeat] with this guard's address and port, and both ends' "
    "key; with a status topic, the broker and the topic.",
    "Is a firewall between them? This guard must be reached from the gateway, not the other way round.",
)
_LAST_WORD = {
    "": "",
    "running": "running",
    "stopped": "stopped in good order: somebody stopped the watch, and has not started it again",
    "gone": "the broker saw its connection break",
}


def letter_of(turn: Turn, watch: Watch, guard: Guard) -> Letter:
    """The letter about one turn."""
    if turn.kind == "never":
        return _never(turn, watch, guard)
    return _silent(turn, watch, guard) if turn.kind == "silent" else _back(turn, watch, guard)


def _silent(turn: Turn, watch: Watch, guard: Guard) -> Letter:
    return Letter(
        first_line=f"High: Goodwater at {watch.name} is silent, its water is not watched",
        facts=_facts(
            ("Last heard", _when(turn.heard_ms, guard)),
            ("Its last word", _LAST_WORD[turn.word]),
            ("Noticed", _when(turn.at_ms, guard)),
            ("Listened in vain", _span(turn.listened_ms)),
            ("Trouble", turn.trouble),
            ("Told by", f"the guard {guard.name}"),
        ),
        meaning=(_SILENT_MEANS,),
        steps=_STEPS,
        cautions=_CAUTIONS,
        tone="high",
    )


def _never(turn: Turn, watch: Watch, guard: Guard) -> Letter:
    return Letter(
        first_line=f"Medium: this guard has never heard of Goodwater at {watch.name}",
        facts=_facts(
            ("Listens since", _when(turn.began_ms, guard)),
            ("Listened in vain", _span(turn.listened_ms)),
            ("Noticed", _when(turn.at_ms, guard)),
            ("Trouble", turn.trouble),
            ("Told by", f"the guard {guard.name}"),
        ),
        meaning=(
            "Either the watch does not run, or its signs of life do not reach this guard. Until they do, "
            "nobody would be told of a power or internet cut there.",
        ),
        steps=_NEVER_STEPS,
        tone="medium",
    )


def _back(turn: Turn, watch: Watch, guard: Guard) -> Letter:
    return Letter(
        first_line=f"Goodwater at {watch.name} is heard again",
        facts=_facts(
            ("Heard again", _when(turn.at_ms, guard)),
            ("Last heard before", _when(turn.heard_ms, guard) if turn.heard_ms else "never"),
            ("Listened in vain", _span(turn.listened_ms)),
            ("Told by", f"the guard {guard.name}"),
        ),
        meaning=(
            "What instruments and brokers kept in the meantime is judged now; alarms come from the watch "
            "itself. What nobody kept is not known: read the display at the last stage by eye once.",
        ),
    )


def message_of(turn: Turn, watch: Watch, guard: Guard, person: Told, way: int, now_ms: int) -> Message:
    """The message to one person by one way; the same turn has the same Message-ID at every try."""
    letter = letter_of(turn, watch, guard)
    text = as_text(letter)
    subject = one_line(letter.first_line, _LONGEST_SUBJECT)

    def named(at_ms: int) -> str:
        return trial_id(f"{person.id}/{watch.id}", way, guard.id, at_ms)

    return Message(
        subject=subject,
        text=text,
        html=as_html(letter),
        message_id=named(turn.at_ms),
        thread_id=named(turn.told_ms),
        time_ms=now_ms,
        from_name=f"Goodwater guard {guard.name}",
        to_name=person.name,
        headers={"Importance": "high"} if turn.kind == "silent" else {},
        data={
            "format": "goodwater.guard/1",
            "message_id": named(turn.at_ms),
            "site": {"id": watch.id, "name": watch.name},
            "state": turn.kind,
            "first_line": subject,
            "text": text,
        },
    )


def trial_of(guard: Guard, person: Told, way: int, now_ms: int) -> Message:
    """A message that only shows whether a way of the guard's works."""
    letter = Letter(
        first_line=f"Test from the Goodwater guard {guard.name}: nothing is wrong",
        facts=(("Sent", _when(now_ms, guard)), ("To", person.name)),
        meaning=("Somebody tried whether this guard's messages reach you. Nothing needs to be done.",),
    )
    own_id = trial_id(person.id, way, guard.id, now_ms)
    text = as_text(letter)
    return Message(
        subject=one_line(letter.first_line, _LONGEST_SUBJECT),
        text=text,
        html=as_html(letter),
        message_id=own_id,
        thread_id=own_id,
        time_ms=now_ms,
        from_name=f"Goodwater guard {guard.name}",
        to_name=person.name,
        data={"format": "goodwater.guard/1", "message_id": own_id, "state": "trial", "text": text},
    )


def _facts(*facts: tuple[str, str]) -> tuple[tuple[str, str], ...]:
    return tuple(fact for fact in facts if fact[1])


def _when(time_ms: int | None, guard: Guard) -> str:
    return "" if time_ms is None else local_time(time_ms, guard.timezone)


def _span(span_ms: int) -> str:
    return shown_duration(max(1, span_ms // _MINUTE_MS) * _MINUTE_MS)
