"""Questions about the wire an instrument comes by: the address there, and one thing it sends."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from monitor.first import samples, written
from monitor.first.answers import Answers
from monitor.first.logged import logged
from monitor.first.meters import SAME_MESSAGE, Meter, chosen, wire_of
from monitor.first.question import Question, taken, text
from monitor.first.sent import (
    first_by_mqtt,
    fits_all,
    line_of,
    logged_in_words,
    logged_of,
    message_in_words,
    own_message_of,
)
from monitor.first.sumps import count
from monitor.first.written import NotRight

_REGISTERS = {"uint16": "", "int16": "", "uint32": "", "int32": "", "float32": ""}
TABLES = {"holding": "holding registers, 4xxxx", "input": "input registers, 3xxxx"}
CONTACT_TABLES = {"discrete": "discrete inputs, 1xxxx", "coils": "coils, 0xxxx", **TABLES}
_PARITY = {"none": "", "even": "", "odd": ""}
_TOPIC_MUST = "a topic like water/di; for sumps with {sump} in it, which stands for m01, m02 and so on"


def wire_questions(answers: Answers, meter: Meter) -> list[Question]:
    """What is to be asked of the wire that was chosen; nothing while none is."""
    wire = wire_of(answers, meter)
    if wire == "mqtt":
        return _mqtt(answers, meter)
    if wire == "line":
        return _line(answers, meter)
    if wire == "modbus":
        return _modbus(answers, meter)
    if wire == "tcp":
        return _tcp(answers, meter)
    return _logger(answers, meter) if wire == "logger" else []


def ports() -> list[str]:
    """Serial ports of this machine by names that stay when plugs are changed."""
    found = [*Path("/dev/goodwater").glob("*"), *Path("/dev/serial/by-id").glob("*")]
    return sorted(map(str, found))


def _usual_port() -> str:
    return next(iter(ports()), "/dev/ttyUSB0")


def _ports_in_words() -> str:
    found = ports()
    if not found:
        return "None is plugged in now; /dev/serial/by-id will hold names that stay when plugs are changed."
    return f"Plugged in now: {', '.join(found)}"


def _topic(meter: Meter) -> Callable[[str], str]:
    def read(typed: str) -> str:
        plain = typed.strip()
        wild = any(sign in plain for sign in "+#") or not plain.isprintable() or " " in plain
        if not plain or wild or ("{sump}" in plain or "{n}" in plain) != meter.of_sumps:
            raise NotRight(_TOPIC_MUST)
        return plain

    return read


def _mqtt(answers: Answers, meter: Meter) -> list[Question]:
    at = f"meter.{meter.key}"
    asked = []
    first = first_by_mqtt(answers) or meter
    if first.key == meter.key:
        asked = [
            Question(
                "broker.host",
                "The MQTT broker: on which machine does it run?",
                broker_place,
                default="127.0.0.1",
                hint="127.0.0.1 is this machine. With its port where that is not 1883, like 192.0.2.7:8883.",
            ),
            Question(
                "broker.user",
                "The name to log in to it with?",
                _nobody,
                default="none",
                hint="none where it asks for no login. The password is asked at the end.",
            ),
        ]
    asked.append(
        Question(
            f"{at}.topic",
            f"{meter.label}: its topic?",
            _topic(meter),
            default=meter.topic,
            hint="{sump} stands for m01, m02 and so on."
            if meter.of_sumps
            else "As the gateway publishes it. goodwater listen --broker HOST shows all.",
        )
    )
    shared = first.key != meter.key and taken(answers, SAME_MESSAGE, written.yes, False)
    if not shared or not fits_all(answers, first) or own_message_of(answers, meter) is not None:
        asked.append(
            Question(
                f"{at}.message",
                "One message as it comes?",
                samples.message,
                default="1" if meter.contact else "12.3",
                echo=message_in_words,
                hint='Paste it: a bare number like 12.3, or JSON like {"t": 1790000000000, "ec": 12.3}.',
            )
        )
    several = [m for m in chosen(answers) if wire_of(answers, m) == "mqtt" and m != first]
    if first.key == meter.key and several and fits_all(answers, first):
        asked.append(
            Question(
                SAME_MESSAGE,
                "Do the others send it like this?",
                written.yes,
                default="yes",
                hint="The same form, on topics of their own.",
            )
        )
    found = own_message_of(answers, meter)
    return [*asked, *_which_number(at, found.values if found is not None else ())]


def _which_number(at: str, found: Sequence[samples.Value]) -> list[Question]:
    """Asked only where there are several."""
    options = {value.where: value.written for value in found}
    question = Question(
        f"{at}.value", "Which of its numbers is it?", lambda t: written.choice(t, options), options=options
    )
    return [question] if len(found) > 1 else []


def broker_place(typed: str) -> tuple[str, int | None]:
    """Host and port; no port where it is the usual one."""
    plain = typed.strip()
    host, colon, port = plain.rpartition(":")
    if not colon or ":" in host:  # an IPv6 address has colons of its own
        return text("a name or address", 120)(plain), None
    if not port.isdigit() or not 1 <= int(port) <= 65535:
        raise NotRight(f'"{port}" is no port, which is a number from 1 to 65535')
    return text("a name or address", 120)(host), int(port)


def _nobody(typed: str) -> str:
    plain = typed.strip()
    return "" if plain.lower() in ("none", "no", "nobody") else text("a name", 120)(plain)


def _line(answers: Answers, meter: Meter) -> list[Question]:
    at = f"meter.{meter.key}"
    asked = [
        Question(
            f"{at}.port",
            f"{meter.label}: its serial port?",
            _device,
            default=_usual_port(),
            hint=_ports_in_words(),
        ),
        Question(f"{at}.baud", "Its speed in baud?", _baud, default="9600"),
        Question(
            f"{at}.line",
            "One line as it prints it?",
            lambda t: (samples.line_values(t), t)[1],
            hint="Paste it, like EC=12.3 uS",
        ),
    ]
    return [*asked, *_which_number(at, line_of(answers, meter))]


def _device(typed: str) -> str:
    plain = typed.strip()
    if not plain or not plain.isprintable() or " " in plain or len(plain) > 200:
        raise NotRight("the port's device file, like /dev/ttyUSB0")
    return plain


def _whole(low: int, high: int) -> Callable[[str], int]:
    def read(typed: str) -> int:
        value = written.number(typed, low, high)
        if value != int(value):
            raise NotRight("a whole number")
        return int(value)

    return read


_baud = _whole(50, 4_000_000)


def _modbus(answers: Answers, meter: Meter) -> list[Question]:
    first = next((m for m in chosen(answers) if wire_of(answers, m) == "modbus"), meter)
    asked = []
    if first.key == meter.key:
        asked = [
            Question(
                "bus.port",
                "The serial port of the bus?",
                _device,
                default=_usual_port(),
                hint="Only a bus of its own: on one shared with drives or a controller it can trip machines.",
            ),
            Question("bus.baud", "Its speed in baud?", _baud, default="9600"),
            Question(
                "bus.parity",
                "Its parity?",
                lambda t: written.choice(t, _PARITY),
                default="none",
                options=_PARITY,
            ),
        ]
    return asked + _registers(answers, meter)


def _tcp(answers: Answers, meter: Meter) -> list[Question]:
    first = next((m for m in chosen(answers) if wire_of(answers, m) == "tcp"), meter)
    asked = []
    if first.key == meter.key:
        asked = [
            Question("server.host", "The address of the Modbus TCP device?", text("a name or address", 120))
        ]
    return asked + _registers(answers, meter)


def _registers(answers: Answers, meter: Meter) -> list[Question]:
    at, several = f"meter.{meter.key}", " of the first; the next ones count on" if meter.of_sumps else ""
    tables = CONTACT_TABLES if meter.contact else TABLES
    asked = [
        Question(
            f"{at}.unit",
            f"{meter.label}: its address on the bus{several}?",
            _whole(1, 248 - (count(answers) if meter.of_sumps else 1)),
            default="1",
            hint="1 to 247.",
        ),
        Question(
            f"{at}.table",
            "In which table does it stand?",
            lambda t: written.choice(t, tables),
            default=next(iter(tables)),
            options=tables,
        ),
        Question(
            f"{at}.register",
            "At which number there, counted from 0?",
            _whole(0, 65535),
            default="0",
            hint="What a sheet calls 40001 or 30001 is 0. goodwater registers shows what stands where.",
        ),
    ]
    if not meter.contact:
        asked += [
            Question(
                f"{at}.type",
                "How is the number written there?",
                lambda t: written.choice(t, _REGISTERS),
                default="uint16",
                options=_REGISTERS,
            ),
            Question(
                f"{at}.scale",
                "What is it multiplied by?",
                lambda t: written.number(t, 1e-6, 1e6),
                default="1",
                hint="0.1 where the register holds 123 and the display shows 12.3.",
            ),
        ]
    return asked


def _logger(answers: Answers, meter: Meter) -> list[Question]:
    first = next((m for m in chosen(answers) if wire_of(answers, m) == "logger"), meter)
    asked = []
    if first.key == meter.key:
        asked = [
            Question(
                "logger.files",
                "Where does it write its files?",
                _device,
                default="logger/*.csv",
                hint="* stands for any text, so that new files are taken as they come.",
            ),
            Question(
                "logger.header",
                "The line with the columns' names?",
                text("a line", 4000),
                hint="Copy it from a file, like Time;EC DI;Level M01",
            ),
            Question(
                "logger.row",
                "And the first row of values below it?",
                lambda t: logged(answers.get("logger.header"), t),
                echo=logged_in_words,
                hint="Copy it whole, like 2026-05-04 06:30:00;12,3;310",
            ),
        ]
    found = logged_of(answers)
    if found is not None:
        columns = dict.fromkeys(found.columns, "")
        lower = {name.lower(): name for name in columns}
        of_first = "the column of the first?" if meter.of_sumps else "its column?"
        asked.append(
            Question(
                f"meter.{meter.key}.column",
                f"{meter.label}: {of_first}",
                lambda t: lower[written.choice(t, lower)],
                options=columns,
                hint="The next sumps take the columns that follow it." if meter.of_sumps else "",
            )
        )
    return asked
