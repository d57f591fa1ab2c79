"""Two instruments that would take the same value: told as soon as it is answered."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.first import written
from monitor.first.answers import Answers
from monitor.first.meters import Meter, chosen, wire_of
from monitor.first.question import taken
from monitor.first.sent import line_of, logged_of, message_of
from monitor.first.sumps import count
from monitor.first.written import NotRight

# The answer to put right, by the wire.
_TO_CHANGE = {"mqtt": "topic", "line": "port", "modbus": "register", "tcp": "register", "logger": "column"}


def clashes(answers: Answers) -> Iterator[tuple[str, str]]:
    """Keys of questions to be asked again, each with the reason."""
    owners: dict[str, Meter] = {}
    buses = [answers.get("bus.port")] if "bus.port" in answers else []
    for meter in chosen(answers):
        wire = wire_of(answers, meter)
        key = f"meter.{meter.key}.{_TO_CHANGE.get(wire, '')}"
        if wire == "line" and answers.get(key) in buses:
            yield key, f"{answers.get(key)} is the Modbus bus already; lines need a port of their own"
            continue
        try:
            sources = _sources(answers, meter, wire)
        except NotRight as reason:
            yield key, str(reason)
            continue
        other = next((owners[source] for source in sources if source in owners), None)
        if other is not None:
            yield key, f"that is where {other.label} comes from already"
        else:
            owners |= dict.fromkeys(sources, meter)


def _sources(answers: Answers, meter: Meter, wire: str) -> list[str]:
    """Where the values of a meter come from, one for each sump; none while it is not all answered."""
    at, many = f"meter.{meter.key}", count(answers) if meter.of_sumps else 1
    if wire == "mqtt":
        return _topics(answers, meter, many)
    if wire == "line":
        number = answers.get(f"{at}.value") or "1"
        port, line = answers.get(f"{at}.port"), answers.get(f"{at}.line")
        return [f"{port} {line} {number}"] if port and line_of(answers, meter) else []
    if wire in ("modbus", "tcp"):
        first = taken(answers, f"{at}.unit", lambda typed: int(written.number(typed, 1, 247)), 0)
        place = f"{answers.get(f'{at}.table')} {answers.get(f'{at}.register')}"
        known = first and f"{at}.table" in answers and f"{at}.register" in answers
        return [f"{wire} {first + n} {place}" for n in range(many)] if known else []
    return _columns(answers, meter, many) if wire == "logger" else []


def _topics(answers: Answers, meter: Meter, many: int) -> list[str]:
    topic, found = answers.get(f"meter.{meter.key}.topic"), message_of(answers, meter)
    if not topic or found is None:
        return []
    pointer = found.values[0].where if len(found.values) == 1 else answers.get(f"meter.{meter.key}.value")
    return [f"{topic} {n} {pointer}" for n in range(many)]


def _columns(answers: Answers, meter: Meter, many: int) -> list[str]:
    """The column chosen and, for sumps, those that follow it.

    Raises: NotRight when fewer follow than there are sumps.
    """
    found = logged_of(answers)
    columns = {name.lower(): place for place, name in enumerate(found.columns)} if found is not None else {}
    first = taken(
        answers, f"meter.{meter.key}.column", lambda typed: columns[written.choice(typed, columns)], None
    )
    if found is None or first is None:
        return []
    mine = [f"column {name}" for name in found.columns[first : first + many]]
    if len(mine) < many:
        raise NotRight(f"{len(mine)} columns from there on, for {many} sumps; each needs one of its own")
    return mine
