"""The instruments a shop may have, and what was answered about those it has."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from monitor.first import written
from monitor.first.answers import Answers
from monitor.first.question import taken
from monitor.first.stages import stages
from monitor.first.sumps import count
from monitor.first.written import NotRight

IONS = ("tap", "feed", "permeate", "di")


@dataclass(frozen=True)
class Meter:
    """An instrument a shop may have: where it sits, and what it usually shows."""

    key: str
    words: str
    stages: tuple[str, ...]  # there is none without one of these stages; empty for any shop
    shows: str  # unit, highest value, last digit; empty for a contact
    topic: str
    every: str = "1 min"
    of_sumps: bool = False
    by_eye: bool = False  # usually read by a person

    @property
    def label(self) -> str:
        """How the questions about it call it."""
        return _LABELS[self.key]

    @property
    def contact(self) -> bool:
        return not self.shows

    @property
    def ions(self) -> bool:
        return self.key in IONS


_LABELS = {
    "tap": "Tap",
    "feed": "RO feed",
    "permeate": "RO permeate",
    "di": "Behind the DI bed",
    "hardness": "Hardness test",
    "flow": "Flow",
    "run": "Run contact",
    "temperature": "Water temperature",
    "tank": "Tank level",
    "level": "Sump levels",
    "pump": "Pump contacts",
    "topoff": "Top-off counters",
    "brix": "Refractometer",
}
METERS = {
    meter.key: meter
    for meter in (
        Meter("tap", "conductivity or TDS of the tap water", (), "uS/cm 2000 1", "water/tap"),
        Meter(
            "feed",
            "conductivity or TDS of the RO's feed, behind the softener",
            ("ro",),
            "uS/cm 2000 1",
            "water/feed",
        ),
        Meter(
            "permeate", "conductivity or TDS of the RO's permeate", ("ro",), "uS/cm 200 0.1", "water/permeate"
        ),
        Meter("di", "conductivity or TDS behind the DI bed", ("di",), "uS/cm 50 0.1", "water/di"),
        Meter(
            "hardness",
            "hardness behind the softener, by strip or drops",
            ("softener",),
            "gpg 30 1",
            "water/hardness",
            "4 days",
            by_eye=True,
        ),
        Meter(
            "flow",
            "flow of the treated water (permeate, or through the DI bed)",
            ("ro", "di"),
            "L/min 20 0.1",
            "water/flow",
        ),
        Meter("run", "a contact that says when treated water is being made", ("ro", "di"), "", "water/run"),
        Meter(
            "temperature", "temperature of the water at the RO", ("ro",), "degC 60 0.1", "water/temperature"
        ),
        Meter("tank", "level of the tank", ("tank",), "mm 2000 1", "water/tank", "5 min"),
        Meter("level", "level of the sumps", ("sumps",), "mm 500 1", "sump/{sump}/level", "10 min", True),
        Meter(
            "pump",
            "a contact at each sump that says when its coolant pump runs",
            ("sumps",),
            "",
            "sump/{sump}/pump",
            "10 min",
            True,
        ),
        Meter(
            "topoff",
            "a counter of the litres topped up at each sump",
            ("sumps",),
            "L 65536 1",
            "sump/{sump}/topoff",
            "10 min",
            True,
        ),
        Meter(
            "brix",
            "refractometer at each sump",
            ("sumps",),
            "brix 30 0.1",
            "sump/{sump}/brix",
            "7 days",
            True,
            by_eye=True,
        ),
    )
}
WIRES = {
    "mqtt": "it, or a gateway, publishes to an MQTT broker",
    "line": "it prints lines of text on a serial port",
    "modbus": "Modbus on an RS-485 bus of its own",
    "tcp": "Modbus TCP",
    "logger": "a logger writes it to files",
    "eye": "nothing sends it: a person reads it and types it in (goodwater log)",
}
# Answers that hold for all.
SAME_WIRE, SAME_MESSAGE = "meters.same_wire", "meters.same_message"
TRAIN_EVERY, SUMPS_EVERY = "meters.every", "sump.every"
SCALES = {
    "nacl": "salt (NaCl), factor about 0.5",
    "kcl": "KCl, about 0.55",
    "natural": "natural water, 0.65",
}


def possible(answers: Answers) -> dict[str, Meter]:
    """The instruments that this train and these sumps can have."""
    there = {*stages(answers), *(("sumps",) if count(answers) else ())}
    return {key: meter for key, meter in METERS.items() if not meter.stages or there & set(meter.stages)}


def chosen(answers: Answers) -> tuple[Meter, ...]:
    """Those that were said to be there."""
    known = possible(answers)
    try:
        keys = written.choices(answers.get("meters.which"), known) if "meters.which" in answers else ()
    except NotRight:
        return ()
    return tuple(known[key] for key in keys)


def first_wired(answers: Answers) -> Meter | None:
    """The first whose value comes by itself: what is asked of it may hold for the others too."""
    return next((meter for meter in chosen(answers) if not meter.by_eye), None)


def own_wire_of(answers: Answers, meter: Meter) -> str:
    """The wire that was answered for a meter itself; empty where none was."""
    return taken(answers, f"meter.{meter.key}.wire", read_wire(meter), "")


def shared_wire_of(answers: Answers, meter: Meter) -> str:
    """The wire that all were said to come by, where this meter can; empty otherwise."""
    first = first_wired(answers)
    if first is None or meter == first or meter.by_eye or not taken(answers, SAME_WIRE, written.yes, False):
        return ""
    wire = own_wire_of(answers, first)
    return wire if wire and fits(wire, meter) else ""


def wire_of(answers: Answers, meter: Meter) -> str:
    """The wire a meter comes by: its own, else the one of all; empty while that is not answered."""
    return own_wire_of(answers, meter) or shared_wire_of(answers, meter)


def every_of(answers: Answers, meter: Meter) -> str:
    """How often a meter speaks, or is read."""
    if wire_of(answers, meter) == "eye":
        return meter.every if meter.by_eye else "4 days"
    key = SUMPS_EVERY if meter.of_sumps else TRAIN_EVERY
    return taken(answers, key, lambda typed: written.duration(typed, "1 min"), meter.every)


def fits(wire: str, meter: Meter) -> bool:
    """A port for each of a dozen sumps is no way to wire them, and nobody reads a contact by eye."""
    return not (wire == "line" and meter.of_sumps) and not (wire == "eye" and meter.contact)


def read_wire(meter: Meter) -> Callable[[str], str]:
    """Reads a wire. All have the same numbers for every meter, also those that do not fit it."""

    def read(typed: str) -> str:
        wire = written.choice(typed, WIRES)
        if not fits(wire, meter):
            raise NotRight(
                "nobody reads a contact by eye; leave it out at the list of instruments"
                if wire == "eye"
                else "a serial port for each sump is not asked for here; a gateway or a bus joins them"
            )
        return wire

    return read


def scale_of(typed: str) -> str:
    """The name of a scale, or a factor as a number."""
    if typed.strip()[:1].isdigit() and "." in typed.replace(",", "."):
        return written.shown(written.number(typed, 0.3, 1.2))
    return written.choice(typed, SCALES)


_HARDNESS = {name: unit for name, unit in written.HARDNESS.items() if unit != "mmol/L"}
_UNITS: Mapping[str, Mapping[str, str]] = {
    "flow": written.FLOW,
    "temperature": written.TEMPERATURE,
    "tank": written.LENGTH,
    "level": written.LENGTH,
    "topoff": written.VOLUME,
    "hardness": _HARDNESS,
    "brix": {"brix": "brix", "°brix": "brix", "bx": "brix", "%brix": "brix", "%": "brix"},
}


def reads(meter: Meter) -> Callable[[str], tuple[str, float, float]]:
    units = _UNITS.get(meter.key, written.DISSOLVED)

    def read(typed: str) -> tuple[str, float, float]:
        example = f"a unit, the highest value and the last digit, like {meter.shows}"
        parts = typed.replace(";", " ").split()
        if len(parts) != 3:
            raise NotRight(example)
        named = [part for part in parts if not part[:1].isdigit() and part[:1] != "."]
        numbers = [written.number_and_rest(part)[0] for part in parts if part not in named]
        unit = written.unit_of(named[0], units) if len(named) == 1 else None
        if unit is None or len(numbers) != 2:
            raise NotRight(example)
        top, digit = numbers
        if not 0 < digit < top:
            raise NotRight(f"the last digit is more than nothing and less than the highest value; {example}")
        return unit, top, digit

    return read


def shows(answers: Answers, meter: Meter) -> tuple[str, float, float]:
    """Unit, highest value and last digit of a meter; the usual ones until that is answered."""
    read = reads(meter)
    return taken(answers, f"meter.{meter.key}.shows", read, read(meter.shows))


def shows_tds(answers: Answers, meter: Meter) -> bool:
    return shows(answers, meter)[0] in ("ppm", "g/L")


def shows_resistivity(answers: Answers, meter: Meter) -> bool:
    return shows(answers, meter)[0] == "Mohm*cm"


def accuracy(meter: Meter) -> Callable[[str], tuple[str, str]]:
    """Reads an accuracy as (key of the site file, value)."""
    units = _UNITS.get(meter.key, written.DISSOLVED)

    def read(typed: str) -> tuple[str, str]:
        plain = typed.strip().lstrip("±+-/ ").lower()
        full = any(word in plain for word in ("fs", "f.s", "full", "span"))
        bare = plain.split("%")[0] if "%" in plain else plain
        if "%" in plain or full:
            value = written.number(bare.split()[0] if bare.split() else bare, 0.001, 50)
            return ("of_full_scale" if full else "of_reading"), f"{written.shown(value)} %"
        found = written.measure(plain, units, "2 %, 1 % FS or 5 mm")
        if written.number_and_rest(found)[0] <= 0:
            raise NotRight("more than nothing; don't know where the sheet is lost")
        return "absolute", found

    return read
