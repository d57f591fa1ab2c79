"""What reads bytes from outside, each with examples to draw and what must hold of every one.

The short tier asks each for some dozens of examples, ``sh tests/run.sh --long fuzz`` for an hour's worth.
"""

from __future__ import annotations

import json
import math
import re
import struct
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from monitor.commands.listen.guess import guess
from monitor.commands.listen.guess_line import form_of, guess_line, pattern_of, shape
from monitor.commands.listen.shown import plain
from monitor.config import ConfigMistakes, load
from monitor.intake.checksums import CHECKSUMS, crc16_modbus
from monitor.intake.decoded import MAX_TIME_MS, Decoded, NumberText, Origin, said, time_from
from monitor.intake.lines import LineBuffer, LineReader, line_from
from monitor.intake.logger_rows import Form
from monitor.intake.logger_settings import Logger
from monitor.intake.modbus_frame import Answer, ReadFunction, Request, is_garbled, take_answer
from monitor.intake.modbus_settings import Wire as ModbusWire
from monitor.intake.modbus_tcp_frame import take_frame, tcp
from monitor.intake.modbus_values import decode as decode_registers
from monitor.intake.modbus_values import held, requests
from monitor.intake.payload_json import JsonPayload
from monitor.intake.payload_named import NamedPayload
from monitor.intake.payload_number import NumberPayload
from monitor.intake.payload_senml import SenmlPayload
from monitor.intake.payloads import AnyPayload, decode
from monitor.intake.senml import resolve
from monitor.intake.serial_settings import ChecksumForm
from monitor.intake.serial_settings import Wire as LineWire
from monitor.readings import Count, Sample
from tests.config.test_fuzz import broken_sites
from tests.intake.shop import NOW_MS, channel

ORIGIN = Origin("shop/di", NOW_MS)
CHANNELS = (
    channel("ec"),
    channel("temperature", "temperature", "degC", 100.0),
    channel("run", "contact", "1", 1.0),
)
IDS = {one.id for one in CHANNELS}


@dataclass(frozen=True)
class Target:
    """One parser: examples, and a check that raises when an example breaks a promise."""

    name: str
    examples: st.SearchStrategy[Any]
    check: Callable[[Any], None]


def sound(samples: Iterable[Sample], problems: Iterable[Count]) -> None:
    """What may go on to the watch: finite numbers, times of the calendar, short counts."""
    for sample in samples:
        assert sample.channel in IDS
        assert math.isfinite(sample.value)
        assert sample.time_ms is None or 0 <= sample.time_ms <= MAX_TIME_MS
    for problem in problems:
        assert re.fullmatch(r"[a-z0-9-]+", problem.what)
        assert problem.subject and len(problem.detail) <= 400, problem


def sound_all(moments: Iterable[Decoded]) -> None:
    for one in moments:
        sound(one.samples(NOW_MS), one.problems)


# --- bytes

numbers = st.one_of(
    st.integers(),
    st.floats(),
    st.sampled_from([0, -1, 2**28, 2**53, 10**400, 1e308, 1_800_000_000, 1_800_000_000_000]),
)
scalars = st.one_of(
    st.none(),
    st.booleans(),
    numbers,
    st.text(max_size=20),
    st.sampled_from(["1,5", "3 C", "1e400", "> 5", "OL", "on", "2031-02-14T06:30:00Z", "12.3 uS/cm", "0x1F"]),
)
KEYS = ["ec", "t", "at", "log", "values", "id", "v", "x", "body"]
documents = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=6) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=6),
    max_leaves=25,
)
long_digits = st.integers(1, 6000).map(lambda n: b"9" * n)
hostile = st.one_of(
    long_digits,
    long_digits.map(lambda digits: b'{"ec": ' + digits + b', "at": -' + digits + b"}"),
    st.integers(0, 400).map(lambda depth: b'{"body":' * depth + b"1" + b"}" * depth),
    st.integers(0, 400).map(lambda depth: b"[" * depth + b"]" * depth),
    st.integers(0, 5000).map(lambda n: b"[" + b"1," * n + b"1]"),
    st.integers(0, 3000).map(lambda n: b"[" + b'{"n":"x","v":1},' * n + b"{}]"),
    st.text(max_size=30).map(lambda text: text.encode("utf-16", "surrogatepass")),
)


@st.composite
def cut_and_bent(draw: st.DrawFn, whole: st.SearchStrategy[bytes]) -> bytes:
    """Bytes as a wire makes them: halves, doubles, flipped bits, noise."""
    data = bytearray(draw(whole))
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, max(0, len(data) - 1)))
        match draw(st.sampled_from(["flip", "cut", "double", "insert", "head"])):
            case "flip" if data:
                data[at] ^= 1 << draw(st.integers(0, 7))
            case "cut":
                del data[at:]
            case "head":
                del data[:at]
            case "double":
                data += data[at:]
            case _:
                data[at:at] = draw(st.binary(max_size=5))
    return bytes(data)


json_bytes = documents.map(lambda document: json.dumps(document).encode())
payload_bytes = st.one_of(
    st.binary(max_size=200),
    st.text(max_size=60).map(str.encode),
    json_bytes,
    cut_and_bent(json_bytes),
    hostile,
)

# --- payloads

PAYLOADS: list[AnyPayload] = [
    NumberPayload(),
    NumberPayload(decimal="comma", unit_text=("C",), over_text=("OL",)),
    JsonPayload(values={"ec": "/ec", "temperature": "/body/1/t", "run": "/x"}, time="/at"),
    JsonPayload(values={"ec": "", "temperature": "/0", "run": "/0/0"}, time="/at", time_unit="iso"),
    JsonPayload(
        values={"ec": "/ec", "temperature": "/t", "run": "/x"}, each="/log", time="/at", time_unit="s"
    ),
    JsonPayload(values={"ec": "/0", "temperature": "/1", "run": ""}, each="", time="/v", decimal="comma"),
    NamedPayload(
        each="/values", name="/id", value="/v", values={"ec": "ec", "temperature": "17", "run": "x"}
    ),
    NamedPayload(name="/t", value="", values={"ec": "1,5", "temperature": "0", "run": "on"}, time="/at"),
]


def check_payload(example: tuple[AnyPayload, bytes]) -> None:
    payload, raw = example
    channels = CHANNELS[:1] if isinstance(payload, NumberPayload) else CHANNELS
    moments = decode(payload, raw, channels=channels, subject="shop/di", now_ms=NOW_MS)
    sound_all(moments)
    assert sum(len(one.problems) for one in moments) <= 40


# --- SenML

LABELS = ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x", "y_"]
fields = st.one_of(
    scalars, st.sampled_from(["di:", "ec", "di:ec", "Cel", "S/m", "l/s", "/", "%", 10, 5, 11, True])
)
senml_records = st.dictionaries(st.sampled_from(LABELS), fields, max_size=6)
likely_records = st.fixed_dictionaries(
    {"n": st.sampled_from(["di:ec", "di:t", "ec"])},
    optional={
        "bn": st.sampled_from(["di:", "", "x"]),
        "bt": numbers,
        "bv": numbers,
        "u": st.sampled_from(["Cel", "S/m", "uS/cm", "/", "furlong"]),
        "v": numbers,
        "vb": st.booleans(),
        "s": numbers,
        "t": numbers,
    },
)
huge = st.sampled_from([1e308, -1e305, 5e-324, 2**1000, 1e15])
scaled_records = st.fixed_dictionaries({"n": st.just("di:ec"), "u": st.just("S/m"), "v": huge | numbers})
packs = st.lists(scaled_records | senml_records | likely_records | scalars, max_size=8).map(
    lambda pack: json.dumps(pack).encode()
)
SENML = SenmlPayload(values={"ec": "di:ec", "temperature": "di:t"}, sums={"run": "di:ec"})


def check_senml(raw: bytes) -> None:
    moments = decode(SENML, raw, channels=CHANNELS, subject="shop/di", now_ms=NOW_MS)
    sound_all(moments)
    for one in moments:
        assert len(one.values) <= 1
        assert one.time_ms is None or one.ago_ms is None
    try:
        document = json.loads(raw)
    except (ValueError, RecursionError):
        return
    for record in resolve(document).records:
        assert record.name
        assert math.isfinite(record.time_s)


# --- numbers and times as text

texts = st.one_of(
    st.text(max_size=40),
    st.floats().map(repr),
    st.from_regex(r"[<>]? ?[-+]?[0-9.,eE]{0,12} ?[a-zA-Z/°µ]{0,6}"),
)


def check_text(example: tuple[str, str, str]) -> None:
    text, decimal, unit = example
    written = NumberText.model_validate({"decimal": decimal, "unit_text": ["C"], "over_text": ["OL"]})
    for one in CHANNELS:
        heard = said(text, written, one)
        assert not isinstance(heard, tuple) or math.isfinite(heard[0])
    time_ms = time_from(text, unit)  # type: ignore[arg-type]  # drawn from the units there are
    assert not isinstance(time_ms, int) or 0 <= time_ms <= MAX_TIME_MS


# --- serial lines

FORMS: tuple[ChecksumForm, ...] = ("hex", "hex-low-first", "decimal", "bytes", "bytes-low-first")
line_pieces = st.one_of(
    st.binary(max_size=40),
    st.sampled_from(
        [b"\r", b"\n", b"\x03", b"\x02", b"EC 12.3;0A", b"EC 5 T 21.5", b"$DI,12.35*0A", b"OL", b"\0"]
    ),
    st.floats(-1e6, 1e6).map(lambda value: f"EC {value};{value:.1f}\n".encode()),
)


def check_lines(example: tuple[list[bytes], str, str, bytes, int]) -> None:
    pieces, checksum, written, delimiter, trailer = example
    wire = LineWire.model_validate(
        {
            "port": "com",
            "pattern": r"(?s)(?P<checked>.?EC (?P<ec>[^;]+))(; ?(?P<t>\d+)?)?(?P<checksum>.*)|(?P<w>\w+)",
            "values": {"ec": "ec", "run": "w"},
            "units": {"ec": "t"} if trailer == 2 else {},
            "time": "t",
            "time_unit": "ms",
            "over_text": ["OL"],
            **({"checksum": checksum, "checksum_form": written} if checksum else {}),
        }
    )
    buffer = LineBuffer(delimiter, 64, trailer)
    readers = [LineReader(wire, encoding, CHANNELS) for encoding in ("latin-1",)]
    for piece in pieces:
        for line in buffer.feed(piece):
            assert len(line) <= 64
            found = line_from(line, "latin-1", readers, ORIGIN)
            if found is not None:
                sound(found.parcel.samples, found.parcel.counts)
        assert len(buffer.pending) <= 64 + len(delimiter) + trailer


# --- Modbus

asked = st.builds(
    Request,
    st.integers(1, 247),
    st.sampled_from(list(ReadFunction)),
    st.integers(0, 60_000),
    st.integers(1, 120),
)
REGISTERS = ModbusWire.model_validate(
    {
        "port": "com",
        "unit": 7,
        "every": "1 s",
        "value": [
            {"channel": "ec", "address": 0, "type": "float32", "scale": 1e300},
            {"channel": "temperature", "address": 2, "type": "int32", "word_order": "low-first"},
            {"channel": "run", "function": "coils", "address": 0},
        ],
        "status": [{"address": 4, "fault_bits": [15], "over_codes": [1], "under_codes": [2]}],
    }
)


@st.composite
def modbus_streams(draw: st.DrawFn) -> tuple[Request, bytes]:
    """A request and what came: its answer among others, an echo, noise, all of it bent."""
    request = draw(st.sampled_from([*requests(REGISTERS)]) | asked)
    parts = []
    for _ in range(draw(st.integers(0, 4))):
        data = draw(st.binary(min_size=request.data_bytes, max_size=request.data_bytes))
        body = draw(
            st.sampled_from(
                [
                    bytes([request.unit, request.function, request.data_bytes]) + data,
                    bytes([request.unit, request.function | 0x80, data[0] if data else 2]),
                    request.rtu()[:-2],
                    draw(st.binary(max_size=20)),
                ]
            )
        )
        parts.append(body + struct.pack("<H", crc16_modbus(body)))
    return request, draw(cut_and_bent(st.just(b"".join(parts))))


def check_modbus(example: tuple[Request, bytes]) -> None:
    request, received = example
    image: dict[Any, int] = {}
    is_garbled(request, received)
    rest = received
    while rest:
        used, answer = take_answer(request, rest)
        assert 0 <= used <= len(rest)
        if isinstance(answer, Answer):
            assert len(answer.held) == request.count
            image |= held(request, answer)
        if used == 0:
            break
        rest = rest[used:]
    sound_all([decode_registers(REGISTERS, image, ORIGIN)])
    stream = tcp(request, 1) + received
    while stream:
        used, _ = take_frame(stream)
        assert 0 <= used <= len(stream)
        if used == 0:
            break
        stream = stream[used:]


# --- logger files

logger_lines = st.one_of(
    st.binary(max_size=80),
    st.text(max_size=60).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.lists(
        st.sampled_from(
            ["time", "EC", "T", "Pump", "2031-02-14T06:30:00Z", "12.5", "12,5", "> 5", "", '"', "on", "\0"]
        )
    ).map(lambda cells: ",".join(cells).encode()),
)
FORMS_OF_LOGGERS = [
    Form(
        Logger.model_validate({"id": "l", "files": ["x"], "time": ["time"], **settings}),
        {"ec": "EC", "temperature": 3, "run": "Pump"}
        if settings.get("names", True)
        else {"ec": 2, "temperature": 3, "run": 4},
        {one.id: one for one in CHANNELS},
        "Europe/Vienna",
    )
    for settings in (
        {},
        {"delimiter": "semicolon", "decimal": "comma", "unit_row": True, "encoding": "latin-1"},
        {"time": ["time", "T"], "time_format": "%d.%m.%Y %H:%M:%S", "skip_lines": 1},
        {"names": False, "time": [1], "time_format": "ms", "encoding": "cp1252", "over_text": ["on"]},
    )
]


def check_logger(example: tuple[Form, list[bytes]]) -> None:
    form, lines = example
    heading, rows = lines[: form.heading_lines], lines[form.heading_lines :]
    if len(heading) < form.heading_lines:
        return
    layout = form.layout(form.heading(heading))
    last_ms = 0
    for line in rows:
        form.is_heading(line, layout)
        found = form.row(line, layout, last_ms, ORIGIN)
        sound(found.samples(NOW_MS), found.problems)
        last_ms = found.time_ms or last_ms


# --- the site file

_FOLDER = tempfile.TemporaryDirectory()
_SITE = Path(_FOLDER.name) / "site.toml"


def check_site(text: str) -> None:
    _SITE.write_text(text, encoding="utf-8", newline="")
    try:
        load(_SITE)
    except ConfigMistakes as error:
        assert error.mistakes
        assert all(mistake.found and mistake.allowed for mistake in error.mistakes)


# --- what a person listens to


def check_listening(raws: list[bytes]) -> None:
    for raw in raws:
        found = guess(raw)
        assert plain(found.remark).isprintable()
        assert len(found.parts) <= 40 and all(math.isfinite(part.value) for part in found.parts)
    lines = [raw[:256].decode("latin-1") for raw in raws]  # a port gives no longer ones
    form = form_of(lines)
    for line in lines:
        shape(line, form)
        guess_line(line, form)
        re.compile(pattern_of(line, form)[0])


TARGETS = [
    Target("payloads", st.tuples(st.sampled_from(PAYLOADS), payload_bytes), check_payload),
    Target("senml", packs | cut_and_bent(packs) | hostile, check_senml),
    Target(
        "numbers and times",
        st.tuples(texts, st.sampled_from(["point", "comma"]), st.sampled_from(["ms", "s", "iso"])),
        check_text,
    ),
    Target(
        "serial lines",
        st.tuples(
            st.lists(line_pieces, max_size=8),
            st.sampled_from(["", *CHECKSUMS]),
            st.sampled_from(FORMS),
            st.sampled_from([b"\n", b"\r\n", b"\x03"]),
            st.integers(0, 2),
        ),
        check_lines,
    ),
    Target("modbus frames", modbus_streams(), check_modbus),
    Target(
        "logger rows",
        st.tuples(st.sampled_from(FORMS_OF_LOGGERS), st.lists(logger_lines, max_size=8)),
        check_logger,
    ),
    Target("site file", broken_sites(), check_site),
    Target("listening", st.lists(payload_bytes | line_pieces, max_size=4), check_listening),
]
