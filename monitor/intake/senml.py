"""SenML packs in JSON (RFC 8428), resolved by its section 4: names, units, values and times of records.

Pure, and knows nothing of channels. A pack that must not be used is refused whole: one of a later version
(4.4), or with a label ending in "_" that is not known (4.4).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.intake.decoded import Refusal, finite, shortened

VERSION = 10  # 4.1: the default, and the latest there is
ABSOLUTE_FROM_S = 2.0**28  # 4.5.3: from here on a time counts from 1970, below it from "now"

Value = float | bool | str

_NUMBERS = frozenset({"bt", "bv", "bs", "v", "s", "t", "ut"})
_TEXTS = frozenset({"bn", "bu", "n", "u", "vs", "vd"})
_VALUES = ("v", "vs", "vb", "vd")  # 4.2: exactly one, or none beside a sum
_BASES = frozenset({"bn", "bt", "bu", "bv", "bs", "bver"})


@dataclass(frozen=True, slots=True)
class Record:
    """A record resolved (4.6), but for its time where that counts from "now"."""

    name: str
    unit: str  # empty: none was given
    value: Value | None  # None beside a sum, and for data (vd), which no instrument here sends
    sum: float | None  # in the unit times seconds
    time_s: float  # since 1970 UTC from `ABSOLUTE_FROM_S` on, else after "now"; 0 is now

    @property
    def time_ms(self) -> int | None:
        """UTC milliseconds, where the record says so."""
        return round(self.time_s * 1000) if self.time_s >= ABSOLUTE_FROM_S else None

    @property
    def ago_ms(self) -> int:
        """Milliseconds before "now", where the time counts from there."""
        return round(-self.time_s * 1000)


@dataclass(frozen=True, slots=True)
class Resolved:
    """The records of a pack, and what could not be read of it."""

    records: tuple[Record, ...] = ()
    refusals: tuple[Refusal, ...] = ()


@dataclass(slots=True)
class _Bases:
    """The base fields in force; each holds until a record gives another one (4.1)."""

    fields: dict[str, object] = field(default_factory=dict)

    def number(self, label: str) -> float | None:
        found = self.fields.get(label)
        return float(found) if isinstance(found, (int, float)) else None

    def text(self, label: str) -> str:
        return str(self.fields.get(label, ""))


def resolve(pack: object) -> Resolved:
    """The records of a pack, in the order they stand in.

    A record that is wrong in itself is left out. After wrong base fields nothing more is read: what follows
    would get a wrong name, unit or time.
    """
    if not isinstance(pack, list):
        return Resolved(refusals=(Refusal("not-senml", "a pack is an array of records"),))
    if refusal := _must_not_be_used(pack):
        return Resolved(refusals=(refusal,))
    bases = _Bases()
    records: list[Record] = []
    refusals: list[Refusal] = []
    for found in pack:
        if not isinstance(found, dict):
            refusals.append(Refusal("not-senml", f"no record: {shortened(found)}"))
            continue
        wrong = [label for label in found if not _right(label, found[label])]
        if _BASES.intersection(wrong):
            refusals.append(Refusal("not-senml", f"base fields {', '.join(wrong)}: nothing after is read"))
            break
        bases.fields.update((label, found[label]) for label in found if label in _BASES)
        if wrong:
            refusals.append(Refusal(*_why(wrong[0], found[wrong[0]])))
        elif not _BASES.issuperset(found):  # else it only sets the base of what follows
            record = _record(found, bases)
            if isinstance(record, Refusal):
                refusals.append(record)
            else:
                records.append(record)
    return Resolved(tuple(records), tuple(refusals))


def _must_not_be_used(pack: list[object]) -> Refusal | None:
    for record in pack:
        for label in record if isinstance(record, dict) else ():
            if label.endswith("_"):
                return Refusal("senml-unknown-label", f"{shortened(label)} has to be understood")
            version = record["bver"] if label == "bver" and isinstance(record, dict) else VERSION
            if isinstance(version, bool) or not isinstance(version, int) or not 1 <= version <= VERSION:
                return Refusal("senml-version", f"{shortened(version)}, at most {VERSION} is understood")
    return None


def _right(label: str, found: object) -> bool:
    """Whether a field is of its type; unknown ones are not looked at (4.4)."""
    if label in _NUMBERS:
        if isinstance(found, bool) or not isinstance(found, (int, float)):
            return False
        return not isinstance(finite(found), Refusal)
    if label in _TEXTS:
        return isinstance(found, str)
    return label != "vb" or isinstance(found, bool)


def _why(label: str, found: object) -> tuple[str, str]:
    if label in _NUMBERS and isinstance(found, float):
        return "not-finite", f"{label} is {found}"
    what = "not-a-number" if label == "v" else "not-senml"
    return what, f"{label} is {shortened(found)}"


def _record(found: Mapping[str, object], bases: _Bases) -> Record | Refusal:
    values = [label for label in _VALUES if label in found]
    if len(values) > 1:
        return Refusal("not-senml", f"{' and '.join(values)} in one record")
    name = bases.text("bn") + str(found.get("n", ""))
    if not name:
        return Refusal("not-senml", "a record without a name")
    value = _value(found, values, bases)
    total = _added(found.get("s"), bases.number("bs"))
    if value is None and total is None and not values:
        return Refusal("missing-value", f"{shortened(name)} has neither a value nor a sum")
    time_s = _added(found.get("t"), bases.number("bt")) or 0.0
    for number in (value, total, time_s):
        if isinstance(number, float) and isinstance(finite(number), Refusal):
            return Refusal("not-finite", f"{shortened(name)}: a sum with its base")
    return Record(name, str(found.get("u", bases.text("bu"))), value, total, time_s)


def _value(found: Mapping[str, object], values: list[str], bases: _Bases) -> Value | None:
    match values:
        case ["vb"]:
            return bool(found["vb"])
        case ["vs"]:
            return str(found["vs"])
        case ["vd"]:
            return None
        case []:
            # 4.5.4: a missing value is zero, to which the base is added; beside a sum there need be none
            return None if "s" in found else bases.number("bv")
        case _:
            return _added(found["v"], bases.number("bv"))


def _added(own: object, base: float | None) -> float | None:
    """A field and its base; one that is missing counts as zero, and two that are missing are nothing."""
    if not isinstance(own, (int, float)):
        return base
    return float(own) + (base or 0.0)
