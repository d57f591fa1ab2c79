"""What instruments send, as it was pasted into the answers."""

from __future__ import annotations

from monitor.first import samples, written
from monitor.first.answers import Answers
from monitor.first.logged import Logged, logged
from monitor.first.meters import SAME_MESSAGE, Meter, chosen, wire_of
from monitor.first.question import taken

# Names of a number that say nothing of what it is, and so fit any meter.
_ANY_VALUE = ("v", "val", "value", "reading", "raw")


def own_message_of(answers: Answers, meter: Meter) -> samples.Message | None:
    """The sample message of a meter itself, read; None where there is none."""
    return taken(answers, f"meter.{meter.key}.message", _maybe_message, None)


def message_of(answers: Answers, meter: Meter) -> samples.Message | None:
    """The sample message of a meter: its own, else the one that all were said to send."""
    own = own_message_of(answers, meter)
    if own is not None or not taken(answers, SAME_MESSAGE, written.yes, False):
        return own
    first = first_by_mqtt(answers)
    return own_message_of(answers, first) if first is not None and fits_all(answers, first) else None


def first_by_mqtt(answers: Answers) -> Meter | None:
    """The first that comes by a broker; what it sends may be what all send."""
    return next((m for m in chosen(answers) if wire_of(answers, m) == "mqtt"), None)


def fits_all(answers: Answers, meter: Meter) -> bool:
    """Whether a message has one number, under a name that fits any meter, or is nothing but a number."""
    found = own_message_of(answers, meter)
    names = [] if found is None else [v.where.rpartition("/")[2].lower() for v in found.values]
    return len(names) == 1 and names[0] in ("", *_ANY_VALUE)


def _maybe_message(typed: str) -> samples.Message | None:
    return samples.message(typed)


def line_of(answers: Answers, meter: Meter) -> tuple[samples.Value, ...]:
    """The numbers in the sample line of a meter."""
    none: tuple[samples.Value, ...] = ()
    return taken(answers, f"meter.{meter.key}.line", samples.line_values, none)


def logged_of(answers: Answers) -> Logged | None:
    """How the logger's files are written; None where that is not known."""

    def read(row: str) -> Logged | None:
        return logged(answers.get("logger.header"), row)

    return taken(answers, "logger.row", read, None)


def message_in_words(found: samples.Message) -> str:
    if found.kind == "number":
        return f"A number, {found.values[0].written}, without a time of its own."
    listed = ", ".join(f"{value.where} = {value.written}" for value in found.values)
    timed = f"its time in {found.time}" if found.time else "without a time of its own"
    return f"JSON with {listed}, {timed}."


def logged_in_words(found: Logged) -> str:
    decimal = "comma" if found.comma else "point"
    columns, time = ", ".join(found.columns), " and ".join(found.time)
    return f"Columns with values: {columns}; time in {time}; decimal {decimal}."
