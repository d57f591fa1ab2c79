"""The transitions of an alarm as the standards tell them, written down before and apart from our own code.

Two sources. OPC 10000-9 (OPC UA Part 9, Alarms and Conditions, release 1.05, public at
reference.opcfoundation.org), read for this table; clauses are named beside the rows. ANSI/ISA-18.2-2016 and
IEC 62682:2014, their alarm state transition diagram with the states A to I: *from memory*, no copy at hand.

Part 9 keeps what the process and the acknowledgement say (active, acked, latched) apart from what keeps an
alarm from being announced (shelved, suppressed, out of service); ISA-18.2 draws both in one diagram, in which
an alarm that is no longer kept back goes to normal or to unacknowledged. The table follows Part 9 while an
alarm is kept back, and ISA-18.2 for what it is when it is not any more.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

# Letters of ISA-18.2 (from memory).
Process = Literal["A normal", "B unacknowledged", "C acknowledged", "D returned unacknowledged",
                  "E latched unacknowledged", "F latched acknowledged"]  # fmt: skip
Shelving = Literal["unshelved", "timed", "one-shot"]
Said = Literal["begins", "ends", "acknowledge", "reset"]

# What the process says and a person acknowledges. A pair that is not there changes nothing: acknowledging
# what is acknowledged (Part 9, 5.7.3, from memory), resetting what is not latched, still active or still
# unacknowledged (5.8.5: Bad_InvalidState), a condition that goes on.
PLAIN: Mapping[tuple[Process, Said], Process] = {
    ("A normal", "begins"): "B unacknowledged",  # ISA-18.2, and Part 9, 4.8 and 5.7.2: to be acknowledged
    ("B unacknowledged", "acknowledge"): "C acknowledged",  # ISA-18.2, and Part 9, 5.7.3
    ("B unacknowledged", "ends"): "D returned unacknowledged",  # ISA-18.2 (return to normal)
    ("C acknowledged", "ends"): "A normal",  # ISA-18.2
    ("D returned unacknowledged", "acknowledge"): "A normal",  # ISA-18.2
    ("D returned unacknowledged", "begins"): "B unacknowledged",  # ISA-18.2 (re-alarm)
}

# Part 9, 4.8: once active it does not clear until it is explicitly reset, whatever the value does; 5.8.5: to
# be reset it must have returned to normal and have been acknowledged.
LATCHED: Mapping[tuple[Process, Said], Process] = {
    ("A normal", "begins"): "B unacknowledged",
    ("B unacknowledged", "acknowledge"): "C acknowledged",
    ("B unacknowledged", "ends"): "E latched unacknowledged",
    ("C acknowledged", "ends"): "F latched acknowledged",
    ("E latched unacknowledged", "acknowledge"): "F latched acknowledged",
    ("E latched unacknowledged", "begins"): "B unacknowledged",
    ("F latched acknowledged", "begins"): "B unacknowledged",  # a new transition to active (4.3)
    ("F latched acknowledged", "reset"): "A normal",
}

# Part 9, 5.8.17.1, figure 16: all transitions between the three, by method; two by themselves. `expires` is
# MaxTimeShelved for one-shot (5.8.2). A shelved alarm may be shelved again: the server may allow the timer to
# be set anew (5.8.17.4), and we do.
SHELVING: Mapping[tuple[Shelving, str], Shelving] = {
    ("unshelved", "timed"): "timed",
    ("unshelved", "one-shot"): "one-shot",
    ("timed", "timed"): "timed",
    ("timed", "one-shot"): "one-shot",
    ("one-shot", "timed"): "timed",
    ("one-shot", "one-shot"): "one-shot",
    ("timed", "unshelve"): "unshelved",
    ("one-shot", "unshelve"): "unshelved",
    ("timed", "expires"): "unshelved",
    ("one-shot", "expires"): "unshelved",
    ("one-shot", "goes inactive"): "unshelved",
}

_ACTIVE = ("B unacknowledged", "C acknowledged")
_IN_ALARM = (*_ACTIVE, "E latched unacknowledged", "F latched acknowledged")


@dataclass(frozen=True)
class Model:
    """One alarm as the tables say it is; `latched` is a property of the alarm, chosen when it is designed."""

    latched: bool
    process: Process = "A normal"
    shelving: Shelving = "unshelved"
    suppressed: bool = False
    out_of_service: bool = False
    announced: bool = False  # when it was first kept back, people knew of it as in alarm
    owed: bool = False  # and then, or since, it was to be acknowledged by people who knew of it

    @property
    def kept_back(self) -> bool:
        """SuppressedOrShelved of Part 9, 5.8.2: any of the three."""
        return self.suppressed or self.out_of_service or self.shelving != "unshelved"

    def said(self, said: Said) -> Model:
        """After the condition began or ended, or a person acknowledged or reset."""
        before, after = self.process, (LATCHED if self.latched else PLAIN).get((self.process, said))
        if after is None:
            return self
        new = replace(self, process=after)
        if self.kept_back and before == "A normal":  # another occurrence, of which nobody was told
            new = replace(new, announced=False, owed=False)
        if before in _ACTIVE and after not in _ACTIVE:
            shelving = SHELVING.get((self.shelving, "goes inactive"), self.shelving)
            new = new._kept(replace(new, shelving=shelving))
        return new

    def shelve(self, how: str) -> Model:
        """After a shelving method, or the end of its time."""
        return self._kept(replace(self, shelving=SHELVING.get((self.shelving, how), self.shelving)))

    def suppress(self, *, on: bool) -> Model:
        """Part 9, 5.8.2: set by the system itself, for reasons of its own."""
        return self._kept(replace(self, suppressed=on))

    def service(self, *, out: bool) -> Model:
        """Part 9, 5.8.12 RemoveFromService, and its PlaceInService."""
        return self._kept(replace(self, out_of_service=out))

    def _kept(self, new: Model) -> Model:
        if not self.kept_back and new.kept_back:
            owed = self.process == "D returned unacknowledged"
            return replace(new, announced=self.process in _IN_ALARM, owed=owed)
        if self.kept_back and not new.kept_back:
            return replace(new, process=new._back(), announced=False, owed=False)
        return new

    def _back(self) -> Process:
        """ISA-18.2 (from memory): from shelved, suppressed and out of service an alarm goes to
        unacknowledged when its condition is there, else to normal. Part 9 keeps an acknowledgement that is
        owed, and a latch; what nobody was ever told of is owed by nobody (our reading)."""
        if self.process in _ACTIVE:
            return "B unacknowledged"
        if self.process == "D returned unacknowledged" and not (self.announced or self.owed):
            return "A normal"
        return self.process
