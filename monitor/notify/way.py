"""What every way of delivery is: settings that are its config syntax, and one method that sends."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from monitor.notify.mail_server import MailServer
    from monitor.notify.message import Message


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What ways need besides their own settings."""

    servers: Mapping[str, MailServer]  # the site file's `[[mail_server]]`, by id
    folder: Path  # of the site file: relative paths in it begin here
    environ: Mapping[str, str] = field(repr=False)  # may hold secrets


class Way(Protocol):
    """One entry of a person's `way`. Its module exports the settings class as `Way`."""

    @property
    def kind(self) -> str:
        """The literal that the site file writes."""

    @property
    def label(self) -> str:
        """How a person names it: `mail to lead@shop.example`."""

    def mistakes(self, around: Surroundings) -> list[str]:
        """What can be told to be wrong without sending; `goodwater check` prints it."""

    def send(self, message: Message, around: Surroundings) -> str:
        """Hand the message over, and give back what the far end answered.

        Raises: Temporary when it may work later, Permanent when it never will.
        """
